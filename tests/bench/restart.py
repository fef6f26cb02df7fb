"""From the start of the process to a service that listens, against the sessions that its journal holds."""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Final

from rich.console import Console
from rich.progress import track
from rich.table import Table

from guidance_svc.domain import OpenRequest
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import craft_on_pad
from guidance_svc.session.history import History
from guidance_svc.session.packing import pack
from guidance_svc.session.registry import Registry, digest_of
from guidance_svc.storage.journal import FolderJournal
from guidance_svc.wire.parse import parse_state
from tests.bench.processes import PLAIN as HIDE_FAST
from tests.bench.processes import SERVE, kinds, started
from tests.closed_loop.demo_flights import Flown, fly, tanker_plan

SESSIONS: Final = (0, 1, 100, 300)
FLOWN_STATES: Final = 4000  # of the demo's tanker at ten a second: in the middle of its insertion


def fill(folder: Path, sessions: int) -> int:
    """A journal of so many sessions in powered flight, as a kill leaves it; bytes on disk."""
    registry = Registry(lambda: "token")
    journal = FolderJournal(folder, registry, time.monotonic, lambda vehicle, why: None)
    plan = tanker_plan(load_library(default_folder()))
    flown = Flown(plan)
    fly(craft_on_pad("Bargeman", plan, None, flown.log), flown)
    registry.open("link", request := OpenRequest("v0", "tanker", plan))
    for state, _ in flown.exchanges[:FLOWN_STATES]:
        registry.state("link", parse_state(state))
        registry.work()
    first = registry.seats["v0"].session.history
    for number in range(1, sessions):
        history = History(registry.history_bytes)
        history.take_up(first.base, bytes(first.stream), list(first.marks))
        registry.restore(pack(replace(request, vehicle=f"v{number}")), digest_of("token"), history)
    if sessions == 0:
        registry.forget("v0")
    journal.close()
    return sum(path.stat().st_size for path in folder.iterdir())


def run(console: Console, rounds: int) -> None:
    """Starts with each number of sessions, interleaved, plain and with `fast` where it is installed."""
    table = Table("service", "sessions", "journal, MB", "start to ready, s", "over none, s", title="restart")
    with tempfile.TemporaryDirectory() as name:
        folders = {count: Path(name) / str(count) for count in SESSIONS}
        sizes = {count: fill(folder, count) for count, folder in folders.items()}
        for plain in kinds():
            took: dict[int, list[float]] = {count: [] for count in SESSIONS}
            for _ in track(range(rounds), "restarts", console=console, transient=True):
                for count, folder in folders.items():
                    took[count].append(start_s(folder, plain))
            none = median(took[0])
            for count in SESSIONS:
                middle = median(took[count])
                kind = "plain" if plain else "fast"
                table.add_row(kind, str(count), f"{sizes[count] / 1e6:.1f}", f"{middle:.2f}", f"{middle - none:.2f}")
    console.print(table)


def start_s(folder: Path, plain: bool) -> float:
    """One start on that journal; the sessions stay in it."""
    code = (HIDE_FAST if plain else "") + SERVE
    where = ["--zmq", "tcp://127.0.0.1:0", "--tcp", "127.0.0.1:0", "--no-record", "--journal", str(folder)]
    began_s = time.perf_counter()
    with started("restart", [sys.executable, "-c", code, "serve", *where]):
        return time.perf_counter() - began_s

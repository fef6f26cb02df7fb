"""Cost of a state and of a major cycle, plain against compiled; and where the desk's time goes.

    python -m tests.bench.cycle      one line of JSON, for this process's kernels
"""

from __future__ import annotations

import cProfile
import io
import json
import pstats
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import mean, median
from tempfile import TemporaryDirectory
from typing import Any

from rich.console import Console
from rich.table import Table

from guidance_svc.domain import Frame
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.session.session import Session
from guidance_svc.storage.recorder import McapRecorder
from tests.bench import states
from tests.bench.processes import PLAIN, kinds

WARM = 500
COUNT = 5000


def measured() -> dict[str, float]:
    """Microseconds, medians over real states: a reply, a major cycle, and bytes in to bytes out through the desk."""
    flight = states.flown()
    session = Session(states.plan(), Frame())
    replies, cycles = [], []
    for k, message in enumerate(flight[:COUNT]):
        begin = time.perf_counter()
        session.state(message)
        middle = time.perf_counter()
        due = session.point is not None and session.point.due is not None
        session.work()
        end = time.perf_counter()
        if k > WARM:
            replies.append(middle - begin)
            if due:
                cycles.append(end - middle)
    desk, spread = desk_us()
    return {
        "reply_us": 1e6 * median(replies),
        "cycle_us": 1e6 * median(cycles),
        "longest_cycle_us": 1e6 * max(cycles),
        "desk_us": desk,
        "spread_us": spread,
    }


def desk_us() -> tuple[float, float]:
    """One message through desk and recorder (median), and major cycles spread over all states (mean)."""
    replies, cycles = [], []
    with ready_desk() as (turn, sessions, messages):
        for message in messages[:COUNT]:
            begin = time.perf_counter()
            turn(message)
            middle = time.perf_counter()
            sessions.work()
            replies.append(middle - begin)
            cycles.append(time.perf_counter() - middle)
    return 1e6 * median(replies[WARM:]), 1e6 * mean(cycles[WARM:])


@contextmanager
def ready_desk() -> Iterator[tuple[Callable[[bytes], None], Registry, list[bytes]]]:
    """One open session: a function that answers and records a message, the sessions, real messages."""
    sessions = Registry(lambda: "token")
    with TemporaryDirectory() as folder:
        recorder = McapRecorder(Path(folder) / "bench.mcap", time.time_ns, {"version": "bench"})
        desk = Desk(sessions, load_library(default_folder()), recorder)
        desk.receive("link", states.opening("bench"))

        def turn(message: bytes) -> None:
            desk.receive("link", message)
            recorder.flush()

        yield turn, sessions, states.packed()
        recorder.close()


def run(console: Console) -> None:
    """Print the table; each kind in a process of its own."""
    table = Table(title="Cost with real states, us (medians)")
    for name in ("", "reply", "major cycle", "longest cycle", "bytes in, out, recorded", "cycles per state (mean)"):
        table.add_column(name, justify="right")
    for plain in kinds():
        code = (PLAIN if plain else "") + "from tests.bench.cycle import main; main()"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=True)
        cost: dict[str, Any] = json.loads(done.stdout)
        numbers = (cost["reply_us"], cost["cycle_us"], cost["longest_cycle_us"], cost["desk_us"], cost["spread_us"])
        table.add_row("plain" if plain else "fast", *(f"{x:.0f}" for x in numbers))
    console.print(table)


def run_profile(console: Console, lines: int = 30) -> None:
    """Where the desk's time goes, this process's kernels."""
    profile = cProfile.Profile()
    with ready_desk() as (turn, sessions, messages):
        for k, message in enumerate(messages[: WARM + COUNT]):
            if k == WARM:
                profile.enable()
            turn(message)
            sessions.work()
        profile.disable()
    out = io.StringIO()
    pstats.Stats(profile, stream=out).sort_stats("tottime").print_stats(lines)
    console.print(out.getvalue(), markup=False, highlight=False)


def main() -> None:
    """One line of JSON."""
    print(json.dumps(measured()))


if __name__ == "__main__":
    main()

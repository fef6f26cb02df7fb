"""What the live board costs: reply latency with and without it as ratios, and the browser's share of a core.

A hundred vehicles at 5 Hz on each of two services in turn, round after round: one alone, one with `--board` and a
headless Chromium that shows the page at desktop size. The browser renders without a graphics card here, so its share
is an upper bound.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from shutil import which
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any
from urllib.error import URLError
from urllib.request import urlopen

from rich.console import Console
from rich.table import Table

from tests.bench import states
from tests.bench.latency import quantiles
from tests.bench.processes import SERVE, load, started

VEHICLES, RATE_HZ = 100, 5.0
BOARD_WAIT_S = 30.0
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")


def run(console: Console, seconds: float = 10.0, rounds: int = 3) -> None:
    """Print the table; about rounds x 2 x seconds."""
    browser = which("chromium")
    if browser is None:
        console.print("board: no chromium here")
        return
    with TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        file, page = folder / "states", f"http://127.0.0.1:{free_port()}/"
        states.write(file)
        alone = stack.enter_context(service(folder / "alone", "alone"))
        watched = stack.enter_context(service(folder / "watched", "with board", page))
        wait_for(page)
        root = stack.enter_context(looking(browser, page, folder))
        options = ("--vehicles", str(VEHICLES), "--rate", str(RATE_HZ), "--seconds", str(seconds))
        runs: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for round_ in range(rounds + 1):  # the first warms up
            for server in (alone, watched):
                board = child_of(server.pid)
                before = (time.perf_counter(), cpu_s(tree(root)), cpu_s([board] if board else []))
                done = load(server, file, *options)
                took = time.perf_counter() - before[0]
                done["browser"] = (cpu_s(tree(root)) - before[1]) / took
                done["board"] = (cpu_s([board] if board else []) - before[2]) / took
                if round_:
                    runs[server.name].append(done)
        console.print(table(runs))


def table(runs: dict[str, list[dict[str, Any]]]) -> Table:
    """Medians over the rounds; the ratios are medians of the pairs of neighbouring runs, and their middle half."""
    shown = Table(title=f"{VEHICLES} vehicles x {RATE_HZ:g} Hz; shares of one core")
    names = ("", "p50 us", "p99 us", "x p50", "x p99", "middle half", "browser", "board process", "replies", "faults")
    for name in names:
        shown.add_column(name, justify="right")
    floors = [quantiles(one) for one in runs["alone"]]
    for name, rounds in runs.items():
        here = [quantiles(one) for one in rounds]
        p50, p99 = (median(q[i] for q in here) for i in (0, 1))
        pairs = [sorted(h[i] / f[i] for h, f in zip(here, floors, strict=True)) for i in (0, 1)]
        low, high = pairs[1][len(here) // 4], pairs[1][-1 - len(here) // 4]
        ratios = [f"{median(pair):.2f}" for pair in pairs]
        shares = [f"{median(r[what] for r in rounds):.2f}" for what in ("browser", "board")]
        shown.add_row(name, f"{p50:.0f}", f"{p99:.0f}", *ratios, f"{low:.2f} to {high:.2f}", *shares,
                      str(sum(r["count"] for r in rounds)), str(sum(r["bad"] for r in rounds)))  # fmt: skip
    return shown


def service(folder: Path, name: str, page: str = "") -> Any:
    """A service that records, with or without the board."""
    where = ["--zmq", "tcp://127.0.0.1:0", "--tcp", "127.0.0.1:0", "--record", str(folder), "--no-journal", "--plain"]
    board = ["--board-address", page.removeprefix("http://").rstrip("/")] if page else []
    return started(name, [sys.executable, "-c", SERVE, "serve", *where, *board])


@contextmanager
def looking(browser: str, page: str, folder: Path) -> Iterator[int]:
    """A headless browser on the page; its process id."""
    profile = f"--user-data-dir={folder / 'profile'}"
    options = ["--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1440,900", "--no-first-run", profile]
    with subprocess.Popen([browser, *options, page], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            yield process.pid
        finally:
            process.terminate()


def wait_for(page: str) -> None:
    """Until the board answers."""
    until = time.monotonic() + BOARD_WAIT_S
    while True:
        try:
            urlopen(page, timeout=5.0).close()
            return
        except URLError as error:
            if time.monotonic() > until:
                raise SystemExit(f"no board on {page}") from error
            time.sleep(0.1)


def free_port() -> int:
    """A loopback port that nobody uses now."""
    import socket

    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def parents() -> dict[int, int]:
    """Parent of every process."""
    found = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            found[int(stat.parent.name)] = int(stat.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
    return found


def tree(root: int) -> list[int]:
    """A process and all below it."""
    of = parents()
    found = [root]
    for pid in found:
        found += [child for child, parent in of.items() if parent == pid]
    return found


def child_of(pid: int) -> int | None:
    """The board process of a service."""
    for child, parent in parents().items():
        if parent == pid and b"--beside-service" in Path(f"/proc/{child}/cmdline").read_bytes():
            return child
    return None


def cpu_s(pids: list[int]) -> float:
    """Processor time of processes, user and system."""
    total = 0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        total += int(fields[11]) + int(fields[12])
    return total / TICKS_A_SECOND


"""What a misbehaving neighbour does to the replies of honest vehicles: p99, as ratios in one interleaved run."""

from __future__ import annotations

import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

from rich.console import Console
from rich.table import Table

from tests.bench import loop_time, states
from tests.bench.latency import quantiles
from tests.bench.neighbour import KINDS
from tests.bench.processes import Server, kinds, load, service

VEHICLES, RATE_HZ = 10, 20


def run(console: Console, seconds: float = 4.0, rounds: int = 3) -> None:
    """Print what a neighbour costs inside the loop, then replies as scripts see them; about rounds x 24 x seconds."""
    with TemporaryDirectory() as folder:
        file = Path(folder) / "states"
        states.write(file)
        console.print(loop_time.loop_table(loop_time.measured(Path(folder), file, int(100 * seconds), rounds)))
        for plain in kinds():
            with service(Path(folder) / str(plain), plain) as server:
                load(server, file, "--each", "2000", "--window", "1", "--seconds", "60")  # compiled by then
                console.print(neighbours_table(server, measured(server, file, seconds, rounds)))


def measured(server: Server, file: Path, seconds: float, rounds: int) -> dict[str, list[dict[str, Any]]]:
    """Each neighbour in turn, round after round."""
    out: dict[str, list[dict[str, Any]]] = defaultdict(list)
    options = ("--vehicles", str(VEHICLES), "--rate", str(RATE_HZ), "--seconds", str(seconds))
    for _ in range(rounds):
        out["nobody"].append(load(server, file, *options))
        for kind in KINDS:
            with neighbour(kind, server, file):
                out[kind].append(load(server, file, *options))
    return out


@contextmanager
def neighbour(kind: str, server: Server, file: Path) -> Iterator[None]:
    """One neighbour, from before the load begins until after it has ended."""
    command = [sys.executable, "-m", "tests.bench.neighbour", kind, server.endpoint, server.tcp, str(file)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    assert process.stdout is not None
    try:
        process.stdout.readline()
        yield
    finally:
        process.kill()
        process.wait(30)
        process.stdout.close()


def neighbours_table(server: Server, runs: dict[str, list[dict[str, Any]]]) -> Table:
    """Medians over the rounds; `spin` is a process that uses a core and never connects."""
    table = Table(title=f"{VEHICLES} honest vehicles at {RATE_HZ} Hz beside a neighbour, {server.name}, us")
    for name in ("neighbour", "p50", "p99", "x nobody p50", "x p99", "x spin p50", "x p99", "replies", "faults",
                 "unanswered", "server MB"):  # fmt: skip
        table.add_column(name, justify="right")
    figures = {kind: [median(q) for q in zip(*map(quantiles, rs), strict=True)][:2] for kind, rs in runs.items()}
    for kind, rounds in runs.items():
        bases = [figures[base] for base in ("nobody", "spin")]
        ratios = [f"{a / b:.2f}" for base in bases for a, b in zip(figures[kind], base, strict=True)]
        replies = sum(len(r["latencies_us"]) for r in rounds)
        counts = (replies, sum(r["bad"] for r in rounds), sum(r["missing"] for r in rounds))
        memory = f"{server.resident_mb():.0f}" if kind == list(runs)[-1] else ""
        table.add_row(kind, *(f"{q:.0f}" for q in figures[kind]), *ratios, *map(str, counts), memory)
    return table

"""Reply latency and throughput, as ratios to a bare ROUTER echo of the same bytes in the same, interleaved run."""

from __future__ import annotations

from collections import defaultdict
from contextlib import ExitStack
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from tests.bench import states
from tests.bench.processes import Server, echo, kinds, load, service

QUANTILES = (50.0, 99.0, 99.9)
LATE_US = 20_000.0


def run(console: Console, seconds: float = 10.0, rounds: int = 3) -> None:
    """Print the tables; about rounds x 10 x seconds."""
    with TemporaryDirectory(ignore_cleanup_errors=True) as folder, ExitStack() as stack:
        file = Path(folder) / "states"
        console.print(f"{states.write(file)} real states of an insertion, guidance and recording on")
        servers = [stack.enter_context(echo())]
        servers += [stack.enter_context(service(Path(folder) / str(k), plain)) for k, plain in enumerate(kinds())]
        for server in servers:  # kernels compile on their first states; how long that takes is worth a line
            first = load(server, file, "--each", "2000", "--window", "1", "--seconds", "60")
            console.print(f"{server.name}: longest of the first 2000 replies {max(first['latencies_us']) / 1e3:.0f} ms")
        for vehicles, rate in ((1, 50.0), (20, 20.0)):
            runs = interleaved(servers, file, rounds, seconds, "--vehicles", str(vehicles), "--rate", str(rate))
            console.print(latency_table(f"Latency, {vehicles} x {rate:g} Hz, us", runs))
        for vehicles in (1, 10, 100):
            options = ("--vehicles", str(vehicles), "--window", "1")  # what the pace lets through without limit
            runs = interleaved(servers, file, rounds, max(2.0, seconds / 4), *options)
            console.print(throughput_table(f"Saturated, {vehicles} vehicles, each waiting for its replies", runs))
        runs = interleaved(servers, file, 1, seconds, "--vehicles", "100", "--rate", "50")
        console.print(late_table(runs))


def interleaved(
    servers: list[Server], file: Path, rounds: int, seconds: float, *options: str
) -> dict[str, list[dict[str, Any]]]:
    """The same load on each server in turn, round after round."""
    out: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for _ in range(rounds):
        for server in servers:
            out[server.name].append(load(server, file, "--seconds", str(seconds), *options))
    return out


def quantiles(run: dict[str, Any]) -> list[float]:
    """p50, p99, p99.9 of one run."""
    return [float(x) for x in np.percentile(run["latencies_us"], QUANTILES)]


def latency_table(title: str, runs: dict[str, list[dict[str, Any]]]) -> Table:
    """Medians over the rounds, and the ratios to the echo."""
    table = Table(title=title)
    for name in ("", "p50", "p99", "p99.9", "x echo p50", "x p99", "x p99.9", "replies", "faults"):
        table.add_column(name, justify="right")
    floor = [median(q) for q in zip(*map(quantiles, runs["echo"]), strict=True)]
    for name, rounds in runs.items():
        here = [median(q) for q in zip(*map(quantiles, rounds), strict=True)]
        ratios = [f"{a / b:.2f}" for a, b in zip(here, floor, strict=True)]
        count = sum(len(r["latencies_us"]) for r in rounds)
        table.add_row(name, *(f"{q:.0f}" for q in here), *ratios, str(count), str(sum(r["bad"] for r in rounds)))
    return table


def throughput_table(title: str, runs: dict[str, list[dict[str, Any]]]) -> Table:
    """Messages a second, medians over the rounds."""
    table = Table(title=title)
    for name in ("", "messages/s", "of the echo", "faults", "unanswered"):
        table.add_column(name, justify="right")
    rates = {name: median(r["count"] / r["seconds"] for r in rounds) for name, rounds in runs.items()}
    for name, rounds in runs.items():
        bad, missing = sum(r["bad"] for r in rounds), sum(r["missing"] for r in rounds)
        table.add_row(name, f"{rates[name]:.0f}", f"{rates[name] / rates['echo']:.3f}", str(bad), str(missing))
    return table


def late_table(runs: dict[str, list[dict[str, Any]]]) -> Table:
    """Replies later than a tick."""
    table = Table(title="100 vehicles x 50 Hz")
    for name in ("", "replies/s", "later than 20 ms", "p50 us", "p99 us", "longest us", "faults", "unanswered"):
        table.add_column(name, justify="right")
    for name, (one, *_) in runs.items():
        late = sum(x > LATE_US for x in one["latencies_us"])
        p50, p99, _ = quantiles(one)
        rate, longest = one["count"] / one["seconds"], max(one["latencies_us"])
        table.add_row(name, f"{rate:.0f}", str(late), f"{p50:.0f}", f"{p99:.0f}", f"{longest:.0f}", str(one["bad"]),
                      str(one["missing"]))  # fmt: skip
    return table

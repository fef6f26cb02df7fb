"""Figures of replies over sockets, beside a bare echo: servers and load as processes of their own, in turn."""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np

from guidance_svc.core.compiled import HAVE_NUMBA
from tests.bench import states
from tests.bench.processes import Server, echo, load, service

STATES: Final = 6000
PACED_S, SATURATED_S, CROWD_S = 2.0, 1.0, 3.0
ROUNDS: Final = 2
LATE_US: Final = 20_000.0
CROWD: Final = 250 if HAVE_NUMBA else 100


def measured() -> dict[str, float]:
    """All of them."""
    with TemporaryDirectory(ignore_cleanup_errors=True) as folder, ExitStack() as stack:  # compacting goes on
        file = Path(folder) / "states"
        states.write(file, STATES)
        bare, ours = stack.enter_context(echo()), stack.enter_context(service(Path(folder) / "kept", not HAVE_NUMBA))
        load(ours, file, "--each", "500", "--window", "1", "--seconds", "60")  # kernels compile
        return (
            paced(bare, ours, file, "one", 1, 50)
            | paced(bare, ours, file, "twenty", 20, 20)
            | {"saturated": saturated(bare, ours, file)}
            | crowd(ours, file)
        )


def paced(bare: Server, ours: Server, file: Path, name: str, vehicles: int, rate_hz: int) -> dict[str, float]:
    """Reply times at a rate; the lesser ratio of the rounds, for what else runs only adds."""
    options = ("--vehicles", str(vehicles), "--rate", str(rate_hz), "--seconds", str(PACED_S))
    rounds = [quantiles(load(ours, file, *options)) / quantiles(load(bare, file, *options)) for _ in range(ROUNDS)]
    p50, p99 = np.min(rounds, axis=0)
    return {f"p50_{name}": float(p50), f"p99_{name}": float(p99)}


def quantiles(run: dict[str, Any]) -> Any:
    """p50 and p99."""
    return np.percentile(run["latencies_us"], (50.0, 99.0))


def saturated(bare: Server, ours: Server, file: Path) -> float:
    """Replies a second of the service to those of the echo."""
    options = ("--vehicles", "100", "--window", "1", "--seconds", str(SATURATED_S))
    runs = [[load(server, file, *options) for server in (ours, bare)] for _ in range(ROUNDS)]
    return median(ours["count"] / bare["count"] for ours, bare in runs)


def crowd(ours: Server, file: Path) -> dict[str, float]:
    """Many vehicles at 50 Hz that open at once: share of late replies after the first second, cores."""
    before_s = processor_s(ours.pid)
    run = load(
        ours, file, "--vehicles", str(CROWD), "--rate", "50", "--seconds", str(CROWD_S), "--warm", "1.0", "--keep"
    )
    took_s = processor_s(ours.pid) - before_s
    late = sum(took_us > LATE_US for took_us in run["latencies_us"]) + run["missing"] + run["bad"]
    return {"crowd_late": late / (len(run["latencies_us"]) + run["missing"]),
            "crowd_core": took_s / (run["seconds"] + 1.0)}  # fmt: skip


def processor_s(pid: int) -> float:
    """Processor time of a process so far, all its threads, from /proc."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

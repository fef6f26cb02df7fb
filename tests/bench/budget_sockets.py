"""Figures of replies over sockets, beside a bare echo: servers and load as processes of their own, in turn."""

from __future__ import annotations

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
PACED_S, SATURATED_S, CARRIED_S, CROWD_S = 2.0, 1.0, 1.5, 3.0
HELD: Final = (20, 40)
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
            | {"carried": carried(ours, file)}
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
    run = load(ours, file, *at_50_hz(ours, CROWD, warm_s=1.0, seconds=CROWD_S))
    late = sum(took_us > LATE_US for took_us in run["latencies_us"]) + run["missing"] + run["bad"]
    return {"crowd_late": late / (len(run["latencies_us"]) + run["missing"]),
            "crowd_core": run["server_s"] / run["seconds"]}  # fmt: skip


def carried(ours: Server, file: Path) -> float:
    """Vehicles at 50 Hz that one core would carry, by the processor time of a reply at a load that is held.

    All is in it: libzmq's thread, recording, journal, major cycles; first solutions are over when counting begins. The
    most of a few loads: what else runs on the machine only adds.
    """
    runs = [load(ours, file, *at_50_hz(ours, many, warm_s=1.5, seconds=CARRIED_S)) for many in HELD]
    return max(run["count"] / run["server_s"] for run in runs) / 50.0


def at_50_hz(server: Server, vehicles: int, warm_s: float, seconds: float) -> tuple[str, ...]:
    """Options of such a load."""
    return ("--vehicles", str(vehicles), "--rate", "50", "--warm", str(warm_s), "--seconds", str(seconds),
            "--pid", str(server.pid), "--keep")  # fmt: skip

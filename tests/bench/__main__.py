"""Measurements, printed as tables; nothing is asserted.

    python -m tests.bench [insertion] [latency] [memory] [cycle] [profile] [disturbances] [sweep] [drift] [board]
                          [neighbours] [curve] [budget] [landing]
                          [--seconds S] [--rounds N] [--seeds N]

Without a name: insertion, cycle, latency, memory. Ratios are taken within one run, rounds interleaved, because the
machine is shared; absolute times mean little. `budget` ends with exit code 1 where a figure is beyond its budget.
"""

from __future__ import annotations

import argparse
import sys

from rich.console import Console

NAMES = ("insertion", "latency", "memory", "cycle", "profile", "disturbances", "sweep", "drift", "board",
         "neighbours", "curve", "restart", "budget", "landing")  # fmt: skip


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(NAMES))
    parser.add_argument("--seconds", type=float, default=10.0, help="of each latency run")
    parser.add_argument("--rounds", type=int, default=3)
    seeds = "flights a cell of the disturbance table (60), in the sweep (1000), a row of landings (100)"
    parser.add_argument("--seeds", type=int, help=seeds)
    args = parser.parse_args()
    unknown = [name for name in args.names if name not in NAMES]
    if unknown:
        parser.error(f"unknown: {', '.join(unknown)}; expected {', '.join(NAMES)}")
    console = Console(width=None if Console().is_terminal else 160)
    from tests.bench import (
        board,
        budget,
        curve,
        cycle,
        disturbances,
        drift,
        insertion,
        landing,
        latency,
        memory,
        neighbours,
        restart,
    )

    runs = {
        "insertion": lambda: insertion.run(console),
        "cycle": lambda: cycle.run(console),
        "latency": lambda: latency.run(console, args.seconds, args.rounds),
        "memory": lambda: memory.run(console),
        "profile": lambda: cycle.run_profile(console),
        "disturbances": lambda: disturbances.run(console, args.seeds or disturbances.SEEDS),
        "board": lambda: board.run(console, args.seconds, args.rounds),
        "neighbours": lambda: neighbours.run(console, args.seconds, args.rounds),
        "curve": lambda: curve.run(console, args.seconds, args.rounds),
        "restart": lambda: restart.run(console, args.rounds),
        "drift": lambda: drift.run(console),
        "sweep": lambda: disturbances.run_sweep(console, args.seeds or disturbances.SWEPT),
        "budget": lambda: budget.run(console),
        "landing": lambda: landing.run(console, args.seeds or landing.SEEDS),
    }
    for name in args.names or ("insertion", "cycle", "latency", "memory"):
        if runs[name]() is False:
            sys.exit(1)


if __name__ == "__main__":
    main()

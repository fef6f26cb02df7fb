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
from statistics import median
from typing import Any

from rich.console import Console
from rich.table import Table

from guidance_svc.adapters.config_files import default_folder, load_library
from guidance_svc.adapters.desk import Desk
from guidance_svc.domain import Frame
from guidance_svc.session.registry import Registry
from guidance_svc.session.session import Session
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
    return {
        "reply_us": 1e6 * median(replies),
        "cycle_us": 1e6 * median(cycles),
        "longest_cycle_us": 1e6 * max(cycles),
        "desk_us": desk_us(),
    }


def desk_us() -> float:
    """Median of one message through the desk, major cycles left out."""
    desk, sessions, messages = ready_desk()
    times = []
    for message in messages[:COUNT]:
        begin = time.perf_counter()
        desk.receive("link", message)
        times.append(time.perf_counter() - begin)
        sessions.work()
    return 1e6 * median(times[WARM:])


def ready_desk() -> tuple[Desk, Registry, list[bytes]]:
    """A desk with one open session, and its real messages; nothing is recorded."""
    sessions = Registry(lambda: "token")
    desk = Desk(sessions, load_library(default_folder()))
    desk.receive("link", states.opening("bench"))
    return desk, sessions, states.packed()


def run(console: Console) -> None:
    """Print the table; each kind in a process of its own."""
    table = Table(title="Cost with real states, us (medians)")
    for name in ("", "reply", "major cycle", "longest cycle", "bytes in to bytes out"):
        table.add_column(name, justify="right")
    for plain in kinds():
        code = (PLAIN if plain else "") + "from tests.bench.cycle import main; main()"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=True)
        cost: dict[str, Any] = json.loads(done.stdout)
        numbers = (cost["reply_us"], cost["cycle_us"], cost["longest_cycle_us"], cost["desk_us"])
        table.add_row("plain" if plain else "fast", *(f"{x:.0f}" for x in numbers))
    console.print(table)


def run_profile(console: Console, lines: int = 30) -> None:
    """Where the desk's time goes, this process's kernels."""
    desk, sessions, messages = ready_desk()
    for message in messages[:WARM]:
        desk.receive("link", message)
        sessions.work()
    profile = cProfile.Profile()
    profile.enable()
    for message in messages[WARM : WARM + COUNT]:
        desk.receive("link", message)
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

"""The whole ascent: against its fuel optimum, against AS-506's positions, and what planning and flying it cost.

    python -m tests.bench.ascent
"""

from __future__ import annotations

import time

from rich.console import Console
from rich.table import Table

from guidance_svc.planning.boost.ascent_trial import ascent_of, try_program
from guidance_svc.planning.boost.search import plan_boost
from guidance_svc.rehearsal.closed_loop import fly_ascent
from tests.closed_loop.as506_boost import differences, greatest_pressure, mach_one_s
from tests.closed_loop.full_ascent import CASE, plan, world


def run(console: Console) -> None:
    """Print both tables."""
    optimum_table(console)
    positions_table(console)


def optimum_table(console: Console) -> None:
    """Planned, flown, compared; kernels are compiled before the clock starts."""
    ascent = ascent_of(plan(), world())
    try_program(ascent, ascent.boost)
    start = time.perf_counter()
    found = plan_boost(ascent)
    searched = time.perf_counter()
    flight = fly_ascent(plan(found.boost), world())
    flown = time.perf_counter()
    best, payload = CASE["optimum"]["payload_plus_remaining_kg"], CASE["vehicle"]["payload"]
    reached = payload + flight.margin_kg
    table = Table(title="whole ascent against optimal control")
    for heading in ("payload + left, kg", "optimum, kg", "short, %", "q, kPa", "q sin alpha, Pa", "alpha, deg",
                    f"search of {found.flights}, s", f"flight of {flight.states} states, s"):  # fmt: skip
        table.add_column(heading, justify="right")
    table.add_row(
        f"{reached:.1f}", f"{best:.1f}", f"{100.0 * (1.0 - reached / best):.3f}", f"{flight.most_q_pa / 1e3:.2f}",
        f"{flight.most_q_alpha_pa:.0f}", f"{flight.most_alpha_deg:.2f}", f"{searched - start:.1f}",
        f"{flown - searched:.1f}",
    )  # fmt: skip
    console.print(table)


def positions_table(console: Console) -> None:
    """Ours less published, event by event."""
    table = Table(title="AS-506, ours less flown (speeds from memory)")
    for heading in ("event", "s", "height, km", "along, km", "across, km", "speed, m/s"):
        table.add_column(heading, justify="left" if heading == "event" else "right")
    for d in differences():
        speed = "" if d.speed_m_s is None else f"{d.speed_m_s:+.1f}"
        places = [f"{k / 1e3:+.2f}" for k in (d.height_m, d.along_m, d.across_m)]
        table.add_row(d.event, f"{d.time_s:.1f}", *places, speed)
    console.print(table)
    console.print(f"Mach 1 at {mach_one_s():.1f} s (66.3)")
    console.print(f"greatest dynamic pressure at {greatest_pressure().time_s:.1f} s (83.0)")


if __name__ == "__main__":
    run(Console(width=160))

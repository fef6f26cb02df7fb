"""The insertion table: this service and the hand-written law against the fuel optimum; circular burns; AS-506."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from tests.closed_loop.as506 import fly_third_stage
from tests.closed_loop.flight import fly
from tests.closed_loop.hand_written_law import best_by_hand
from tests.closed_loop.optimum_cases import CASES, circular_case, insertion_case
from tests.closed_loop.outcome import Outcome, circular_outcome, insertion_outcome

INSERTIONS = ("V01", "V03", "V04", "V06", "V08", "V12", "V14", "V10", "V18")
BY_HAND = ("V01", "V03", "V04", "V06", "V08", "V12")
CIRCLES = ("C01", "C03", "C05")


def cells(outcome: Outcome | None) -> list[str]:
    """Perigee error, apogee error, plane error, propellant above the optimum."""
    if outcome is None:
        return ["", "", "", ""]
    plane = "free" if outcome.plane_error_deg is None else f"{outcome.plane_error_deg:.6f}"
    errors = [f"{outcome.perigee_error_m:+.2f}", f"{outcome.apogee_error_m:+.2f}"]
    return [*errors, plane, f"{outcome.propellant_excess_percent:+.5f}"]


def insertion_table() -> Table:
    """Flown now, 20 ms tick, 0.5 s major cycle, exact cutoff."""
    table = Table(title="Insertion: 20 ms tick, 2 Hz major cycle; the hand-written law tuned for each case")
    for name in ("case", "perigee m", "apogee m", "plane deg", "propellant %"):
        table.add_column(name, justify="right")
    for name in ("by hand: perigee m", "apogee m", "plane deg", "propellant %"):
        table.add_column(name, justify="right", style="dim")
    for name in INSERTIONS:
        plan, world, state = insertion_case(name)
        optimum_kg = CASES[name]["optimum"]["propellant_kg"]
        ours = insertion_outcome(plan, fly(plan, world, state).state, optimum_kg)
        theirs = None
        if name in BY_HAND:
            theirs = insertion_outcome(plan, best_by_hand(plan, world, state), optimum_kg)
        table.add_row(CASES[name]["case"], *cells(ours), *cells(theirs))
    return table


def circular_table() -> Table:
    """Coast and circular burn."""
    table = Table(title="Circularisation: osculating spread; radius and propellant against the optimum")
    for name in ("case", "spread m", "radius m", "propellant %"):
        table.add_column(name, justify="right")
    for name in CIRCLES:
        plan, world, state = circular_case(name)
        case = CASES[name]
        flight = fly(plan, world, state)
        o = circular_outcome(plan, flight.state, case["target"]["radius_m"], case["optimum"]["propellant_kg"])
        middle = 0.5 * (o.perigee_error_m + o.apogee_error_m)
        table.add_row(case["case"], f"{o.spread_m:.2f}", f"{middle:+.1f}", f"{o.propellant_excess_percent:+.5f}")
    return table


def third_stage_table() -> Table:
    """AS-506; what is from memory stands in tests/closed_loop/as506.py."""
    table = Table(title="AS-506 third stage, first burn (thrust, exhaust velocity, start speed from memory)")
    for name in ("", "this service", "flown", "difference"):
        table.add_column(name, justify="right")
    f = fly_third_stage()
    rows = (
        ("burn s", f.burn_s, f.flown_burn_s),
        ("speed at cutoff m/s", f.cutoff_speed_m_s, f.flown_cutoff_speed_m_s),
        ("speed at insertion m/s", f.cutoff_speed_m_s, f.flown_insertion_speed_m_s),
    )
    for name, ours, flown in rows:
        table.add_row(name, f"{ours:.2f}", f"{flown:.2f}", f"{ours - flown:+.2f}")
    table.add_row("perigee, apogee error m", f"{f.perigee_error_m:+.2f}, {f.apogee_error_m:+.2f}", "", "")
    return table


def run(console: Console) -> None:
    """Print all three."""
    for table in (insertion_table, circular_table, third_stage_table):
        console.print(table())

"""The disturbance table and the sweep of random ignitions, on all cores.

`python -m tests.bench disturbances [--seeds N]` and `python -m tests.bench sweep [--seeds N]`.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

from rich.console import Console
from rich.progress import track
from rich.table import Table

from guidance_svc.core.burn_state import QUIET
from guidance_svc.core.state_filter import Wander
from tests.closed_loop import sweep
from tests.closed_loop.disturbance_rows import GROUPS, Miss, Row, flown, flown_by_hand, percentile
from tests.closed_loop.disturbed import Disturbance
from tests.closed_loop.noise_bound import STEADY, least_p95

SEEDS = 60
SWEPT = 1000
Task = tuple[bool, Disturbance, int]


def fly_task(task: Task) -> Miss:
    """One flight, ours or by hand."""
    ours, disturbance, seed = task
    return flown(disturbance, seed) if ours else flown_by_hand(disturbance, seed)


def tasks_of(rows: Sequence[Row], seeds: int) -> list[Task]:
    """Every flight that a table needs, once; the hand-written law does not throttle."""
    wanted: dict[Task, None] = {}
    for row in rows:
        for seed in range(seeds):
            wanted[(True, row.disturbance, seed)] = None
            wanted[(False, replace(row.disturbance, throttle_min=1.0), seed)] = None
    return list(wanted)


def bound_cells(disturbance: Disturbance, wander: Wander) -> list[str]:
    """What p95 can be at best; see `tests.closed_loop.noise_bound`."""
    least = least_p95(disturbance, wander)
    metres, degrees = (f"{least.perigee_m:.1f}", f"{least.apogee_m:.1f}"), (least.inclination_deg, least.node_deg)
    return [cell for figure in (*metres, *(f"{angle:.5f}" for angle in degrees)) for cell in ("", figure)]


def cells(misses: Sequence[Miss]) -> list[str]:
    """p50 and p95 of the four errors."""
    columns = [
        ([m.perigee_m for m in misses], "{:.1f}"), ([m.apogee_m for m in misses], "{:.1f}"),
        ([m.inclination_deg for m in misses], "{:.5f}"), ([m.node_deg for m in misses], "{:.5f}"),
    ]  # fmt: skip
    return [form.format(percentile(values, frac)) for values, form in columns for frac in (0.5, 0.95)]


def table_of(title: str, rows: Sequence[Row], seeds: int, done: dict[Task, Miss]) -> Table:
    """Two lines a row: the service, the hand-written law; with noise also the bounds. What was to be beaten is apogee.

    The bounds: for a thrust that is steady for ever, and for one that wanders as the filter of a burn reckons with.
    """
    table = Table(title=f"{title}: absolute errors, {seeds} seeds, case V06, 50 Hz")
    table.add_column("row", no_wrap=True)
    table.add_column("flown by", no_wrap=True)
    for name in ("perigee", "apogee", "incl.", "node"):
        unit = "m" if name in ("perigee", "apogee") else "deg"
        table.add_column(f"{name} {unit} p50", justify="right", min_width=7)
        table.add_column("p95", justify="right", min_width=7)
    table.add_column("to beat m", justify="right")
    for row in rows:
        ours = [done[(True, row.disturbance, seed)] for seed in range(seeds)]
        theirs = [done[(False, replace(row.disturbance, throttle_min=1.0), seed)] for seed in range(seeds)]
        beat = "" if row.to_beat_m is None else f"{row.to_beat_m:.0f}"
        table.add_row(row.name, "service", *cells(ours), beat)
        table.add_row("", "by hand", *cells(theirs), "", style="dim")
        if row.disturbance.noise_m_s > 0.0:
            table.add_row("", "bound: steady", *bound_cells(row.disturbance, STEADY), "", style="dim")
            table.add_row("", "bound: wandering", *bound_cells(row.disturbance, QUIET), "", style="dim")
    return table


def run(console: Console, seeds: int = SEEDS) -> None:
    """Fly and print group by group."""
    done: dict[Task, Miss] = {}
    with ProcessPoolExecutor() as pool:
        for title, rows in GROUPS.items():
            tasks = [task for task in tasks_of(rows, seeds) if task not in done]
            flights = track(pool.map(fly_task, tasks, chunksize=2), title, len(tasks), console=console)
            done.update(zip(tasks, flights, strict=True))
            console.print(table_of(title, rows, seeds, done))


def run_sweep(console: Console, count: int = SWEPT) -> None:
    """Random ignitions: inserted, reported or lost."""
    console.print(f"{count} random ignitions, 0.1 s tick")
    sweep.main(count, 0)

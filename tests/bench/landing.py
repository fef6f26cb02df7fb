"""The table of landing errors on the plant of its own: `python -m tests.bench landing [--seeds N]`."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from math import degrees

from rich.console import Console
from rich.table import Table

from guidance_svc.core.compiled import HAVE_NUMBA
from tests.closed_loop.disturbance_rows import percentile
from tests.closed_loop.landing_rows import CLEAN_ROWS, HARD_ROWS, NOISY_ROWS, Contact, Row, contact_of

SEEDS = 100
CATCH = (1.0, 0.5)  # m, m/s
LEGS = (2.0, 1.0)


def flown(task: tuple[Row, int]) -> Contact:
    """One flight."""
    return contact_of(*task)


def share(contacts: Sequence[Contact], limits: tuple[float, float]) -> str:
    """Part of the landings within limits of place and speed."""
    good = sum(c.miss_m <= limits[0] and c.speed_m_s <= limits[1] for c in contacts)
    return f"{100.0 * good / len(contacts):.1f} %"


def cells(contacts: Sequence[Contact]) -> list[str]:
    """One row's numbers."""
    misses, speeds = [c.miss_m for c in contacts], [c.speed_m_s for c in contacts]
    return [
        f"{percentile(misses, 0.95):.3f}", f"{percentile(speeds, 0.5):.3f}", f"{percentile(speeds, 0.95):.3f}",
        f"{max(speeds):.2f}", f"{degrees(percentile([c.lean_rad for c in contacts], 0.95)):.2f}",
        f"{percentile([c.propellant_kg for c in contacts], 0.5):.0f}", share(contacts, CATCH), share(contacts, LEGS),
    ]  # fmt: skip


def run(console: Console, seeds: int) -> None:
    """Print the table; one process compiles, the others follow."""
    table = Table(title=f"Landings, case L07, contact at 0.30 m/s, {seeds} seeds a row, 50 Hz")
    table.add_column("row", no_wrap=True)
    for name in ("miss m p95", "speed m/s p50", "p95", "most", "lean deg p95", "propellant kg", "1 m, 0.5 m/s",
                 "2 m, 1 m/s"):  # fmt: skip
        table.add_column(name, justify="right")
    rows = (*CLEAN_ROWS, *NOISY_ROWS, *HARD_ROWS)
    if HAVE_NUMBA:
        for row in rows:
            table.add_row(row.name, *cells([contact_of(row, seed) for seed in range(seeds)]))
    else:
        with ProcessPoolExecutor() as pool:
            done = list(pool.map(flown, [(row, seed) for row in rows for seed in range(seeds)], chunksize=4))
        for k, row in enumerate(rows):
            table.add_row(row.name, *cells(done[k * seeds : (k + 1) * seeds]))
    console.print(table)

"""What each burn took and what it gave, row by row, and a landing in words for the terminal."""

from __future__ import annotations

from typing import Final

from guidance_svc.report.burns import Burns
from guidance_svc.report.flown import Flown
from guidance_svc.report.outcome import outcome_rows, verdict
from guidance_svc.report.tables import text_table
from guidance_svc.report.text_tables import Table, table_text

BY_BURN: Final = (
    "burn", "phase", "ignition, s", "length, s", "engines", "propellant, kg", "ideal, m/s", "loss, m/s"
)  # fmt: skip
LOSS: Final = (
    "Loss: what of the ideal velocity did not become speed, or where a burn turns the way round, no change of velocity."
)


def by_burn_rows(burns: Burns) -> list[tuple[str, ...]]:
    """One row a burn, under BY_BURN."""
    rows: list[tuple[str, ...]] = []
    for number, burn in enumerate(burns.list, 1):
        stage = burns.budget.stage(burn.stage)
        counts = ", then ".join(str(count or stage.engine_count) for count in burn.engines)
        rows.append((
            f"{number}, {stage.name}", burn.phase, f"{burn.start_s:z.3f}", f"{burn.end_s - burn.start_s:z.3f}",
            counts or "\N{EN DASH}", f"{burn.burnt_kg:z,.1f}", f"{burn.losses.ideal_m_s:z.1f}", f"{burn.loss_m_s:z.1f}",
        ))  # fmt: skip
    return rows


def landing_text(flown: Flown, burns: Burns) -> str:
    """How a flight whose plan lands came down, and its burns, as text; empty for any other."""
    if flown.plan.landing is None:
        return ""
    parts = [f"{flown.name}: {verdict(flown)}", text_table(outcome_rows(flown, burns))]
    if burns.list:
        parts.append(table_text(Table("Propellant by burn", BY_BURN, by_burn_rows(burns), (LOSS,))))
    return "\n".join(parts)

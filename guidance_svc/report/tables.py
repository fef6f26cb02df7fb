"""The insertion table as text and as plain values for JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from guidance_svc.report.flight import Row

HEADINGS = ("vehicle", "at", "quantity", "target", "achieved", "error")
TOP_OF_COAST = "circular: the target is the top of the coast as it was flown, not a height of the plan"


def text_table(rows: Sequence[Row]) -> str:
    """Rows under headings, numbers to the right; a vehicle's name only on its first line."""
    lines = [list(HEADINGS)]
    seen: Row | None = None
    for row in rows:
        name = "" if seen and seen.vehicle == row.vehicle else row.vehicle
        moment = "" if not name and seen and seen.moment == row.moment else row.moment
        lines.append([name, moment, row.quantity, value(row.target, row), value(row.achieved, row), error(row)])
        seen = row
    widths = [max(len(line[i]) for line in lines) for i in range(len(HEADINGS))]
    notes = [TOP_OF_COAST] if any(row.moment == "circular" for row in rows) else []
    return "\n".join([align_cells(line, widths) for line in lines] + notes)


def align_cells(cells: Sequence[str], widths: Sequence[int]) -> str:
    """One line of the table: three columns of text, the others numbers."""
    pairs = list(zip(cells, widths, strict=True))
    return "  ".join([c.ljust(w) for c, w in pairs[:3]] + [c.rjust(w) for c, w in pairs[3:]]).rstrip()


def value(number: float | None, row: Row) -> str:
    """A number with its unit, or nothing."""
    return "" if number is None else f"{number:z.{row.places}f} {row.unit}"


def error(row: Row) -> str:
    """Achieved minus target with its unit: 0.00001 deg, as the numbers where they have the same unit, else to 0.1."""
    places = 5 if row.error_unit == "deg" else row.places if row.error_unit == row.unit else 1
    return "" if row.error is None else f"{row.error:+z.{places}f} {row.error_unit}"


def as_values(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """The rows as dicts for JSON."""
    return [{k: v for k, v in asdict(row).items() if k != "places"} for row in rows]

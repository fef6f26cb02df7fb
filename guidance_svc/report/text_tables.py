"""Tables as text, the columns aligned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Table(NamedTuple):
    """A title, headings, rows of cells, and notes under it."""

    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    notes: Sequence[str] = ()


def table_text(table: Table) -> str:
    """The table with its columns aligned: names to the left, all else to the right."""
    head = [list(table.headings)] if any(table.headings) else []
    lines = [*head, *(list(row) for row in table.rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(table.headings))]
    body = (
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )
    return "\n".join([table.title, *("  " + line for line in body), *(f"  {note}" for note in table.notes)])

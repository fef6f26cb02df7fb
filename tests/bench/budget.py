"""Each figure of `budgets.toml` against its budget: a table, and whether all of them hold.

Processor time is counted where the figure is processor time, in codecs: what msgpack takes to decode the same states
and to encode the same commands, measured between them. So a busy machine disturbs little. Replies are timed by the
wall clock beside a bare echo: only an idle machine says something about those.
"""

from __future__ import annotations

import logging
import time
import tomllib
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.table import Table

from guidance_svc.core.compiled import HAVE_NUMBA
from tests.bench import budget_processor, budget_sockets

FILE: Final = Path(__file__).with_name("budgets.toml")


def run(console: Console) -> bool:
    """Print the table; whether every figure is within its budget."""
    began_s = time.perf_counter()
    logging.getLogger("guidance_svc").setLevel(logging.ERROR)  # what the slow messages are warned of is no figure
    budgets = tomllib.loads(FILE.read_text())
    figures = budget_processor.measured(budgets.pop("codec_us")) | budget_sockets.measured()
    table, kept = compared(figures, budgets, "fast" if HAVE_NUMBA else "plain")
    console.print(table)
    console.print(f"{time.perf_counter() - began_s:.0f} s; " + ("all within budget" if kept else "BEYOND BUDGET"))
    return kept


def compared(figures: dict[str, float], budgets: dict[str, Any], kind: str) -> tuple[Table, bool]:
    """The table, and whether all of it is within budget."""
    table, kept = Table(title=f"Budgets, {kind}"), True
    for name in ("figure", "measured", "budget", "of budget", "reach"):
        table.add_column(name, justify="left" if name == "figure" else "right")
    for name, row in budgets.items():
        measured, budget, reach = figures[name], row[kind]["budget"], row[kind]["reach"]
        share = measured / budget if row["side"] == "most" else budget / measured
        kept = kept and share <= 1.0
        style = "red" if share > 1.0 else "green" if is_reached(measured, reach, row["side"]) else ""
        table.add_row(row["what"], *(f"{x:.3g}" for x in (measured, budget)), f"{share:.0%}", f"{reach:g}", style=style)
    return table, kept


def is_reached(measured: float, reach: float, side: str) -> bool:
    """Whether a figure is where it is to come."""
    return measured <= reach if side == "most" else measured >= reach

"""One self-contained HTML page with an ascent as inline SVG. Needs the extra `report`."""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO
from typing import NamedTuple

from guidance_svc.report.plots import COLOURS, SVG_SALT
from guidance_svc.report.rendering import Plot, plots_page, svg_element


class Panel(NamedTuple):
    """One panel: its label, its line, and a limit to show beside it or None."""

    label: str
    values: Sequence[float]
    limit: float | None = None


def ascent_page(title: str, times_s: Sequence[float], panels: Sequence[Panel], table: str) -> str:
    """The page as text.

    Args:
        times_s: vehicle time of each value of every panel.
        panels: shown two in a row.
        table: text shown above the plots.

    Raises:
        ImportError: matplotlib or jinja2 is not installed.
    """
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context({"svg.hashsalt": SVG_SALT, "font.size": 9}):
        chart = Figure(figsize=(11, 2.6 * ((len(panels) + 1) // 2)), layout="constrained")
        axes = chart.subplots((len(panels) + 1) // 2, 2, squeeze=False).flat
        for axis, panel in zip(axes, panels, strict=False):
            axis.plot(times_s, panel.values, color=COLOURS[0], linewidth=1.2)
            if panel.limit is not None:
                axis.axhline(panel.limit, color=COLOURS[1], linewidth=0.9, linestyle="--")
            axis.set_ylabel(panel.label)
            axis.set_xlabel("vehicle time, s")
            axis.grid(alpha=0.3)
        text = StringIO()
        chart.savefig(text, format="svg", metadata={"Date": None})
    return plots_page(title, [Plot("", svg_element(text.getvalue()))], above=table)

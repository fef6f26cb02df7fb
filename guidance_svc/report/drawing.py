"""Draws panels with matplotlib (extra `report`): as SVG that takes its colours from the page, and as PNG sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from io import BytesIO, StringIO
from typing import Any, Final, NamedTuple

import numpy as np

from guidance_svc.report.panels import Curve, Panel

SALT: Final = "guidance-svc"  # fixed, so that the same flight gives the same page
SIZE_IN: Final = (4.2, 2.55)
FONT_PT: Final = 8.6
LINE_PT: Final = 11.0  # between two labels, one below the other
BOX: Final = (0.115, 0.175, 0.685, 0.72)  # of the axes in a panel: left, bottom, width, height
SHEET_COLUMNS: Final = 3

# One palette on paper (PNG), one of stand-ins that the page's style sheet replaces. Blue, orange, teal and violet stay
# apart for the usual colour blindnesses (common practice, no source), and dashes and labels tell them apart anyway.
PAPER: Final[Mapping[str, str]] = {
    "ink": "#1d2329", "quiet": "#59636e", "grid": "#dde2e8", "band": "#eef2f6", "flown": "#0b5cad", "asked": "#b8480a",
    "second": "#0a7a63", "third": "#7a3fb3", "muted": "#6b7682",
}  # fmt: skip
STAND_INS: Final[Mapping[str, str]] = {name: f"#0a0b{k:02x}" for k, name in enumerate(PAPER, 1)}


class Lane(NamedTuple):
    """One vehicle on the common time line: (from, to) in which it told states, and in which its engine was on."""

    name: str
    flown: tuple[tuple[float, float], ...]
    burning: tuple[tuple[float, float], ...]


def svg(panel: Panel) -> str:
    """One panel as an SVG element that scales to its column.

    Raises:
        ImportError: matplotlib is not installed.
    """
    from matplotlib.figure import Figure

    with style():
        chart = Figure(figsize=SIZE_IN)
        draw(chart.add_axes(BOX), panel, STAND_INS)
        return as_svg(chart, panel.title)


def lanes_svg(lanes: Sequence[Lane], x_label: str) -> str:
    """Vehicles one below the other on one time axis."""
    from matplotlib.figure import Figure

    with style():
        height = 0.62 + 0.34 * len(lanes)
        chart = Figure(figsize=(2 * SIZE_IN[0], height))
        axes = chart.add_axes((0.015, 0.42 / height, 0.97, 1.0 - 0.5 / height))
        for row, lane in enumerate(lanes):
            y = -float(row)
            for a, b in lane.flown:
                axes.plot([a, b], [y, y], color=STAND_INS["muted"], lw=1.2, solid_capstyle="butt")
            for a, b in lane.burning:
                axes.plot([a, b], [y, y], color=STAND_INS["asked"], lw=6.0, solid_capstyle="butt")
            start = min(a for a, _ in lane.flown)
            axes.annotate(lane.name, (start, y), xytext=(0, 5), textcoords="offset points", color=STAND_INS["ink"])
        axes.set_ylim(0.4 - len(lanes), 0.85)
        axes.set_yticks([])
        frame(axes, STAND_INS, x_label)
        return as_svg(chart, f"time line: {x_label}")


def sheet(title: str, groups: Sequence[tuple[str, Sequence[Panel]]]) -> bytes:
    """All panels of a vehicle on one PNG.

    Raises:
        ImportError: matplotlib is not installed.
    """
    from matplotlib.figure import Figure

    rows = sum(-(-len(panels) // SHEET_COLUMNS) for _, panels in groups)
    width, height = SHEET_COLUMNS * SIZE_IN[0], 0.7 + rows * (SIZE_IN[1] + 0.28) + 0.42 * len(groups)
    with style():
        chart = Figure(figsize=(width, height), facecolor="white")
        chart.text(0.012, 1.0 - 0.32 / height, title, fontsize=16, color=PAPER["ink"], va="center")
        top = height - 0.62
        for heading, panels in groups:
            top -= 0.42
            chart.text(0.012, (top + 0.16) / height, heading, fontsize=11.5, color=PAPER["quiet"], va="center")
            for k, panel in enumerate(panels):
                row, column = divmod(k, SHEET_COLUMNS)
                place(chart, panel, column, top - (row + 1) * (SIZE_IN[1] + 0.28), width, height)
            top -= -(-len(panels) // SHEET_COLUMNS) * (SIZE_IN[1] + 0.28)
        out = BytesIO()
        chart.savefig(out, format="png", dpi=120, metadata={"Software": None})
    return out.getvalue()


def place(chart: Any, panel: Panel, column: int, bottom_in: float, width_in: float, height_in: float) -> None:
    """One panel of a sheet, its title above."""
    x, y, w, h = BOX
    left = column * SIZE_IN[0]
    axes = chart.add_axes((
        (left + x * SIZE_IN[0]) / width_in, (bottom_in + y * SIZE_IN[1]) / height_in, w * SIZE_IN[0] / width_in,
        h * SIZE_IN[1] / height_in,
    ))  # fmt: skip
    draw(axes, panel, PAPER)
    at = ((left + 0.16) / width_in, (bottom_in + SIZE_IN[1] + 0.1) / height_in)
    chart.text(*at, panel.title, fontsize=9.6, color=PAPER["ink"])


def style() -> Any:
    """Settings that hold while a chart is drawn."""
    import matplotlib

    return matplotlib.rc_context({
        "svg.hashsalt": SALT, "svg.fonttype": "none", "font.size": FONT_PT, "font.family": "DejaVu Sans",
        "path.simplify_threshold": 0.2, "axes.unicode_minus": False, "text.parse_math": False,
    })  # fmt: skip


def as_svg(chart: Any, label: str) -> str:
    """The chart as one element: no background, colours as custom properties, a label for screen readers."""
    text = StringIO()
    chart.savefig(text, format="svg", metadata={"Date": None}, transparent=True)
    found = text.getvalue()
    found = found[found.index("<svg") :]
    for name, colour in STAND_INS.items():
        found = found.replace(colour, f"var(--{name})")
    return found.replace("<svg ", f'<svg role="img" aria-label="{escape(label, quote=True)}" ', 1)


def draw(axes: Any, panel: Panel, palette: Mapping[str, str]) -> None:
    """Curves, bands, axes and direct labels."""
    for a, b in panel.bands:
        axes.axvspan(a, b, color=palette["band"], lw=0, zorder=0)
    for curve in panel.curves:
        dashes = (4.0, 2.2) if curve.dashed else (None, None)
        axes.plot(curve.x, curve.y, color=palette[curve.ink], lw=1.3, dashes=dashes if curve.dashed else (), zorder=3)
    if panel.x_label.startswith("longitude"):
        first = panel.curves[0]
        axes.plot(first.x[:1], first.y[:1], "o", ms=4, color=palette["flown"], zorder=4)
        axes.set_aspect("equal", adjustable="datalim")
    if panel.log:
        axes.set_yscale("log")
    else:
        roomy(axes, panel)
    frame(axes, palette, panel.x_label)
    unit = "latitude, deg north" if panel.x_label.startswith("longitude") else panel.unit
    axes.annotate(unit, (0.0, 1.0), xycoords="axes fraction", xytext=(-1, 4), textcoords="offset points",
                  color=palette["quiet"], ha="left" if len(unit) > 5 else "right")  # fmt: skip
    labels(axes, panel.curves, palette)


def roomy(axes: Any, panel: Panel) -> None:
    """Limits of y: as the panel says, and never so narrow that rounding fills the plot."""
    from matplotlib.ticker import MaxNLocator, ScalarFormatter

    low, high = axes.get_ylim()
    least = 1e-3 * max(abs(low), abs(high), 1e-6)
    if high - low < least:
        middle = 0.5 * (low + high)
        low, high = middle - 0.5 * least, middle + 0.5 * least
    axes.set_ylim(low if panel.low is None else panel.low, high if panel.high is None else panel.high)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_formatter(ScalarFormatter(useOffset=False))


def frame(axes: Any, palette: Mapping[str, str], x_label: str) -> None:
    """A base line, a light grid, quiet numbers."""
    from matplotlib.ticker import MaxNLocator, NullFormatter, ScalarFormatter

    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.xaxis.set_major_formatter(ScalarFormatter(useOffset=False))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom")
        spine.set_color(palette["quiet"])
    axes.grid(axis="y", which="major", color=palette["grid"], lw=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(axis="both", which="both", length=0, labelcolor=palette["quiet"], pad=3)
    axes.set_xlabel(x_label, color=palette["quiet"], labelpad=2)


def labels(axes: Any, curves: Sequence[Curve], palette: Mapping[str, str]) -> None:
    """Each curve's name at the right edge, near its end, moved apart where they would touch."""
    ends = []
    for curve in curves:
        known = np.flatnonzero(np.isfinite(curve.y))
        if curve.label and len(known):
            point = axes.transData.transform((curve.x[known[-1]], curve.y[known[-1]]))
            ends.append((axes.transAxes.inverted().transform(point)[1], curve))
    height_pt = axes.get_window_extent().height * 72.0 / axes.figure.dpi
    if len([c for c in curves if c.label]) < 2:
        return
    ends.sort(key=lambda end: end[0])
    floor = -0.02 * height_pt
    spots = []
    for fraction, curve in ends:
        lines = curve.label.count("\n") + 1
        y = max(min(max(fraction, 0.0), 1.0) * height_pt - 0.5 * LINE_PT * lines, floor)
        spots.append([y, lines, curve])
        floor = y + LINE_PT * lines + 1.0
    over = floor - height_pt * 1.04
    for spot in reversed(spots):
        if over <= 0.0:
            break
        spot[0] -= over
        below = [s for s in spots if s[0] < spot[0] and s is not spot]
        nearest = max((s[0] + LINE_PT * s[1] + 1.0 for s in below), default=-99.0)
        over = nearest - spot[0]
    for y, _, curve in spots:
        axes.annotate(curve.label, (1.0, 0.0), xycoords="axes fraction", xytext=(5, y), textcoords="offset points",
                      color=palette[curve.ink], va="bottom", linespacing=1.05, annotation_clip=False)  # fmt: skip

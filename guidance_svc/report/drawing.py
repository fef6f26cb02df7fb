"""Draws panels with matplotlib (extra `report`): as SVG that takes its colours from the page, and as PNG sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from io import BytesIO, StringIO
from typing import Any, Final, NamedTuple

import numpy as np

from guidance_svc.constants import CAUTION
from guidance_svc.report.panels import Curve, Panel
from guidance_svc.report.rendering import svg_element

SALT: Final = "guidance-svc"  # fixed, so that the same flight gives the same page
SIZE_IN: Final = (3.75, 2.35)
FONT_PT: Final = 8.8
LINE_PT: Final = 11.0  # between two labels, one below the other
BOX: Final = (0.14, 0.19, 0.61, 0.69)  # of the axes in a panel: left, bottom, width, height; room for labels
BOX_ALONE: Final = (0.14, 0.19, 0.82, 0.69)  # the same for a single curve, which its title names
LANES_IN: Final = 10.5
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
        draw(chart.add_axes(box_of(panel)), panel, STAND_INS)
        return as_svg(chart, panel.title)


def box_of(panel: Panel) -> tuple[float, float, float, float]:
    """Where the axes lie in a panel."""
    return BOX if len(panel.curves) > 1 else BOX_ALONE


def lanes_svg(lanes: Sequence[Lane], x_label: str) -> str:
    """Vehicles one below the other on one time axis."""
    from matplotlib.figure import Figure

    with style():
        height = 0.55 + 0.36 * len(lanes)
        chart = Figure(figsize=(LANES_IN, height))
        axes = chart.add_axes((0.01, 0.42 / height, 0.98, 1.0 - 0.46 / height))
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
    width, height = SHEET_COLUMNS * SIZE_IN[0], 1.0 + rows * (SIZE_IN[1] + 0.28) + 0.42 * len(groups)
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
        foot = f"Shaded: the engine is on. {CAUTION}"
        chart.text(0.012, 0.18 / height, foot, fontsize=FONT_PT, color=PAPER["quiet"], va="center")
        out = BytesIO()
        chart.savefig(out, format="png", dpi=120, metadata={"Software": None})
    return out.getvalue()


def place(chart: Any, panel: Panel, column: int, bottom_in: float, width_in: float, height_in: float) -> None:
    """One panel of a sheet, its title above."""
    x, y, w, h = box_of(panel)
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
    found = svg_element(text.getvalue())
    for name, colour in STAND_INS.items():
        found = found.replace(colour, f"var(--{name})")
    return found.replace("<svg ", f'<svg role="img" aria-label="{escape(label, quote=True)}" ', 1)


def draw(axes: Any, panel: Panel, palette: Mapping[str, str]) -> None:
    """Curves, bands, axes and direct labels."""
    for a, b in panel.bands:
        axes.axvspan(a, b, color=palette["band"], lw=0, zorder=0)
    for curve in panel.curves:
        broad = curve.stroke == "broad"
        if curve.stroke == "cross":
            axes.plot(curve.x, curve.y, "+", ms=9, mew=1.4, color=palette[curve.ink], zorder=5)
            continue
        axes.plot(
            curve.x, curve.y, color=palette[curve.ink], lw=4.6 if broad else 1.4, alpha=0.5 if broad else 1.0,
            dashes=(4.0, 2.2) if curve.stroke == "dashed" else (), zorder=2 if broad else 3,
            drawstyle="steps-post" if curve.steps else "default",
        )  # fmt: skip
    if panel.x_range is not None:
        margin = 0.02 * (panel.x_range[1] - panel.x_range[0])
        axes.set_xlim(panel.x_range[0] - margin, panel.x_range[1] + margin)
    if panel.map:
        first = panel.curves[0]
        axes.plot(first.x[:1], first.y[:1], "o", ms=4, color=palette["flown"], zorder=4)
        even_scales(axes)
    elif panel.log:
        axes.set_yscale("log")
        floor = panel.low or 1.0
        axes.set_ylim(bottom=0.8 * floor, top=max(12.0 * floor, axes.get_ylim()[1]))
    else:
        roomy(axes, panel)
    frame(axes, palette, panel.x_label)
    axes.annotate(panel.unit, (0.0, 1.0), xycoords="axes fraction", xytext=(-1, 4), textcoords="offset points",
                  color=palette["quiet"], ha="left" if len(panel.unit) > 5 else "right")  # fmt: skip
    labels(axes, panel.curves, palette)


def even_scales(axes: Any) -> None:
    """Limits that make a degree as long upwards as sideways, and a small track not look like a large one."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    box = axes.get_window_extent()
    scale = max((right - left) / box.width, (high - low) / box.height, 1.0 / box.height)
    for set_limits, a, b, length in ((axes.set_xlim, left, right, box.width), (axes.set_ylim, low, high, box.height)):
        set_limits(0.5 * (a + b) - 0.5 * scale * length, 0.5 * (a + b) + 0.5 * scale * length)


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
    from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter, ScalarFormatter

    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.xaxis.set_major_formatter(ScalarFormatter(useOffset=False))
    axes.yaxis.set_minor_formatter(NullFormatter())
    if axes.get_yscale() == "log":
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
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
    sizes = [LINE_PT * (curve.label.count("\n") + 1) for _, curve in ends]
    middles = [min(max(fraction, 0.0), 1.0) * height_pt for fraction, _ in ends]
    for y, (_, curve) in zip(moved_apart(middles, sizes, 1.0, height_pt + 10.0), ends, strict=True):
        axes.annotate(curve.label, (1.0, 0.0), xycoords="axes fraction", xytext=(5, y), textcoords="offset points",
                      color=palette[curve.ink], va="bottom", linespacing=1.05, annotation_clip=False)  # fmt: skip


def moved_apart(middles: Sequence[float], sizes: Sequence[float], low: float, high: float) -> list[float]:
    """Lower edges of boxes near their wished middles (rising), none over another as long as all fit."""
    edges: list[float] = []
    for middle, size in zip(middles, sizes, strict=True):
        floor = edges[-1] + sizes[len(edges) - 1] if edges else low
        edges.append(max(middle - 0.5 * size, floor))
    ceiling = high
    for k in range(len(edges) - 1, -1, -1):
        edges[k] = min(edges[k], ceiling - sizes[k])
        ceiling = edges[k]
    return edges

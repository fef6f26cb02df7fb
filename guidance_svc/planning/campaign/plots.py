"""A campaign's page: plane angle and node by day, ledger as bars, calendar of windows. Needs the extra `report`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any

from guidance_svc.report.plots import COLOURS, SVG_SALT
from guidance_svc.report.rendering import Plot, plots_page, svg_element

PALE = "#c9c5bc"
HOURS = 24.0


@dataclass(frozen=True, slots=True)
class LedgerBar:
    """One tanker's propellant in orbit, kg, by where it goes; and the depot's level after it with its 1 sigma."""

    name: str
    transferred_kg: float
    phasing_kg: float
    reserve_kg: float
    kept_kg: float
    level_kg: float
    sigma_kg: float


@dataclass(frozen=True, slots=True)
class WindowMark:
    """A window in days from the epoch; `used_by` is empty for one that is not used."""

    opens_day: float
    closes_day: float
    release_day: float
    used_by: str


@dataclass(frozen=True, slots=True)
class Picture:
    """What the page shows.

    Args:
        days, angle_deg, node_deg: of the depot's plane against the wanted one, and its node (unwrapped).
        wanted_node_deg: at the departure.
        level: (day, kg) of the depot.
        sigmas: how many the plan keeps.
    """

    days: Sequence[float]
    angle_deg: Sequence[float]
    node_deg: Sequence[float]
    departure_day: float
    wanted_node_deg: float
    most_angle_deg: float
    wanted_kg: float
    sigmas: float
    bars: Sequence[LedgerBar]
    level: Sequence[tuple[float, float]]
    windows: Sequence[WindowMark]


def campaign_page(title: str, picture: Picture, text: str) -> str:
    """The page, self-contained.

    Raises:
        ImportError: matplotlib or jinja2 is not installed.
    """
    return plots_page(title, [Plot("", chart(picture))], below=text)


def chart(picture: Picture) -> str:
    """Four panels as one SVG element."""
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context({"svg.hashsalt": SVG_SALT, "font.size": 9}):
        figure = Figure(figsize=(12, 9), layout="constrained")
        panels = figure.subplot_mosaic("AB;CC;DD", height_ratios=[1.0, 1.1, 1.3])
        angle_panel(panels["A"], picture)
        node_panel(panels["B"], picture)
        ledger_panel(panels["C"], picture)
        calendar_panel(panels["D"], picture)
        text = StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
    return svg_element(text.getvalue())


def angle_panel(panel: Any, picture: Picture) -> None:
    """Angle between the planes."""
    panel.plot(picture.days, picture.angle_deg, color=COLOURS[0], marker="o", markersize=3)
    panel.axhline(picture.most_angle_deg, color=COLOURS[1], linewidth=0.9, linestyle="--", label="limit")
    finish(panel, picture, "angle to the departure's plane, deg")


def node_panel(panel: Any, picture: Picture) -> None:
    """Drift of the node."""
    panel.plot(picture.days, picture.node_deg, color=COLOURS[0], marker="o", markersize=3, label="depot, mean")
    panel.plot([picture.departure_day], [picture.wanted_node_deg], color=COLOURS[1], marker="x", ls="", label="wanted")
    finish(panel, picture, "ascending node, deg")


def finish(panel: Any, picture: Picture, label: str) -> None:
    """Labels, grid and the departure."""
    panel.axvline(picture.departure_day, color=COLOURS[2], linewidth=0.9, label="departure")
    panel.set_xlabel("days from the epoch")
    panel.set_ylabel(label)
    panel.grid(alpha=0.3)
    panel.legend(fontsize=7)


def ledger_panel(panel: Any, picture: Picture) -> None:
    """One bar a tanker for what it brings to orbit, and the depot's level as steps with error bars."""
    names, base = [bar.name for bar in picture.bars], [0.0] * len(picture.bars)
    parts = (
        ("handed over", [b.transferred_kg for b in picture.bars], COLOURS[0]),
        ("phasing", [b.phasing_kg for b in picture.bars], COLOURS[1]),
        ("reserve", [b.reserve_kg for b in picture.bars], COLOURS[2]),
        ("kept", [b.kept_kg for b in picture.bars], PALE),
    )
    for label, values, colour in parts:
        tons = [value / 1e3 for value in values]
        panel.bar(names, tons, bottom=base, color=colour, width=0.55, label=label)
        base = [a + b for a, b in zip(base, tons, strict=True)]
    error = [picture.sigmas * b.sigma_kg / 1e3 for b in picture.bars]
    panel.errorbar(
        names, [b.level_kg / 1e3 for b in picture.bars], yerr=error, color="black", marker="s", markersize=4,
        capsize=3, linewidth=1.0, label=f"depot after it, {picture.sigmas:g} sigma",
    )  # fmt: skip
    panel.axhline(picture.wanted_kg / 1e3, color=COLOURS[3], linewidth=0.9, linestyle="--", label="wanted")
    panel.set_ylabel("propellant, t")
    panel.grid(alpha=0.3, axis="y")
    panel.legend(fontsize=7, ncols=3)


def calendar_panel(panel: Any, picture: Picture) -> None:
    """A row for each day, the hours across; every window as a bar, those used in colour with their names."""
    last = int(picture.departure_day) + 1
    for mark in picture.windows:
        day = int(mark.release_day)
        colour = COLOURS[0] if mark.used_by else PALE
        left, width = HOURS * (mark.opens_day - day), HOURS * (mark.closes_day - mark.opens_day)
        panel.barh(day, width, left=left, height=0.7, color=colour)
        hour = HOURS * (mark.release_day - day)
        panel.plot([hour], [day], color="black", marker="|", markersize=8)
        if mark.used_by:
            panel.annotate(mark.used_by, (left + width, day), xytext=(4, 0), textcoords="offset points", va="center",
                           fontsize=7)  # fmt: skip
    panel.plot([HOURS * (picture.departure_day % 1.0)], [int(picture.departure_day)], color=COLOURS[2], marker="D")
    panel.set_xlim(-1.0, HOURS + 3.0)
    panel.set_xticks(range(0, 25, 3))
    panel.set_ylim(last - 0.4, -0.6)
    panel.set_yticks(range(0, last))
    panel.set_xlabel("hour of the day; bar: window, stroke: release, diamond: departure")
    panel.set_ylabel("day from the epoch")
    panel.grid(alpha=0.3)

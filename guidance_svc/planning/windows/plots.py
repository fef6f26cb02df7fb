"""Plots of launch windows: plane angle and cost around the in-plane times, a calendar. Needs the extra `report`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO, StringIO
from typing import Any

from guidance_svc.report.plots import COLOURS, SVG_SALT
from guidance_svc.report.rendering import Plot, plots_page, svg_element

HOURS = 24.0
SIDES = {True: "northwards", False: "southwards"}


@dataclass(frozen=True, slots=True)
class WindowLine:
    """One launch of the page.

    Args:
        ascending: northwards.
        opens_day, release_day, closes_day: from the clock's zero.
        node_deg: reached.
        minutes, angle_deg, cost_m_s: around the in-plane time.
    """

    ascending: bool
    opens_day: float
    release_day: float
    closes_day: float
    node_deg: float
    minutes: Sequence[float]
    angle_deg: Sequence[float]
    cost_m_s: Sequence[float]


@dataclass(frozen=True, slots=True)
class WindowPicture:
    """All launches.

    Args:
        margin_m_s: what sets their edges; None: it was given in kg.
        angles: (day, deg) between the drifting orbit and the plane wanted on a later day; empty where there is none.
    """

    lines: Sequence[WindowLine]
    margin_m_s: float | None
    angles: Sequence[tuple[float, float]] = ()


def window_figure(picture: WindowPicture) -> Any:
    """The figure; raises ImportError without matplotlib."""
    from matplotlib.figure import Figure

    days = {int(line.release_day) for line in picture.lines}
    height = 7.0 + 0.16 * (max(days) - min(days) + 1 if days else 1)
    figure = Figure(figsize=(11, height), layout="constrained")
    rows = "AB;CE;DD" if picture.angles else "AB;CC;DD"
    panels = figure.subplot_mosaic(rows, height_ratios=[2.6, 1.6, height - 4.2])
    curves(panels["A"], [(line, line.angle_deg) for line in lines_to_draw(picture)], "angle to the target plane, deg")
    curves(panels["B"], [(line, line.cost_m_s) for line in lines_to_draw(picture)], "cost as one plane change, m/s")
    if picture.margin_m_s is not None:
        panels["B"].axhline(picture.margin_m_s, color="black", linewidth=0.9, linestyle="--", label="margin")
        panels["B"].legend(fontsize=7)
    nodes(panels["C"], picture)
    if picture.angles:
        days_to(panels["E"], picture.angles)
    calendar(panels["D"], picture)
    return figure


def lines_to_draw(picture: WindowPicture) -> list[WindowLine]:
    """The first of each direction: the curves of later days are the same."""
    firsts = {line.ascending: line for line in reversed(picture.lines)}
    return sorted(firsts.values(), key=lambda line: line.release_day)


def curves(panel: Any, lines: Sequence[tuple[WindowLine, Sequence[float]]], label: str) -> None:
    """One curve a launch."""
    for line, values in lines:
        panel.plot(
            line.minutes, values, color=COLOURS[0 if line.ascending else 1], linewidth=1.0, label=SIDES[line.ascending]
        )
    panel.set_xlabel("minutes after the in-plane time")
    panel.set_ylabel(label)
    panel.set_ylim(bottom=0.0)
    panel.grid(alpha=0.3)
    panel.legend(fontsize=7)


def nodes(panel: Any, picture: WindowPicture) -> None:
    """The node to reach against the day."""
    for side, name in SIDES.items():
        lines = [line for line in picture.lines if line.ascending is side]
        panel.plot([x.release_day for x in lines], [x.node_deg for x in lines], color=COLOURS[0 if side else 1],
                   marker="o", markersize=3, ls="", label=name)  # fmt: skip
    panel.set_xlabel("day")
    panel.set_ylabel("node to reach, deg")
    panel.grid(alpha=0.3)
    panel.legend(fontsize=7)


def days_to(panel: Any, angles: Sequence[tuple[float, float]]) -> None:
    """Angle to the wanted plane against the day."""
    panel.plot([day for day, _ in angles], [angle for _, angle in angles], color=COLOURS[2], marker="o", markersize=3)
    panel.set_xlabel("day")
    panel.set_ylabel("plane angle, deg")
    panel.set_ylim(bottom=0.0)
    panel.grid(alpha=0.3)


def calendar(panel: Any, picture: WindowPicture) -> None:
    """A row a day, the hours across; each window a bar, each release a stroke. A bar goes on past midnight."""
    for line in picture.lines:
        day = int(line.release_day // 1.0)
        left, right = HOURS * (line.opens_day - day), HOURS * (line.closes_day - day)
        colour = COLOURS[0 if line.ascending else 1]
        panel.barh(day, right - left, left=left, height=0.7, color=colour, alpha=0.55)
        panel.plot([HOURS * (line.release_day - day)], [day], color="black", marker="|", markersize=8)
    days = sorted({int(line.release_day // 1.0) for line in picture.lines})
    panel.set_yticks(days[:: max(1, len(days) // 15)])
    panel.set_xlim(-1.0, HOURS + 1.0)
    panel.set_xticks(range(0, 25, 3))
    panel.invert_yaxis()
    panel.set_xlabel("hour of the day from the clock's zero; bar: window, stroke: release")
    panel.set_ylabel("day")
    panel.grid(alpha=0.3)


def window_images(picture: WindowPicture) -> tuple[str, bytes]:
    """The figure as SVG text and PNG bytes.

    Raises:
        ImportError: matplotlib is not installed.
    """
    import matplotlib

    with matplotlib.rc_context({"svg.hashsalt": SVG_SALT, "font.size": 9}):
        figure = window_figure(picture)
        text, image = StringIO(), BytesIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
        figure.savefig(image, format="png", dpi=110, metadata={"Software": None})
    return text.getvalue(), image.getvalue()


def window_page(title: str, svg: str, text: str) -> str:
    """The self-contained page around the SVG and the table's text.

    Raises:
        ImportError: jinja2 is not installed.
    """
    return plots_page(title, [Plot("", svg_element(svg))], above=text)

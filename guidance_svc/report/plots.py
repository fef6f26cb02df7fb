"""One self-contained HTML page with the flights as inline SVG. Needs the extra `report`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from io import StringIO
from typing import Any, NamedTuple

from guidance_svc.report.rendering import Plot, plots_page, svg_element

HOW_TO_GET_PLOTS = (
    "no plot page: matplotlib or jinja2 is not installed; get both with  pip install '.[report]' in the checkout"
)
COLOURS = ("#1f5f8b", "#c4572e", "#4b7f3f", "#6b4c9a")
SVG_SALT = "guidance-svc"  # fixed, so that the same flight gives the same page


class Sample(NamedTuple):
    """One point of a vehicle's lines; None where the quantity does not apply."""

    time_s: float
    altitude_km: float
    speed_km_s: float
    perigee_km: float | None = None
    apogee_km: float | None = None
    pitch_deg: float | None = None
    time_to_cutoff_s: float | None = None


Quantity = Callable[[Sample], float | None]

PANELS: tuple[tuple[str, Quantity], ...] = (
    ("altitude above the equatorial radius, km", lambda s: s.altitude_km),
    ("inertial speed, km/s", lambda s: s.speed_km_s),
    ("commanded pitch, deg", lambda s: s.pitch_deg),
    ("time to cutoff, s", lambda s: s.time_to_cutoff_s),
)


def plot_page(title: str, flights: Mapping[str, Sequence[Sample]], table: str) -> str:
    """The page as text.

    Args:
        flights: samples in time order by vehicle.
        table: the insertion table as text, shown above the plots.

    Raises:
        ImportError: matplotlib or jinja2 is not installed; show HOW_TO_GET_PLOTS.
    """
    plots = [
        Plot("Ascent and return", figure(flights, until_s=ascent_end_s(flights))),
        Plot("Whole flight", figure(flights, until_s=None)),
    ]
    return plots_page(title, plots, above=table)


def ascent_end_s(flights: Mapping[str, Sequence[Sample]]) -> float:
    """The time at which the last vehicle has reached its first orbit (perigee above 100 km), plus a margin."""
    ends = [next((s.time_s for s in samples if (s.perigee_km or -1.0) > 100.0), 0.0) for samples in flights.values()]
    return max(ends, default=0.0) + 30.0


def figure(flights: Mapping[str, Sequence[Sample]], until_s: float | None) -> str:
    """Five panels as one SVG element."""
    import matplotlib
    from matplotlib.figure import Figure

    with matplotlib.rc_context({"svg.hashsalt": SVG_SALT, "font.size": 9}):
        chart = Figure(figsize=(11, 9), layout="constrained")
        axes = chart.subplot_mosaic("AB;CD;EE")
        for panel, (label, quantity) in zip("ABCD", PANELS, strict=True):
            for (name, samples), colour in zip(flights.items(), COLOURS, strict=False):
                draw(axes[panel], samples, quantity, until_s, color=colour, label=name)
            finish(axes[panel], label)
        for (name, samples), colour in zip(flights.items(), COLOURS, strict=False):
            draw(axes["E"], samples, lambda s: s.apogee_km, until_s, color=colour, label=f"{name} apogee")
            draw(axes["E"], samples, lambda s: s.perigee_km, until_s, color=colour, ls="--", label=f"{name} perigee")
        finish(axes["E"], "osculating apsides, km above the equatorial radius")
        axes["E"].set_ylim(-500.0, 600.0)
        text = StringIO()
        chart.savefig(text, format="svg", metadata={"Date": None})
    return svg_element(text.getvalue())


def draw(panel: Any, samples: Sequence[Sample], quantity: Quantity, until_s: float | None, **style: Any) -> None:
    """One line, with gaps where the quantity is None."""
    shown = [s for s in samples if until_s is None or s.time_s <= until_s]
    values = [quantity(s) for s in shown]
    panel.plot([s.time_s for s in shown], [float("nan") if v is None else v for v in values], linewidth=1.2, **style)


def finish(panel: Any, label: str) -> None:
    """Axis labels, grid and legend."""
    panel.set_ylabel(label)
    panel.set_xlabel("vehicle time, s")
    panel.grid(alpha=0.3)
    panel.legend(fontsize=7)

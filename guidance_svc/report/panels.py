"""The curves of a report, each panel with a title that says what one should see. Plain values; drawn elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from guidance_svc.report.burns import Burn, Burns
from guidance_svc.report.flown import Flown
from guidance_svc.report.track import Bools, Floats, Ints

Ink = Literal["flown", "asked", "second", "third", "muted"]
Stroke = Literal["line", "dashed", "broad", "cross"]  # broad: lies under a line that should follow it; cross: a point
MOST_POINTS = 900  # of one curve: three a pixel at the page's usual width
AIR_PA = 50.0  # dynamic pressure below which there is nothing to show
ZERO_FRAC = 0.05  # of the greatest value: as good as zero in a plot
STEEP_DEG = 85.0  # pitch beyond which the heading says nothing
FINEST_M = 1.0  # errors of the prediction below this are drawn as this
FLOOR_FRAC = 0.35  # of the highest apsis: how far below the surface the apsides' panel reaches


@dataclass(frozen=True)
class Curve:
    """One line; NaN makes a gap."""

    label: str
    ink: Ink
    x: Floats
    y: Floats
    stroke: Stroke = "line"
    steps: bool = False


@dataclass(frozen=True)
class Panel:
    """One plot.

    Args:
        title: what one should see.
        unit: of y; x is vehicle time in seconds unless `x_label` says otherwise.
        bands: (from, to) in x: the engine is on.
        low, high: limits of y; None: as the curves need.
        log: of y.
        x_range: limits of x; None: as the curves need.
        map: seen from above: scales as long upwards as sideways, a dot where the first curve begins.
    """

    title: str
    unit: str
    curves: tuple[Curve, ...]
    bands: tuple[tuple[float, float], ...] = ()
    x_label: str = "vehicle time, s"
    low: float | None = None
    high: float | None = None
    log: bool = False
    x_range: tuple[float, float] | None = None
    map: bool = False


@dataclass(frozen=True, slots=True)
class Window:
    """A part of the flight that gets its own panels.

    Args:
        title: heading.
        start_s, end_s: vehicle time.
        last: index of the first state after its last burn.
    """

    title: str
    start_s: float
    end_s: float
    last: int


@dataclass(frozen=True)
class View:
    """A flight seen through one window."""

    flown: Flown
    burns: Burns
    window: Window

    @property
    def shown(self) -> Bools:
        """Which states lie in the window."""
        times = self.flown.track.times_s
        return np.asarray((times >= self.window.start_s) & (times <= self.window.end_s))

    @property
    def bands(self) -> tuple[tuple[float, float], ...]:
        """The burns in the window."""
        w = self.window
        rows = ((max(b.start_s, w.start_s), min(b.end_s, w.end_s)) for b in self.burns.list)
        return tuple((a, b) for a, b in rows if b > a)

    @property
    def cut_short(self) -> bool:
        """Whether the recording ends while the engine is on."""
        return bool(self.flown.track.engine_on[self.window.last])

    def curve(self, label: str, ink: Ink, values: Floats, stroke: Stroke = "line", steps: bool = False) -> Curve:
        """The values in the window, thinned."""
        x, y = self.flown.track.times_s[self.shown], np.asarray(values, dtype=float)[self.shown]
        y = np.where(np.isfinite(y), y, np.nan)
        keep = thin_points(x, y)
        return Curve(label, ink, x[keep], y[keep], stroke, steps)

    def until_cutoff(self, values: Floats) -> Floats:
        """What replies said while the window's last burn was still ahead; what comes after is about the next phase."""
        return np.where(np.arange(len(values)) < self.window.last, values, np.nan)


def thin_points(x: Floats, y: Floats) -> Ints:
    """Indices of about MOST_POINTS values at most: the lowest and highest of each stretch of x, and both ends."""
    if len(y) <= MOST_POINTS:
        return np.arange(len(y))
    edges = np.unique(np.searchsorted(x, np.linspace(x[0], x[-1], MOST_POINTS // 2 + 1)))
    edges = np.append(edges, len(y)) if edges[-1] < len(y) else edges
    kept = {0, len(y) - 1}
    for a, b in pairwise(edges):
        part = y[a:b]
        known = np.flatnonzero(~np.isnan(part))
        kept |= {int(a)} if not len(known) else {int(a + np.nanargmin(part)), int(a + np.nanargmax(part))}
    return np.array(sorted(kept))


def windows(flown: Flown, burns: Burns) -> list[Window]:
    """The ascent, then each burn in orbit; the whole flight where nothing burns."""
    times = flown.track.times_s
    if not burns.list:
        return [Window("The flight", float(times[0]), float(times[-1]), len(times) - 1)]
    rising = [b for b in burns.list if b.counted == "over ground"]
    found = []
    if rising:
        a, b = rising[0], rising[-1]
        title = "To orbit" if b.after.perigee_altitude_m > 0.0 else "Powered flight"
        found.append(Window(title, a.start_s - 10.0, b.end_s + 3.0, b.last))
    for b in burns.list:
        if b.counted == "braking":
            title = f"Burn on the way down: {b.phase.replace('_', ' ')}" if b.phase else "Burn on the way down"
            found.append(Window(title, *around(b), b.last))
    orbital = [b for b in burns.list if b.counted == "inertial"]
    for number, b in enumerate(orbital, 1):
        title = f"Burn {number} in orbit" if len(orbital) > 1 else "Burn in orbit"
        title = f"{title}: {b.phase}" if b.phase else title
        found.append(Window(title, *around(b), b.last))
    return found


def around(burn: Burn) -> tuple[float, float]:
    """A burn's time and a little on both sides."""
    margin_s = max(5.0, 0.25 * (burn.end_s - burn.start_s))
    return burn.start_s - margin_s, burn.end_s + margin_s


# --- panels of a window ------------------------------------------------------------------------------------------


def panels(view: View) -> list[Panel]:
    """All panels that have something to show in this window, in reading order."""
    made = [make(view) for make in MAKERS]
    times = view.flown.track.times_s[view.shown]
    span_s = (float(times[0]), float(times[-1])) if len(times) > 1 else None
    shown = [p for p in made if p is not None and any(np.isfinite(c.y).sum() > 1 for c in p.curves)]
    return [replace(p, x_range=span_s) for p in shown]


def altitude(view: View) -> Panel | None:
    """Height above the ellipsoid."""
    curve = view.curve("altitude", "flown", view.flown.height_m / 1e3)
    return Panel(f"Altitude above the ellipsoid, {span(curve.y, 'km')}", "km", (curve,), view.bands)


def speed(view: View) -> Panel | None:
    """Inertial and over ground."""
    inertial = view.curve("inertial", "flown", view.flown.speed_m_s / 1e3)
    ground = view.curve("over ground", "second", view.flown.ground_speed_m_s / 1e3)
    rising = any(b.counted != "inertial" and b.last == view.window.last for b in view.burns.list)
    turning = view.flown.plan.body.rotation_rad_s != 0.0 and (rising or not view.burns.list)
    title = f"Speed, up to {np.nanmax(inertial.y):z.3f} km/s" if len(inertial.y) else "Speed"
    return Panel(title, "km/s", (inertial, ground) if turning else (inertial,), view.bands)


def attitude(view: View, column: int, name: str, asked: Floats, off: Floats) -> Panel:
    """Pitch or heading, commanded and flown."""
    steep = np.abs(view.flown.attitude_deg[:, 0]) > STEEP_DEG
    hidden = ~view.shown | (steep & (column == 1))
    flown = unwind_angles(np.where(hidden, np.nan, view.flown.attitude_deg[:, column]))
    asked = same_turn(unwind_angles(np.where(view.shown, view.until_cutoff(asked), np.nan)), flown)
    curves = (view.curve("commanded", "asked", asked, "broad"), view.curve("flown", "flown", view.until_cutoff(flown)))
    inside = np.abs(off[view.shown & view.flown.track.engine_on])
    inside = inside[~np.isnan(inside)]
    told = "pointing" in view.flown.told and len(inside) > 0
    within = float(np.percentile(inside, 95)) if told else 0.0
    title = f"{name} flown follows the command to {max(within, 0.001):.2g}°" if told else f"{name}, as commanded"
    return Panel(title, "deg", curves if told else (replace(curves[0], stroke="line"),), view.bands)


def pitch(view: View) -> Panel | None:
    """Above the local horizontal."""
    return attitude(view, 0, "Pitch", view.flown.replies.pitch_deg, view.flown.pitch_error_deg)


def heading(view: View) -> Panel | None:
    """Clockwise from north; where the axis is nearly vertical it says nothing and is left out."""
    flown = view.flown
    asked = np.where(np.abs(flown.replies.pitch_deg) > STEEP_DEG, np.nan, flown.replies.heading_deg)
    return attitude(view, 1, "Heading", asked, flown.heading_error_deg)


def throttle(view: View) -> Panel | None:
    """As told, and as commanded."""
    flown, on = view.flown, view.flown.track.engine_on
    told = np.where(on, 100.0 * flown.track.throttle_frac, 0.0)
    said = view.until_cutoff(100.0 * flown.replies.throttle_frac)
    lowest = np.min(told[view.shown & on], initial=100.0)
    title = "Throttle, full all through" if lowest > 99.5 else f"Throttle, down to {lowest:z.0f} %"
    if "throttle" not in flown.told:
        return Panel(title, "%", (view.curve("commanded", "asked", said, steps=True),), view.bands, low=0.0, high=108.0)
    asked = view.curve("commanded", "asked", said, "broad", steps=True)
    curves = (asked, view.curve("flown", "flown", told, steps=True))
    return Panel(title, "%", curves, view.bands, low=0.0, high=108.0)


def time_to_cutoff(view: View) -> Panel | None:
    """As the replies said it."""
    curve = view.curve("to cutoff", "asked", view.until_cutoff(view.flown.replies.time_to_cutoff_s))
    return Panel(down_to(curve, "Time to cutoff", "runs down to zero", "s"), "s", (curve,), view.bands, low=0.0)


def apsides(view: View) -> Panel | None:
    """Osculating apsides as flown, and those predicted for cutoff."""
    flown, said = view.flown, view.flown.replies
    curves = [
        view.curve("apogee", "flown", flown.apogee_altitude_m / 1e3),
        view.curve("perigee", "second", flown.perigee_altitude_m / 1e3),
    ]
    if any(b.counted == "braking" and b.last == view.window.last for b in view.burns.list):
        return None
    ends = (b for b in view.burns.list if b.last <= view.window.last)
    top = max((b.after.apogee_altitude_m for b in ends if np.isfinite(b.after.apogee_altitude_m)), default=np.nan) / 1e3
    if np.isnan(top) or top <= 0.0:
        return None
    low, high = (-FLOOR_FRAC * top, 1.25 * top) if np.nanmin(curves[1].y, initial=0.0) < 0.0 else (None, None)
    title = "Apsides as flown"
    if low is not None and curves[1].y[-1] < low:
        title, curves = "Apogee as flown; perigee far below ground", curves[:1]
    top_m, bottom_m = view.until_cutoff(said.apogee_altitude_m), view.until_cutoff(said.perigee_altitude_m)
    if np.isfinite(top_m[view.shown]).any():
        curves.append(view.curve("apogee\npredicted", "asked", top_m / 1e3, "dashed"))
        curves.append(view.curve("perigee\npredicted", "third", bottom_m / 1e3, "dashed"))
        title = "Apsides, predicted and flown" if view.cut_short else "Apsides grow into the predicted orbit"
    return Panel(title, "km", tuple(curves), view.bands, low=low, high=high)


def prediction_error(view: View) -> Panel | None:
    """How far the predicted cutoff orbit was from the one that came."""
    said, burn = view.flown.replies, next((b for b in view.burns.list if b.last == view.window.last), None)
    if burn is None or view.cut_short or not np.isfinite(burn.after.apogee_altitude_m):
        return None
    pairs = (
        ("apogee", "asked", said.apogee_altitude_m - burn.after.apogee_altitude_m),
        ("perigee", "third", said.perigee_altitude_m - burn.after.perigee_altitude_m),
    )
    curves = tuple(
        view.curve(name, ink, view.until_cutoff(np.maximum(np.abs(off), FINEST_M)))  # type: ignore[arg-type]
        for name, ink, off in pairs
    )
    last = [c.y[np.isfinite(c.y)][-1] for c in curves if np.isfinite(c.y).any()]
    if not last:
        return None
    return Panel(f"Prediction comes within {max(last):.2g} m of the orbit flown", "m", curves, view.bands, log=True)


def velocity_to_gain(view: View) -> Panel | None:
    """What the burn still had to add."""
    curve = view.curve("to gain", "asked", view.until_cutoff(view.flown.replies.velocity_to_gain_m_s))
    return Panel(down_to(curve, "Velocity to gain", "falls to zero", "m/s"), "m/s", (curve,), view.bands, low=0.0)


def dynamic_pressure(view: View) -> Panel | None:
    """With the plan's atmosphere, no wind."""
    pressure = view.flown.dynamic_pressure_pa
    if not view.shown.any() or np.max(pressure[view.shown]) < AIR_PA:
        return None
    curve = view.curve("pressure", "flown", pressure / 1e3)
    k = int(np.argmax(np.where(view.shown, pressure, -1.0)))
    at = float(view.flown.track.times_s[k])
    title = f"Dynamic pressure, most at {at:z.0f} s: {pressure[k] / 1e3:z.1f} kPa"
    return Panel(title, "kPa", (curve,), view.bands, low=0.0)


def engine_panel(view: View, values: Floats, planned: Callable[[int], float], what: str, unit: str) -> Panel | None:
    """An engine figure as guidance estimated it, with the flight plan's."""
    on = view.flown.track.engine_on
    plan = np.where(on, np.array([planned(int(s)) for s in view.flown.track.stage]), np.nan)
    off = (values / plan - 1.0)[view.shown & on]
    off = off[~np.isnan(off)]
    if not len(off):
        return None
    curves = (
        view.curve("believed", "asked", view.until_cutoff(np.where(on, values, np.nan)), "broad"),
        view.curve("flight plan", "flown", plan),
    )
    percent = round(100.0 * float(off[-1]), 2) + 0.0  # no minus before a zero
    return Panel(f"{what} believed: plan {percent:+z.2f} % in the end", unit, curves, view.bands)


def exhaust_velocity(view: View) -> Panel | None:
    """What guidance took the exhaust velocity for."""
    stage = view.burns.budget.stage
    values = view.flown.replies.exhaust_velocity_m_s
    return engine_panel(view, values, lambda k: stage(k).exhaust_velocity_m_s, "Exhaust velocity", "m/s")


def mass_flow(view: View) -> Panel | None:
    """What guidance took the mass flow for, at the throttle of the moment."""
    stage = view.burns.budget.stage
    return engine_panel(view, view.flown.replies.mass_flow_kg_s, lambda k: stage(k).mass_flow_kg_s, "Mass flow", "kg/s")


def margin(view: View) -> Panel | None:
    """Propellant left above the reserve at cutoff, as predicted."""
    values = view.until_cutoff(view.flown.replies.margin_kg)
    known = values[view.shown][np.isfinite(values[view.shown])]
    if len(known) < 2:
        return None
    curve = view.curve("margin", "asked", values)
    return Panel(f"Propellant margin at cutoff: {known[-1]:z.0f} kg", "kg", (curve,), view.bands)


MAKERS: Sequence[Callable[[View], Panel | None]] = (
    altitude, speed, pitch, heading, throttle, dynamic_pressure, time_to_cutoff, velocity_to_gain, apsides,
    prediction_error, margin, exhaust_velocity, mass_flow,
)  # fmt: skip


# --- small pieces ------------------------------------------------------------------------------------------------


def down_to(curve: Curve, what: str, done: str, unit: str) -> str:
    """A title that says whether something came to zero, and if not, how far."""
    known = curve.y[np.isfinite(curve.y)]
    if not len(known) or known[-1] < ZERO_FRAC * np.max(known):
        return f"{what} {done}"
    return f"{what}, down to {known[-1]:z.0f} {unit}"


def unwind_angles(angles_deg: Floats) -> Floats:
    """Angles without jumps of a whole turn, beginning within one."""
    known = ~np.isnan(angles_deg)
    out = angles_deg.astype(float).copy()
    out[known] = np.degrees(np.unwrap(np.radians(out[known])))
    return out


def same_turn(angles_deg: Floats, like_deg: Floats) -> Floats:
    """The angles shifted by whole turns to where they lie nearest to the others."""
    both = ~np.isnan(angles_deg) & ~np.isnan(like_deg)
    if not both.any():
        return angles_deg
    return angles_deg - 360.0 * np.round(np.median(angles_deg[both] - like_deg[both]) / 360.0)


def span(values: Floats, unit: str) -> str:
    """From where to where, or up to where."""
    known = values[np.isfinite(values)]
    if not len(known):
        return ""
    low, high = float(np.min(known)), float(np.max(known))
    if high - low < 1.0:
        return f"steady at {high:z.2f} {unit}"
    return f"{low:z.0f} to {high:z.0f} {unit}"

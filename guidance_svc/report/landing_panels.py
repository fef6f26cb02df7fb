"""Panels of a landing: where it would have come down all along, and the last kilometre."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from guidance_svc.report.burns import Burns
from guidance_svc.report.flown import Flown
from guidance_svc.report.panels import Curve, Ink, Panel, Stroke, thin_points
from guidance_svc.report.track import Bools, Floats
from guidance_svc.report.way_down import WayDown

FINEST_M = 0.01  # distances below this are drawn as this
SHAKEN_S = 2.0  # after an ignition: until then the forecast of contact shows what the thrust is found to be
KM_M = 2000.0  # longer distances are drawn in kilometres


@dataclass(frozen=True)
class Sight:
    """A way down seen through some of its states."""

    way: WayDown
    burns: Burns
    shown: Bools

    @property
    def times_s(self) -> Floats:
        """Vehicle times of the states."""
        return np.asarray(self.way.flown.track.times_s[self.shown])

    @property
    def bands(self) -> tuple[tuple[float, float], ...]:
        """The burns among these states."""
        first, last = float(self.times_s[0]), float(self.times_s[-1])
        rows = ((max(b.start_s, first), min(b.end_s, last)) for b in self.burns.list)
        return tuple((a, b) for a, b in rows if b > a)

    def curve(
        self, label: str, ink: Ink, y: Floats, x: Floats | None = None, stroke: Stroke = "line", steps: bool = False
    ) -> Curve:
        """The values of these states, over time or over another column."""
        across = self.way.flown.track.times_s if x is None else x
        xs, ys = np.asarray(across, dtype=float)[self.shown], np.asarray(y, dtype=float)[self.shown]
        keep = thin_points(np.asarray(self.times_s), ys)
        return Curve(label, ink, xs[keep], ys[keep], stroke, steps)


def landing_groups(flown: Flown, burns: Burns) -> list[tuple[str, list[Panel]]]:
    """Headings and their panels for a flight whose plan lands; none for another, or one that never came down."""
    if flown.plan.landing is None:
        return []
    way = WayDown(flown)
    groups = [("The way down", way.falling, WHOLE), ("The last kilometre", way.last_kilometre, LAST)]
    return [
        (title, made) for title, shown, makers in groups
        if shown.sum() > 1 and (made := shown_panels(Sight(way, burns, shown), makers))
    ]  # fmt: skip


def shown_panels(sight: Sight, makers: Sequence[Callable[[Sight], Panel | None]]) -> list[Panel]:
    """Those that have something to show."""
    made = [make(sight) for make in makers]
    span_s = (float(sight.times_s[0]), float(sight.times_s[-1]))
    return [
        replace(p, x_range=span_s) if p.x_label == Panel.x_label else p for p in made
        if p is not None and any(np.isfinite(c.y).sum() > 1 for c in p.curves)
    ]  # fmt: skip


# --- the whole way -----------------------------------------------------------------------------------------------


def impact_map(sight: Sight) -> Panel | None:
    """Where it would have come down without thrust, from above."""
    east, north = sight.way.impacts_m.T
    known = np.isfinite(east)
    if known.sum() < 2:
        return None
    unit, scale = ("km", 1e3) if np.nanmax(np.hypot(east, north)) > KM_M else ("m", 1.0)
    curves = (
        Curve("", "flown", east[known] / scale, north[known] / scale),
        Curve("", "asked", np.zeros(1), np.zeros(1), "cross"),
    )
    title = "Impact without thrust, from the dot; cross: site"
    return Panel(title, f"{unit} north", curves, x_label=f"{unit} east of the site", map=True)


def impact_miss(sight: Sight) -> Panel | None:
    """How far the impact point without thrust was from the site."""
    off = np.hypot(*sight.way.impacts_m.T)
    known = off[sight.shown & np.isfinite(off)]
    if len(known) < 2:
        return None
    x = sight.way.flown.track.times_s[np.isfinite(off)]
    y = np.maximum(off[np.isfinite(off)], FINEST_M)
    title = f"Impact without thrust {distance(known[0])} off, at last {distance(known[-1])}"
    return Panel(title, "m", (Curve("impact", "flown", x, y),), sight.bands, low=FINEST_M, log=True)


def foretold_contact(sight: Sight) -> Panel | None:
    """The predicted instant of contact against the flown one."""
    way = sight.way
    off = way.flown.track.times_s + way.flown.replies.landing.contact_in_s - way.contact_s
    known = off[sight.shown & np.isfinite(off)]
    if len(known) < 2:
        return None
    curve = sight.curve("foretold", "asked", off)
    at = way.flown.track.times_s
    lit_s = max((b.start_s for b in sight.burns.list if b.start_s < way.contact_s), default=float(at[0]))
    late = off[(at >= lit_s + SHAKEN_S) & np.isfinite(off)]
    worst = float(np.max(np.abs(late if len(late) else known)))
    return Panel(f"Contact foretold within {worst:.2g} s after ignition", "s", (curve,), sight.bands)


def predicted_miss(sight: Sight) -> Panel | None:
    """The miss that guidance predicted."""
    miss = sight.way.flown.replies.landing.miss_m
    known = miss[sight.shown & np.isfinite(miss)]
    if len(known) < 2:
        return None
    curve = sight.curve("miss", "asked", np.maximum(miss, FINEST_M))
    title = f"Predicted miss {distance(known[0])}, at last {distance(known[-1])}"
    return Panel(title, "m", (curve,), sight.bands, low=FINEST_M, log=True)


def reach(sight: Sight) -> Panel | None:
    """How far inside its reach the site was."""
    inside = sight.way.flown.replies.landing.inside_m
    known = inside[sight.shown & np.isfinite(inside)]
    if len(known) < 2:
        return None
    least = float(np.min(known))
    ends = f"{distance(least)} inside it at least" if least >= 0.0 else f"{distance(-least)} beyond it at worst"
    return Panel(f"Reach: the site is {ends}", "m", (sight.curve("inside", "asked", inside),), sight.bands)


def propellant(sight: Sight) -> Panel | None:
    """Propellant above the reserve at contact, as predicted."""
    left = sight.way.flown.replies.landing.left_kg
    known = left[sight.shown & np.isfinite(left)]
    if len(known) < 2:
        return None
    curve = sight.curve("left", "asked", left)
    return Panel(f"Propellant above the reserve at contact: {known[-1]:z,.0f} kg", "kg", (curve,), sight.bands)


# --- the last kilometre ------------------------------------------------------------------------------------------


def height_over_distance(sight: Sight) -> Panel | None:
    """The path from the side."""
    way = sight.way
    curve = sight.curve("", "flown", way.place_m[:, 2], way.level_m)
    end = f", {way.level_m[way.contact]:.2f} m off at contact" if way.contact is not None else ""
    return Panel(f"Height over level distance{end}", "m up", (curve,), x_label="level distance, m")


def speed_over_height(sight: Sight) -> Panel | None:
    """Downward and level speed on the way."""
    way = sight.way
    down, across = -way.speed_m_s[:, 2], np.hypot(way.speed_m_s[:, 0], way.speed_m_s[:, 1])
    last = float(down[sight.shown][-2 if way.contact is not None and sight.shown.sum() > 1 else -1])
    curves = (sight.curve("down", "flown", down, way.place_m[:, 2]),
              sight.curve("across", "second", across, way.place_m[:, 2]))  # fmt: skip
    title = f"Speed over height, {last:z.2f} m/s down before contact"
    return Panel(title, "m/s", curves, x_label="height above the contact point, m")


def throttle_and_bounds(sight: Sight) -> Panel | None:
    """Flown, needed, and between which bounds."""
    flown = sight.way.flown
    on = flown.track.engine_on
    stage = flown.plan.vehicle.stages[-1]
    burning = sight.shown & on
    needed = flown.replies.landing.throttle_frac
    if not burning.any():
        return None
    ends = np.full(len(on), np.nan)
    ends[sight.shown] = 1.0
    spare = flown.replies.landing.margin_frac[burning]
    spare = spare[np.isfinite(spare)]
    curves = [
        sight.curve("most", "muted", 100.0 * ends, stroke="dashed"),
        sight.curve("least", "muted", 100.0 * stage.throttle_min_frac * ends, stroke="dashed"),
        sight.curve("needed", "asked", np.where(on, 100.0 * needed, np.nan), stroke="broad"),
        sight.curve("flown", "flown", np.where(on, 100.0 * flown.track.throttle_frac, np.nan), steps=True),
    ]
    title = "Throttle between its bounds"
    if len(spare):
        least = 100.0 * float(np.min(spare))
        beyond = "Throttle, needed beyond its bounds at times"
        title = f"Throttle, {least:z.0f} points from its bounds" if least >= 0.0 else beyond
    return Panel(title, "%", tuple(curves), sight.bands, low=0.0, high=118.0)


def tilt(sight: Sight) -> Panel | None:
    """Lean of the thrust axis, as commanded and flown."""
    flown = sight.way.flown
    asked = np.where(np.isfinite(flown.replies.pitch_deg), 90.0 - flown.replies.pitch_deg, np.nan)
    on = sight.shown & np.isfinite(sight.way.tilt_deg)
    if not on.any():
        return None
    leans = sight.way.tilt_deg
    curves = (sight.curve("commanded", "asked", asked, stroke="broad"), sight.curve("flown", "flown", leans))
    title = f"Lean, {leans[on][-1]:z.2f}° in the last state"
    return Panel(title, "deg", curves, sight.bands, low=0.0)


def predicted_speed(sight: Sight) -> Panel | None:
    """The speed at contact that guidance predicted."""
    speed = sight.way.flown.replies.landing.speed_m_s
    known = speed[sight.shown & np.isfinite(speed)]
    if len(known) < 2:
        return None
    asked = np.full(len(speed), sight.way.landing.contact_speed_m_s)
    curves = (sight.curve("asked", "muted", asked, stroke="dashed"), sight.curve("predicted", "asked", speed))
    return Panel(f"Predicted contact speed, {known[-1]:z.2f} m/s at last", "m/s", curves, sight.bands, low=0.0)


WHOLE: Sequence[Callable[[Sight], Panel | None]] = (
    impact_map, impact_miss, predicted_miss, foretold_contact, propellant, reach,
)  # fmt: skip
LAST: Sequence[Callable[[Sight], Panel | None]] = (
    height_over_distance, speed_over_height, throttle_and_bounds, tilt, predicted_miss, predicted_speed,
)  # fmt: skip


def distance(length_m: float) -> str:
    """A distance as people say it."""
    return f"{length_m / 1e3:z.3g} km" if length_m > KM_M else f"{length_m:z.2g} m"

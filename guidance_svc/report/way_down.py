"""The way down of a flight in the axes of its contact point, and where it would have come down without thrust."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from guidance_svc.core.frames import meridian_rad, on_ellipsoid, triad_at
from guidance_svc.domain import FlightPlan, Landing, Vec
from guidance_svc.errors import ConfigError
from guidance_svc.report.flown import Flown
from guidance_svc.report.impact import fall_to_height
from guidance_svc.report.track import Bools, Floats

LAST_KILOMETRE_M = 1000.0
MOST_IMPACTS = 240  # of a flight; between them the points move little
LOWEST_IMPACT_M = 1.0  # above the contact point: from lower down it is where the vehicle is


@dataclass(frozen=True)
class WayDown:
    """A flight whose plan lands; vectors east, north, up at the contact point, which turns with the body.

    The contact point is where the told point of the vehicle is when legs or arms bear.
    """

    flown: Flown

    @property
    def landing(self) -> Landing:
        """The plan's landing.

        Raises:
            ConfigError: it has none.
        """
        if self.flown.plan.landing is None:
            raise ConfigError("missing_field", "landing", "a [landing] table", "nothing")
        return self.flown.plan.landing

    @cached_property
    def axes(self) -> Floats:
        """Rows east, north and up in body-fixed axes, (3, 3)."""
        up, north, east = triad_at(self.landing.site.latitude_rad, self.landing.site.longitude_rad)
        return np.array([east, north, up])

    @cached_property
    def point_m(self) -> Vec:
        """The contact point, body-fixed."""
        site, body = self.landing.site, self.flown.plan.body
        altitude = site.altitude_m + told_height_m(self.flown.plan, self.landing)
        return on_ellipsoid(site.latitude_rad, site.longitude_rad, altitude, body.radius_m, body.flattening)

    @cached_property
    def meridians_rad(self) -> Floats:
        """Inertial angle of longitude 0 at each state."""
        body, frame = self.flown.plan.body, self.flown.frame
        return np.array([meridian_rad(body, frame, float(t)) for t in self.flown.track.times_s])

    def fixed(self, vectors: Floats) -> Floats:
        """Inertial vectors of the states, (n, 3), in body-fixed axes."""
        c, s = np.cos(self.meridians_rad), np.sin(self.meridians_rad)
        x, y, z = vectors.T
        return np.column_stack([c * x + s * y, c * y - s * x, z])

    @cached_property
    def place_m(self) -> Floats:
        """Where each state is from the contact point, (n, 3)."""
        return np.asarray((self.fixed(self.flown.track.positions_m) - np.array(self.point_m)) @ self.axes.T)

    @cached_property
    def speed_m_s(self) -> Floats:
        """Over ground, (n, 3)."""
        return np.asarray(self.fixed(self.flown.track.wind_m_s) @ self.axes.T)

    @cached_property
    def axis(self) -> Floats:
        """The thrust axis, (n, 3); NaN where it was not told."""
        return np.asarray(self.fixed(self.flown.track.pointing) @ self.axes.T)

    @cached_property
    def level_m(self) -> Floats:
        """Level distance from the site of what bears: the middle of the feet, or the catch point."""
        vehicle = self.flown.plan.vehicle
        above_m = (vehicle.catch_point_m or 0.0) if self.landing.bears == "arms" else -vehicle.legs_below_m
        bearing = self.place_m + above_m * np.nan_to_num(self.axis)
        return np.hypot(bearing[:, 0], bearing[:, 1])

    @cached_property
    def tilt_deg(self) -> Floats:
        """Of the thrust axis from the vertical at the contact point; NaN where it was not told."""
        return np.degrees(np.arccos(np.clip(self.axis[:, 2], -1.0, 1.0)))

    @cached_property
    def falling(self) -> Bools:
        """Whether a state is on the way down: after the last phase from the ground or to an orbit, not yet down."""
        up_phases = self.flown.phases_with(lambda kind: kind.from_ground or kind.aims in ("target", "circle"))
        rising = np.array([phase in up_phases for phase in self.flown.replies.phase])
        first = int(np.flatnonzero(rising)[-1]) + 1 if rising.any() else 0
        after = np.arange(len(rising)) >= first
        return after & ~(self.flown.track.down & (self.place_m[:, 2] < LAST_KILOMETRE_M))

    @cached_property
    def contact(self) -> int | None:
        """Index of the first state in which the vehicle stands at the end; None where it is not seen to stand."""
        if self.falling[-1] or not self.falling.any():
            return None
        return int(np.flatnonzero(self.falling)[-1]) + 1

    @cached_property
    def contact_s(self) -> float:
        """Vehicle time of contact, as the event told it last where that lies before the first state that stands; NaN
        where it is not seen to stand."""
        if self.contact is None:
            return float("nan")
        before, after = self.flown.track.times_s[self.contact - 1 : self.contact + 1]
        told = [event.at_s for event in self.flown.events if event.name == "contact"]
        return told[-1] if told and before <= told[-1] <= after else float(after)

    @cached_property
    def last_kilometre(self) -> Bools:
        """States on the way down below 1 km over the contact point, and the first that stands."""
        near = self.falling & (self.place_m[:, 2] < LAST_KILOMETRE_M)
        if self.contact is not None:
            near[self.contact] = True
        return near

    @cached_property
    def impacts_m(self) -> Floats:
        """Where the vehicle would come down if its engines stopped, (n, 2) east and north; NaN where not worked out."""
        found = np.full((len(self.falling), 2), np.nan)
        aloft = np.flatnonzero(self.falling & (self.place_m[:, 2] > LOWEST_IMPACT_M))
        if len(aloft) == 0:
            return found
        chosen = np.unique(aloft[np.linspace(0, len(aloft) - 1, min(MOST_IMPACTS, len(aloft))).astype(int)])
        track, vehicle = self.flown.track, self.flown.plan.vehicle
        curve = vehicle.fall_drag_curve or vehicle.drag_curve
        area_m2 = vehicle.drag_area_m2 if curve else 0.0
        ends, ok = fall_to_height(
            self.fixed(track.positions_m)[chosen], self.fixed(track.wind_m_s)[chosen], track.masses_kg[chosen],
            self.flown.plan.body, (area_m2, curve), float(np.linalg.norm(self.point_m)),
        )  # fmt: skip
        found[chosen] = np.where(ok[:, None], ((ends - np.array(self.point_m)) @ self.axes.T)[:, :2], np.nan)
        return found


def told_height_m(plan: FlightPlan, landing: Landing) -> float:
    """How far above the ground of its site the told point of the vehicle is at contact."""
    vehicle = plan.vehicle
    return landing.catch_height_m - (vehicle.catch_point_m or 0.0) if landing.bears == "arms" else vehicle.legs_below_m

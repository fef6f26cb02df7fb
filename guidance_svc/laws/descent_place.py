"""The landing frame of a plan: where it stands, what a state is in it, and the lander as the kernels take it."""

from __future__ import annotations

from functools import lru_cache
from math import atan, hypot, inf, radians, sin, tan
from typing import NamedTuple

from guidance_svc.core.frames import Triad, from_local, on_ellipsoid, triad_at, turn_z
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.lander import Ground, Lander, Leg, TiltBound, air_around, legs_of, most_slant
from guidance_svc.core.landing_state import OFF, ON, UNTOLD, Heard, Keys
from guidance_svc.core.vectors import add, dot, norm, sub
from guidance_svc.domain import Alternate, Body, FlightPlan, Site, Stage, Vec, Vehicle
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.landing_places import landing_of
from guidance_svc.laws.navigation import Navigation

NOT_TOLD = (0.0, 0.0, 0.0)
NO_OFFSET = (0.0, 0.0, 0.0)
LEAN_TURN_S = 4.0  # a lean that takes the vehicle longer to take up is not planned: it has to be turned over on the way
MOST_PLANNED_RAD = radians(60.0)  # nor a steeper one, of a vehicle whose turning takes time
MOST_LEAN_RAD = radians(45.0)  # to which a vehicle turns for a divert


class Place(NamedTuple):
    """The landing frame in body-fixed axes: where the told point of the upright vehicle is at contact, and its axes.

    Args:
        foot_m: by how much, at most, the lowest foot of a leaning vehicle is below that: as far as it may lean there.
        feet_m: radius of the circle of feet; 0 with arms.
    """

    position_m: Vec
    axes: Triad
    altitude_m: float
    foot_m: float = 0.0
    feet_m: float = 0.0


class Frame(NamedTuple):
    """What of a plan stays as it is while it lands; `counts` are the engines asked for, None for all of them."""

    place: Place
    lander: Lander
    keys: Keys
    counts: tuple[int | None, ...]
    turn_rad_s: float
    turn_rad_s2: float


class Burners(NamedTuple):
    """The engines of a burn.

    Args:
        rows: (how many burn, until which downward speed), one after the other; empty: the plan's.
        out: so many are lost, of each group that is as large as the first one here.
    """

    rows: tuple[tuple[int, float], ...] = ()
    out: int = 0


AS_PLANNED = Burners()


@lru_cache(maxsize=64)
def frame_of(plan: FlightPlan, phase: Descent, stage: int, spot: int = 0, burners: Burners = AS_PLANNED) -> Frame:
    """The landing frame and the lander of a plan.

    Args:
        stage: that burns.
        spot: where it lands: 0 at the site, from 1 on at an alternate.
    """
    landing, vehicle = landing_of(plan), plan.vehicle
    there = landing.places[spot]
    place = place_of(plan.body, there.site, told_point_above_m(vehicle, there))
    if there.bears == "legs":
        feet_m = vehicle.legs_radius_m
        place = place._replace(foot_m=feet_m * sin(phase.tilt_end_rad), feet_m=feet_m)
    burning = vehicle.stages[stage]
    legs, counts = legs_of_plan(phase, burning, landing.contact_speed_m_s, burners)
    rate = min(vehicle.turn_rate_limit_rad_s, vehicle.attitude_rate_limit_rad_s)
    steepest = tan(min(rate * LEAN_TURN_S, MOST_PLANNED_RAD)) if rate < inf else inf
    tilt = TiltBound(tan(phase.tilt_end_rad), phase.tilt_per_m_rad, phase.tilt_per_root_m_rad, steepest)
    curve = vehicle.fall_drag_curve or vehicle.drag_curve
    air = air_around(plan.body, place.altitude_m, vehicle.drag_area_m2, curve, vehicle.fall_lift_curve)
    lander = Lander(
        ground_at(plan, place), air, legs_of(legs), len(legs), burning.engine_lag_s, burning.throttle_min_frac, 1.0,
        tilt,
    )  # fmt: skip
    delay_s = burning.ignition_delay_s if phase.ignition_delay_s is None else phase.ignition_delay_s
    delay_s, idle_frac = (0.0, burning.throttle_min_frac) if phase.idles else (delay_s, 0.0)
    return Frame(
        place, lander, Keys(phase.planned_frac, idle_frac, delay_s, vehicle.percussion_m), counts,
        rate, vehicle.attitude_acceleration_limit_rad_s2,
    )  # fmt: skip


def told_point_above_m(vehicle: Vehicle, there: Alternate) -> float:
    """Height above the ground, at contact, of the point of the vehicle whose position is told."""
    return there.catch_height_m - (vehicle.catch_point_m or 0.0) if there.bears == "arms" else vehicle.legs_below_m


def place_of(body: Body, site: Site, above_m: float) -> Place:
    """The landing frame at a height above a site."""
    latitude, longitude = site.latitude_rad, site.longitude_rad
    altitude = site.altitude_m + above_m
    position = on_ellipsoid(latitude, longitude, altitude, body.radius_m, body.flattening)
    return Place(position, triad_at(latitude, longitude), altitude)


def ground_at(plan: FlightPlan, place: Place) -> Ground:
    """Gravity, its change with the height, and the turning of the frame."""
    body, (x, y, _) = plan.body, place.position_m
    spin = body.rotation_rad_s
    gravity = acceleration(place.position_m, body.mu_m3_s2, body.radius_m, body.j2)
    felt = add(gravity, (spin * spin * x, spin * spin * y, 0.0))
    return Ground(level(felt, place), norm(gravity) / norm(place.position_m), level((0.0, 0.0, spin), place))


def rows_of(phase: Descent, stage: Stage, burners: Burners) -> tuple[tuple[int, float], ...]:
    """How many engines are asked for, and until which downward speed each."""
    return burners.rows or phase.engines or ((stage.engine_count, 0.0),)


def legs_of_plan(
    phase: Descent, stage: Stage, contact_m_s: float, burners: Burners = AS_PLANNED
) -> tuple[list[Leg], tuple[int | None, ...]]:
    """The stretches of the burn, the soft end included, and how many engines are asked for in each."""
    legs: list[Leg] = []
    counts: list[int] = []
    for count, until_m_s in rows_of(phase, stage, burners):
        alive = count - burners.out if count > burners.out else count
        part = alive / stage.engine_count
        leg = Leg(part * stage.thrust_n, part * stage.mass_flow_kg_s, part * stage.exit_area_m2, until_m_s, 0.0, alive)
        legs, counts = [*legs, leg], [*counts, count]
    if phase.soft_speed_m_s > 0.0:
        legs[-1] = legs[-1]._replace(until_m_s=phase.soft_speed_m_s)
        legs, counts = [*legs, legs[-1]._replace(throttle_frac=phase.soft_frac)], [*counts, counts[-1]]
    legs[-1] = legs[-1]._replace(until_m_s=contact_m_s)
    return legs, tuple(None if count == stage.engine_count else count for count in counts)


def level(vector: Vec, place: Place) -> Vec:
    """A body-fixed vector along east, north and up."""
    up, north, east = place.axes
    return (dot(vector, east), dot(vector, north), dot(vector, up))


def heard_at(now: Navigation, place: Place) -> Heard:
    """A state in the landing frame; its height is that of the lowest foot, where the attitude is told."""
    turn, rate = -now.meridian_rad, now.pointing_rate_s
    pointing = NOT_TOLD if now.pointing is None else level(turn_z(now.pointing, turn), place)
    x, y, z = level(sub(turn_z(now.position_m, turn), place.position_m), place)
    return Heard(
        now.time_s, (x, y, z - min(place.feet_m * hypot(pointing[0], pointing[1]), place.foot_m)),
        level(turn_z(now.ground_velocity_m_s, turn), place), now.mass_kg, pointing,
        NOT_TOLD if rate is None else level(turn_z(rate, turn), place), rate is not None,
        UNTOLD if now.engine_on is None else ON if now.engine_on else OFF, now.engines_lit or 0,
    )  # fmt: skip


def direction_bci(direction: Vec, now: Navigation, place: Place) -> Vec:
    """A direction of the landing frame, inertial."""
    east, north, up = direction
    return turn_z(from_local(up, north, east, place.axes), now.meridian_rad)


def moved_by(frame: Frame, offset_m: Vec) -> Frame:
    """The frame with its contact point a few metres aside: east, north and up."""
    if offset_m == NO_OFFSET:
        return frame
    place, (east, north, up) = frame.place, offset_m
    aside = from_local(up, north, east, place.axes)
    moved = place._replace(position_m=add(place.position_m, aside), altitude_m=place.altitude_m + up)
    return frame._replace(place=moved)


def between(here: Place, there: Place) -> Vec:
    """From one contact point to another, in the first one's frame: east, north and up."""
    return level(sub(there.position_m, here.position_m), here)


def seen_in(vector: Vec, here: Place, there: Place) -> Vec:
    """A vector of one landing frame in another's."""
    east, north, up = vector
    return level(from_local(up, north, east, here.axes), there)


def turn_s(frame: Frame, height_m: float) -> float:
    """Time to turn from upright to the lean that the bound allows at a height, or the most that counts."""
    lean = min(atan(most_slant(frame.lander.tilt, height_m)), MOST_LEAN_RAD)
    ramp_s = frame.turn_rad_s / frame.turn_rad_s2 if frame.turn_rad_s < inf else 0.0
    return lean / frame.turn_rad_s + (ramp_s if frame.turn_rad_s2 < inf else 0.0)

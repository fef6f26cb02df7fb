"""When a launch site passes under a target plane, which way to fly then, and what flying at another time costs.

The site is a point that turns with the body; the target plane is an inclination and a node that drifts evenly. So each
opportunity follows in closed form. Azimuth and times are those of an impulsive launch; `azimuth` corrects them by a
flown trajectory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import asin, atan2, ceil, copysign, cos, degrees, exp, floor, hypot, inf, pi, sin, sqrt

from guidance_svc.core.frames import site_state
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, Site, Vec
from guidance_svc.errors import ConfigError
from guidance_svc.orbits.mean_elements import advance_orbit, rates
from guidance_svc.orbits.values import Field, MeanOrbit

TOUCH_RAD = 1e-6  # 6 m on the ground: a latitude "equal" to the inclination
PARKING_RADII = 1.03  # radius of the circular orbit whose speed is taken where none is given, in radii of the body
SEARCH_STEP_S = 20.0
MOST_OPPORTUNITIES = 100_000
EQUATORIAL_SINE = 1e-9


@dataclass(frozen=True, slots=True)
class PlaneTarget:
    """A plane that drifts evenly.

    Args:
        inclination_rad: in [0, pi].
        node_rad: right ascension of the ascending node at `epoch_s`.
        node_rate_rad_s: of a mean orbit by `drift.rates`; 0 for a plane that stands still.
    """

    inclination_rad: float
    node_rad: float
    epoch_s: float = 0.0
    node_rate_rad_s: float = 0.0

    def at(self, time_s: float) -> tuple[float, float]:
        """Inclination and node, rad, at a time."""
        return self.inclination_rad, wrap_angle(self.node_rad + self.node_rate_rad_s * (time_s - self.epoch_s))


def plane_of(mean: MeanOrbit, field: Field) -> PlaneTarget:
    """The plane of an orbit in its field."""
    return PlaneTarget(mean.inclination_rad, mean.node_rad, mean.epoch_s, rates(mean, field)[0])


@dataclass(frozen=True, slots=True)
class Opportunity:
    """One passage of the site through the target plane.

    Args:
        time_s: in-plane instant.
        ascending: the launch goes northwards.
        azimuth_inertial_rad, azimuth_ground_rad: clockwise from north, of the velocity at insertion against the stars
            and over ground, for an impulsive launch.
        node_rad: of the target plane at `time_s`, which is the node reached.
        speed_inertial_m_s: at insertion, as given or assumed.
        speed_ground_m_s: what the vehicle itself must add, without gravity and drag losses.
        inclination_rad: of the target plane.
        argument_rad: argument of latitude of the site in the plane.
        latitude_rad: of the site, geocentric.
        turn_rate_rad_s: of the site against the plane's node.
    """

    time_s: float
    ascending: bool
    azimuth_inertial_rad: float
    azimuth_ground_rad: float
    node_rad: float
    speed_inertial_m_s: float
    speed_ground_m_s: float
    inclination_rad: float
    argument_rad: float
    latitude_rad: float
    turn_rate_rad_s: float


def opportunities(
    site: Site,
    body: Body,
    meridian_at_zero_rad: float,
    plane: PlaneTarget,
    start_s: float,
    span_s: float,
    speed_m_s: float | None = None,
) -> list[Opportunity]:
    """Every passage of the site through the plane in [start, start + span], in order of time.

    Args:
        meridian_at_zero_rad: inertial angle of longitude 0 at time 0.
        speed_m_s: inertial speed at insertion; None: circular at 1.03 radii of the body.

    Returns:
        Empty where the site never lies in the plane; `why_none` says why.

    Raises:
        ConfigError: an impossible inclination, a negative span, a plane that turns with the body, too many.

    Source: spherical triangle of site, node, pole: sin(latitude) = sin(i) sin(u), cos(i) = cos(latitude) sin(azimuth);
        Bate, Mueller and White, Fundamentals of Astrodynamics, section 3.1; Vallado, 4th ed., section 6.4.
    Accuracy: rounding, for the plane and rotation as given.
    """
    check_plane(plane)
    if span_s < 0.0:
        raise ConfigError("bad_value", "span_s", "0 s or more", span_s)
    if why_none(site, body, plane) is not None:
        return []
    turn = body.rotation_rad_s - plane.node_rate_rad_s
    if abs(turn) * span_s > 2.0 * pi * MOST_OPPORTUNITIES:
        raise ConfigError("too_many", "span_s", f"at most {MOST_OPPORTUNITIES} turns of the body", span_s)
    r, _ = site_state(site, body, meridian_at_zero_rad, 0.0)
    latitude = asin(r[2] / norm(r))
    speed = speed_m_s or sqrt(body.mu_m3_s2 / (PARKING_RADII * body.radius_m))
    arguments = branches(latitude, plane.inclination_rad)
    found = []
    for argument in arguments:
        ahead = atan2(cos(plane.inclination_rad) * sin(argument), cos(argument))
        node_at_zero = plane.node_rad - plane.node_rate_rad_s * plane.epoch_s
        first = (node_at_zero + ahead - atan2(r[1], r[0])) / turn
        period = 2.0 * pi / abs(turn)
        for k in range(ceil((start_s - first) / period), floor((start_s + span_s - first) / period) + 1):
            time_s = first + k * period
            node = plane.at(time_s)[1]
            found.append(passage(time_s, argument, node, latitude, plane.inclination_rad, turn, speed, r, body))
    return sorted(found, key=lambda one: one.time_s)


def branches(latitude_rad: float, inclination_rad: float) -> list[float]:
    """Arguments of latitude, rad, where the plane passes a latitude: northwards, then southwards; one if it touches."""
    sine = sin(latitude_rad) / sin(inclination_rad)
    if abs(sine) >= 1.0:
        return [0.5 * pi if sine > 0.0 else -0.5 * pi]
    return [asin(sine), pi - asin(sine)]


def passage(
    time_s: float, argument_rad: float, node_rad: float, latitude_rad: float, inclination_rad: float,
    turn_rate_rad_s: float, speed_m_s: float, site_m: Vec, body: Body,
) -> Opportunity:  # fmt: skip
    """The opportunity at a passage of the plane over the site."""
    north = sin(inclination_rad) * cos(argument_rad) / cos(latitude_rad)
    east = cos(inclination_rad) / cos(latitude_rad)
    ground_m_s = body.rotation_rad_s * hypot(site_m[0], site_m[1])
    over_east, over_north = speed_m_s * east - ground_m_s, speed_m_s * north
    return Opportunity(
        time_s, cos(argument_rad) > 0.0, wrap_angle(atan2(east, north)), wrap_angle(atan2(over_east, over_north)),
        node_rad, speed_m_s, hypot(over_east, over_north), inclination_rad, wrap_angle(argument_rad), latitude_rad,
        turn_rate_rad_s,
    )  # fmt: skip


def check_plane(plane: PlaneTarget) -> None:
    """Refuse an inclination that no orbit has.

    Raises:
        ConfigError: outside [0, pi].
    """
    if not 0.0 <= plane.inclination_rad <= pi:
        got = f"{degrees(plane.inclination_rad):g} deg"
        raise ConfigError("bad_inclination", "inclination", "0 to 180 deg", got)


def why_none(site: Site, body: Body, plane: PlaneTarget) -> str | None:
    """Why a site never lies in a plane, and what inclination would do; None when it does.

    >>> why_none(Site("Edge", 1.0, 0.0), Body("ball", 4e14, 6.4e6, rotation_rad_s=7e-5), PlaneTarget(0.5, 0.0))
    'Edge lies at 57.2958 deg (geocentric) and a plane of 28.6479 deg never passes over it; 57.2958 to 122.7042 deg do'
    """
    check_plane(plane)
    r, _ = site_state(site, body, 0.0, 0.0)
    latitude = asin(r[2] / norm(r))
    low = degrees(abs(latitude))
    tilt = min(plane.inclination_rad, pi - plane.inclination_rad)
    if tilt < abs(latitude) - TOUCH_RAD:
        return (
            f"{site.name} lies at {degrees(latitude):.4f} deg (geocentric) and a plane of "
            f"{degrees(plane.inclination_rad):.4f} deg never passes over it; {low:.4f} to {180.0 - low:.4f} deg do"
        )
    if sin(plane.inclination_rad) < EQUATORIAL_SINE:
        return f"{site.name} lies in the equatorial plane at every instant: any time will do, no node is asked for"
    if cos(latitude) < EQUATORIAL_SINE:
        return f"{site.name} is a pole, where every polar plane passes at every instant: choose the azimuth instead"
    if body.rotation_rad_s == plane.node_rate_rad_s:
        return f"{body.name} and the plane turn alike, so that the site's place against the plane never changes"
    return None


def off_plane_rad(opportunity: Opportunity, offset_s: float) -> float:
    """Angle of the site out of the plane, [0, pi/2], when lift-off slips: the least angle between a plane through the
    site and the target plane, reached by launching along that plane's own azimuth."""
    i, u = opportunity.inclination_rad, opportunity.argument_rad
    ahead = atan2(cos(i) * sin(u), cos(u)) + opportunity.turn_rate_rad_s * offset_s
    sine = sin(opportunity.latitude_rad) * cos(i) - cos(opportunity.latitude_rad) * sin(i) * sin(ahead)
    return abs(asin(max(-1.0, min(1.0, sine))))


def node_error_rad(opportunity: Opportunity, offset_s: float) -> float:
    """By how much the node is missed, rad, (-pi, pi], when lift-off slips and the azimuth is kept."""
    return (opportunity.turn_rate_rad_s * offset_s + pi) % (2.0 * pi) - pi


def plane_error_cost(
    opportunity: Opportunity,
    offset_s: float,
    mass_kg: float = 0.0,
    exhaust_velocity_m_s: float = inf,
    azimuth_kept: bool = False,
) -> tuple[float, float, float]:
    """What a lift-off some seconds after (or before) the in-plane time costs, as one plane change at insertion speed.

    An ascent that leans towards the plane while it is slow pays less; this is the upper bound that needs no flight.

    Args:
        mass_kg: at insertion, before the change; 0 gives no propellant.
        exhaust_velocity_m_s: of the engine that turns the plane.
        azimuth_kept: launch with the azimuth of the in-plane time, so that the inclination comes out right and the node
            does not; otherwise along the azimuth that leaves the least angle.

    Returns:
        Angle between the planes (rad), speed (m/s), propellant (kg).

    Source: 2 v sin(angle / 2), Bate, Mueller and White, section 3.3; the rocket equation.
    """
    if azimuth_kept:
        half = abs(sin(opportunity.inclination_rad) * sin(0.5 * node_error_rad(opportunity, offset_s)))
        angle = 2.0 * asin(min(1.0, half))
    else:
        angle = off_plane_rad(opportunity, offset_s)
    speed = 2.0 * opportunity.speed_inertial_m_s * sin(0.5 * angle)
    return angle, speed, mass_kg * (1.0 - exp(-speed / exhaust_velocity_m_s))


def open_close(
    opportunity: Opportunity,
    margin_m_s: float | None = None,
    margin_kg: float | None = None,
    mass_kg: float = 0.0,
    exhaust_velocity_m_s: float = inf,
    azimuth_kept: bool = False,
) -> tuple[float, float]:
    """When the window opens and closes: the last instants around the in-plane time whose cost stays within a margin.

    Args:
        margin_m_s, margin_kg: exactly one; speed or propellant that may be spent on the plane.
        mass_kg, exhaust_velocity_m_s, azimuth_kept: as `plane_error_cost`.

    Returns:
        Times, s; half a turn of the body before and after where the cost never reaches the margin.

    Raises:
        ConfigError: none or both margins, or a negative one.
    """
    if (margin_m_s is None) == (margin_kg is None):
        raise ConfigError("bad_value", "margin", "a margin in m/s or in kg, one of them", (margin_m_s, margin_kg))
    margin, column = (margin_m_s, 1) if margin_m_s is not None else (margin_kg, 2)
    if margin is None or not margin >= 0.0:
        raise ConfigError("bad_value", "margin", "0 or more", margin)
    limit = margin

    def over(offset_s: float) -> bool:
        return plane_error_cost(opportunity, offset_s, mass_kg, exhaust_velocity_m_s, azimuth_kept)[column] > limit

    half_turn_s = pi / abs(opportunity.turn_rate_rad_s)
    return opportunity.time_s + edge(over, -half_turn_s), opportunity.time_s + edge(over, half_turn_s)


def edge(over: Callable[[float], bool], most_s: float) -> float:
    """The last offset on the way from 0 to `most_s` before the cost is over the margin."""
    step = copysign(min(SEARCH_STEP_S, abs(most_s) / 1000.0), most_s)
    high = step
    while not over(high):
        high += step
        if abs(high) >= abs(most_s):
            return most_s
    low = high - step
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if over(middle) else (middle, high)
    return low


def phase_angle_rad(target: MeanOrbit, field: Field, insertion_s: float, argument_rad: float) -> float:
    """How far the target is ahead of the vehicle along the orbit at insertion, [0, 2 pi).

    Args:
        argument_rad: the vehicle's mean argument of latitude at insertion: the site's own plus the ascent's arc.
    """
    there = advance_orbit(target, insertion_s, field)
    return wrap_angle(there.perigee_rad + there.mean_anomaly_rad - argument_rad)


def phasing_time_s(phase_rad: float, waiting: MeanOrbit, target: MeanOrbit, field: Field) -> float:
    """How long the vehicle stays in its waiting orbit until it has drawn level with the target.

    Args:
        phase_rad: the target's lead, as `phase_angle_rad` gives it.
        waiting: the vehicle's mean orbit; below the target it catches up, above it lets the target come round.

    Returns:
        Seconds; infinite where both go round alike.
    """
    gain = along_rate(waiting, field) - along_rate(target, field)
    if gain == 0.0:
        return 0.0 if wrap_angle(phase_rad) == 0.0 else inf
    return wrap_angle(phase_rad) / gain if gain > 0.0 else wrap_angle(-phase_rad) / -gain


def phasing_node_shift_rad(time_s: float, waiting: MeanOrbit, target: MeanOrbit, field: Field) -> float:
    """How far the waiting orbit's node runs ahead of the target's in that time, rad: allow for it at lift-off."""
    return (rates(waiting, field)[0] - rates(target, field)[0]) * time_s


def along_rate(mean: MeanOrbit, field: Field) -> float:
    """Mean rate of the argument of latitude, rad/s."""
    _, perigee, anomaly = rates(mean, field)
    return perigee + anomaly

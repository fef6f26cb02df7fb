"""The first state of a flight against its plan: what does not fit, and which mix-up of frame or units would.

Pure: used by the session for its first warnings and by the conformance kit for the root of what it sees. Something is
said only on clear evidence: the numbers as declared cannot be, and another reading of them fits closely; or the vehicle
stands on the ground where the plan's site is not.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import asin, atan2, cos, degrees, pi, radians, sin, sqrt
from typing import Final, NamedTuple

from guidance_svc.core.frames import (
    altitude_m,
    geodetic,
    ground_velocity,
    longitude_rad,
    meridian_rad,
    site_state,
    turn_z,
)
from guidance_svc.core.vectors import cross, dot, norm, sub, unit
from guidance_svc.domain import Body, FlightPlan, Frame, Hold, Site, Target, Vec, VehicleState
from guidance_svc.errors import GuidanceError, MessageFault
from guidance_svc.session.readings import Reading, every_reading, mass_unit, read_as

SAYS: Final = "first state: "  # begins every warning of this module
STANDS_M_S: Final = 10.0  # over ground: slower than this stands, whatever the noise
STANDS_STILL_M_S: Final = 2.0  # asked of another reading; a vehicle that has just lifted off is faster in any unit
ON_GROUND_M: Final = 1.0e4  # above or below the ellipsoid: terrain, heights above the sphere
SITE_NEAR_M: Final = 3.0e3  # a site typed with two decimals of a degree, and its terrain
SITE_FAR_M: Final = 3.0e4  # farther than a launch site is wide, and than geodetic and geocentric latitude differ
FITS_FRAC: Final = 0.1  # of the declared reading's distance: another must be so much nearer
SAME_LATITUDE_RAD: Final = radians(0.05)
STACK_FRAC: Final = 0.1  # of the mass: figures of stages differ, units more
LATE_S: Final = 5.0  # after the plan's release, still on the pad
RELEASE_OFF_RAD: Final = radians(5.0)  # of the pad, out of the target's plane at release; 680 m/s in a low orbit
TOO_FAR: Final = 1.25  # times the target's apogee radius
TOO_FAST: Final = 0.05  # of the target's energy, above it
TOO_SLOW: Final = 0.5  # of the ground's own speed, inertial, high up
HIGH_M: Final = 2.0e4
FAST: Final = 0.25  # of the circular speed: from here on the path has a plane
TIE_RAD: Final = radians(0.5)  # readings nearer to each other than this in plane are told apart by likelihood
TIE_M: Final = 100.0


class OffPlane(NamedTuple):
    """How far place and path are out of the target's plane, rad."""

    place_rad: float
    path_rad: float


OFF: Final = OffPlane(radians(8.0), radians(15.0))  # no ascent begins so far out
NEAR: Final = OffPlane(radians(4.0), radians(8.0))  # asked of another reading


class Finding(NamedTuple):
    """One thing that does not fit.

    Args:
        seen: what, in words.
        readings: that fit, the likeliest first; may be empty.
    """

    seen: str
    readings: tuple[Reading, ...] = ()
    advice: str = ""

    def sentence(self) -> str:
        """The finding as a warning says it."""
        if not self.readings:
            return f"{SAYS}{self.seen}{'; ' + self.advice if self.advice else ''}"
        first, *rest = self.readings
        also = f"; or if {rest[0].words}: {rest[0].advice}" if rest else ""
        return f"{SAYS}{self.seen}; {first.key}: the numbers fit if {first.words}: {first.advice}{also}"


def findings(state: VehicleState, plan: FlightPlan, frame: Frame) -> list[Finding]:
    """What does not fit between the first state and the plan; empty where nothing is clearly wrong."""
    place = place_finding(state, plan, frame)
    found = [place] if place is not None else []
    mass = mass_finding(state, plan, frame)
    found += [mass] if mass is not None else []
    if place is None:
        found += clock_findings(state, plan, frame)
    return found


def first_warnings(state: VehicleState, plan: FlightPlan, frame: Frame) -> tuple[str, ...]:
    """The findings as sentences."""
    return tuple(finding.sentence() for finding in findings(state, plan, frame))


def explained(fault: MessageFault, state: VehicleState, plan: FlightPlan, frame: Frame) -> MessageFault:
    """The refusal of an impossible first state with the mix-up that would make it possible."""
    if fault.field == "mass_kg":
        vehicle = plan.vehicle
        meant = mass_unit(state.mass_kg, *mass_range_kg(plan)) if vehicle.stages else None
        hint = f"; {meant.words}" if meant else ""
    else:
        try:
            place = place_finding(state, plan, frame)
        except (GuidanceError, ArithmeticError, ValueError):
            place = None
        first = place.readings[0] if place and place.readings else None
        hint = f"; {first.key}: the numbers fit if {first.words}: {first.advice}" if first else ""
    return MessageFault(fault.code, fault.field, f"{fault.expected}{hint}", fault.got) if hint else fault


# --- place and motion --------------------------------------------------------------------------------------------


def place_finding(state: VehicleState, plan: FlightPlan, frame: Frame) -> Finding | None:
    """Position and velocity: on the pad of the plan's site, else on a path that leads to its target."""
    declared = Reading("", "", "", frame)
    site, target = plan.site, plan.target
    if site is not None:
        found = site_finding(state, plan, site, declared)
        if found is not None or stands(state, declared, plan.body, STANDS_M_S):
            return found
    elif stands(state, declared, plan.body, STANDS_M_S):
        return ground_finding(plan)
    return None if target is None else path_finding(state, plan, target, declared)


def ground_finding(plan: FlightPlan) -> Finding | None:
    """Standing on the ground with a plan that begins in flight."""
    if plan.body.atmosphere == "none" or plan.phases[0].aims != "target":
        return None
    advice = 'give the plan a [site] and role "launch_vehicle", or begin after the boost'
    return Finding("the vehicle stands on the ground, and the plan begins with the burn of an upper stage", (), advice)


def stands(state: VehicleState, reading: Reading, body: Body, limit_m_s: float) -> bool:
    """Whether a reading has the vehicle at rest on the ground."""
    try:
        position, velocity = read_as(state, reading, body)
    except (GuidanceError, ArithmeticError, ValueError):
        return False
    height = altitude_m(position, body, "ellipsoid")
    return abs(height) < ON_GROUND_M and norm(sub(velocity, ground_velocity(position, body.rotation_rad_s))) < limit_m_s


def site_apart_m(state: VehicleState, reading: Reading, plan: FlightPlan, site: Site) -> float:
    """How far from the site a reading has the vehicle."""
    time_s = reading.change(state).time_s if reading.change else state.time_s
    there, _ = site_state(site, plan.body, reading.frame.meridian_at_zero_rad, time_s)
    position, _ = read_as(state, reading, plan.body)
    return norm(sub(position, there))


def site_finding(state: VehicleState, plan: FlightPlan, site: Site, declared: Reading) -> Finding | None:
    """A pad: at rest, and at the plan's site. None as well for a vehicle that is under way in all readings."""
    at_rest = stands(state, declared, plan.body, STANDS_M_S)
    apart = site_apart_m(state, declared, plan, site)
    if at_rest and apart < SITE_NEAR_M:
        return None
    others = every_reading(declared.frame, plan.body, state.local is not None)
    still = [other for other in others if stands(state, other, plan.body, STANDS_STILL_M_S)]
    limit = FITS_FRAC * apart if at_rest else SITE_NEAR_M
    near = [(site_apart_m(state, other, plan, site), other) for other in still]
    fitting = [(far, other) for far, other in near if far < min(limit, SITE_NEAR_M)]
    if fitting:
        least = min(apart for apart, _ in fitting)
        return Finding(site_words(state, plan, site, declared), tuple(r for d, r in fitting if d < least + TIE_M))
    if at_rest and apart < SITE_FAR_M:
        return None
    if state.local is None and not declared.frame.turning:
        return inertial_site_finding(state, plan, site, declared, [declared, *still] if at_rest else still)
    return Finding(site_words(state, plan, site, declared), (), ELSEWHERE) if at_rest else None


ELSEWHERE: Final = "fly a plan for this site, or look at axes, motion and meridian_at_zero_deg of frame"


def inertial_site_finding(
    state: VehicleState, plan: FlightPlan, site: Site, declared: Reading, still: list[Reading]
) -> Finding | None:
    """Inertial axes whose x axis may point anywhere: only latitude and height are known, and longitude to a turn."""
    same = [r for r in still if not r.frame.turning and same_latitude(state, r, plan, site)]
    if declared in same:
        target = plan.target
        if target is None or target.plane != "inclination_and_node":
            return None  # where longitude 0 lies matters to nothing
        turn = meridian_that_fits_deg(state, declared, plan, site)
        advice = f"say \"meridian_at_zero_deg\": {turn:.4f} in frame, and count the target's node from the same axis"
        return Finding(site_words(state, plan, site, declared), (), advice)
    if same:
        return Finding(site_words(state, plan, site, declared), tuple(same[:2]))
    at_rest = declared in still
    return Finding(site_words(state, plan, site, declared), (), ELSEWHERE) if at_rest else None


def same_latitude(state: VehicleState, reading: Reading, plan: FlightPlan, site: Site) -> bool:
    """Whether a reading has the vehicle at the site's latitude and height."""
    position, _ = read_as(state, reading, plan.body)
    latitude, height = geodetic(position, plan.body.radius_m, plan.body.flattening)
    return abs(latitude - site.latitude_rad) < SAME_LATITUDE_RAD and abs(height - site.altitude_m) < SITE_NEAR_M


def meridian_that_fits_deg(state: VehicleState, reading: Reading, plan: FlightPlan, site: Site) -> float:
    """The inertial angle of longitude 0 at time 0 with which an inertial place is at the site's longitude."""
    position, _ = read_as(state, reading, plan.body)
    east = longitude_rad(position, site.longitude_rad + plan.body.rotation_rad_s * state.time_s)
    return degrees(east) % 360.0


def site_words(state: VehicleState, plan: FlightPlan, site: Site, declared: Reading) -> str:
    """Where the numbers have the vehicle, and where the site is."""
    body = plan.body
    position, velocity = read_as(state, declared, body)
    latitude, height = geodetic(position, body.radius_m, body.flattening)
    longitude = longitude_rad(position, meridian_rad(body, declared.frame, state.time_s))
    speed = norm(sub(velocity, ground_velocity(position, body.rotation_rad_s)))
    apart_km = site_apart_m(state, declared, plan, site) / 1e3
    return (
        f"the vehicle is at latitude {degrees(latitude):.3f} deg, longitude {degrees(longitude):.3f} deg, height "
        f"{height / 1e3:.3f} km, {speed:.1f} m/s over ground; the plan's site {site.name} is at "
        f"{degrees(site.latitude_rad):.3f} deg, {degrees(site.longitude_rad):.3f} deg, {apart_km:.1f} km away"
    )


# --- in flight ---------------------------------------------------------------------------------------------------


def path_finding(state: VehicleState, plan: FlightPlan, target: Target, declared: Reading) -> Finding | None:
    """A state in flight from which nobody flies to the target, where another reading is on the way to it."""
    why = why_impossible(state, declared, plan, target, OFF)
    if not why:
        return None
    fitting = [
        other for other in every_reading(declared.frame, plan.body, state.local is not None)
        if why_impossible(state, other, plan, target, NEAR) == ""
    ]  # fmt: skip
    if not fitting:
        return None
    ranked = sorted(fitting, key=lambda r: round(sum(off_plane_rad(state, r, plan, target, False)) / TIE_RAD))
    return Finding(why, tuple(ranked[:2]))


def why_impossible(
    state: VehicleState, reading: Reading, plan: FlightPlan, target: Target, most: OffPlane
) -> str:
    """Why a reading is on no way to the target, in words; empty where it is."""
    body = plan.body
    try:
        position, velocity = read_as(state, reading, body)
        place, path = off_plane_rad(state, reading, plan, target, slow=most == OFF)
    except (GuidanceError, ArithmeticError, ValueError):
        return "the numbers are no state"
    radius, speed = norm(position), norm(velocity)
    height_km = (radius - body.radius_m) / 1e3
    if radius < (1.0 - body.flattening) * body.radius_m - ON_GROUND_M:
        return f"the vehicle is {-height_km:.0f} km under the ground"
    if radius > TOO_FAR * target.apogee_radius_m:
        return f"the vehicle is {height_km:.0f} km high, far above the target"
    highest = -0.5 * body.mu_m3_s2 / target.apogee_radius_m
    if 0.5 * speed * speed - body.mu_m3_s2 / radius > (1.0 - TOO_FAST) * highest:
        return f"the vehicle is faster ({speed:.0f} m/s at {height_km:.0f} km) than the target's orbit"
    ground = norm(ground_velocity(position, body.rotation_rad_s))
    eastward = target.plane == "free" or target.inclination_rad < radians(80.0)
    if eastward and height_km > HIGH_M / 1e3 and speed < TOO_SLOW * ground:
        return f"the vehicle moves with {speed:.1f} m/s at {height_km:.0f} km"
    if place > most.place_rad or path > most.path_rad:
        return f"the vehicle is {degrees(place):.1f} deg, and its path {degrees(path):.1f} deg, off the target's plane"
    return ""


def off_plane_rad(
    state: VehicleState, reading: Reading, plan: FlightPlan, target: Target, slow: bool
) -> OffPlane:
    """How far place and path are out of the target's plane; zeros where it holds none.

    Args:
        slow: a slow path, which early in an ascent leads anywhere, is not counted.
    """
    position, velocity = read_as(state, reading, plan.body)
    if target.plane == "free":
        return OffPlane(0.0, 0.0)
    if target.plane == "inclination":
        latitude = abs(asin(max(-1.0, min(1.0, position[2] / norm(position)))))
        return OffPlane(max(0.0, latitude - min(target.inclination_rad, pi - target.inclination_rad)), 0.0)
    normal = plane_normal(target)
    place = abs(asin(max(-1.0, min(1.0, dot(unit(position), normal)))))
    if slow and norm(velocity) < FAST * sqrt(plan.body.mu_m3_s2 / norm(position)):
        return OffPlane(place, 0.0)
    ground = sub(velocity, ground_velocity(position, plan.body.rotation_rad_s))
    return OffPlane(place, min(between_rad(cross(position, speed), normal) for speed in (velocity, ground)))


def plane_normal(target: Target) -> Vec:
    """Of the target's plane."""
    i, node = target.inclination_rad, target.node_rad
    return (sin(i) * sin(node), -sin(i) * cos(node), cos(i))


def between_rad(a: Vec, b: Vec) -> float:
    """Angle between two vectors."""
    return atan2(norm(cross(a, b)), dot(a, b))


# --- mass and clock ----------------------------------------------------------------------------------------------


def mass_range_kg(plan: FlightPlan) -> tuple[float, float]:
    """Masses that the plan's vehicle can have at its first state, with slack for other figures."""
    vehicle, first = plan.vehicle, plan.phases[0]
    stack = vehicle.mass_at_ignition_kg(getattr(first, "first_stage", 0))
    lightest = min(stage.dry_mass_kg for stage in vehicle.stages)
    return ((1.0 - STACK_FRAC) * lightest, (1.0 + STACK_FRAC) * stack)


def mass_finding(state: VehicleState, plan: FlightPlan, frame: Frame) -> Finding | None:
    """The mass against the stack: all of it on the pad, anything a flight can have else."""
    least, most = mass_range_kg(plan)
    stack = plan.vehicle.mass_at_ignition_kg(0)
    hold = plan.phases[0]
    waits = isinstance(hold, Hold) and state.time_s <= hold.release_at_s
    if waits and stands(state, Reading("", "", "", frame), plan.body, STANDS_M_S):
        least = (1.0 - STACK_FRAC) * stack
    if least <= state.mass_kg <= most:
        return None
    seen = f"mass_kg is {state.mass_kg:.6g}, the plan's {plan.vehicle.name} has {least:.0f} to {most:.0f} kg"
    found = mass_unit(state.mass_kg, least, most)
    if found is not None:
        return Finding(seen, (), found.words)
    return Finding(seen, (), "send all that the engine pushes, or correct the vehicle file")


def clock_findings(state: VehicleState, plan: FlightPlan, frame: Frame) -> Iterator[Finding]:
    """On the pad: the clock after the plan's release, or a release at which the site is not in the target's plane."""
    hold = plan.phases[0]
    declared = Reading("", "", "", frame)
    if not isinstance(hold, Hold) or not stands(state, declared, plan.body, STANDS_M_S):
        return
    if state.time_s > hold.release_at_s + LATE_S:
        seen = f"time_s is {state.time_s:.1f}, the plan releases at {hold.release_at_s:g} s, and the vehicle stands"
        yield Finding(seen, (), "send time_s counted as release_at_s is, or correct release_at_s")
        return
    target = plan.target
    if target is None or target.plane != "inclination_and_node":
        return
    ahead = plan.body.rotation_rad_s * (hold.release_at_s - state.time_s)
    position, _ = read_as(state, declared, plan.body)
    off = abs(asin(max(-1.0, min(1.0, dot(unit(turn_z(position, ahead)), plane_normal(target))))))
    if off > RELEASE_OFF_RAD:
        seen = f"at release, {hold.release_at_s:g} s, the pad is {degrees(off):.1f} deg out of the target's plane"
        yield Finding(seen, (), "look at the clock, release_at_s and node_deg; `guidance-svc windows` finds the times")

"""The plane that `windows` aims for, from its options' text: mean elements, the Moon's orbit, a state vector."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import asin, degrees, sin, sqrt

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.frames import site_state
from guidance_svc.core.kepler import apsides, inclination_rad, wrap_angle
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, FlightPlan, Vec
from guidance_svc.errors import ConfigError, NotConverged
from guidance_svc.orbits.drift import Field, MeanOrbit, OrbitState, circular, mean_of, rates
from guidance_svc.orbits.ending import USUAL_ARC_RAD, cutoff_of, orbit_at_the_end
from guidance_svc.orbits.mean_elements import osculating_of_mean
from guidance_svc.orbits.plane_drift import PlaneDrift, plane_drift
from guidance_svc.orbits.third_body import moon_plane
from guidance_svc.orbits.timescale import Epoch, seconds_of
from guidance_svc.planning.windows.opportunities import PlaneTarget, branches, plane_of
from guidance_svc.planning.windows.request import MOST_TILT_DEG, PlaneText, plane_text, state_text

EARTH_MU_M3_S2 = 3.986004418e14  # WGS 84
EARTH_TURN_RAD_S = 7.292115e-5  # WGS 84
EARTH_ALIKE = 0.01
MOST_AWAY_M = 1e10


def time_of(text: str, epoch: Epoch | None, key: str) -> float:
    """Seconds on the clock from a date or a number of seconds.

    Raises:
        ConfigError: no time, one before the clock's zero, or a date without an epoch.
    """
    try:
        seconds = float(text)
    except ValueError:
        if epoch is None:
            raise ConfigError("bad_value", key, "seconds of the simulator, or a date with --epoch", text) from None
        return seconds_of(epoch, text, key)
    if not 0.0 <= seconds <= 1e12:
        raise ConfigError("before_epoch", key, "0 s or later, the clock's zero; at most 1e12 s", text)
    return seconds


@dataclass(frozen=True, slots=True)
class Aim:
    """What the calendar's launches go into.

    Args:
        plane: drifts evenly.
        orbit: mean orbit that drifts in it; None where the drift was typed.
        of_plan: the orbit is the one that the flight plan ends in, not one that was typed.
        target: mean orbit of the vehicle to meet, where its place along the orbit was given.
        drift: what the integration of the orbit shows; None before, and where the drift was typed.
    """

    plane: PlaneTarget
    orbit: MeanOrbit | None = None
    of_plan: bool = False
    target: MeanOrbit | None = None
    drift: PlaneDrift | None = None


def aim_of(
    options: tuple[str | None, str | None, str | None], plan: FlightPlan, field: Field, epoch: Epoch | None
) -> Aim:
    """The plane and the orbit in it, the drift by the secular rates as yet.

    Args:
        options: text of --plane, --moon and --orbit, one of them.

    Raises:
        ConfigError: naming option and key.
    """
    plane, moon, orbit = options
    if sum(option is not None for option in options) != 1:
        got = "none" if options == (None, None, None) else "several"
        raise ConfigError("bad_value", "--plane", "--plane, --moon or --orbit, one of them", got)
    if orbit is not None:
        at, position_m, velocity_m_s = state_text(orbit)
        check_state(position_m, velocity_m_s, plan.body)
        with harmonics_named("--orbit"):
            mean = mean_of(OrbitState(time_of(at, epoch, "--orbit.at"), position_m, velocity_m_s), field)
        return Aim(plane_of(mean, field), mean, target=mean)
    if moon is not None and not is_earth(plan.body):
        expected = "the Earth, whose Moon is known; else --plane or --orbit"
        raise ConfigError("bad_value", "--moon", expected, plan.body.name)
    typed = plane_text(plane or moon or "", moon=moon is not None)
    at_s = time_of(typed.at, epoch, "--plane.at" if moon is None else "--moon.at")
    tilt, node = (typed.inclination_rad, typed.node_rad) if moon is None else moon_at(epoch, at_s)
    assert tilt is not None  # `plane_text` asks for both
    assert node is not None
    with harmonics_named("--plane" if moon is None else "--moon"):
        there = orbit_typed(typed, plan, (tilt, node), at_s, field)
        node_rate = rates(there, field)[0]
    target = None if typed.argument_rad is None else at_argument(there, typed.argument_rad)
    if typed.rate_rad_s is not None:
        return Aim(PlaneTarget(tilt, node, at_s, typed.rate_rad_s), target=target)
    return Aim(PlaneTarget(tilt, node, at_s, node_rate), there, typed.height_m is None, target)


def orbit_typed(
    typed: PlaneText, plan: FlightPlan, plane: tuple[float, float], at_s: float, field: Field
) -> MeanOrbit:
    """The circle of the height that was typed, or the orbit that the plan ends in."""
    if typed.height_m is None:
        return estimated_end(plan, plane, at_s, field)
    return circular(at_s, typed.height_m, *plane, field)


@contextmanager
def harmonics_named(option: str) -> Iterator[None]:
    """Harmonics that the theory of mean elements does not bear, told by the options that gave them.

    Raises:
        ConfigError: in place of the theory's own failures.
    """
    try:
        yield
    except (NotConverged, ArithmeticError, ValueError):
        expected = f"for {option}, harmonics that are small beside 1: the body's j2, --j3 and --j4"
        raise ConfigError("mean_elements", "--j3, --j4", expected, "an orbit without mean elements") from None


def is_earth(body: Body) -> bool:
    """Whether a body is the Earth, by its gravity and its day; the name is the user's own."""
    alike = abs(body.mu_m3_s2 / EARTH_MU_M3_S2 - 1.0) < EARTH_ALIKE
    return alike and abs(body.rotation_rad_s / EARTH_TURN_RAD_S - 1.0) < EARTH_ALIKE


def check_state(position_m: Vec, velocity_m_s: Vec, body: Body) -> None:
    """Refuse a state that is no orbit clear of the ground.

    Raises:
        ConfigError: naming the key, with what would be right.
    """
    away, speed = norm(position_m), norm(velocity_m_s)
    if not body.radius_m <= away <= MOST_AWAY_M:
        hint = "; are these km?" if body.radius_m <= 1e3 * away <= MOST_AWAY_M else ""
        expected = f"from {body.radius_m:z.0f} m, the surface of {body.name}, to {MOST_AWAY_M:g} m from its centre"
        raise ConfigError("bad_value", "--orbit.position", expected, f"{away:g} m from the centre{hint}")
    escape = sqrt(2.0 * body.mu_m3_s2 / away)
    if not 0.0 < speed < escape:
        expected = f"above 0, below escape speed there, {escape:z.0f} m/s"
        raise ConfigError("bad_value", "--orbit.velocity", expected, f"{speed:g} m/s")
    low, _ = apsides(position_m, velocity_m_s, body.mu_m3_s2)
    if low < body.radius_m:
        hint = "; is the velocity in km/s?" if 0.5 * escape < 1e3 * speed < 2.0 * escape else ""
        expected = f"an orbit clear of the ground: perigee above {body.radius_m:z.0f} m from the centre"
        raise ConfigError("bad_value", "--orbit.velocity", expected, f"perigee at {low:z.0f} m{hint}")
    tilt = degrees(inclination_rad(position_m, velocity_m_s))
    if tilt > MOST_TILT_DEG:
        expected = f"an inclination of at most {MOST_TILT_DEG:g} deg, where nodes lose their meaning"
        raise ConfigError("bad_inclination", "--orbit.velocity", expected, f"{tilt:z.4f} deg")


def at_argument(orbit: MeanOrbit, argument_rad: float) -> MeanOrbit:
    """The orbit with the vehicle at a mean argument of latitude."""
    return replace(orbit, mean_anomaly_rad=wrap_angle(argument_rad - orbit.perigee_rad))


def with_drift(aim: Aim, from_s: float, to_s: float, field: Field) -> Aim:
    """The plane drifting as the integrated orbit does."""
    if aim.orbit is None:
        return aim
    with harmonics_named("the drift"):
        drift = plane_drift(aim.orbit, from_s, to_s, field)
    return replace(aim, plane=replace(aim.plane, node_rate_rad_s=drift.node_rate_rad_s), drift=drift)


def with_flown_end(aim: Aim, cutoff: MeanOrbit, plan: FlightPlan, field: Field) -> Aim:
    """The orbit of the plan's end as a flown ascent leads to it, in the plane that is wanted."""
    if not aim.of_plan:
        return aim
    there = in_plane(orbit_at_the_end(osculating_of_mean(cutoff, field), plan, field), aim.plane)
    met = aim.target
    target = None if met is None else at_argument(there, met.perigee_rad + met.mean_anomaly_rad)
    return replace(aim, orbit=there, target=target)


def estimated_end(plan: FlightPlan, plane: tuple[float, float], at_s: float, field: Field) -> MeanOrbit:
    """The mean orbit that the plan ends in, its cutoff a usual arc beyond the site's northbound passage."""
    target, site = plan.target, plan.site
    assert target is not None  # checked before
    assert site is not None
    r, _ = site_state(site, plan.body, 0.0, 0.0)
    reachable = abs(r[2]) / norm(r) < sin(plane[0])
    argument = (branches(asin(r[2] / norm(r)), plane[0])[0] if reachable else 0.0) + USUAL_ARC_RAD
    ends = orbit_at_the_end(cutoff_of(target, plane, argument, at_s), plan, field)
    return in_plane(ends, PlaneTarget(*plane, at_s))


def in_plane(orbit: MeanOrbit, plane: PlaneTarget) -> MeanOrbit:
    """The orbit's shape in a plane, at the plane's epoch."""
    return replace(orbit, epoch_s=plane.epoch_s, inclination_rad=plane.inclination_rad, node_rad=plane.node_rad)


def moon_at(epoch: Epoch | None, at_s: float) -> tuple[float, float]:
    """The Moon's plane at a time of the clock; raises ConfigError without a date."""
    if epoch is None:
        expected = "the date of the clock's zero, to know where the Moon is"
        raise ConfigError("missing_field", "--epoch", expected, "none")
    return moon_plane(epoch.jd_tt + at_s / SECONDS_PER_DAY)

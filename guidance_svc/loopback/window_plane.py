"""The plane that `windows` aims for, from its options' text: mean elements, the Moon's orbit, a state vector."""

from __future__ import annotations

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.domain import FlightPlan
from guidance_svc.errors import ConfigError
from guidance_svc.plan.drift import Field, MeanOrbit, OrbitState, circular, mean_of, rates
from guidance_svc.plan.third_body import moon_plane
from guidance_svc.plan.timescale import Epoch, seconds_of
from guidance_svc.plan.windows import PlaneTarget, plane_of
from guidance_svc.wire.window_request import PlaneText, plane_text, state_text


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


def plane_and_target(
    options: tuple[str | None, str | None, str | None], plan: FlightPlan, field: Field, epoch: Epoch | None
) -> tuple[PlaneTarget, MeanOrbit | None]:
    """The drifting plane, and the vehicle to meet if its place along the orbit was given.

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
        mean = mean_of(OrbitState(time_of(at, epoch, "--orbit.at"), position_m, velocity_m_s), field)
        return plane_of(mean, field), mean
    typed = plane_text(plane or moon or "", moon=moon is not None)
    at_s = time_of(typed.at, epoch, "--plane.at" if moon is None else "--moon.at")
    tilt, node = (typed.inclination_rad, typed.node_rad) if moon is None else moon_at(epoch, at_s)
    assert tilt is not None  # `plane_text` asks for both
    assert node is not None
    there = circular(at_s, height_of(typed, plan), tilt, node, field, typed.argument_rad or 0.0)
    rate = typed.rate_rad_s if typed.rate_rad_s is not None else rates(there, field)[0]
    return PlaneTarget(tilt, node, at_s, rate), there if typed.argument_rad is not None else None


def moon_at(epoch: Epoch | None, at_s: float) -> tuple[float, float]:
    """The Moon's plane at a time of the clock; raises ConfigError without a date."""
    if epoch is None:
        expected = "the date of the clock's zero, to know where the Moon is"
        raise ConfigError("missing_field", "--epoch", expected, "none")
    return moon_plane(epoch.jd_tt + at_s / SECONDS_PER_DAY)


def height_of(typed: PlaneText, plan: FlightPlan) -> float:
    """Mean height of the orbit that drifts: as typed, or that of the plan's target once circularised."""
    if typed.height_m is not None:
        return typed.height_m
    target = plan.target
    assert target is not None  # checked before
    round_at_apogee = any(phase.law == "circularize" for phase in plan.phases)
    low, high = target.perigee_radius_m, target.apogee_radius_m
    return (high if round_at_apogee else 0.5 * (low + high)) - plan.body.radius_m

"""From a `state` message to where the vehicle is: frame applied, physically impossible values refused."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from guidance_svc.core.frames import Triad, direction_to_bci, meridian_rad, site_state, state_to_bci, triad
from guidance_svc.core.vectors import cross, unit
from guidance_svc.domain import Answer, Body, FlightPlan, Frame, Readings, TowerReport, Vec, VehicleState
from guidance_svc.errors import MessageFault

DEPTH_ALLOWED_M = 2.0e4  # below the lowest point of the ellipsoid: basins, and simulators' rough terrain
ESCAPE_SPEEDS_ALLOWED = 3.0  # times the local escape speed; anything faster is a unit error
MASS_SLACK_FRAC = 0.5  # of the heaviest stack and the lightest empty stage: wrong figures pass, wrong units do not


class Navigation(NamedTuple):
    """One state, BCI, with what every law needs of it.

    Args:
        meridian_rad: inertial angle of longitude 0.
        tower: what a tower tells of itself; None for a vehicle.
        wind_m_s: of the air over ground at a tower, where it tells it.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    ground_velocity_m_s: Vec
    mass_kg: float
    local: Triad
    stage: int | None
    engine_on: bool | None
    pointing: Vec | None = None
    throttle_frac: float | None = None
    thrust_n: float | None = None
    meridian_rad: float = 0.0
    contact: bool | None = None
    engines_lit: int | None = None
    pointing_rate_s: Vec | None = None
    answer: Answer | None = None
    tower: TowerReport | None = None
    wind_m_s: Vec | None = None


def navigate(state: VehicleState, plan: FlightPlan, frame: Frame) -> Navigation:
    """Apply the frame and refuse what cannot be.

    Raises:
        MessageFault: `out_of_range`, naming the field, the limit and the value.
    """
    body = plan.body
    if state.tower is not None or not plan.vehicle.stages:
        return stand_at_site(state, plan, frame)
    position, velocity = state_to_bci(state, frame, body)
    (x, y, z), (u, v, w), spin = position, velocity, body.rotation_rad_s
    refuse_impossible(state, plan, sqrt(x * x + y * y + z * z), sqrt(u * u + v * v + w * w))
    local = triad(position, frame.up, body)
    pointing = state.pointing_script
    if pointing is not None:
        pointing = unit(pointing) if frame.canonical else direction_to_bci(unit(pointing), frame, body, state.time_s)
    told = state.readings
    return Navigation(
        state.time_s, position, velocity, (u + spin * y, v - spin * x, w), state.mass_kg, local, state.stage,
        state.engine_on, pointing, state.throttle_frac, state.thrust_n,
        meridian_rad(body, frame, state.time_s), told.contact if told else None, told.engines_lit if told else None,
        None if told is None else pointing_rate(told, state, frame, body), state.answer,
    )  # fmt: skip


def stand_at_site(state: VehicleState, plan: FlightPlan, frame: Frame) -> Navigation:
    """Where a tower is: at its plan's site.

    Raises:
        MessageFault: `wrong_role`: the state of a vehicle, or a tower's state for a vehicle.
    """
    report, site, body = state.tower, plan.site, plan.body
    if report is None:
        expected = f"no position, velocity or mass: {plan.name} is a tower, which stands at its site"
        raise MessageFault("wrong_role", "mass_kg", expected, f"{state.mass_kg:g} kg")
    if plan.vehicle.stages or site is None:
        raise MessageFault("wrong_role", "ready", f"a vehicle's state: {plan.name} is flown by a vehicle", report.ready)
    position, velocity = site_state(site, body, frame.meridian_at_zero_rad, state.time_s)
    wind = report.wind_script_m_s
    return Navigation(
        state.time_s, position, velocity, (0.0, 0.0, 0.0), state.mass_kg, triad(position, "geodetic", body), None, None,
        meridian_rad=meridian_rad(body, frame, state.time_s), tower=report,
        wind_m_s=None if wind is None else direction_to_bci(wind, frame, body, state.time_s),
    )  # fmt: skip


def pointing_rate(told: Readings, state: VehicleState, frame: Frame, body: Body) -> Vec | None:
    """Rate of the pointing, BCI, 1/s, from the turning rate; None where that, or the pointing, is not told."""
    turning, pointing = told.attitude_rate_script_rad_s, state.pointing_script
    if turning is None or pointing is None:
        return None
    return direction_to_bci(cross(turning, unit(pointing)), frame, body, state.time_s)


def refuse_impossible(state: VehicleState, plan: FlightPlan, radius_m: float, speed_m_s: float) -> None:
    """Radius under the surface, speed far beyond escape, a mass that the plan's vehicle cannot have."""
    body, vehicle = plan.body, plan.vehicle
    lowest = body.radius_m * (1.0 - body.flattening) - min(DEPTH_ALLOWED_M, 0.02 * body.radius_m)
    if radius_m < lowest:
        place = "position_m" if state.local is None else "altitude_m"
        raise MessageFault("out_of_range", place, f"at least {lowest:.0f} m from the centre of {body.name}", radius_m)
    fastest = ESCAPE_SPEEDS_ALLOWED * sqrt(2.0 * body.mu_m3_s2 / radius_m)
    if speed_m_s > fastest:
        place = "velocity_m_s" if state.local is None else "vertical_speed_m_s, north_speed_m_s, east_speed_m_s"
        raise MessageFault("out_of_range", place, f"at most {fastest:.0f} m/s at this radius", speed_m_s)
    heaviest = vehicle.stack_kg[0] * (1.0 + MASS_SLACK_FRAC)
    lightest = vehicle.lightest_stage_kg * (1.0 - MASS_SLACK_FRAC)
    if not lightest <= state.mass_kg <= heaviest:
        expected = f"{lightest:.0f} to {heaviest:.0f} kg for vehicle {vehicle.name}"
        raise MessageFault("out_of_range", "mass_kg", expected, state.mass_kg)

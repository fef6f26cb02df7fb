"""Limits and programs of a boost that contradict each other or the vehicle; each refusal says what would work."""

from __future__ import annotations

from math import degrees, inf

from guidance_svc.domain import Boost, FlightPlan, Stage
from guidance_svc.errors import ConfigError


def check_boost(phase: Boost, plan: FlightPlan, at: str) -> None:
    """Refuse what cannot be flown.

    Args:
        at: the phase's key in the plan.

    Raises:
        ConfigError: with the key, what would work, and what stands there.
    """
    _check_reserve(phase, plan.vehicle.stages[0], at)
    _check_angles(phase, at)
    _check_throttle(phase, plan.vehicle.stages[0], at)
    _check_acceleration(plan, phase, plan.vehicle.stages[0], at)


def _check_reserve(phase: Boost, stage: Stage, at: str) -> None:
    if phase.reserve_kg is not None and phase.reserve_kg >= stage.propellant_kg:
        expected = f"less than the propellant_kg of {stage.name}, {stage.propellant_kg:g} kg"
        raise ConfigError("limits_contradict", f"{at}.reserve_kg", expected, phase.reserve_kg)


def _check_angles(phase: Boost, at: str) -> None:
    most = degrees(phase.max_alpha_rad)
    for time_s, angle in phase.bias:
        if abs(angle) > phase.max_alpha_rad * (1.0 + 1e-9):
            expected = f"within max_alpha_deg, {most:g} deg, or a wider max_alpha_deg"
            got = f"{degrees(angle):g} deg at {time_s:g} s"
            raise ConfigError("limits_contradict", f"{at}.bias_deg", expected, got)
    if phase.max_yaw_rad > phase.max_alpha_rad * (1.0 + 1e-9):
        expected = f"at most max_alpha_deg, {most:g} deg"
        raise ConfigError("limits_contradict", f"{at}.max_yaw_deg", expected, f"{degrees(phase.max_yaw_rad):g} deg")


def _check_throttle(phase: Boost, stage: Stage, at: str) -> None:
    for time_s, frac in phase.throttle:
        if frac < stage.throttle_min_frac - 1e-9:
            expected = f"at least the throttle_min_frac of {stage.name}, {stage.throttle_min_frac:g}"
            raise ConfigError("limits_contradict", f"{at}.throttle", expected, f"{frac:g} at {time_s:g} s")
    if stage.throttle_min_frac < 1.0:
        return
    pressure, acceleration = phase.max_dynamic_pressure_pa, phase.max_acceleration_m_s2
    for key, limit in (("max_dynamic_pressure_pa", pressure), ("max_acceleration_m_s2", acceleration)):
        if limit < inf:
            expected = f"none, because {stage.name} does not throttle; or its throttle_min_frac below 1"
            raise ConfigError("limits_contradict", f"{at}.{key}", expected, limit)


def _check_acceleration(plan: FlightPlan, phase: Boost, stage: Stage, at: str) -> None:
    limit = phase.max_acceleration_m_s2
    gravity = plan.body.mu_m3_s2 / plan.body.radius_m**2
    kept = stage.reserve_kg if phase.separate_at_reserve else 0.0
    lightest = plan.vehicle.mass_at_ignition_kg(0) - stage.propellant_kg + kept
    least = stage.throttle_min_frac * stage.thrust_n / lightest
    if limit <= gravity:
        expected = f"more than gravity at the pad, {gravity:.3f} m/s2"
        raise ConfigError("limits_contradict", f"{at}.max_acceleration_m_s2", expected, limit)
    if limit < least:
        expected = f"at least {least:.2f} m/s2, what the lowest throttle of {stage.name} gives at its end"
        raise ConfigError("limits_contradict", f"{at}.max_acceleration_m_s2", expected, limit)

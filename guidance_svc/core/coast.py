"""Unpowered flight in the vehicle's own gravity: where it goes, when it is highest, how round it is."""

from __future__ import annotations

from math import ceil, pi, sqrt

from guidance_svc.core.arcs import fly_arc
from guidance_svc.core.vectors import dot, norm
from guidance_svc.domain import Body, Vec
from guidance_svc.errors import OrbitNotClosed

STEPS_PER_REVOLUTION = 72  # 5 deg each: 1 m after one revolution in a low orbit (tests/core/test_coast.py)


def local_period_s(position_m: Vec, velocity_m_s: Vec, body: Body) -> float:
    """Two-body period of the osculating orbit.

    Raises:
        OrbitNotClosed: the state is parabolic or hyperbolic.
    """
    alpha = 2.0 / norm(position_m) - dot(velocity_m_s, velocity_m_s) / body.mu_m3_s2
    if alpha <= 0.0:
        raise OrbitNotClosed("orbit_not_closed", "velocity_m_s", "less than escape speed", norm(velocity_m_s))
    return 2.0 * pi * sqrt(1.0 / (alpha**3 * body.mu_m3_s2))


def coast(position_m: Vec, velocity_m_s: Vec, duration_s: float, body: Body) -> tuple[Vec, Vec]:
    """Position and velocity after an unpowered stretch, BCI; `duration_s` may be negative.

    The step follows the time scale at the present radius, so escape paths are fine.
    """
    radius = norm(position_m)
    revolution = 2.0 * pi * sqrt(radius**3 / body.mu_m3_s2)
    steps = max(1, ceil(STEPS_PER_REVOLUTION * abs(duration_s) / revolution))
    nothing = (0.0, 0.0, 0.0)
    r, v, _, _ = fly_arc(
        position_m, velocity_m_s, nothing, nothing, 1.0, 0.0, 1.0, 0.0,
        duration_s, steps, body.mu_m3_s2, body.radius_m, body.j2,
    )  # fmt: skip
    return r, v


def time_to_apoapsis_s(position_m: Vec, velocity_m_s: Vec, body: Body) -> float:
    """Seconds to the next instant at which the vehicle stops rising, in the body's own gravity.

    Raises:
        OrbitNotClosed: the vehicle never stops rising, or does not within two revolutions (a circle).
    """
    period = local_period_s(position_m, velocity_m_s, body)
    step = period / 36.0
    r, v, elapsed = position_m, velocity_m_s, 0.0
    rising = dot(r, v) > 0.0
    for _ in range(72):
        r1, v1 = coast(r, v, step, body)
        if rising and dot(r1, v1) <= 0.0:
            return elapsed + fall_instant_s(r, v, step, body)
        rising = dot(r1, v1) > 0.0
        r, v, elapsed = r1, v1, elapsed + step
    raise OrbitNotClosed("no_apoapsis", "velocity_m_s", "an orbit that rises and falls", norm(velocity_m_s))


def fall_instant_s(position_m: Vec, velocity_m_s: Vec, within_s: float, body: Body) -> float:
    """Instant in [0, within_s] at which the radial speed passes through zero (secant, bracketed)."""
    low, high = 0.0, within_s
    f_low = dot(position_m, velocity_m_s)
    f_high = dot(*coast(position_m, velocity_m_s, high, body))
    t = low
    for _ in range(60):
        t = high - f_high * (high - low) / (f_high - f_low)
        f = dot(*coast(position_m, velocity_m_s, t, body))
        if abs(f) < 1e-3 or high - low < 1e-7:  # r v_r of 1e-3 m2/s: 1e-10 m/s of radial speed
            break
        if f > 0.0:
            low, f_low, f_high = t, f, 0.5 * f_high
        else:
            high, f_high, f_low = t, f, 0.5 * f_low
    return t


def vertex(before: float, here: float, after: float) -> float:
    """Extreme of the parabola through three equally spaced values if it lies between them, else the middle one."""
    bend = before - 2.0 * here + after
    slope = 0.5 * (after - before)
    if abs(bend) <= abs(slope):
        return here
    return here - 0.5 * slope * slope / bend

"""Motion of a vehicle that comes back: thrust that lags, attitude that cannot jump, wind, drag and lift engines first.

The kernel beside `motion.fly`, for what that one leaves out; where nothing of it is given, both fly the same.
"""

from __future__ import annotations

from math import exp, inf, sqrt
from typing import Final, NamedTuple

from guidance_svc.core.atmosphere import modelled_air
from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.curves import interpolate
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import along, cross, dot, norm, unit
from guidance_svc.domain import Vec
from guidance_svc.sim.attitude import turning_acceleration
from guidance_svc.sim.motion import NO_AIR_ABOVE_M, BodyNumbers, height_above_ellipsoid_m, slew
from guidance_svc.sim.weather import Winds, wind_at

Curve = tuple[tuple[float, ...], tuple[float, ...]]
"""Mach numbers, rising, and coefficients there."""
GIMBAL_SINE: Final = 0.17  # about 10 deg: engines that gimbal give no more side force; the rest turns as torque alone
BROADSIDE: Final = 0.5  # cosine, to both sides of flying broadside, over which nose-first goes over to engines-first


class Figures(NamedTuple):
    """What of body, air and vehicle stays the same all flight.

    Args:
        area_m2: reference of all coefficients.
        drag, fall_drag, fall_lift: curves; the last per radian.
        air_frac: true over modelled density, drag coefficient.
    """

    body: BodyNumbers
    area_m2: float
    drag: Curve
    fall_drag: Curve
    fall_lift: Curve
    air_frac: tuple[float, float]
    winds: Winds


class Push(NamedTuple):
    """What the engines give over a stretch in which nothing is commanded.

    Args:
        thrust_n: of all engines at full throttle, in vacuum.
        exit_area_m2: of those that burn.
        flow_kg_s: of all engines at full throttle.
        frac, asked_frac: of these, at the start of the stretch, and what it goes over to.
        lag_s: time constant of that; 0 for at once.
    """

    thrust_n: float
    exit_area_m2: float
    flow_kg_s: float
    frac: float
    asked_frac: float
    lag_s: float


@part
def frac_after(push: Push, after_s: float) -> float:
    """Thrust over that of all engines at full throttle, so long after the start of the stretch."""
    if push.lag_s == 0.0:
        return push.asked_frac
    return push.asked_frac + (push.frac - push.asked_frac) * exp(-after_s / push.lag_s)


@part
def burnt_after_kg(push: Push, after_s: float) -> float:
    """Propellant burnt since the start of the stretch."""
    steady_kg = push.asked_frac * push.flow_kg_s * after_s
    if push.lag_s == 0.0:
        return steady_kg
    change_s = (push.frac - push.asked_frac) * push.lag_s * (1.0 - exp(-after_s / push.lag_s))
    return steady_kg + push.flow_kg_s * change_s


@kernel
def air_velocity(position_m: Vec, height_m: float, time_s: float, body: BodyNumbers, winds: Winds) -> Vec:
    """Velocity of the air, BCI, m/s: it turns with the body, and blows."""
    x, y, z = position_m
    north, east = wind_at(height_m, time_s, winds)
    level, r = sqrt(x * x + y * y), sqrt(x * x + y * y + z * z)
    c, s = (x / level, y / level) if level > 0.0 else (1.0, 0.0)
    up, across = level / r, z / r
    return (
        -body[4] * y - east * s - north * across * c,
        body[4] * x + east * c - north * across * s,
        north * up,
    )


@kernel
def air_force_n(
    position_m: Vec, velocity_m_s: Vec, pointing: Vec, time_s: float, figures: Figures
) -> tuple[Vec, float]:
    """Drag and lift (N, BCI), and the ambient pressure (Pa)."""
    body = figures.body
    if body[5] == 0.0:
        return ((0.0, 0.0, 0.0), 0.0)
    height = height_above_ellipsoid_m(position_m, body[1], body[3])
    if height >= NO_AIR_ABOVE_M:
        return ((0.0, 0.0, 0.0), 0.0)
    density, pressure, sound_m_s, _ = modelled_air(height, body[5], body[6])
    air = air_velocity(position_m, height, time_s, body, figures.winds)
    wx, wy, wz = velocity_m_s[0] - air[0], velocity_m_s[1] - air[1], velocity_m_s[2] - air[2]
    speed = sqrt(wx * wx + wy * wy + wz * wz)
    if speed == 0.0:
        return ((0.0, 0.0, 0.0), pressure)
    ahead = (wx / speed, wy / speed, wz / speed)
    cosine, mach = dot(ahead, pointing), speed / sound_m_s
    backwards = min(1.0, max(0.0, 0.5 - 0.5 * cosine / BROADSIDE))
    nose, tail = interpolate(mach, figures.drag[0], figures.drag[1]), 0.0
    if backwards > 0.0:
        tail = interpolate(mach, figures.fall_drag[0], figures.fall_drag[1])
    push = 0.5 * density * figures.air_frac[0] * speed * speed * figures.area_m2
    drag = -push * figures.air_frac[1] * (nose + backwards * (tail - nose))
    lift = push * backwards * cosine * interpolate(mach, figures.fall_lift[0], figures.fall_lift[1])
    side = along(pointing, -cosine, ahead)
    return (
        (drag * ahead[0] + lift * side[0], drag * ahead[1] + lift * side[1], drag * ahead[2] + lift * side[2]),
        pressure,
    )


@kernel
def accelerations(
    instant: tuple[float, float],
    moving: tuple[Vec, Vec, Vec, Vec],
    wanted: Vec,
    mass_kg: float,
    push: Push,
    limits: tuple[float, float, float],
    figures: Figures,
) -> tuple[Vec, Vec]:
    """Acceleration (m/s2) and that of the turning (rad/s2), BCI.

    Args:
        instant: vehicle time, and since the start of the stretch (s).
        moving: position (m), velocity (m/s), pointing (unit), turning rate (rad/s).
        mass_kg: at the start of the stretch.
        limits: of turning rate (rad/s) and its change (rad/s2), centre of percussion above the centre of mass (m).

    Where gimballed engines turn the vehicle, the centre of mass is pushed aside: what turns the nose to one side is a
    force at the tail towards the other, and no other force opposes it.
    """
    position, velocity, pointing, turn = moving
    force, pressure = air_force_n(position, velocity, pointing, instant[0], figures)
    mass = mass_kg - burnt_after_kg(push, instant[1])
    pull = acceleration(position, figures.body[0], figures.body[1], figures.body[2])
    spin = (0.0, 0.0, 0.0)
    if limits[1] < inf:
        spin = turning_acceleration(pointing, turn, wanted, limits)
    total = along(pull, 1.0 / mass, force)
    thrust = max(0.0, frac_after(push, instant[1]) * push.thrust_n - pressure * push.exit_area_m2) / mass
    if thrust > 0.0:
        aside = cross(spin, pointing)
        size = limits[2] * norm(aside)
        if size > 0.0:
            most = min(size, GIMBAL_SINE * thrust)
            total = along(total, -limits[2] * most / size, aside)
            thrust = sqrt(thrust * thrust - most * most)
        total = along(total, thrust, pointing)
    return (total, spin)


@kernel
def pointing_after(now: Vec, start: Vec, wanted: Vec, after_s: float, limits: tuple[float, float, float]) -> Vec:
    """Where the vehicle points: as integrated, or, where its turning rate may jump, turned at the limit."""
    if limits[1] < inf:
        return now
    return wanted if limits[0] == inf else slew(start, wanted, limits[0] * after_s)


@kernel
def fly_full(
    moving: tuple[Vec, Vec, Vec, Vec],
    wanted: Vec,
    mass_kg: float,
    push: Push,
    span: tuple[float, float, int],
    limits: tuple[float, float, float],
    figures: Figures,
) -> tuple[Vec, Vec, Vec, Vec]:
    """Position (m), velocity (m/s), pointing and turning rate (rad/s) after a stretch in which nothing is commanded.

    Args:
        moving: the same at the start.
        span: vehicle time at the start (s), duration of one step (s), number of steps.
        mass_kg, push, limits, figures: as for `accelerations`.

    Source: the classical Runge-Kutta method of order 4.
    """
    begin, step, count = span
    start, half = moving[2], 0.5 * step
    p, v, d, w = moving
    for i in range(count):
        t0, t1, t2 = i * step, (i + 0.5) * step, (i + 1) * step
        d = pointing_after(d, start, wanted, t0, limits)
        k0, s0 = accelerations((begin + t0, t0), (p, v, d, w), wanted, mass_kg, push, limits, figures)
        v1, w1 = along(v, half, k0), along(w, half, s0)
        d1 = pointing_after(along(d, half, cross(w, d)), start, wanted, t1, limits)
        there = (along(p, half, v), v1, d1, w1)
        k1, s1 = accelerations((begin + t1, t1), there, wanted, mass_kg, push, limits, figures)
        v2, w2 = along(v, half, k1), along(w, half, s1)
        d2 = pointing_after(along(d, half, cross(w1, d1)), start, wanted, t1, limits)
        there = (along(p, half, v1), v2, d2, w2)
        k2, s2 = accelerations((begin + t1, t1), there, wanted, mass_kg, push, limits, figures)
        v3, w3 = along(v, step, k2), along(w, step, s2)
        d3 = pointing_after(along(d, step, cross(w2, d2)), start, wanted, t2, limits)
        there = (along(p, step, v2), v3, d3, w3)
        k3, s3 = accelerations((begin + t2, t2), there, wanted, mass_kg, push, limits, figures)
        p = add_weighed(p, step, v, v1, v2, v3)
        v = add_weighed(v, step, k0, k1, k2, k3)
        if limits[1] < inf:
            d = unit(add_weighed(d, step, cross(w, d), cross(w1, d1), cross(w2, d2), cross(w3, d3)))
            w = add_weighed(w, step, s0, s1, s2, s3)
            w = along(w, -dot(w, d), d)
        else:
            d = d3
    return (p, v, d, w)


@kernel
def add_weighed(start: Vec, step_s: float, k0: Vec, k1: Vec, k2: Vec, k3: Vec) -> Vec:
    """The end of a step of the classical Runge-Kutta method."""
    k = step_s / 6.0
    return (
        start[0] + k * (k0[0] + 2.0 * (k1[0] + k2[0]) + k3[0]),
        start[1] + k * (k0[1] + 2.0 * (k1[1] + k2[1]) + k3[1]),
        start[2] + k * (k0[2] + 2.0 * (k1[2] + k2[2]) + k3[2]),
    )

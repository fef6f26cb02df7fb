"""Motion of a point mass under gravity, thrust and drag: kernels that integrate one stretch without a jump."""

from __future__ import annotations

from math import atan2, cos, sin, sqrt

from guidance_svc.core.atmosphere import modelled_air
from guidance_svc.core.compiled import kernel
from guidance_svc.core.curves import interpolate
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import along, cross, dot, norm, unit
from guidance_svc.domain import AirRow, Vec

NO_AIR_ABOVE_M = 1e6  # the standard's table ends there, and no other goes higher

BodyNumbers = tuple[float, float, float, float, float, float, tuple[AirRow, ...]]


@kernel
def height_above_ellipsoid_m(position_m: Vec, radius_m: float, flattening: float) -> float:
    """Height along the geocentric radius; within 1e-5 of the height of the geodetic height."""
    r2 = position_m[0] * position_m[0] + position_m[1] * position_m[1] + position_m[2] * position_m[2]
    r = sqrt(r2)
    if flattening == 0.0:
        return r - radius_m
    rise = position_m[2] * position_m[2] / r2
    squeeze = (1.0 - flattening) * (1.0 - flattening)
    return r - radius_m * sqrt(squeeze / (squeeze + (1.0 - squeeze) * rise))


@kernel
def angle_between_rad(a: Vec, b: Vec) -> float:
    """Angle between two unit vectors, accurate at 0 and pi as well."""
    return atan2(norm(cross(a, b)), dot(a, b))


@kernel
def turning_axis(pointing: Vec, wanted: Vec) -> Vec:
    """Across both, by the right-hand rule from the one to the other; straight opposite a perpendicular nearest to z."""
    axis = cross(pointing, wanted)
    if norm(axis) < 1e-12:
        return cross(pointing, (0.0, 0.0, 1.0)) if abs(pointing[2]) < 0.9 else cross(pointing, (1.0, 0.0, 0.0))
    return axis


@kernel
def slew(pointing: Vec, wanted: Vec, angle_rad: float) -> Vec:
    """Unit vector `pointing` turned towards unit vector `wanted` by at most `angle_rad`, the short way.

    Straight opposite, where the short way is not defined, it turns about a perpendicular nearest to z.
    """
    if pointing == wanted:  # as in most steps
        return wanted
    if angle_between_rad(pointing, wanted) <= angle_rad:
        return wanted
    side = unit(cross(turning_axis(pointing, wanted), pointing))
    c, s = cos(angle_rad), sin(angle_rad)
    return unit((c * pointing[0] + s * side[0], c * pointing[1] + s * side[1], c * pointing[2] + s * side[2]))


@kernel
def pull(
    position_m: Vec,
    velocity_m_s: Vec,
    mass_kg: float,
    pointing: Vec,
    engine: tuple[float, float],
    body: BodyNumbers,
    drag_area_m2: float,
    mach: tuple[float, ...],
    drag: tuple[float, ...],
) -> Vec:
    """Acceleration, BCI, m/s2.

    Args:
        engine: vacuum thrust at the present throttle (N), nozzle exit area (m2).
        body: mu (m3/s2), radius (m), j2, flattening, rotation (rad/s), and its air as `air_model` gives it.
        drag_area_m2, mach, drag: reference area and drag coefficients over Mach number.

    Drag acts against the velocity relative to air that turns with the body; no lift.
    """
    ax, ay, az = acceleration(position_m, body[0], body[1], body[2])
    density, pressure, sound_m_s = 0.0, 0.0, 1.0
    if body[5] > 0.0:
        height = height_above_ellipsoid_m(position_m, body[1], body[3])
        if height < NO_AIR_ABOVE_M:
            density, pressure, sound_m_s, _ = modelled_air(height, body[5], body[6])
    thrust = engine[0]
    if thrust > 0.0:
        k = max(0.0, thrust - pressure * engine[1]) / mass_kg
        ax, ay, az = ax + k * pointing[0], ay + k * pointing[1], az + k * pointing[2]
    if density > 0.0 and drag_area_m2 > 0.0:
        wx = velocity_m_s[0] + body[4] * position_m[1]
        wy = velocity_m_s[1] - body[4] * position_m[0]
        wz = velocity_m_s[2]
        speed = sqrt(wx * wx + wy * wy + wz * wz)
        k = -0.5 * density * speed * drag_area_m2 * interpolate(speed / sound_m_s, mach, drag) / mass_kg
        ax, ay, az = ax + k * wx, ay + k * wy, az + k * wz
    return (ax, ay, az)


@kernel
def fly(
    position_m: Vec,
    velocity_m_s: Vec,
    mass_kg: float,
    attitude: tuple[Vec, Vec, float],
    engine: tuple[float, float, float],
    span: tuple[float, int],
    body: BodyNumbers,
    drag_area_m2: float,
    mach: tuple[float, ...],
    drag: tuple[float, ...],
) -> tuple[Vec, Vec]:
    """Position (m) and velocity (m/s) after a stretch of flight in which nothing jumps.

    Args:
        attitude: pointing at the start, wanted pointing (unit, BCI), turn rate (rad/s).
        engine: vacuum thrust at the present throttle (N), nozzle exit area (m2), mass flow (kg/s).
        span: duration of one step (s), number of steps.
        body, drag_area_m2, mach, drag: as for `pull`.

    Source: the classical Runge-Kutta method of order 4.
    """
    (step, count), (start, wanted, rate) = span, attitude
    push, flow = (engine[0], engine[1]), engine[2]
    half = 0.5 * step
    p, v, d0 = position_m, velocity_m_s, start
    for i in range(count):
        m0 = mass_kg - flow * step * i
        m1, m2 = m0 - flow * half, m0 - flow * step
        d1, d2 = slew(start, wanted, rate * (i + 0.5) * step), slew(start, wanted, rate * (i + 1) * step)
        a0 = pull(p, v, m0, d0, push, body, drag_area_m2, mach, drag)
        v1 = along(v, half, a0)
        a1 = pull(along(p, half, v), v1, m1, d1, push, body, drag_area_m2, mach, drag)
        v2 = along(v, half, a1)
        a2 = pull(along(p, half, v1), v2, m1, d1, push, body, drag_area_m2, mach, drag)
        v3 = along(v, step, a2)
        a3 = pull(along(p, step, v2), v3, m2, d2, push, body, drag_area_m2, mach, drag)
        k = step / 6.0
        p = (
            p[0] + k * (v[0] + 2.0 * (v1[0] + v2[0]) + v3[0]),
            p[1] + k * (v[1] + 2.0 * (v1[1] + v2[1]) + v3[1]),
            p[2] + k * (v[2] + 2.0 * (v1[2] + v2[2]) + v3[2]),
        )
        v = (
            v[0] + k * (a0[0] + 2.0 * (a1[0] + a2[0]) + a3[0]),
            v[1] + k * (a0[1] + 2.0 * (a1[1] + a2[1]) + a3[1]),
            v[2] + k * (a0[2] + 2.0 * (a1[2] + a2[2]) + a3[2]),
        )
        d0 = d2
    return (p, v)

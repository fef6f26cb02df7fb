"""A whole boost in one compiled loop: the flight's own law through the simulator's own forces, in coarse steps.

For the planner, which flies some thousand boosts. The law is read at the middle of each step, so that a step of
0.25 s stands for a script's 0.02 s; what is left of the difference shows in the flight that verifies the winner.
"""

from __future__ import annotations

from math import acos, sin

from guidance_svc.core.atmosphere import modelled_air
from guidance_svc.core.boost import NO_LIMITS, PRESSURE_TIME_S, STANDSTILL_M_S, Limits, guided, steer_boost
from guidance_svc.core.compiled import kernel
from guidance_svc.core.frames import ground_velocity
from guidance_svc.core.vectors import along, cross, dot, norm, sub, unit
from guidance_svc.domain import Vec
from guidance_svc.sim.motion import BodyNumbers, fly, height_above_ellipsoid_m

Curve = tuple[float, ...]
LOWEST_M = -500.0  # below the ellipsoid the flight has failed


@kernel
def air_along(position_m: Vec, climb_m_s: float, body: BodyNumbers) -> tuple[float, float, float, float]:
    """Density, pressure, speed of sound here, density a little ahead; no air where the body has none."""
    if body[5] == 0.0:
        return (0.0, 0.0, 300.0, 0.0)
    height = height_above_ellipsoid_m(position_m, body[1], body[3])
    density, pressure, sound, _ = modelled_air(height, body[5], body[6])
    return (density, pressure, sound, modelled_air(height + PRESSURE_TIME_S * climb_m_s, body[5], body[6])[0])


@kernel
def order_at(
    since_s: float,
    position_m: Vec,
    velocity_m_s: Vec,
    mass_kg: float,
    body: BodyNumbers,
    engine: tuple[float, float, float],
    drag_area_m2: float,
    mach: Curve,
    drag: Curve,
    plane: tuple[Vec, float, float, float],
    shape: tuple[float, float, float, float],
    program_s: Curve,
    program_rad: Curve,
    throttle_s: Curve,
    throttle_frac: Curve,
    limits: Limits,
) -> tuple[Vec, float, float, float, float]:
    """Direction, throttle, dynamic pressure (Pa), angle of attack (rad), and how far the limits turn it (rad)."""
    ground = sub(velocity_m_s, ground_velocity(position_m, body[4]))
    up = unit(position_m)
    east = cross((0.0, 0.0, 1.0), up)
    east = unit(east) if norm(east) > 1e-9 else (0.0, 1.0, 0.0)
    here = air_along(position_m, dot(ground, up), body)
    direction, throttle = guided(
        since_s, (position_m, velocity_m_s, ground), (up, cross(up, east), east), mass_kg, here, engine, drag_area_m2,
        mach, drag, plane, shape, program_s, program_rad, throttle_s, throttle_frac, limits, body[0],
    )  # fmt: skip
    free = steer_boost(
        since_s, ground, (up, cross(up, east), east), plane[3], 0.0, shape, program_s, program_rad, NO_LIMITS, here[0]
    )
    turned = norm(cross(free, direction))
    speed = norm(ground)
    alpha = 0.0
    if speed > STANDSTILL_M_S:
        alpha = acos(max(-1.0, min(1.0, dot(direction, ground) / speed)))
    return direction, throttle, 0.5 * here[0] * speed * speed, alpha, turned


@kernel
def fly_boost(
    position_m: Vec,
    velocity_m_s: Vec,
    masses_kg: tuple[float, float],
    ends: tuple[float, float],
    step_s: float,
    body: BodyNumbers,
    engine: tuple[float, float, float],
    mass_flow_kg_s: float,
    drag_area_m2: float,
    mach: Curve,
    drag: Curve,
    plane: tuple[Vec, float, float, float],
    shape: tuple[float, float, float, float],
    program_s: Curve,
    program_rad: Curve,
    throttle_s: Curve,
    throttle_frac: Curve,
    limits: Limits,
) -> tuple[Vec, Vec, float, float, tuple[float, float, float, float, float]]:
    """From release to the booster's cutoff.

    Args:
        position_m, velocity_m_s: at release, BCI.
        masses_kg: at release, at burnout.
        ends: seconds since release, speed over ground (m/s) that end the boost earlier; inf for none.
        engine: vacuum thrust (N), nozzle exit area (m2), lowest throttle.
        The others as for `core.boost.guided`.

    Returns:
        Position, velocity, mass, seconds since release; the greatest dynamic pressure (Pa), its product with the sine
        of the angle of attack (Pa), that angle (rad), thrust acceleration (m/s2); the square of the angle by which the
        limits turned the direction, over time (rad2 s). Mass 0 for a flight into the ground.
    """
    p, v, m, t = position_m, velocity_m_s, masses_kg[0], 0.0
    most_q = most_qa = most_alpha = most_push = turned = 0.0
    half = 0.5 * step_s
    while m > masses_kg[1] * (1.0 + 1e-12) and t < ends[0]:
        order = order_at(t, p, v, m, body, engine, drag_area_m2, mach, drag, plane, shape, program_s, program_rad,
                         throttle_s, throttle_frac, limits)  # fmt: skip
        most_q, most_alpha = max(most_q, order[2]), max(most_alpha, order[3])
        most_qa, most_push = max(most_qa, order[2] * sin(order[3])), max(most_push, order[1] * engine[0] / m)
        turned += step_s * order[4] * order[4]
        push = (order[1] * engine[0], engine[1], order[1] * mass_flow_kg_s)
        mp, mv = fly(p, v, m, (order[0], order[0], 0.0), push, (half, 1), body, drag_area_m2, mach, drag)
        order = order_at(t + half, mp, mv, m - half * push[2], body, engine, drag_area_m2, mach, drag, plane, shape,
                         program_s, program_rad, throttle_s, throttle_frac, limits)  # fmt: skip
        push = (order[1] * engine[0], engine[1], order[1] * mass_flow_kg_s)
        span = min(step_s, (m - masses_kg[1]) / push[2], ends[0] - t)
        np, nv = fly(p, v, m, (order[0], order[0], 0.0), push, (span, 1), body, drag_area_m2, mach, drag)
        speed = norm(sub(nv, ground_velocity(np, body[4])))
        if speed >= ends[1]:
            before = norm(sub(v, ground_velocity(p, body[4])))
            span = span * (ends[1] - before) / (speed - before) if speed > before else 0.0
            np, nv = fly(p, v, m, (order[0], order[0], 0.0), push, (span, 1), body, drag_area_m2, mach, drag)
            return (np, nv, m - span * push[2], t + span, (most_q, most_qa, most_alpha, most_push, turned))
        p, v, m, t = np, nv, m - span * push[2], t + span
        if norm(p) < body[1] * (1.0 - body[3]) + LOWEST_M:
            return (p, v, 0.0, t, (most_q, most_qa, most_alpha, most_push, turned))
    return (p, v, m, t, (most_q, most_qa, most_alpha, most_push, turned))


@kernel
def fly_steered(
    position_m: Vec,
    velocity_m_s: Vec,
    mass_kg: float,
    steer: tuple[Vec, Vec],
    engine: tuple[float, float, float],
    span: tuple[float, int],
    body: BodyNumbers,
    drag_area_m2: float,
    mach: Curve,
    drag: Curve,
) -> tuple[Vec, Vec]:
    """Position and velocity after a burn along a steering vector that is linear in time, drag included.

    Args:
        steer: the vector at the start and its rate.
        engine, span: as for `sim.motion.fly`; the direction is held over each step at its value in the middle.
    """
    p, v = position_m, velocity_m_s
    for i in range(span[1]):
        direction = unit(along(steer[0], (i + 0.5) * span[0], steer[1]))
        m = mass_kg - engine[2] * span[0] * i
        p, v = fly(p, v, m, (direction, direction, 0.0), engine, (span[0], 1), body, drag_area_m2, mach, drag)
    return (p, v)

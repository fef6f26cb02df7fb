"""A whole boost in one compiled loop: the flight's own law through the simulator's own forces, in coarse steps.

For the planner, which flies some thousand boosts. The law is read at the middle of each step, so that a step of
0.25 s stands for a script's 0.02 s; what is left of the difference shows in the flight that verifies the winner.
"""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.atmosphere import modelled_air
from guidance_svc.core.boost import (
    NO_LIMITS,
    PRESSURE_TIME_S,
    AirHere,
    BoostEngine,
    Curve,
    Limits,
    Motion,
    Shape,
    Towards,
    guide_boost,
    steer_boost,
)
from guidance_svc.core.compiled import kernel
from guidance_svc.core.frames import Triad, ground_velocity
from guidance_svc.core.vectors import along, cross, dot, norm, sub, unit
from guidance_svc.domain import Vec
from guidance_svc.sim.motion import BodyNumbers, fly, height_above_ellipsoid_m

LOWEST_M = -500.0  # below the ellipsoid the flight has failed


class Booster(NamedTuple):
    """What flies, and by which program.

    Args:
        drag: over the Mach number.
        throttle: its program, over seconds since release.
    """

    engine: BoostEngine
    mass_flow_kg_s: float
    drag_area_m2: float
    drag: Curve
    towards: Towards
    shape: Shape
    program: Curve
    throttle: Curve
    limits: Limits


class Ends(NamedTuple):
    """What ends a boost before its propellant does; inf for nothing."""

    since_s: float
    speed_m_s: float


class Ordered(NamedTuple):
    """What the law orders at a place, and how far the limits turn the direction."""

    direction: Vec
    throttle_frac: float
    turned_rad: float


class Boosted(NamedTuple):
    """A boost flown: where it ended, BCI; mass 0 for a flight into the ground.

    Args:
        turned_rad2_s: square of the angle by which the limits turned the direction, over time.
        since_s: how long it took.
    """

    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    turned_rad2_s: float
    since_s: float


@kernel
def air_along(position_m: Vec, climb_m_s: float, body: BodyNumbers) -> AirHere:
    """The air here and a little ahead; none where the body has none."""
    if body[5] == 0.0:
        return AirHere(0.0, 0.0, 300.0, 0.0)
    height = height_above_ellipsoid_m(position_m, body[1], body[3])
    density, pressure, sound, _ = modelled_air(height, body[5], body[6])
    soon, _, _, _ = modelled_air(height + PRESSURE_TIME_S * climb_m_s, body[5], body[6])
    return AirHere(density, pressure, sound, soon)


@kernel
def order_at(
    since_s: float, position_m: Vec, velocity_m_s: Vec, mass_kg: float, body: BodyNumbers, booster: Booster
) -> Ordered:
    """What the flight's own law orders at one state, BCI."""
    ground = sub(velocity_m_s, ground_velocity(position_m, body[4]))
    up = unit(position_m)
    east = cross((0.0, 0.0, 1.0), up)
    east = unit(east) if norm(east) > 1e-9 else (0.0, 1.0, 0.0)
    local = Triad(up, cross(up, east), east)
    here = air_along(position_m, dot(ground, up), body)
    b = booster
    direction, throttle = guide_boost(
        since_s, Motion(position_m, velocity_m_s, ground), local, mass_kg, here, b.engine, b.drag_area_m2, b.drag,
        b.towards, b.shape, b.program, b.throttle, b.limits, body[0],
    )  # fmt: skip
    free = steer_boost(
        since_s, ground, local, b.towards.heading_rad, 0.0, b.shape, b.program, NO_LIMITS, here.density_kg_m3
    )
    return Ordered(direction, throttle, norm(cross(free, direction)))


@kernel
def push_on(
    position_m: Vec, velocity_m_s: Vec, mass_kg: float, order: Ordered, span_s: float, body: BodyNumbers,
    booster: Booster,
) -> tuple[Vec, Vec]:  # fmt: skip
    """Position and velocity a little later by one order."""
    engine = booster.engine
    push = (order.throttle_frac * engine.thrust_n, engine.exit_area_m2, order.throttle_frac * booster.mass_flow_kg_s)
    return fly(position_m, velocity_m_s, mass_kg, (order.direction, order.direction, 0.0), push, (span_s, 1), body,
               booster.drag_area_m2, booster.drag.at, booster.drag.value)  # fmt: skip


@kernel
def fly_boost(
    position_m: Vec, velocity_m_s: Vec, mass_kg: float, burnout_kg: float, ends: Ends, step_s: float,
    body: BodyNumbers, booster: Booster,
) -> Boosted:  # fmt: skip
    """From release to the booster's cutoff.

    Args:
        position_m, velocity_m_s: at release, BCI.
        mass_kg, burnout_kg: at release, at burnout.
    """
    p, v, m, t, turned = position_m, velocity_m_s, mass_kg, 0.0, 0.0
    half = 0.5 * step_s
    while m > burnout_kg * (1.0 + 1e-12) and t < ends.since_s:
        order = order_at(t, p, v, m, body, booster)
        turned += step_s * order.turned_rad * order.turned_rad
        mp, mv = push_on(p, v, m, order, half, body, booster)
        order = order_at(t + half, mp, mv, m - half * order.throttle_frac * booster.mass_flow_kg_s, body, booster)
        flow = order.throttle_frac * booster.mass_flow_kg_s
        span = min(step_s, (m - burnout_kg) / flow, ends.since_s - t)
        np, nv = push_on(p, v, m, order, span, body, booster)
        speed = norm(sub(nv, ground_velocity(np, body[4])))
        if speed >= ends.speed_m_s:
            before = norm(sub(v, ground_velocity(p, body[4])))
            span = span * (ends.speed_m_s - before) / (speed - before) if speed > before else 0.0
            np, nv = push_on(p, v, m, order, span, body, booster)
            return Boosted(np, nv, m - span * flow, turned, t + span)
        p, v, m, t = np, nv, m - span * flow, t + span
        if norm(p) < body[1] * (1.0 - body[3]) + LOWEST_M:
            return Boosted(p, v, 0.0, turned, t)
    return Boosted(p, v, m, turned, t)


@kernel
def fly_steered(
    position_m: Vec,
    velocity_m_s: Vec,
    mass_kg: float,
    steer: Vec,
    rate: Vec,
    engine: tuple[float, float, float],
    step_s: float,
    steps: int,
    body: BodyNumbers,
    drag_area_m2: float,
    drag: Curve,
) -> tuple[Vec, Vec]:
    """Position and velocity after a burn along a steering vector that is linear in time, drag included.

    Args:
        steer, rate: the vector at the start, and its rate; the direction is held over each step at its value in the
            middle.
        engine: as for `sim.motion.fly`.
    """
    p, v = position_m, velocity_m_s
    _, _, flow_kg_s = engine
    for i in range(steps):
        direction = unit(along(steer, (i + 0.5) * step_s, rate))
        m = mass_kg - flow_kg_s * step_s * i
        p, v = fly(p, v, m, (direction, direction, 0.0), engine, (step_s, 1), body, drag_area_m2,
                   drag.at, drag.value)  # fmt: skip
    return (p, v)

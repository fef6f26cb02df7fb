"""Through the air with the thrust near the air flow: rise, tip over, follow the velocity over ground.

The air turns with the body, so the velocity over ground is the air flow; wind is not known. The angle of attack
follows a small program (points of time and angle, linear between), given as such or as the pitch to lead to, and
leans sideways towards the target's plane, both bounded by the limits on the angle and on its product with the dynamic
pressure. The throttle follows its own program and gives way to the limits on dynamic pressure and acceleration.
"""

from __future__ import annotations

from math import acos, atan2, cos, inf, log, pi, sin, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel
from guidance_svc.core.conditions import target_normal
from guidance_svc.core.curves import interpolate
from guidance_svc.core.frames import Triad, pitch_and_heading
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.starter import nearest_normal
from guidance_svc.core.vectors import along, cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Body, Boost, Target, Vec

STANDSTILL_M_S = 1.0  # over ground; below this the velocity has no usable direction
PRESSURE_TIME_S = 1.5  # in which the speed may reach what the dynamic pressure allows: above it two states in 2 s
PRESSURE_KEPT_FRAC = 0.99  # of the limit aimed at: the speed overshoots what the thinning air allows by 0.3 %
PLANE_TIME_S = 300.0  # in which a distance from the target's plane should close: about an upper stage's burn
HALF_TURN = 0.5 * pi
NEARLY_UPRIGHT_RAD = 0.05  # of the flow to the vertical: nearer than this its heading is mostly chance
UPRIGHT = 1e-3  # sine of the angle to the vertical below which the flow itself has no heading


class Limits(NamedTuple):
    """What the flight through the air must keep; inf where there is no limit.

    Args:
        pressure_pa: dynamic pressure.
        q_alpha_pa_rad: its product with the angle of attack.
        acceleration_m_s2: of the thrust.
        alpha_rad: angle of attack.
    """

    pressure_pa: float = inf
    q_alpha_pa_rad: float = inf
    acceleration_m_s2: float = inf
    alpha_rad: float = inf


class Shape(NamedTuple):
    """How a boost begins: the rise, the pitch-over; 1.0 in `by_pitch` for a program of pitch, 0.0 for one of alpha."""

    rise_s: float
    pitch_over_rad: float
    rate_rad_s: float
    by_pitch: float


class Curve(NamedTuple):
    """The points of a program or a table: where, rising, and what there; linear between, flat outside."""

    at: tuple[float, ...]
    value: tuple[float, ...]


class AirHere(NamedTuple):
    """The air at a place, and its density `PRESSURE_TIME_S` ahead."""

    density_kg_m3: float
    pressure_pa: float
    sound_m_s: float
    density_soon_kg_m3: float


class BoostEngine(NamedTuple):
    """Vacuum thrust at full throttle, nozzle exit area, lowest throttle."""

    thrust_n: float
    exit_area_m2: float
    lowest_frac: float


class Towards(NamedTuple):
    """Where a boost leads to.

    Args:
        normal: of the target's plane, unit, BCI.
        cutoff_speed_m_s: inertial, in the plane.
        yaw_rad: greatest lean towards it; 0: a pitch program keeps to the launch heading.
        heading_rad: launch heading over ground.
    """

    normal: Vec
    cutoff_speed_m_s: float
    yaw_rad: float
    heading_rad: float


class Motion(NamedTuple):
    """Position, velocity, velocity over ground, BCI."""

    position_m: Vec
    velocity_m_s: Vec
    ground_m_s: Vec


NO_LIMITS = Limits()


def launch_heading_rad(position_m: Vec, body: Body, target: Target, local: Triad) -> float:
    """Heading over ground that leads into the target's plane, clockwise from north.

    Impulsive: the velocity at cutoff, in the plane, less the ground's own velocity. With inclination alone the
    northbound one of the two is taken; with a free plane, east.

    Source: spherical trigonometry with body rotation, Vallado, 4th ed., section 6.4.1. Flown azimuths of large
    vehicles differ from it by about 0.6 deg.
    """
    normal = wanted_normal(position_m, target, local)
    if normal is None:
        return pitch_and_heading(local.east, local)[1]
    orbital = scale(target.cutoff_speed_m_s, unit(cross(normal, position_m)))
    ground = cross((0.0, 0.0, body.rotation_rad_s), position_m)
    return pitch_and_heading(sub(orbital, ground), local)[1]


def wanted_normal(position_m: Vec, target: Target | None, local: Triad) -> Vec | None:
    """Normal of the target's plane, for inclination alone of the northbound one through here; None if it is free."""
    if target is None:
        return None
    normal = target_normal(target)
    if normal is None and target.plane == "inclination":
        return nearest_normal(unit(position_m), cross(local.up, local.north), target.inclination_rad)
    return normal


def boost_direction(
    phase: Boost,
    since_release_s: float,
    ground_velocity_m_s: Vec,
    heading_rad: float,
    local: Triad,
    density_kg_m3: float = 0.0,
    yaw_rad: float = 0.0,
) -> Vec:
    """Thrust direction, BCI: vertical, then tipping at a rate, then along the velocity over ground, leaning.

    Args:
        density_kg_m3: of the air here, for the limit on dynamic pressure times angle of attack.
        yaw_rad: lean towards the target's plane, clockwise positive; within the limits.
    """
    return steer_boost(
        since_release_s, ground_velocity_m_s, local, heading_rad, yaw_rad, shape_of(phase), program_of(phase),
        limits_of(phase), density_kg_m3,
    )  # fmt: skip


def shape_of(phase: Boost) -> Shape:
    """How the phase begins, as the kernels take it."""
    return Shape(
        float(phase.rise_s), float(phase.pitch_over_rad), float(phase.pitch_over_rate_rad_s),
        1.0 if phase.pitch else 0.0,
    )  # fmt: skip


def program_of(phase: Boost) -> Curve:
    """Times (s) and angles (rad) of the pitch program, else of the angle of attack."""
    return curve_of(phase.pitch or phase.bias, 0.0)


def curve_of(points: tuple[tuple[float, float], ...], otherwise: float) -> Curve:
    """The points of a program; one flat point where there is no program."""
    if not points:
        return Curve((0.0,), (otherwise,))
    return Curve(tuple(float(at) for at, _ in points), tuple(float(value) for _, value in points))


def limits_of(phase: Boost, acceleration_m_s2: float = inf) -> Limits:
    """The phase's limits as the kernels take them, its acceleration no more than another limit on it."""
    return Limits(
        float(phase.max_dynamic_pressure_pa), float(phase.max_q_alpha_pa_rad),
        min(float(phase.max_acceleration_m_s2), acceleration_m_s2), float(phase.max_alpha_rad),
    )  # fmt: skip


@kernel
def alpha_allowed_rad(dynamic_pressure_pa: float, limits: Limits) -> float:
    """Largest angle of attack within the limits on it and on its product with the dynamic pressure."""
    if limits.q_alpha_pa_rad < inf and dynamic_pressure_pa * limits.alpha_rad > limits.q_alpha_pa_rad:
        return limits.q_alpha_pa_rad / dynamic_pressure_pa
    return limits.alpha_rad


@kernel
def lean_flow(flow: Vec, up: Vec, level: Vec, alpha_rad: float, yaw_rad: float) -> Vec:
    """The unit vector `flow` leaned up by alpha and to the right by yaw; `level` is the heading where it is upright."""
    angle = sqrt(alpha_rad * alpha_rad + yaw_rad * yaw_rad)
    if angle == 0.0:
        return flow
    right = cross(flow, up)
    if norm(right) < UPRIGHT:
        right = cross(level, up)
    right = unit(right)
    lift = unit(cross(right, flow))
    k = sin(angle) / angle
    return along(along(scale(cos(angle), flow), k * alpha_rad, lift), k * yaw_rad, right)


@kernel
def hold_near(direction: Vec, flow: Vec, most_rad: float) -> Vec:
    """A unit vector turned towards the unit vector `flow` where it is further from it than `most_rad`."""
    axis = cross(flow, direction)
    sine = norm(axis)
    if atan2(sine, dot(flow, direction)) <= most_rad:
        return direction
    if sine == 0.0:  # straight against the flow: no side is nearer than another
        _, _, z = flow
        axis = cross(flow, (0.0, 0.0, 1.0) if abs(z) < 0.5 else (1.0, 0.0, 0.0))
        sine = norm(axis)
    side = cross(scale(1.0 / sine, axis), flow)
    return along(scale(cos(most_rad), flow), sin(most_rad), side)


@kernel
def near_air_flow(direction: Vec, ground_velocity_m_s: Vec, density_kg_m3: float, limits: Limits) -> Vec:
    """A wanted direction as far as the air allows it: what closed-loop steering below thin air must pass through.

    Args:
        direction: wanted, unit, BCI.
        ground_velocity_m_s: against the air, BCI.
    """
    speed = norm(ground_velocity_m_s)
    if speed <= STANDSTILL_M_S:
        return direction
    most = alpha_allowed_rad(0.5 * density_kg_m3 * speed * speed, limits)
    return direction if most == inf else hold_near(direction, scale(1.0 / speed, ground_velocity_m_s), most)


@kernel
def steer_boost(
    since_s: float,
    ground_velocity_m_s: Vec,
    local: Triad,
    heading_rad: float,
    yaw_rad: float,
    shape: Shape,
    program: Curve,
    limits: Limits,
    density_kg_m3: float,
) -> Vec:
    """`boost_direction` in numbers.

    Args:
        shape, program: as `shape_of` and `program_of` give them.
    """
    up = local.up
    tipped = shape.rate_rad_s * (since_s - shape.rise_s)
    if tipped <= 0.0:
        return up
    level = along(scale(cos(heading_rad), local.north), sin(heading_rad), local.east)
    value = interpolate(since_s, program.at, program.value)
    by_pitch = shape.by_pitch > 0.0
    tip = min(tipped, HALF_TURN - value if by_pitch else shape.pitch_over_rad)
    tilted = along(scale(cos(tip), up), sin(tip), level)
    speed = norm(ground_velocity_m_s)
    if speed <= STANDSTILL_M_S:
        return tilted
    flow = scale(1.0 / speed, ground_velocity_m_s)
    most = alpha_allowed_rad(0.5 * density_kg_m3 * speed * speed, limits)
    from_vertical = acos(max(-1.0, min(1.0, dot(flow, up))))
    tipping = tipped < shape.pitch_over_rad or from_vertical < shape.pitch_over_rad
    if from_vertical < NEARLY_UPRIGHT_RAD if by_pitch else tipping:
        return tilted if most == inf else hold_near(tilted, flow, most)
    alpha = max(-most, min(most, from_vertical - tip if by_pitch else value))
    room = inf if most == inf else sqrt(max(0.0, most * most - alpha * alpha))
    return lean_flow(flow, up, level, alpha, max(-room, min(room, yaw_rad)))


@kernel
def yaw_to_plane_rad(
    position_m: Vec, velocity_m_s: Vec, ground_velocity_m_s: Vec, normal: Vec, cutoff_speed_m_s: float, most_rad: float
) -> float:
    """Lean that points the thrust at the velocity still missing in the target's plane, clockwise positive.

    Args:
        normal: unit normal of the plane, BCI.
        cutoff_speed_m_s: inertial, in the plane.
        most_rad: bound of the answer.

    On a launch heading from `launch_heading_rad` without disturbance it stays near zero: the missing velocity then
    shrinks along its own direction.
    """
    up = unit(position_m)
    wanted = scale(cutoff_speed_m_s, unit(cross(normal, position_m)))
    missing = along(sub(wanted, velocity_m_s), -dot(position_m, normal) / PLANE_TIME_S, normal)
    ahead = along(ground_velocity_m_s, -dot(ground_velocity_m_s, up), up)
    left = atan2(dot(cross(ahead, missing), up), dot(ahead, missing))
    return max(-most_rad, min(most_rad, -left))


@kernel
def yaw_to_heading_rad(ground_velocity_m_s: Vec, local: Triad, heading_rad: float) -> float:
    """Lean that points the thrust at the launch heading where the flow has drifted off it, clockwise positive.

    A vehicle that rises slowly drifts by what its vertical and that of gravity differ, and by the body's rotation;
    a turn that only follows the flow would keep the heading of that drift.
    """
    speed = norm(ground_velocity_m_s)
    if speed <= STANDSTILL_M_S:
        return 0.0
    north, east = dot(ground_velocity_m_s, local.north), dot(ground_velocity_m_s, local.east)
    c, s = cos(heading_rad), sin(heading_rad)
    return atan2(s * north - c * east, c * north + s * east) * sqrt(north * north + east * east) / speed


@kernel
def throttle_within(
    wanted_frac: float,
    engine: BoostEngine,
    mass_kg: float,
    drag_n: float,
    pull_along_m_s2: float,
    speed_m_s: float,
    air: AirHere,
    limits: Limits,
) -> float:
    """Throttle as programmed, less what the limits on dynamic pressure and acceleration ask for.

    Args:
        pull_along_m_s2: gravity along the air flow, negative on the way up.
        speed_m_s: against the air.

    The speed may reach in `PRESSURE_TIME_S` what the pressure limit allows there, which meets the limit from below.
    A limit that asks for less than the lowest throttle is not kept.
    """
    frac, lost_n = wanted_frac, engine.exit_area_m2 * air.pressure_pa
    if limits.acceleration_m_s2 < inf:
        frac = min(frac, (limits.acceleration_m_s2 * mass_kg + lost_n) / engine.thrust_n)
    if limits.pressure_pa < inf and air.density_soon_kg_m3 > 0.0:
        most = sqrt(2.0 * PRESSURE_KEPT_FRAC * limits.pressure_pa / air.density_soon_kg_m3)
        rate = (most - speed_m_s) / PRESSURE_TIME_S
        frac = min(frac, (mass_kg * (rate - pull_along_m_s2) + drag_n + lost_n) / engine.thrust_n)
    return min(1.0, max(engine.lowest_frac, frac))


@kernel
def guide_boost(
    since_s: float,
    motion: Motion,
    local: Triad,
    mass_kg: float,
    air: AirHere,
    engine: BoostEngine,
    drag_area_m2: float,
    drag: Curve,
    towards: Towards,
    shape: Shape,
    program: Curve,
    throttle: Curve,
    limits: Limits,
    mu_m3_s2: float,
) -> tuple[Vec, float]:
    """The boost law at one state: thrust direction (unit, BCI) and throttle.

    Args:
        drag_area_m2, drag: of the vehicle, over the Mach number, to know its drag.
        shape, program: as for `steer_boost`; throttle: its program, over seconds.
    """
    position, velocity, ground = motion
    yaw, heading = 0.0, towards.heading_rad
    if towards.yaw_rad > 0.0 and norm(ground) > STANDSTILL_M_S:
        normal, cutoff_speed = towards.normal, towards.cutoff_speed_m_s
        yaw = yaw_to_plane_rad(position, velocity, ground, normal, cutoff_speed, towards.yaw_rad)
    elif shape.by_pitch > 0.0:
        yaw = yaw_to_heading_rad(ground, local, heading)
    direction = steer_boost(since_s, ground, local, heading, yaw, shape, program, limits, air.density_kg_m3)
    speed = norm(ground)
    factor = interpolate(speed / air.sound_m_s, drag.at, drag.value)
    push = 0.5 * air.density_kg_m3 * speed * speed * drag_area_m2 * factor
    r = norm(position)
    pull = -mu_m3_s2 / (r * r) * dot(ground, position) / (r * max(speed, STANDSTILL_M_S))
    wanted = interpolate(since_s, throttle.at, throttle.value)
    return direction, throttle_within(wanted, engine, mass_kg, push, pull, speed, air, limits)


def heating_w_m2(density_kg_m3: float, speed_m_s: float) -> float:
    """Heating rate of free molecular flow, 0.5 rho v^3.

    Source: common practice for the drop of a cover, no source; usual limit 1135 W/m2 (from memory).

    >>> heating_w_m2(2e-7, 2000.0)
    800.0
    """
    return 0.5 * density_kg_m3 * speed_m_s**3


def time_to_level_s(now: float, soon: float, level: float, dt_s: float, logarithmic: bool = False) -> float:
    """Seconds until a quantity reaches a level, carried on from its values now and `dt_s` later; inf if it does not.

    >>> time_to_level_s(100.0, 110.0, 150.0, 1.0)
    5.0
    """
    if logarithmic:
        if min(now, soon, level) <= 0.0:
            return inf
        now, soon, level = log(now), log(soon), log(level)
    rate = (soon - now) / dt_s
    left = level - now
    if left == 0.0:
        return 0.0
    return left / rate if rate * left > 0.0 else inf


def velocity_soon(
    position_m: Vec, ground_velocity_m_s: Vec, direction: Vec, push_m_s2: float, body: Body, dt_s: float
) -> Vec:
    """Velocity over ground a little later, drag left out."""
    pull = acceleration(position_m, body.mu_m3_s2, body.radius_m, body.j2)
    return along(along(ground_velocity_m_s, dt_s * push_m_s2, direction), dt_s, pull)


def time_to_speed_s(speed_m_s: float, ground_velocity_m_s: Vec, acceleration_m_s2: Vec) -> float:
    """Seconds until the speed over ground is reached at the present acceleration; inf if it is not."""
    now = norm(ground_velocity_m_s)
    if now >= speed_m_s:
        return 0.0
    if speed_m_s == inf or now < STANDSTILL_M_S:
        return inf
    rate = dot(ground_velocity_m_s, acceleration_m_s2) / now
    return (speed_m_s - now) / rate if rate > 0.0 else inf

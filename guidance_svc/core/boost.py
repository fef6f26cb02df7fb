"""Through the air with the thrust near the air flow: rise, tip over, follow the velocity over ground.

The air turns with the body, so the velocity over ground is the air flow; wind is not known. The angle of attack
follows a small program (points of time and angle, linear between), given as such or as the pitch to lead to, and
leans sideways towards the target's plane, both bounded by the limits on the angle and on its product with the dynamic
pressure. The throttle follows its own program and gives way to the limits on dynamic pressure and acceleration.

Limits travel as four floats: dynamic pressure (Pa), dynamic pressure times angle of attack (Pa rad),
acceleration (m/s2), angle of attack (rad); inf where there is none.
"""

from __future__ import annotations

from math import acos, atan2, cos, inf, log, pi, sin, sqrt

from guidance_svc.core.compiled import kernel
from guidance_svc.core.conditions import target_normal
from guidance_svc.core.curves import interpolated
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

Limits = tuple[float, float, float, float]
NO_LIMITS: Limits = (inf, inf, inf, inf)


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
        since_release_s, ground_velocity_m_s, (local.up, local.north, local.east), heading_rad, yaw_rad,
        shape_of(phase), *program_of(phase), limits_of(phase), density_kg_m3,
    )  # fmt: skip


def shape_of(phase: Boost) -> tuple[float, float, float, float]:
    """Rise (s), pitch-over (rad), its rate (rad/s), 1 for a program of pitch and 0 for one of angle of attack."""
    return (
        float(phase.rise_s), float(phase.pitch_over_rad), float(phase.pitch_over_rate_rad_s),
        1.0 if phase.pitch else 0.0,
    )  # fmt: skip


def program_of(phase: Boost) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Times and angles of the pitch program, else of the angle of attack."""
    return curve_of(phase.pitch or phase.bias, 0.0)


def curve_of(points: tuple[tuple[float, float], ...], otherwise: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The points of a program as two rows; one flat point where there is no program."""
    if not points:
        return (0.0,), (otherwise,)
    return tuple(float(p[0]) for p in points), tuple(float(p[1]) for p in points)


def limits_of(phase: Boost) -> Limits:
    """The phase's limits as the kernels take them."""
    return (
        float(phase.max_dynamic_pressure_pa), float(phase.max_q_alpha_pa_rad), float(phase.max_acceleration_m_s2),
        float(phase.max_alpha_rad),
    )  # fmt: skip


@kernel
def alpha_allowed_rad(dynamic_pressure_pa: float, limits: Limits) -> float:
    """Largest angle of attack within the limits on it and on its product with the dynamic pressure."""
    if limits[1] < inf and dynamic_pressure_pa * limits[3] > limits[1]:
        return limits[1] / dynamic_pressure_pa
    return limits[3]


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
def held_near(direction: Vec, flow: Vec, most_rad: float) -> Vec:
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
    return direction if most == inf else held_near(direction, scale(1.0 / speed, ground_velocity_m_s), most)


@kernel
def steer_boost(
    since_s: float,
    ground_velocity_m_s: Vec,
    local: tuple[Vec, Vec, Vec],
    heading_rad: float,
    yaw_rad: float,
    shape: tuple[float, float, float, float],
    program_s: tuple[float, ...],
    program_rad: tuple[float, ...],
    limits: Limits,
    density_kg_m3: float,
) -> Vec:
    """`boost_direction` in floats.

    Args:
        local: up, north, east, BCI.
        shape, program_s, program_rad: as `shape_of` and `program_of` give them.
    """
    up = local[0]
    tipped = shape[2] * (since_s - shape[0])
    if tipped <= 0.0:
        return up
    level = along(scale(cos(heading_rad), local[1]), sin(heading_rad), local[2])
    value = interpolated(since_s, program_s, program_rad)
    tip = min(tipped, HALF_TURN - value if shape[3] > 0.0 else shape[1])
    tilted = along(scale(cos(tip), up), sin(tip), level)
    speed = norm(ground_velocity_m_s)
    if speed <= STANDSTILL_M_S:
        return tilted
    flow = scale(1.0 / speed, ground_velocity_m_s)
    most = alpha_allowed_rad(0.5 * density_kg_m3 * speed * speed, limits)
    from_vertical = acos(max(-1.0, min(1.0, dot(flow, up))))
    if from_vertical < NEARLY_UPRIGHT_RAD if shape[3] > 0.0 else (tipped < shape[1] or from_vertical < shape[1]):
        return tilted if most == inf else held_near(tilted, flow, most)
    alpha = max(-most, min(most, from_vertical - tip if shape[3] > 0.0 else value))
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
def yaw_to_heading_rad(ground_velocity_m_s: Vec, local: tuple[Vec, Vec, Vec], heading_rad: float) -> float:
    """Lean that points the thrust at the launch heading where the flow has drifted off it, clockwise positive.

    A vehicle that rises slowly drifts by what its vertical and that of gravity differ, and by the body's rotation;
    a turn that only follows the flow would keep the heading of that drift.
    """
    speed = norm(ground_velocity_m_s)
    if speed <= STANDSTILL_M_S:
        return 0.0
    north, east = dot(ground_velocity_m_s, local[1]), dot(ground_velocity_m_s, local[2])
    c, s = cos(heading_rad), sin(heading_rad)
    return atan2(s * north - c * east, c * north + s * east) * sqrt(north * north + east * east) / speed


@kernel
def throttle_within(
    wanted_frac: float,
    engine: tuple[float, float, float],
    mass_kg: float,
    drag_n: float,
    pull_along_m_s2: float,
    speed_m_s: float,
    density_soon_kg_m3: float,
    limits: Limits,
) -> float:
    """Throttle as programmed, less what the limits on dynamic pressure and acceleration ask for.

    Args:
        engine: vacuum thrust at full throttle (N), loss to the air's pressure (N), lowest throttle.
        pull_along_m_s2: gravity along the air flow, negative on the way up.
        speed_m_s: against the air.
        density_soon_kg_m3: of the air `PRESSURE_TIME_S` ahead; 0 for no air.

    The speed may reach in `PRESSURE_TIME_S` what the pressure limit allows there, which meets the limit from below.
    A limit that asks for less than the lowest throttle is not kept.
    """
    frac = wanted_frac
    if limits[2] < inf:
        frac = min(frac, (limits[2] * mass_kg + engine[1]) / engine[0])
    if limits[0] < inf and density_soon_kg_m3 > 0.0:
        rate = (sqrt(2.0 * PRESSURE_KEPT_FRAC * limits[0] / density_soon_kg_m3) - speed_m_s) / PRESSURE_TIME_S
        frac = min(frac, (mass_kg * (rate - pull_along_m_s2) + drag_n + engine[1]) / engine[0])
    return min(1.0, max(engine[2], frac))


@kernel
def guided(
    since_s: float,
    motion: tuple[Vec, Vec, Vec],
    local: tuple[Vec, Vec, Vec],
    mass_kg: float,
    air_here: tuple[float, float, float, float],
    engine: tuple[float, float, float],
    drag_area_m2: float,
    mach: tuple[float, ...],
    drag: tuple[float, ...],
    plane: tuple[Vec, float, float, float],
    shape: tuple[float, float, float, float],
    program_s: tuple[float, ...],
    program_rad: tuple[float, ...],
    throttle_s: tuple[float, ...],
    throttle_frac: tuple[float, ...],
    limits: Limits,
    mu_m3_s2: float,
) -> tuple[Vec, float]:
    """The boost law at one state: thrust direction (unit, BCI) and throttle.

    Args:
        motion: position, velocity, velocity over ground, BCI.
        local, shape, program_s, program_rad: as for `steer_boost`; throttle_s, throttle_frac: the throttle's program.
        air_here: density (kg/m3), pressure (Pa), speed of sound (m/s), density `PRESSURE_TIME_S` ahead (kg/m3).
        engine: vacuum thrust (N), nozzle exit area (m2), lowest throttle.
        drag_area_m2, mach, drag: of the vehicle, to know its drag.
        plane: normal of the target's plane, cutoff speed (m/s), greatest yaw (rad; 0: a pitch program
            keeps to the launch heading), launch heading (rad).
    """
    position, velocity, ground = motion
    yaw = 0.0
    if plane[2] > 0.0 and norm(ground) > STANDSTILL_M_S:
        yaw = yaw_to_plane_rad(position, velocity, ground, plane[0], plane[1], plane[2])
    elif shape[3] > 0.0:
        yaw = yaw_to_heading_rad(ground, local, plane[3])
    direction = steer_boost(since_s, ground, local, plane[3], yaw, shape, program_s, program_rad, limits, air_here[0])
    speed = norm(ground)
    push = 0.5 * air_here[0] * speed * speed * drag_area_m2 * interpolated(speed / air_here[2], mach, drag)
    r = norm(position)
    pull = -mu_m3_s2 / (r * r) * dot(ground, position) / (r * max(speed, STANDSTILL_M_S))
    wanted = interpolated(since_s, throttle_s, throttle_frac)
    numbers = (engine[0], engine[1] * air_here[1], engine[2])
    return direction, throttle_within(wanted, numbers, mass_kg, push, pull, speed, air_here[3], limits)


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

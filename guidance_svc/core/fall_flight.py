"""The fall of a vehicle that comes back, engines first, and its burns against the flow, in numbers.

Everything is in axes that turn with the body, from its centre, z along the pole; speeds are over ground. So the air is
at rest but for the wind, and the place to come down at stands still. Runge-Kutta's fourth-order method, in steps that
follow the air's density.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from guidance_svc.core.atmosphere import modelled_air
from guidance_svc.core.compiled import part
from guidance_svc.core.curves import interpolate
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.lander import Air, lift_m_s2, lifted, push_n
from guidance_svc.core.vectors import add, along, cross, dot, norm, scale, unit
from guidance_svc.domain import Vec

LONGEST_STEP_S = 20.0  # where there is no air
AIR_SCALE_M = 7000.0  # over which the density changes by its own size
SCALE_PART = 0.35  # of it, in one step
THIN_M, THIN_PART = 50e3, 0.3  # of the height above this: no step leaps from empty space into the air
BRAKED_PART = 0.2  # of its speed, that the air may take in one step
LEAST_STEP_S = 0.05
MOST_STEPS = 200  # of one fall; one that has not come down then does not
GATE_ROUNDS, GATE_MET_FRAC = 12, 1e-8
HEIGHT, PRESSURE = 0.0, 1.0  # kinds of gate: see Gate


class Field(NamedTuple):
    """The body that is fallen to, its air, and what it does to the vehicle.

    Args:
        mu_m3_s2, radius_m, j2, flattening, spin_rad_s: of the body.
        air: heights above the ellipsoid (its `contact_m` is 0); drag and lift engines first.
        density_scale: true density times drag over what is modelled.
        wind_m_s: towards east and north.
    """

    mu_m3_s2: float
    radius_m: float
    j2: float
    flattening: float
    spin_rad_s: float
    air: Air
    density_scale: float
    wind_m_s: tuple[float, float]


class Falling(NamedTuple):
    """The vehicle at one instant; time from now, `steps` are those it took to predict it."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    steps: int


class Push(NamedTuple):
    """Engines that burn: thrust in vacuum at the throttle, mass flow, and what ambient pressure takes off."""

    thrust_n: float
    flow_kg_s: float
    exit_area_m2: float


class Way(NamedTuple):
    """Where the thrust points.

    Args:
        direction: unit vector; the null vector for against the flow.
        turn_s: its change a second.
        lean: tangents off the way against the flow, upwards and to the right of the motion.
    """

    direction: Vec
    turn_s: Vec
    lean: tuple[float, float]


class Gate(NamedTuple):
    """Where a fall ends: below a height (kind HEIGHT), or above a dynamic pressure (PRESSURE), on the way down."""

    kind: float
    value: float


class Load(NamedTuple):
    """The greatest dynamic pressure (Pa) and heating 0.5 rho v^3 (W/m2) of a fall."""

    pressure_pa: float
    heating_w_m2: float


NO_PUSH = Push(0.0, 0.0, 0.0)
AGAINST = Way((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0))
NO_LOAD = Load(0.0, 0.0)


@part
def height_m(field: Field, position_m: Vec) -> float:
    """Above the ellipsoid, along the radius: within 1e-5 of itself of the geodetic height."""
    r2 = dot(position_m, position_m)
    if field.flattening == 0.0:
        return sqrt(r2) - field.radius_m
    rise = position_m[2] * position_m[2] / r2
    squeeze = (1.0 - field.flattening) * (1.0 - field.flattening)
    return sqrt(r2) - field.radius_m * sqrt(squeeze / (squeeze + (1.0 - squeeze) * rise))


@part
def free_m_s2(field: Field, position_m: Vec, velocity_m_s: Vec) -> Vec:
    """Gravity and what the turning of the axes adds."""
    gx, gy, gz = acceleration(position_m, field.mu_m3_s2, field.radius_m, field.j2)
    w, (x, y, _), (u, v, _) = field.spin_rad_s, position_m, velocity_m_s
    return (gx + w * (w * x + 2.0 * v), gy + w * (w * y - 2.0 * u), gz)


@part
def flow_m_s(field: Field, position_m: Vec, velocity_m_s: Vec) -> Vec:
    """Velocity against the air."""
    east, north = field.wind_m_s
    if east == 0.0 and north == 0.0:
        return velocity_m_s
    x, y, z = position_m
    level, r = sqrt(x * x + y * y), norm(position_m)
    c, s = (x / level, y / level) if level > 0.0 else (1.0, 0.0)
    up, across = level / r, z / r
    u, v, w = velocity_m_s
    return (u + east * s + north * across * c, v - east * c + north * across * s, w - north * up)


@part
def air_at(field: Field, position_m: Vec) -> tuple[float, float, float]:
    """Density, ambient pressure and speed of sound."""
    density, pressure, sound, _ = modelled_air(height_m(field, position_m), field.air.kind, field.air.rows)
    return (field.density_scale * density, pressure, sound)


@part
def load_at(field: Field, here: Falling) -> Load:
    """Dynamic pressure and heating at an instant."""
    speed = norm(flow_m_s(field, here.position_m, here.velocity_m_s))
    pressure = 0.5 * air_at(field, here.position_m)[0] * speed * speed
    return Load(pressure, pressure * speed)


@part
def drag_m_s2(field: Field, position_m: Vec, flow: Vec, mass_kg: float) -> Vec:
    """Deceleration by the air.

    Args:
        flow: velocity against the air.
    """
    density, _, sound = air_at(field, position_m)
    if density <= 0.0:
        return (0.0, 0.0, 0.0)
    speed, air = norm(flow), field.air
    coefficient = interpolate(speed / sound, air.machs, air.drags)
    return scale(-0.5 * density * speed * air.area_m2 * coefficient / mass_kg, flow)


@part
def thrust_direction(field: Field, way: Way, after_s: float, position_m: Vec, flow: Vec) -> Vec:
    """Unit vector.

    Args:
        after_s: since the way was laid down.
        flow: velocity against the air.
    """
    if norm(way.direction) > 0.0:
        return unit(along(way.direction, after_s, way.turn_s))
    back = scale(-1.0 / max(norm(flow), 1e-6), flow)
    if way.lean == (0.0, 0.0):
        return back
    side = cross(position_m, back)
    size = norm(side)
    right = scale(1.0 / size, side) if size > 1e-3 else (0.0, 0.0, 0.0)
    return unit(along(along(back, way.lean[0], cross(back, right)), way.lean[1], right))


@part
def rates_m_s2(
    field: Field, push: Push, way: Way, after_s: float, position_m: Vec, velocity_m_s: Vec, mass_kg: float
) -> Vec:
    """Acceleration of the vehicle: field, drag and thrust."""
    a = free_m_s2(field, position_m, velocity_m_s)
    flow = flow_m_s(field, position_m, velocity_m_s)
    if field.air.kind != 0.0:
        a = add(a, drag_m_s2(field, position_m, flow, mass_kg))
        if way.lean != (0.0, 0.0):
            lift = lift_m_s2(field.air, height_m(field, position_m), flow, mass_kg)
            a = add(a, lifted(lift, thrust_direction(field, way, 0.0, position_m, flow), flow))
    if push.thrust_n <= 0.0:
        return a
    thrust = push_n(push.thrust_n, push.exit_area_m2, air_at(field, position_m)[1]) / mass_kg
    return along(a, thrust, thrust_direction(field, way, after_s, position_m, flow))


@part
def step_fall(field: Field, push: Push, way: Way, from_s: float, here: Falling, step_s: float) -> Falling:
    """One step of Runge and Kutta's method.

    Args:
        from_s: time at which the way was laid down.
        step_s: its length, s; negative: back.
    """
    half, k = 0.5 * step_s, step_s / 6.0
    t, r, v, m, steps = here
    middle_kg, end_kg, t = m - half * push.flow_kg_s, m - step_s * push.flow_kg_s, t - from_s
    a = rates_m_s2(field, push, way, t, r, v, m)
    v2, r2 = along(v, half, a), along(r, half, v)
    a2 = rates_m_s2(field, push, way, t + half, r2, v2, middle_kg)
    v3, r3 = along(v, half, a2), along(r, half, v2)
    a3 = rates_m_s2(field, push, way, t + half, r3, v3, middle_kg)
    v4, r4 = along(v, step_s, a3), along(r, step_s, v3)
    a4 = rates_m_s2(field, push, way, t + step_s, r4, v4, end_kg)
    return Falling(
        here.time_s + step_s,
        (
            r[0] + k * (v[0] + 2.0 * (v2[0] + v3[0]) + v4[0]),
            r[1] + k * (v[1] + 2.0 * (v2[1] + v3[1]) + v4[1]),
            r[2] + k * (v[2] + 2.0 * (v2[2] + v3[2]) + v4[2]),
        ),
        (
            v[0] + k * (a[0] + 2.0 * (a2[0] + a3[0]) + a4[0]),
            v[1] + k * (a[1] + 2.0 * (a2[1] + a3[1]) + a4[1]),
            v[2] + k * (a[2] + 2.0 * (a2[2] + a3[2]) + a4[2]),
        ),
        end_kg,
        steps + 1,
    )


@part
def sink_m_s(here: Falling) -> float:
    """Speed towards the body's centre."""
    return -dot(here.position_m, here.velocity_m_s) / norm(here.position_m)


@part
def fall_step_s(field: Field, here: Falling) -> float:
    """How long a step may be: the air's density changes by a part of itself, the speed by less."""
    if field.air.kind == 0.0:
        return LONGEST_STEP_S
    thick = max(SCALE_PART * AIR_SCALE_M, THIN_PART * (height_m(field, here.position_m) - THIN_M))
    step = min(LONGEST_STEP_S, thick / max(abs(sink_m_s(here)), 1.0))
    flow = flow_m_s(field, here.position_m, here.velocity_m_s)
    speed = norm(flow)
    braking = air_at(field, here.position_m)[0] * speed * field.air.area_m2 / here.mass_kg
    return max(min(step, BRAKED_PART / max(braking, 1e-9)), LEAST_STEP_S)


@part
def before_gate(field: Field, gate: Gate, here: Falling) -> float:
    """How far before a gate: metres of height, or pascals; negative beyond it."""
    if gate.kind == HEIGHT:
        return height_m(field, here.position_m) - gate.value
    return gate.value - load_at(field, here).pressure_pa


@part
def worse(a: Load, b: Load) -> Load:
    """The greater of each."""
    return Load(max(a.pressure_pa, b.pressure_pa), max(a.heating_w_m2, b.heating_w_m2))


@part
def fall_to(field: Field, gate: Gate, start: Falling) -> tuple[Falling, bool]:
    """Fall through a gate; False where it has not been reached."""
    here = start
    while here.steps < start.steps + MOST_STEPS:
        before = before_gate(field, gate, here)
        if before <= 0.0 and sink_m_s(here) >= 0.0:
            return here, True
        step = fall_step_s(field, here)
        there = step_fall(field, NO_PUSH, AGAINST, 0.0, here, step)
        after = before_gate(field, gate, there)
        if after <= 0.0 and sink_m_s(there) >= 0.0:
            return through_gate(field, gate, here, there), True
        if height_m(field, there.position_m) < 0.0:
            return there, False
        here = there
    return here, False


@part
def through_gate(field: Field, gate: Gate, here: Falling, there: Falling) -> Falling:
    """The instant of a gate between both ends of a step, by the false position with the Illinois rule."""
    low, high = 0.0, there.time_s - here.time_s
    at_low, at_high = before_gate(field, gate, here), before_gate(field, gate, there)
    found, steps, side = there, there.steps, 0
    for _ in range(GATE_ROUNDS):
        if at_low <= 0.0:
            break
        step = low + (high - low) * at_low / (at_low - at_high)
        found = step_fall(field, NO_PUSH, AGAINST, 0.0, here, step)
        steps += 1
        value = before_gate(field, gate, found)
        if abs(value) < GATE_MET_FRAC * abs(gate.value):
            break
        if value > 0.0:
            low, at_low, at_high, side = step, value, at_high * (0.5 if side == 1 else 1.0), 1
        else:
            high, at_high, at_low, side = step, value, at_low * (0.5 if side == 2 else 1.0), 2
    return Falling(found.time_s, found.position_m, found.velocity_m_s, found.mass_kg, steps)


@part
def greatest_of(early: tuple[float, float], middle: tuple[float, float], late: tuple[float, float]) -> float:
    """The top of a parabola through three (time, value); the middle value where that is no top.

    >>> greatest_of((0.0, 0.0), (1.0, 3.0), (2.0, 4.0))
    4.0
    """
    if middle[1] < early[1] or middle[1] < late[1]:
        return max(early[1], middle[1], late[1])
    a, b = middle[0] - early[0], late[0] - middle[0]
    p, q = (middle[1] - early[1]) / a, (late[1] - middle[1]) / b
    bend = (q - p) / (a + b)
    if bend >= 0.0:
        return middle[1]
    slope = p + bend * a
    return middle[1] - 0.25 * slope * slope / bend


@part
def fly_burn(
    field: Field, push: Push, way: Way, from_s: float, start: Falling, burn_s: float, most_step_s: float
) -> tuple[Falling, Load]:
    """A burn of given length, in equal steps."""
    count = max(int(burn_s / most_step_s) + 1, 2)
    step, here, load = burn_s / count, start, NO_LOAD
    if burn_s <= 0.0:
        return here, load
    for _ in range(count):
        here = step_fall(field, push, way, from_s, here, step)
        load = worse(load, load_at(field, here))
    return here, load

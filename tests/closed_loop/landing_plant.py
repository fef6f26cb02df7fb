"""A plant of its own for landings: a point mass whose attitude lags and turns at a limited rate, in a flat field.

It shares no code with the simulator or the predictor: midpoint steps, contact found to the instant. All of its errors
are told in `Truth`. Compiled where numba is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import acos, exp, pi, sin, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import Lander
from guidance_svc.core.landing_guide import guide
from guidance_svc.core.landing_state import BURNING, OFF, ON, Guided, Heard, Keys
from guidance_svc.domain import Vec

SUBSTEP_S = 0.005
RATE_LAG_S = 0.08  # with which the turning rate follows what the attitude control asks for
LONGEST_S = 400.0


class Truth(NamedTuple):
    """How the vehicle and the world differ from what guidance knows.

    Args:
        thrust_scale, drag_scale, mass_scale: true over known; the mass told is the known one.
        lag_s: of the engine.
        delay_s: of each command, from the state that it answers.
        ignition_s: later than told.
        wind_m_s, gust_m_s: along the first axis; gusts are a sum of three waves.
        turn_lag_s, turn_rad_s: time constant and limit of the attitude.
        tick_s: between states.
        percussion_m: how far the centre of percussion is above the centre of mass, of a vehicle turned by its engines:
            each turn pushes the centre of mass aside.
    """

    thrust_scale: float = 1.0
    drag_scale: float = 1.0
    mass_scale: float = 1.0
    lag_s: float = 0.0
    delay_s: float = 0.0
    ignition_s: float = 0.0
    wind_m_s: float = 0.0
    gust_m_s: float = 0.0
    turn_lag_s: float = 0.0
    turn_rad_s: float = 1e3
    tick_s: float = 0.02
    percussion_m: float = 0.0


class Field(NamedTuple):
    """Of the flat world: gravity, air by two exponentials (none at density 0), height of the contact point."""

    gravity_m_s2: float
    density_kg_m3: float
    density_scale_m: float
    pressure_pa: float
    pressure_scale_m: float
    contact_m: float
    drag_area_m2: float


class Landed(NamedTuple):
    """What came of it; the position is relative to the contact point."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    lean_rad: float
    states: int
    touched: bool
    steps: int


class Craft(NamedTuple):
    """The true state; position and velocity are those of the centre of percussion, which no turn moves to the side."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    given_frac: float
    axis: Vec
    axis_rate_s: Vec


class Order(NamedTuple):
    """What the craft is told: throttle from `from_s` on (0: off), and the axis wanted."""

    throttle_frac: float
    from_s: float
    axis: Vec
    leg: int


@part
def turned(c: Craft, wanted: Vec, truth: Truth, dt: float) -> tuple[Vec, Vec]:
    """The axis after a time, and its rate: an approach within the rate limit, the rate itself following with a lag."""
    (x, y, z), (a, b, e) = c.axis, wanted
    if truth.turn_lag_s <= 0.0:
        return wanted, (0.0, 0.0, 0.0)
    cosine = x * a + y * b + z * e
    angle = acos(min(max(cosine, -1.0), 1.0))
    rate = min(angle / truth.turn_lag_s, truth.turn_rad_s)
    side = (a - cosine * x, b - cosine * y, e - cosine * z)
    size = sqrt(side[0] * side[0] + side[1] * side[1] + side[2] * side[2])
    k = rate / size if size > 1e-9 else 0.0
    follow = 1.0 - exp(-dt / RATE_LAG_S)
    (p, q, r) = c.axis_rate_s
    p, q, r = p + follow * (k * side[0] - p), q + follow * (k * side[1] - q), r + follow * (k * side[2] - r)
    x, y, z = x + dt * p, y + dt * q, z + dt * r
    size = sqrt(x * x + y * y + z * z)
    return (x / size, y / size, z / size), (p, q, r)


@part
def gust(truth: Truth, time_s: float) -> float:
    """Wind along the first axis."""
    waves = sin(2.0 * pi * time_s / 7.3) + sin(2.0 * pi * time_s / 2.9 + 1.0) + sin(2.0 * pi * time_s / 1.1 + 2.0)
    return truth.wind_m_s + truth.gust_m_s * waves / sqrt(1.5)


@part
def pulled(c: Craft, lander: Lander, field: Field, truth: Truth, leg: int, given: float, lit: float, axis: Vec) -> Vec:
    """Acceleration, the engine giving a throttle for a part of the time."""
    mass = c.mass_kg * truth.mass_scale
    height = c.position_m[2] + field.contact_m
    x = y = 0.0
    z = -field.gravity_m_s2
    pressure = 0.0
    if field.density_kg_m3 > 0.0:
        pressure = field.pressure_pa * exp(-height / field.pressure_scale_m)
        u, v, w = c.velocity_m_s[0] - gust(truth, c.time_s), c.velocity_m_s[1], c.velocity_m_s[2]
        density = field.density_kg_m3 * exp(-height / field.density_scale_m)
        k = 0.5 * density * sqrt(u * u + v * v + w * w) * field.drag_area_m2 * truth.drag_scale / mass
        x, y, z = x - k * u, y - k * v, z - k * w
    if given > 0.0:
        burn = lander.legs[leg]
        a = truth.thrust_scale * max(given * burn.thrust_n - pressure * burn.exit_area_m2, 0.0) / mass * lit
        x, y, z = x + a * axis[0], y + a * axis[1], z + a * axis[2]
    return (x, y, z)


@part
def flown(c: Craft, order: Order, lander: Lander, field: Field, truth: Truth, dt: float) -> Craft:
    """One small step; the thrust comes on at the very instant."""
    on = min(max(c.time_s + dt - order.from_s, 0.0), dt)
    given = c.given_frac
    if on > 0.0 and order.throttle_frac > 0.0:
        given = order.throttle_frac
        if truth.lag_s > 0.0:
            given += (c.given_frac - order.throttle_frac) * exp(-on / truth.lag_s)
    axis, axis_rate = turned(c, order.axis, truth, dt)
    idle = c.given_frac > 0.0
    middle = 0.5 * (given + c.given_frac) if truth.lag_s > 0.0 and idle else given
    lit = 1.0 if idle else on / dt
    a = pulled(c, lander, field, truth, order.leg, middle, lit, axis)
    half_v = (
        c.velocity_m_s[0] + 0.5 * dt * a[0], c.velocity_m_s[1] + 0.5 * dt * a[1], c.velocity_m_s[2] + 0.5 * dt * a[2]
    )  # fmt: skip
    half_r = (
        c.position_m[0] + 0.5 * dt * c.velocity_m_s[0],
        c.position_m[1] + 0.5 * dt * c.velocity_m_s[1],
        c.position_m[2] + 0.5 * dt * c.velocity_m_s[2],
    )
    flow = lander.legs[order.leg].flow_kg_s * middle * lit * truth.thrust_scale
    half = Craft(c.time_s + 0.5 * dt, half_r, half_v, c.mass_kg - 0.5 * dt * flow, given, axis, axis_rate)
    a = pulled(half, lander, field, truth, order.leg, middle, lit, axis)
    new_v = (c.velocity_m_s[0] + dt * a[0], c.velocity_m_s[1] + dt * a[1], c.velocity_m_s[2] + dt * a[2])
    new_r = (
        c.position_m[0] + dt * half_v[0], c.position_m[1] + dt * half_v[1], c.position_m[2] + dt * half_v[2]
    )  # fmt: skip
    return Craft(c.time_s + dt, new_r, new_v, c.mass_kg - dt * flow, given, axis, axis_rate)


@part
def centre_of_mass(c: Craft, truth: Truth) -> tuple[Vec, Vec]:
    """Position, counted so that it is the contact point's where the vehicle stands upright on it, and velocity."""
    (x, y, z), (u, v, w), k = c.position_m, c.velocity_m_s, truth.percussion_m
    return (
        (x - k * c.axis[0], y - k * c.axis[1], z), (u - k * c.axis_rate_s[0], v - k * c.axis_rate_s[1], w)
    )  # fmt: skip


@part
def told(c: Craft, truth: Truth, noise: Sequence[float], at: int) -> Heard:
    """The state as it is sent; six numbers of noise each."""
    r, v = centre_of_mass(c, truth)
    axis = c.axis
    return Heard(
        c.time_s,
        (r[0] + noise[at], r[1] + noise[at + 1], r[2] + noise[at + 2]),
        (v[0] + noise[at + 3], v[1] + noise[at + 4], v[2] + noise[at + 5]),
        c.mass_kg,
        axis,
        c.axis_rate_s,
        True,
        ON if c.given_frac > 0.0 else OFF,
        0,
    )


@kernel
def land(
    lander: Lander, keys: Keys, field: Field, truth: Truth, first: Guided, craft: Craft, noise: Sequence[float]
) -> Landed:
    """Fly from the first state to contact, or to standstill above it, whichever comes first.

    Args:
        first: guidance after the first state.
        noise: six numbers a state, one block after the other, used again from the beginning when they are spent.
    """
    g, c, states, count = first, craft, 1, len(noise) // 6
    lit_at, steps, light_at = 1e9, first.stop.steps, first.light_at_s
    order = Order(keys.idle_frac, -1e9, first.direction, 0)
    while c.time_s < LONGEST_S:
        until = craft.time_s + states * truth.tick_s
        light_at = g.light_at_s if c.time_s < light_at or states == 1 else light_at
        new = order_of(g, keys, truth, light_at, c.time_s)
        if lit_at < 1e8:
            new = Order(new.throttle_frac, -1e9, new.axis, new.leg)
        due = c.time_s + truth.delay_s
        while c.time_s < until - 1e-9:
            now = new if c.time_s >= due - 1e-9 else order
            dt = min(SUBSTEP_S, until - c.time_s)
            if c.time_s < due - 1e-9:
                dt = min(dt, due - c.time_s)
            later = flown(c, now, lander, field, truth, dt)
            if later.given_frac > 0.0 and lit_at > 1e8:
                lit_at = c.time_s
            if later.position_m[2] <= 0.0:
                return touched(c, later, truth, states, steps)
            if g.stage == BURNING and later.velocity_m_s[2] >= 0.0:
                return ended(later, truth, states, False, steps)
            c = later
        order = new
        if lit_at < 1e8:
            order = Order(order.throttle_frac, -1e9, order.axis, order.leg)
        g = guide(lander, keys, g, told(c, truth, noise, 6 * (states % count)))
        steps += g.stop.steps
        states += 1
    return ended(c, truth, states, False, steps)


@part
def order_of(g: Guided, keys: Keys, truth: Truth, light_at_s: float, time_s: float) -> Order:
    """What the craft makes of the guidance's answer; an ignition whose time has come is not put off."""
    if keys.idle_frac > 0.0 and g.stage != BURNING and g.light_at_s > time_s + truth.tick_s:
        return Order(keys.idle_frac, -1e9, g.direction, g.leg)
    return Order(g.throttle_frac, light_at_s + keys.delay_s + truth.ignition_s, g.direction, g.leg)


@part
def ended(c: Craft, truth: Truth, states: int, touched_: bool, steps: int) -> Landed:
    """What came of it."""
    r, v = centre_of_mass(c, truth)
    return Landed(c.time_s, r, v, c.mass_kg, acos(min(c.axis[2], 1.0)), states, touched_, steps)


@part
def touched(before: Craft, after: Craft, truth: Truth, states: int, steps: int) -> Landed:
    """Contact between two small steps."""
    k = before.position_m[2] / (before.position_m[2] - after.position_m[2])
    r, v, w, s = before.position_m, before.velocity_m_s, after.velocity_m_s, after.position_m
    there = Craft(
        before.time_s + k * (after.time_s - before.time_s),
        (r[0] + k * (s[0] - r[0]), r[1] + k * (s[1] - r[1]), 0.0),
        (v[0] + k * (w[0] - v[0]), v[1] + k * (w[1] - v[1]), v[2] + k * (w[2] - v[2])),
        after.mass_kg, after.given_frac, after.axis, after.axis_rate_s,
    )  # fmt: skip
    return ended(there, truth, states, True, steps)

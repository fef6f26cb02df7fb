"""The landing predicted: from an instant to the end of the last leg, throttle and lean as given.

Runge-Kutta's fourth-order method; each leg ends at its own speed, to which the last step is cut.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from guidance_svc.core.compiled import part
from guidance_svc.core.lander import (
    Lander,
    Leg,
    Moment,
    air_flow,
    drag_and_pressure,
    lean_with_lift,
    lift_m_s2,
    lifted,
    most_slant,
    pull,
    push,
    scale_of_others,
    slant_to,
)
from guidance_svc.core.landing_aim import QUARTIC, Aim, Curve, closing_at, curve_to_rest
from guidance_svc.core.vectors import along
from guidance_svc.domain import Vec

FALL_STEP_S = 2.0  # at most, in air, before the burn
STEPS_A_LEG = 10.0  # of a speed that is lost evenly
STEPS_IN_ALL = 16.0  # at least, to the contact that was expected
LAG_STEP = 0.8  # of the engine's time constant, while its thrust changes
LAG_OVER = 5.0  # time constants after which it has changed
MOST_STEPS = 120  # of one prediction; one that has not ended then has no end
SHORT_S = 0.03  # a last step that misses its end by less is moved there along its end's acceleration
LAST_STEP = 1.3  # steps of the usual length: what is left is taken in one
LEAST_LEFT_S = 0.05  # to contact, in the quartic
LEAST_STEP_S = 1e-3
NEVER_S = 1e9


class Arrival(NamedTuple):
    """The end of a prediction: the vehicle at the speed asked for at contact, at whatever height that is.

    Args:
        time_s: from now.
        position_m, velocity_m_s: landing frame.
        rise_m_s2: upward acceleration there.
        steps: integrator steps.
        stops: False where the prediction found no end.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    rise_m_s2: float
    steps: int
    stops: bool


class Place(NamedTuple):
    """One point of a prediction; time from now."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    acceleration_m_s2: Vec
    steps: int


class Thrust(NamedTuple):
    """How the engine runs and leans in one leg of a prediction; times from now.

    Args:
        frac: commanded throttle.
        given_frac: that the engine gave at `from_s`.
        aim, curve: `curve` holds for the quartic.
    """

    leg: Leg
    frac: float
    given_frac: float
    from_s: float
    aim: Aim
    curve: Curve


@part
def given_at(thrust: Thrust, lag_s: float, time_s: float) -> float:
    """The throttle that the engine gives at a time."""
    change = thrust.given_frac - thrust.frac
    if lag_s <= 0.0 or change == 0.0:
        return thrust.frac
    return thrust.frac + change * exp((thrust.from_s - time_s) / lag_s)


@part
def rates(
    lander: Lander, start: Moment, thrust: Thrust, time_s: float, position_m: Vec, velocity_m_s: Vec, mass_kg: float
) -> Vec:
    """Acceleration of the predicted vehicle: field, drag, what no model has, and thrust; m/s2."""
    gx, gy, gz = pull(lander.ground, position_m, velocity_m_s)
    u, v, w = air_flow(velocity_m_s, start.wind_m_s)
    drag, pressure = drag_and_pressure(lander.air, position_m[2], (u, v, w))
    k = drag * start.drag_scale / mass_kg
    x, y, z = gx - k * u, gy - k * v, gz - k * w
    x, y = x + start.side_m_s2[0], y + start.side_m_s2[1]
    a = push(thrust.leg, given_at(thrust, lander.lag_s, time_s), pressure, mass_kg, start.thrust_scale)
    if a <= 0.0:
        return (x, y, z)
    most = most_slant(lander.tilt, position_m[2])
    aim, lift = thrust.aim, lift_m_s2(lander.air, position_m[2], (u, v, w), mass_kg)
    if aim.law == QUARTIC:
        left = max(aim.end_s - time_s, 0.0)
        (cx, cy), (sx, sy) = thrust.curve
        wanted = ((cx + sx * left) * left - x, (cy + sy * left) * left - y)
        ux, uy, uz = lean_with_lift(wanted, a, most, lift, (u, v, w))
    else:
        (tx, ty), (rx, ry) = aim.tangent, aim.tangent_rate_s
        ux, uy, uz = slant_to((tx + rx * time_s, ty + ry * time_s), most, closing_at(aim.end_s - time_s, aim.upright_s))
    if lift > 0.0:
        lx, ly, lz = lifted(lift, (ux, uy, uz), (u, v, w))
        x, y, z = x + lx, y + ly, z + lz
    return (x + a * ux, y + a * uy, z + a * uz)


@part
def burnt_kg(thrust: Thrust, lag_s: float, from_s: float, to_s: float) -> float:
    """Propellant that the leg's engines burn between two times."""
    full = thrust.leg.flow_kg_s
    spent = full * thrust.frac * (to_s - from_s)
    change = thrust.given_frac - thrust.frac
    if lag_s <= 0.0 or change == 0.0:
        return spent
    part_s = lag_s * (exp((thrust.from_s - from_s) / lag_s) - exp((thrust.from_s - to_s) / lag_s))
    return spent + full * change * part_s


@part
def step_place(lander: Lander, start: Moment, thrust: Thrust, here: Place, step_s: float) -> Place:
    """One step of Runge and Kutta's method.

    Args:
        step_s: its length, s.
    """
    half = 0.5 * step_s
    t, r, v, m, a, steps = here
    middle_kg = m - burnt_kg(thrust, lander.lag_s, t, t + half)
    end_kg = m - burnt_kg(thrust, lander.lag_s, t, t + step_s)
    v2, r2 = along(v, half, a), along(r, half, v)
    a2 = rates(lander, start, thrust, t + half, r2, v2, middle_kg)
    v3, r3 = along(v, half, a2), along(r, half, v2)
    a3 = rates(lander, start, thrust, t + half, r3, v3, middle_kg)
    v4, r4 = along(v, step_s, a3), along(r, step_s, v3)
    a4 = rates(lander, start, thrust, t + step_s, r4, v4, end_kg)
    k = step_s / 6.0
    new_r = (
        r[0] + k * (v[0] + 2.0 * (v2[0] + v3[0]) + v4[0]),
        r[1] + k * (v[1] + 2.0 * (v2[1] + v3[1]) + v4[1]),
        r[2] + k * (v[2] + 2.0 * (v2[2] + v3[2]) + v4[2]),
    )
    new_v = (
        v[0] + k * (a[0] + 2.0 * (a2[0] + a3[0]) + a4[0]),
        v[1] + k * (a[1] + 2.0 * (a2[1] + a3[1]) + a4[1]),
        v[2] + k * (a[2] + 2.0 * (a2[2] + a3[2]) + a4[2]),
    )
    new_a = rates(lander, start, thrust, t + step_s, new_r, new_v, end_kg)
    return Place(t + step_s, new_r, new_v, end_kg, new_a, steps + 1)


@part
def move_place(thrust: Thrust, lag_s: float, here: Place, by_s: float) -> Place:
    """A place a very short time on, or back, along its acceleration."""
    t, r, v, m, a, steps = here
    middle = along(v, 0.5 * by_s, a)
    mass_kg = m - burnt_kg(thrust, lag_s, t, t + by_s)
    return Place(t + by_s, along(r, by_s, middle), along(v, by_s, a), mass_kg, a, steps)


@part
def changing(lander: Lander, thrust: Thrust, time_s: float) -> bool:
    """Whether the thrust is still on its way to what was commanded."""
    return thrust.given_frac != thrust.frac and time_s < thrust.from_s + LAG_OVER * lander.lag_s


@part
def fly_wait(lander: Lander, start: Moment, thrust: Thrust, here: Place, until_s: float) -> Place:
    """The stretch before the burn, to its end."""
    longest = FALL_STEP_S if lander.air.kind != 0.0 else max(until_s / STEPS_A_LEG, FALL_STEP_S)
    while here.time_s < until_s and here.steps < MOST_STEPS:
        left = until_s - here.time_s
        h = min(left, longest)
        if changing(lander, thrust, here.time_s):
            h = min(h, LAG_STEP * lander.lag_s)
        here = step_place(lander, start, thrust, here, h)
        if left == h:
            break
    return here


@part
def fly_leg(lander: Lander, start: Moment, thrust: Thrust, here: Place, until_s: float) -> Place:
    """One leg, to its speed or to a time; with no end where the thrust does not reach."""
    wanted = -thrust.leg.until_m_s
    usual = 0.0
    longest = max(thrust.aim.end_s / STEPS_IN_ALL, LEAST_STEP_S)
    while here.velocity_m_s[2] < wanted and here.steps < MOST_STEPS and here.time_s < until_s:
        pressure = drag_and_pressure(lander.air, here.position_m[2], here.velocity_m_s)[1]
        given = given_at(thrust, lander.lag_s, here.time_s)
        more = push(thrust.leg, thrust.frac, pressure, here.mass_kg, start.thrust_scale)
        more -= push(thrust.leg, given, pressure, here.mass_kg, start.thrust_scale)
        rise = here.acceleration_m_s2[2] + more
        left = (wanted - here.velocity_m_s[2]) / rise if rise > 1e-3 else 1e3
        usual = usual if usual > 0.0 else min(max(left / STEPS_A_LEG, LEAST_STEP_S), longest)
        h = left if left < LAST_STEP * usual else usual
        if changing(lander, thrust, here.time_s) and h > LAG_STEP * lander.lag_s:
            h = LAG_STEP * lander.lag_s
        h = min(h, until_s - here.time_s)
        there = step_place(lander, start, thrust, here, h)
        if h == left or there.velocity_m_s[2] >= wanted:
            return end_leg(lander, start, thrust, here, there)
        here = there
    return here


@part
def end_leg(lander: Lander, start: Moment, thrust: Thrust, here: Place, there: Place) -> Place:
    """The leg's end, from the beginning and the end of a step that comes near it."""
    wanted = -thrust.leg.until_m_s
    for _ in range(3):
        by_s = (wanted - there.velocity_m_s[2]) / max(there.acceleration_m_s2[2], 1e-3)
        if abs(by_s) <= SHORT_S:
            return move_place(thrust, lander.lag_s, there, by_s)
        h = max(there.time_s - here.time_s + by_s, 0.0)
        there = step_place(lander, start, thrust, here, h)
    return there


class Reached(NamedTuple):
    """Where a prediction came to.

    Args:
        given_frac: throttle that the engine gives there.
        leg: that burns there or next.
        start: the instant that it began with, its thrust scale being that of this leg.
    """

    here: Place
    given_frac: float
    leg: int
    start: Moment


@part
def fly_to(
    lander: Lander, start: Moment, wait_s: float, idle_frac: float, throttle_frac: float, aim: Aim, until_s: float
) -> Reached:
    """Fly a landing to a time, or to the speed that the last leg ends with, whichever comes first.

    Args:
        wait_s: to the burn; `idle_frac` is the throttle until then.
        throttle_frac: of the legs that have none of their own.
        until_s: from now.
    """
    r, v = start.position_m, start.velocity_m_s
    here = Place(0.0, r, v, start.mass_kg, (0.0, 0.0, 0.0), 0)
    given, leg = start.given_frac, start.leg
    left_s = max(aim.end_s, LEAST_LEFT_S)
    curve = curve_to_rest((r[0], r[1]), (v[0], v[1]), left_s)
    if wait_s > 0.0:
        thrust = Thrust(lander.legs[leg], idle_frac, given, 0.0, aim, curve)
        here = fly_wait(lander, start, thrust, with_rates(lander, start, thrust, here), min(wait_s, until_s))
        given, r, v = given_at(thrust, lander.lag_s, here.time_s), here.position_m, here.velocity_m_s
        left_s = max(aim.end_s - here.time_s, LEAST_LEFT_S)
        curve = curve_to_rest((r[0], r[1]), (v[0], v[1]), left_s)
    for i in range(start.leg, lander.leg_count):
        if here.time_s >= until_s:
            break
        leg, burning = i, lander.legs[i]
        frac = burning.throttle_frac if burning.throttle_frac > 0.0 and i > start.leg else throttle_frac
        if i > 0 and i > start.leg and burning.engines != lander.legs[i - 1].engines:
            start = with_others(start)
        thrust = Thrust(burning, frac, given, here.time_s, aim, curve)
        here = fly_leg(lander, start, thrust, with_rates(lander, start, thrust, here), until_s)
        given = given_at(thrust, lander.lag_s, here.time_s)
    return Reached(here, given, leg, start)


@part
def arrive(lander: Lander, start: Moment, wait_s: float, idle_frac: float, throttle_frac: float, aim: Aim) -> Arrival:
    """Fly a landing to the speed that the last leg ends with, wherever that is; arguments as in `fly_to`."""
    here = fly_to(lander, start, wait_s, idle_frac, throttle_frac, aim, NEVER_S).here
    stops = here.steps < MOST_STEPS and here.acceleration_m_s2[2] > 0.0
    return Arrival(
        here.time_s, here.position_m, here.velocity_m_s, here.mass_kg, here.acceleration_m_s2[2], here.steps, stops
    )


@part
def moment_ahead(
    lander: Lander, start: Moment, wait_s: float, idle_frac: float, throttle_frac: float, aim: Aim, by_s: float
) -> Moment:
    """The predicted landing at an instant ahead; arguments as in `fly_to`."""
    there = fly_to(lander, start, wait_s, idle_frac, throttle_frac, aim, by_s)
    here, last = there.here, there.start
    return Moment(
        here.position_m, here.velocity_m_s, here.mass_kg, there.given_frac, there.leg, last.thrust_scale,
        last.drag_scale, last.wind_m_s, last.side_m_s2,
    )  # fmt: skip


@part
def with_others(start: Moment) -> Moment:
    """The instant with the thrust scale that other engines are expected to have."""
    return Moment(
        start.position_m, start.velocity_m_s, start.mass_kg, start.given_frac, start.leg,
        scale_of_others(start.thrust_scale), start.drag_scale, start.wind_m_s, start.side_m_s2,
    )  # fmt: skip


@part
def with_rates(lander: Lander, start: Moment, thrust: Thrust, here: Place) -> Place:
    """A place with the acceleration that this thrust gives there."""
    a = rates(lander, start, thrust, here.time_s, here.position_m, here.velocity_m_s, here.mass_kg)
    return Place(here.time_s, here.position_m, here.velocity_m_s, here.mass_kg, a, here.steps)

"""What is known of a landing from state to state, in numbers: the filter fed, and what its bias says taken apart.

While the vehicle falls the unmodelled acceleration is of drag and wind, while it burns of the thrust.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from guidance_svc.constants import CLOCK_SLACK_S
from guidance_svc.core.compiled import part
from guidance_svc.core.lander import (
    Lander,
    Moment,
    air_flow,
    drag_and_pressure,
    lift_m_s2,
    lifted,
    pull,
    push,
    scale_of_others,
)
from guidance_svc.core.landing_solution import Stop
from guidance_svc.core.landing_tangents import NO_INVERSE, Five
from guidance_svc.core.state_filter import Filtered, Wander, take_in
from guidance_svc.core.vectors import add, along, dot, norm
from guidance_svc.domain import Vec

FALLING, BURNING = 0, 1
UNTOLD, OFF, ON = -1, 0, 1
TRANSIENT_S = 1.2  # after a change of thrust the bias may be anything
QUIET = Wander(5e-4, 5e-3)
CHANGING = Wander(2e-2, 30.0)
BIAS_SIGMA_M_S2 = 1.0  # at first
LEAST_LIT = 0.1  # of the thrust, where engines are told to be lost
SCALES = (0.5, 1.5)  # what thrust and drag may be over what the figures say
LEAST_DRAG_M_S2 = 0.3  # below this the drag's scale cannot be seen


class Keys(NamedTuple):
    """What the plan says of a landing.

    Args:
        planned_frac: throttle that the ignition is timed for.
        idle_frac: throttle before the burn of an engine that must not go out; 0 for one that is off.
        delay_s: from the ignition command to thrust.
        percussion_m: how far above the centre of mass the point lies that a turn of the vehicle leaves in place.
    """

    planned_frac: float
    idle_frac: float
    delay_s: float
    percussion_m: float


class Heard(NamedTuple):
    """One state, landing frame.

    Args:
        pointing: unit thrust axis; the null vector where it was not told.
        axis_rate_s: its rate of change, where `rate_told`.
        burns: ON or OFF where the engine was told so, else UNTOLD.
        engines_lit: how many were told to burn; 0 where that was not told.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    pointing: Vec
    axis_rate_s: Vec
    rate_told: bool
    burns: int
    engines_lit: int


class Guided(NamedTuple):
    """What is remembered from state to state.

    Args:
        stage: FALLING or BURNING.
        light_at_s: the ignition command, vehicle time; past once it burns.
        leg: that burns now or first.
        throttle_frac, direction: as ordered; landing frame.
        given_frac: throttle that the engine is reckoned to give.
        changed_at_s: vehicle time at which the thrust last began to change.
        thrust_scale, drag_scale, wind_m_s: that the filter's model has.
        lit_part: of the engines that should burn, those that were last told to; 1 where nothing was told.
        pointing: thrust axis in the last state, told or ordered.
        law: QUARTIC once that leads the vehicle, TANGENTS before.
        unknowns, inverse: of the tangents; `anew_s` is when the inverse was found anew.
        tangents_end_s: contact as they have it, from the last state.
        gentle: whether they are planned within a narrower bound, which leaves room for what disturbs.
    """

    time_s: float
    filtered: Filtered
    stage: int
    light_at_s: float
    leg: int
    throttle_frac: float
    direction: Vec
    given_frac: float
    changed_at_s: float
    thrust_scale: float
    drag_scale: float
    wind_m_s: tuple[float, float]
    lit_part: float
    pointing: Vec
    stop: Stop
    law: int
    unknowns: Five
    inverse: tuple[float, ...]
    anew_s: float
    gentle: bool
    tangents_end_s: float


@part
def within(least: float, x: float, limit: float) -> float:
    """x, held to a range."""
    return min(max(x, least), limit)


@part
def given_later(given_frac: float, wanted_frac: float, lag_s: float, since_s: float) -> tuple[float, float]:
    """The throttle that the engine gives after a time, and its integral over it, s."""
    if since_s <= 0.0:
        return given_frac, 0.0
    if lag_s <= 0.0:
        return wanted_frac, wanted_frac * since_s
    fading = exp(-since_s / lag_s)
    later_frac = wanted_frac + (given_frac - wanted_frac) * fading
    return later_frac, wanted_frac * since_s + (given_frac - wanted_frac) * lag_s * (1.0 - fading)


class Ran(NamedTuple):
    """How the engine ran since the last state.

    Args:
        given_frac: throttle that it gives now.
        before_frac, after_frac: its means before and after ignition.
        after_part: of the time that lies after ignition.
    """

    given_frac: float
    before_frac: float
    after_frac: float
    after_part: float


@part
def ran_since(g: Guided, lander: Lander, keys: Keys, light_at_s: float, time_s: float) -> Ran:
    """How the engine ran since the last state.

    Args:
        light_at_s: the ignition command.
    """
    dt_s = time_s - g.time_s
    lit_s = within(0.0, time_s - light_at_s - keys.delay_s, dt_s)
    given, before_s = given_later(g.given_frac, keys.idle_frac, lander.lag_s, dt_s - lit_s)
    given, after_s = given_later(given, g.throttle_frac, lander.lag_s, lit_s)
    before, after = before_s / max(dt_s - lit_s, 1e-9), after_s / max(lit_s, 1e-9)
    return Ran(given, before, after, lit_s / dt_s)


@part
def thrust_model(g: Guided, lander: Lander, given_frac: float, mass_kg: float) -> float:
    """Thrust acceleration as the filter's model has it, m/s2."""
    pressure = drag_and_pressure(lander.air, g.filtered.position_m[2], g.filtered.velocity_m_s)[1]
    return push(lander.legs[g.leg], given_frac, pressure, mass_kg, g.thrust_scale)


@part
def model_m_s2(g: Guided, lander: Lander, ran: Ran, mass_kg: float, axis: Vec, dt_s: float) -> Vec:
    """Acceleration of the vehicle as the filter's model has it, in the middle of a time.

    Args:
        mass_kg: at its end.
    """
    r, v = g.filtered.position_m, g.filtered.velocity_m_s
    leg, half, part_ = lander.legs[g.leg], 0.5 * dt_s, ran.after_part
    middle_kg = mass_kg + half * leg.flow_kg_s * (ran.before_frac * (1.0 - part_) + ran.after_frac * part_)
    for _ in range(2):
        flow = air_flow(v, g.wind_m_s)
        drag, pressure = drag_and_pressure(lander.air, r[2], flow)
        free = along(pull(lander.ground, r, v), -drag * g.drag_scale / middle_kg, flow)
        before = push(leg, ran.before_frac, pressure, middle_kg, g.thrust_scale)
        after = push(leg, ran.after_frac, pressure, middle_kg, g.thrust_scale)
        lift = lift_m_s2(lander.air, r[2], flow, middle_kg)
        free = add(free, lifted(lift, axis, flow)) if lift > 0.0 else free
        a = along(free, before * (1.0 - part_) + after * part_, axis)
        r, v = along(g.filtered.position_m, half, g.filtered.velocity_m_s), along(g.filtered.velocity_m_s, half, a)
    return a


class Seen(NamedTuple):
    """Thrust, drag and wind with the filter's bias taken into what it must come from, and what is left of it."""

    thrust_scale: float
    drag_scale: float
    wind_m_s: tuple[float, float]
    bias_m_s2: Vec


@part
def seen_in_bias(g: Guided, lander: Lander, mass_kg: float) -> Seen:
    """What the bias says: of the thrust while the engine burns, of drag and wind while the vehicle falls."""
    bias, axis = g.filtered.bias_m_s2, g.pointing
    thrust = thrust_model(g, lander, g.given_frac, mass_kg)
    if thrust > 0.0:
        changed = within(LEAST_LIT, g.thrust_scale * (1.0 + dot(bias, axis) / thrust), SCALES[1])
        return Seen(
            changed, g.drag_scale, g.wind_m_s, along(bias, -thrust * (changed / g.thrust_scale - 1.0), axis)
        )
    flow = air_flow(g.filtered.velocity_m_s, g.wind_m_s)
    speed = norm(flow)
    k = drag_and_pressure(lander.air, g.filtered.position_m[2], flow)[0] * g.drag_scale / mass_kg
    if k * speed < LEAST_DRAG_M_S2:
        return Seen(g.thrust_scale, g.drag_scale, g.wind_m_s, bias)
    more = -dot(bias, flow) / (speed * speed * k)
    changed = within(SCALES[0], g.drag_scale * (1.0 + more), SCALES[1])
    left = along(bias, k * (changed / g.drag_scale - 1.0), flow)
    k *= changed / g.drag_scale
    wind = (g.wind_m_s[0] + left[0] / k, g.wind_m_s[1] + left[1] / k)
    return Seen(g.thrust_scale, changed, wind, (0.0, 0.0, left[2]))


@part
def led_point(state: Heard, axis: Vec, before: Vec, dt_s: float, percussion_m: float) -> tuple[Vec, Vec]:
    """Position and velocity of the point that is led: the centre of percussion, as far as it is aside of the vehicle.

    A vehicle that is turned by its engines is pushed aside by every turn; that point is not.

    Args:
        axis, before: thrust axis now and at the state before.
    """
    (x, y, z), (u, v, w), k = state.position_m, state.velocity_m_s, percussion_m
    p, q, _ = state.axis_rate_s
    if not state.rate_told:
        p, q = (axis[0] - before[0]) / dt_s, (axis[1] - before[1]) / dt_s
    return (x + k * axis[0], y + k * axis[1], z), (u + k * p, v + k * q, w)


@part
def moment_of(g: Guided, lander: Lander, state: Heard) -> Moment:
    """The instant that the landing is solved from."""
    seen, f = seen_in_bias(g, lander, state.mass_kg), g.filtered
    return Moment(
        f.position_m, f.velocity_m_s, state.mass_kg, g.given_frac, g.leg, seen.thrust_scale, seen.drag_scale,
        seen.wind_m_s, (seen.bias_m_s2[0], seen.bias_m_s2[1]),
    )  # fmt: skip


@part
def fold_bias(g: Guided, lander: Lander, mass_kg: float) -> Guided:
    """The bias taken into the model, where the thrust is about to change and the bias would go with it."""
    seen, f = seen_in_bias(g, lander, mass_kg), g.filtered
    f = Filtered(
        f.position_m, f.velocity_m_s, seen.bias_m_s2, f.spread, f.noise, f.heard_position_m, f.heard_velocity_m_s
    )
    return Guided(
        g.time_s, f, g.stage, g.light_at_s, g.leg, g.throttle_frac, g.direction, g.given_frac, g.changed_at_s,
        seen.thrust_scale, seen.drag_scale, seen.wind_m_s, g.lit_part, g.pointing, g.stop, g.law, g.unknowns,
        g.inverse, g.anew_s, g.gentle, g.tangents_end_s,
    )  # fmt: skip


@part
def lit_part_of(g: Guided, lander: Lander, state: Heard) -> float:
    """Of the engines that should burn, those that are told to; as it was where nothing is told."""
    wanted = lander.legs[g.leg].engines
    if g.stage != BURNING or state.engines_lit <= 0 or g.given_frac <= 0.0:
        return g.lit_part
    return min(state.engines_lit / wanted, 1.0)


@part
def with_engines(g: Guided, lander: Lander, state: Heard) -> Guided:
    """The landing with the thrust of the engines that are told to burn, at once."""
    lit_part = lit_part_of(g, lander, state)
    if lit_part == g.lit_part:
        return g
    g = fold_bias(g, lander, state.mass_kg)
    return Guided(
        g.time_s, g.filtered, g.stage, g.light_at_s, g.leg, g.throttle_frac, g.direction, g.given_frac, g.time_s,
        within(LEAST_LIT, g.thrust_scale * lit_part / g.lit_part, SCALES[1]), g.drag_scale, g.wind_m_s, lit_part,
        g.pointing, g.stop, g.law, g.unknowns, NO_INVERSE, g.anew_s, g.gentle, g.tangents_end_s,
    )  # fmt: skip


@part
def lit_since(g: Guided, keys: Keys, state: Heard) -> float:
    """The ignition command's vehicle time, corrected where the engine is told to burn earlier, or not yet."""
    if state.burns == ON and g.stage == FALLING and state.time_s < g.light_at_s:
        return g.time_s
    if state.burns == OFF and g.given_frac == 0.0 and state.time_s > g.light_at_s + keys.delay_s:
        return state.time_s - keys.delay_s
    return g.light_at_s


@part
def take_in_state(g: Guided, lander: Lander, keys: Keys, state: Heard) -> Guided:
    """The state taken into the filter, and what has come about since the last one."""
    dt_s, g = state.time_s - g.time_s, with_engines(g, lander, state)
    axis = state.pointing if norm(state.pointing) > 0.5 else g.direction
    stage, changed_at, unknowns, inverse = g.stage, g.changed_at_s, g.unknowns, g.inverse
    light_at = lit_since(g, keys, state) if keys.idle_frac == 0.0 else g.light_at_s
    if stage == FALLING and state.time_s >= light_at - CLOCK_SLACK_S:
        g = fold_bias(g, lander, state.mass_kg)
        stage, inverse = BURNING, NO_INVERSE
        unknowns = (g.throttle_frac, unknowns[1], unknowns[2], unknowns[3], unknowns[4])
        changed_at = light_at
    elif light_at != g.light_at_s:
        changed_at = light_at
    ran = ran_since(g, lander, keys, light_at, state.time_s)
    model = model_m_s2(g, lander, ran, state.mass_kg, axis, dt_s)
    wander = CHANGING if 0.0 <= state.time_s - changed_at < TRANSIENT_S else QUIET
    position, velocity = led_point(state, axis, g.pointing, dt_s, keys.percussion_m)
    f = take_in(g.filtered, position, velocity, model, dt_s, wander)
    leg, throttle, last = g.leg, g.throttle_frac, lander.leg_count - 1
    while stage == BURNING and leg < last and -f.velocity_m_s[2] <= lander.legs[leg].until_m_s:
        leg += 1
        throttle = lander.legs[leg].throttle_frac if lander.legs[leg].throttle_frac > 0.0 else throttle
    g = Guided(
        state.time_s, f, stage, light_at, g.leg, g.throttle_frac, g.direction, ran.given_frac, changed_at,
        g.thrust_scale, g.drag_scale, g.wind_m_s, g.lit_part, axis, g.stop, g.law, unknowns, inverse, g.anew_s,
        g.gentle, g.tangents_end_s,
    )  # fmt: skip
    if leg == g.leg:
        return g
    regrouped = lander.legs[leg].engines != lander.legs[g.leg].engines
    g = fold_bias(g, lander, state.mass_kg)
    return Guided(
        g.time_s, g.filtered, stage, light_at, leg, throttle, g.direction, ran.given_frac,
        state.time_s if regrouped else changed_at,
        scale_of_others(g.thrust_scale) if regrouped else g.thrust_scale, g.drag_scale, g.wind_m_s,
        1.0 if regrouped else g.lit_part, axis, g.stop, g.law,
        (throttle, unknowns[1], unknowns[2], unknowns[3], unknowns[4]), NO_INVERSE, g.anew_s,
        g.gentle, g.tangents_end_s,
    )  # fmt: skip

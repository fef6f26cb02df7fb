"""The tick of a landing in numbers: one state in, the throttle, the lean and the instants out.

The state is filtered and the landing solved from it: by linear tangents first, and by the quartic from where that leads
to the contact point within the bound of the lean.
"""

from __future__ import annotations

from math import exp, hypot, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import (
    LEVEL_UP,
    Lander,
    Moment,
    air_flow,
    drag_and_pressure,
    leaning,
    most_slant,
    pull,
    push,
    slanted,
)
from guidance_svc.core.landing_aim import QUARTIC, TANGENTS, Aim, closing_at, quartic
from guidance_svc.core.landing_solution import FIRST_ROUNDS, FLAT_M, ROUNDS, Stop, solve_throttle, solve_wait
from guidance_svc.core.landing_tangents import (
    LEAST_END_S,
    NO_INVERSE,
    Ask,
    Five,
    Slanting,
    first_tangents,
    later,
    solve_tangents,
)
from guidance_svc.core.state_filter import Filtered, Wander, first_filtered, heard
from guidance_svc.core.vectors import along, dot, norm, scale, sub
from guidance_svc.domain import Vec

FALLING, BURNING = 0, 1
UNTOLD, OFF, ON = -1, 0, 1
FROZEN_S = 0.8  # before contact: from here on only the level speed is nulled; later turns would not be over at contact
TRANSIENT_S = 1.2  # after a change of thrust the bias may be anything
QUIET = Wander(2e-3, 2e-2)
CHANGING = Wander(2e-2, 30.0)
BIAS_SIGMA_M_S2 = 1.0  # at first
SCALES = (0.5, 1.5)  # what thrust and drag may be over what the figures say
LEAST_DRAG_M_S2 = 0.3  # below this the drag's scale cannot be seen
CLOCK_SLACK_S = 1e-6
RESERVE_FRAC = 0.003  # of the greatest throttle, kept for control by a burn that is planned at all of it
QUARTIC_FROM_S = 6.0  # before contact: from here on the quartic is taken where it leads to the contact point ...
QUARTIC_LAST_S = 1.5  # ... and from here on in any case
QUARTIC_MISS_M, QUARTIC_MISS_M_S = 0.05, 0.05  # that is, so near
TANGENT_MISS_M = 1.0  # tangents that lack more than this, or ...
TANGENT_MISS_FRAC = 0.01  # ... this part of the height, are not flown
TANGENT_ROUNDS, TANGENT_STEPS = 2, 300  # for one state
ANEW_S = 0.5  # the inverse of the tangents is found anew so often at most
FIRST_TANGENT_ROUNDS, FIRST_TANGENT_STEPS = 40, 1200


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
        burns: ON or OFF where the engine was told so, else UNTOLD.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    pointing: Vec
    burns: int


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
        pointing: thrust axis in the last state, told or ordered.
        law: QUARTIC once that leads the vehicle, TANGENTS before.
        unknowns, inverse: of the tangents; `anew_s` is when the inverse was found anew.
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
    pointing: Vec
    stop: Stop
    law: int
    unknowns: Five
    inverse: tuple[float, ...]
    anew_s: float


@part
def within(low: float, x: float, high: float) -> float:
    """x, held to a range."""
    return min(max(x, low), high)


@part
def planned_frac(lander: Lander, keys: Keys) -> float:
    """The throttle that the ignition is timed for."""
    return min(keys.planned_frac, lander.most_frac * (1.0 - RESERVE_FRAC))


@part
def given_later(given_frac: float, wanted_frac: float, lag_s: float, since_s: float) -> tuple[float, float]:
    """The throttle that the engine gives after a time, and its integral over it, s."""
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
    dt = time_s - g.time_s
    lit_s = within(0.0, time_s - light_at_s - keys.delay_s, dt)
    given, before_s = given_later(g.given_frac, keys.idle_frac, lander.lag_s, dt - lit_s)
    given, after_s = given_later(given, g.throttle_frac, lander.lag_s, lit_s)
    before, after = before_s / max(dt - lit_s, 1e-9), after_s / max(lit_s, 1e-9)
    return Ran(given, before, after, lit_s / dt)


@part
def thrust_model(g: Guided, lander: Lander, given_frac: float, mass_kg: float) -> float:
    """Thrust acceleration as the filter's model has it, m/s2."""
    pressure = drag_and_pressure(lander.air, g.filtered.position_m[2], g.filtered.velocity_m_s)[1]
    return push(lander.legs[g.leg], given_frac, pressure, mass_kg, g.thrust_scale)


@part
def model_m_s2(g: Guided, lander: Lander, ran: Ran, mass_kg: float, axis: Vec, dt: float) -> Vec:
    """Acceleration of the vehicle as the filter's model has it, in the middle of a time.

    Args:
        mass_kg: at its end.
    """
    r, v = g.filtered.position_m, g.filtered.velocity_m_s
    leg, half, part_ = lander.legs[g.leg], 0.5 * dt, ran.after_part
    middle_kg = mass_kg + half * leg.flow_kg_s * (ran.before_frac * (1.0 - part_) + ran.after_frac * part_)
    for _ in range(2):
        flow = air_flow(v, g.wind_m_s)
        drag, pressure = drag_and_pressure(lander.air, r[2], flow)
        free = along(pull(lander.ground, r, v), -drag * g.drag_scale / middle_kg, flow)
        before = push(leg, ran.before_frac, pressure, middle_kg, g.thrust_scale)
        after = push(leg, ran.after_frac, pressure, middle_kg, g.thrust_scale)
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
        changed = within(SCALES[0], g.thrust_scale * (1.0 + dot(bias, axis) / thrust), SCALES[1])
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
def moment_of(g: Guided, lander: Lander, keys: Keys, state: Heard, axis_rate: Vec) -> Moment:
    """The instant that the landing is solved from.

    Of a vehicle turned by its engines it is the centre of percussion that is led, which no turn moves to the side.
    """
    seen = seen_in_bias(g, lander, state.mass_kg)
    (x, y, z), (u, v, w), k = g.filtered.position_m, g.filtered.velocity_m_s, keys.percussion_m
    return Moment(
        (x + k * g.pointing[0], y + k * g.pointing[1], z), (u + k * axis_rate[0], v + k * axis_rate[1], w),
        state.mass_kg, g.given_frac, g.leg, seen.thrust_scale, seen.drag_scale, seen.wind_m_s,
        (seen.bias_m_s2[0], seen.bias_m_s2[1]),
    )  # fmt: skip


@part
def folded(g: Guided, lander: Lander, mass_kg: float) -> Guided:
    """The bias taken into the model, where the thrust is about to change and the bias would go with it."""
    seen, f = seen_in_bias(g, lander, mass_kg), g.filtered
    f = Filtered(
        f.position_m, f.velocity_m_s, seen.bias_m_s2, f.spread, f.noise, f.heard_position_m, f.heard_velocity_m_s
    )
    return Guided(
        g.time_s, f, g.stage, g.light_at_s, g.leg, g.throttle_frac, g.direction, g.given_frac, g.changed_at_s,
        seen.thrust_scale, seen.drag_scale, seen.wind_m_s, g.pointing, g.stop, g.law, g.unknowns, g.inverse, g.anew_s,
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
def listened(g: Guided, lander: Lander, keys: Keys, state: Heard) -> Guided:
    """The state taken into the filter, and what has come about since the last one."""
    dt = state.time_s - g.time_s
    axis = state.pointing if norm(state.pointing) > 0.5 else g.direction
    stage, changed_at, unknowns, inverse = g.stage, g.changed_at_s, g.unknowns, g.inverse
    light_at = lit_since(g, keys, state) if keys.idle_frac == 0.0 else g.light_at_s
    if stage == FALLING and state.time_s >= light_at - CLOCK_SLACK_S:
        g = folded(g, lander, state.mass_kg)
        stage, inverse = BURNING, NO_INVERSE
        unknowns = (g.throttle_frac, unknowns[1], unknowns[2], unknowns[3], unknowns[4])
        changed_at = light_at
    elif light_at != g.light_at_s:
        changed_at = light_at
    ran = ran_since(g, lander, keys, light_at, state.time_s)
    model = model_m_s2(g, lander, ran, state.mass_kg, axis, dt)
    wander = CHANGING if 0.0 <= state.time_s - changed_at < TRANSIENT_S else QUIET
    f = heard(g.filtered, state.position_m, state.velocity_m_s, model, dt, wander)
    leg, throttle, last = g.leg, g.throttle_frac, lander.leg_count - 1
    while stage == BURNING and leg < last and -f.velocity_m_s[2] <= lander.legs[leg].until_m_s:
        leg += 1
        throttle = lander.legs[leg].throttle_frac if lander.legs[leg].throttle_frac > 0.0 else throttle
    g = Guided(
        state.time_s, f, stage, light_at, g.leg, g.throttle_frac, g.direction, ran.given_frac, changed_at,
        g.thrust_scale, g.drag_scale, g.wind_m_s, axis, g.stop, g.law, unknowns, inverse, g.anew_s,
    )  # fmt: skip
    if leg == g.leg:
        return g
    g = folded(g, lander, state.mass_kg)
    return Guided(
        g.time_s, g.filtered, stage, light_at, leg, throttle, g.direction, ran.given_frac, state.time_s,
        g.thrust_scale, g.drag_scale, g.wind_m_s, axis, g.stop, g.law,
        (throttle, unknowns[1], unknowns[2], unknowns[3], unknowns[4]), NO_INVERSE, g.anew_s,
    )  # fmt: skip


@part
def way_of_quartic(lander: Lander, start: Moment, stop: Stop, throttle: float) -> Vec:
    """Where the thrust is to point, from ignition on, for the quartic's way to rest over the contact point."""
    r, v, wait, left = start.position_m, start.velocity_m_s, stop.wait_s, stop.end_s - stop.wait_s
    gx, gy, _ = pull(lander.ground, r, v)
    flow = air_flow(v, start.wind_m_s)
    drag, pressure = drag_and_pressure(lander.air, r[2], flow)
    d = drag * start.drag_scale / start.mass_kg
    free = (gx - d * flow[0] + start.side_m_s2[0], gy - d * flow[1] + start.side_m_s2[1])
    if left > FROZEN_S:
        wanted = (quartic(r[0] + v[0] * wait, v[0], left), quartic(r[1] + v[1] * wait, v[1], left))
    else:
        wanted = (-v[0] / FROZEN_S, -v[1] / FROZEN_S)
    a = push(lander.legs[start.leg], throttle, pressure, start.mass_kg, start.thrust_scale)
    return leaning((wanted[0] - free[0], wanted[1] - free[1]), a, most_slant(lander.tilt, r[2]))


@part
def way_of_tangents(lander: Lander, start: Moment, x: Five, stop: Stop) -> Vec:
    """Where the thrust is to point by the tangents, from ignition on."""
    gone = stop.wait_s / max(stop.end_s, LEAST_END_S)
    tangent = (x[1] + (x[3] - x[1]) * gone, x[2] + (x[4] - x[2]) * gone)
    closing = closing_at(stop.end_s - stop.wait_s)
    return slanted(tangent, most_slant(lander.tilt, start.position_m[2]), closing)


@part
def stop_by_quartic(lander: Lander, keys: Keys, g: Guided, start: Moment, dt: float, rounds: int) -> Stop:
    """The stopping problem from this state with the quartic's lean, guessed from the state before."""
    before = g.stop
    aim = Aim(QUARTIC, max(before.end_s - dt, 0.0), (0.0, 0.0), (0.0, 0.0))
    if g.stage == FALLING:
        guess, slope = before.wait_s - dt, before.slope_m if g.law == QUARTIC else 0.0
        return solve_wait(lander, start, aim, keys.idle_frac, planned_frac(lander, keys), guess, slope, rounds)
    wait = max(g.light_at_s + keys.delay_s - g.time_s, 0.0)
    just_lit = g.time_s - g.light_at_s <= dt + CLOCK_SLACK_S
    slope = 0.0 if just_lit or g.law != QUARTIC else before.slope_m
    return solve_throttle(lander, start, aim, wait, g.throttle_frac, slope, rounds)


@part
def by_tangents(
    lander: Lander, keys: Keys, g: Guided, start: Moment, dt: float, first: bool
) -> Slanting:
    """The landing from this state by tangents, guessed from the state before."""
    end, falling = g.stop.end_s, g.stage == FALLING
    wait = max(g.light_at_s + keys.delay_s - g.time_s, 0.0)
    ask = Ask(falling, max(end - dt, LEAST_END_S), keys.idle_frac, planned_frac(lander, keys), 0.0 if falling else wait)
    rounds, most_steps = (FIRST_TANGENT_ROUNDS, FIRST_TANGENT_STEPS) if first else (TANGENT_ROUNDS, TANGENT_STEPS)
    return solve_tangents(
        lander, start, ask, later(g.unknowns, dt, end, falling), g.inverse, rounds, most_steps,
        first or g.time_s - g.anew_s >= ANEW_S,
    )  # fmt: skip


@part
def stop_of(lander: Lander, keys: Keys, g: Guided, s: Slanting, dt: float) -> Stop:
    """What the tangents come to, the throttle held to its bounds."""
    a, falling = s.arrival, g.stage == FALLING
    wait = max(g.light_at_s + keys.delay_s - g.time_s, 0.0)
    if falling:
        wait = s.unknowns[0] * max(g.stop.end_s - dt, LEAST_END_S)
    throttle = planned_frac(lander, keys) if falling else within(lander.least_frac, s.unknowns[0], lander.most_frac)
    beyond = 0.0 if falling else s.unknowns[0] - throttle
    return Stop(
        max(wait, 0.0), throttle, beyond, 0.0, a.time_s, a.position_m, a.velocity_m_s, a.mass_kg, a.rise_m_s2, a.stops,
        s.steps,
    )  # fmt: skip


@part
def leads_there(stop: Stop) -> bool:
    """Whether a predicted landing ends at rest over the contact point."""
    (x, y, _), (u, v, _) = stop.position_m, stop.velocity_m_s
    return hypot(x, y) <= QUARTIC_MISS_M and hypot(u, v) <= QUARTIC_MISS_M_S


@part
def led(lander: Lander, keys: Keys, g: Guided, start: Moment, dt: float, first: bool) -> Guided:
    """The landing solved from this state, and the orders that follow."""
    law, unknowns, inverse, steps = g.law, g.unknowns, g.inverse, 0
    stop, direction, anew_s = g.stop, g.direction, g.anew_s
    if law == TANGENTS:
        s = by_tangents(lander, keys, g, start, dt, first)
        anew_s = g.time_s if s.anew else anew_s
        unknowns, inverse, steps = s.unknowns, s.inverse, s.steps
        stop = stop_of(lander, keys, g, s, dt)
        direction = way_of_tangents(lander, start, unknowns, stop)
        good = s.miss_m <= TANGENT_MISS_M + TANGENT_MISS_FRAC * abs(start.position_m[2])
        near = g.stage == BURNING and g.stop.end_s - dt < QUARTIC_FROM_S
    if law == QUARTIC or near or not good:
        upright = stop_by_quartic(lander, keys, g, start, dt, FIRST_ROUNDS if first else ROUNDS)
        taken = law == QUARTIC or not good or g.stop.end_s - dt < QUARTIC_LAST_S or leads_there(upright)
        steps += upright.steps
        if taken:
            stop = upright
            direction = way_of_quartic(lander, start, stop, max(stop.throttle_frac, g.given_frac))
            law = QUARTIC if law == QUARTIC or near else TANGENTS
    throttle = stop.throttle_frac
    if g.stage == BURNING and start.position_m[2] < FLAT_M:
        throttle = g.throttle_frac
    light_at = g.light_at_s if g.stage == BURNING else g.time_s + max(stop.wait_s - keys.delay_s, 0.0)
    stop = Stop(
        stop.wait_s, throttle, stop.beyond_frac, stop.slope_m, stop.end_s, stop.position_m, stop.velocity_m_s,
        stop.mass_kg, stop.rise_m_s2, stop.stops, steps,
    )  # fmt: skip
    return Guided(
        g.time_s, g.filtered, g.stage, light_at, g.leg, throttle, direction, g.given_frac, g.changed_at_s,
        g.thrust_scale, g.drag_scale, g.wind_m_s, g.pointing, stop, law, unknowns, inverse, anew_s,
    )  # fmt: skip


@kernel
def guide(lander: Lander, keys: Keys, before: Guided, state: Heard) -> Guided:
    """The landing after one more state.

    Args:
        state: later than the one before.
    """
    dt = state.time_s - before.time_s
    g = listened(before, lander, keys, state)
    axis_rate = scale(1.0 / dt, sub(g.pointing, before.pointing))
    return led(lander, keys, g, moment_of(g, lander, keys, state, axis_rate), dt, False)


@kernel
def begin(lander: Lander, keys: Keys, state: Heard, lit: bool) -> Guided:
    """The landing at its first state.

    Args:
        lit: the engine burns and the burn has begun.
    """
    filtered = first_filtered(state.position_m, state.velocity_m_s, BIAS_SIGMA_M_S2)
    axis = state.pointing if norm(state.pointing) > 0.5 else LEVEL_UP
    fall_s = first_fall_s(lander, state)
    stop = Stop(
        0.0 if lit else 0.4 * fall_s, planned_frac(lander, keys), 0.0, 0.0, fall_s, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0),
        state.mass_kg, 0.0, True, 0,
    )  # fmt: skip
    g = Guided(
        state.time_s, filtered, BURNING if lit else FALLING, state.time_s if lit else state.time_s + 1e9, 0,
        planned_frac(lander, keys), axis, planned_frac(lander, keys) if lit else keys.idle_frac, -1e9, 1.0, 1.0, (0.0, 0.0), axis, stop, QUARTIC,
        (0.0, 0.0, 0.0, 0.0, 0.0), NO_INVERSE, -1e9,
    )  # fmt: skip
    start = moment_of(g, lander, keys, state, (0.0, 0.0, 0.0))
    upright = led(lander, keys, g, start, 0.0, True)
    stop = upright.stop
    pressure = drag_and_pressure(lander.air, state.position_m[2], state.velocity_m_s)[1]
    most = push(lander.legs[0], max(stop.throttle_frac, lander.least_frac), pressure, state.mass_kg, 1.0)
    (x, y, _), (u, v, _), end = start.position_m, start.velocity_m_s, max(stop.end_s, LEAST_END_S)
    a, b = first_tangents(x, u, end, most), first_tangents(y, v, end, most)
    guess = (stop.throttle_frac if lit else stop.wait_s / end, a[0], b[0], a[1], b[1])
    g = Guided(
        g.time_s, g.filtered, g.stage, g.light_at_s, g.leg, g.throttle_frac, g.direction, g.given_frac, g.changed_at_s,
        g.thrust_scale, g.drag_scale, g.wind_m_s, g.pointing, stop, TANGENTS, guess, NO_INVERSE,
        -1e9,
    )  # fmt: skip
    return led(lander, keys, g, start, 0.0, True)


@part
def first_fall_s(lander: Lander, state: Heard) -> float:
    """Guess of the seconds to contact: as if the speed were lost evenly."""
    weight = -lander.ground.gravity_m_s2[2]
    down, height = max(-state.velocity_m_s[2], 0.0), max(state.position_m[2], 0.0)
    return max(1.5 * height / max(down, sqrt(0.5 * weight * height), 1.0), 1.0)

"""The tick of a landing in numbers: one state in, the throttle, the lean and the instants out.

The state is filtered and the landing solved from it: by linear tangents first, and by the quartic from where that leads
to the contact point within the bound of the lean.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import NamedTuple

from guidance_svc.constants import CLOCK_SLACK_S
from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import (
    LEVEL_UP,
    Lander,
    Moment,
    TiltBound,
    air_flow,
    drag_and_pressure,
    lean_with_lift,
    lift_m_s2,
    most_slant,
    pull,
    push,
    slant_to,
)
from guidance_svc.core.landing_aim import QUARTIC, TANGENTS, Aim, closing_at, quartic
from guidance_svc.core.landing_solution import FIRST_ROUNDS, FLAT_M, ROUNDS, Stop, solve_throttle, solve_wait
from guidance_svc.core.landing_state import (
    BIAS_SIGMA_M_S2,
    BURNING,
    FALLING,
    Guided,
    Heard,
    Keys,
    led_point,
    moment_of,
    take_in_state,
    within,
)
from guidance_svc.core.landing_tangents import (
    LEAST_END_S,
    NO_INVERSE,
    Ask,
    Five,
    Slanting,
    first_tangents,
    is_found,
    later,
    solve_tangents,
)
from guidance_svc.core.state_filter import first_filtered
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Vec

FROZEN_S = 0.8  # before contact: from here on only the level speed is nulled; later turns would not be over at contact
SLIDING_M_S = 2.0  # level speed at the end of a quartic's way that is not worth flying
SOON_PART = 0.25  # of the time to contact, in which it is nulled then
RESERVE_FRAC = 0.003  # of the greatest throttle, kept for control by a burn that is planned at all of it
QUARTIC_FROM_S = 6.0  # before contact: from here on the quartic is taken where it leads to the contact point ...
QUARTIC_LAST_S = 1.5  # ... and from here on in any case
QUARTIC_MISS_M, QUARTIC_MISS_M_S = 0.05, 0.05  # that is, so near
TANGENT_MISS_M = 1.0  # tangents that lack more than this, or ...
TANGENT_MISS_FRAC = 0.01  # ... this part of the height, are not flown
LESS_LEAN, LESS_LEANS, LESS_LEAN_M = 0.3, 3, 0.3  # a landing that would stop deeper than this leans less, so often
TANGENT_ROUNDS, TANGENT_STEPS = 2, 300  # for one state
ANEW_S = 0.5  # the inverse of tangents that lead near the contact point is found anew so often at most
LONG_AGO_S = -1e9
FIRST_STEPS = 700  # for the quartic: one that takes more finds no landing, and nothing more is tried with this state
TWO_STEPS = 1200  # for the quartic and the narrow bound, after which the whole one is not tried with this state
FIRST_TANGENT_ROUNDS, FIRST_GENTLE_STEPS, FIRST_FULL_STEPS = 40, 400, 1100
GENTLE_PART, GENTLE_UPRIGHT_S = 0.6, 4.0  # of the bound, for tangents that leave room for what disturbs, ...
GENTLE_COST = 1.003  # ... where that costs no more than this, over ...
FULL_UPRIGHT_S = 1.5  # ... the whole bound


@part
def planned_frac(lander: Lander, keys: Keys) -> float:
    """The throttle that the ignition is timed for."""
    return min(keys.planned_frac, lander.most_frac * (1.0 - RESERVE_FRAC))


@part
def way_of_quartic(lander: Lander, start: Moment, stop: Stop, throttle_frac: float) -> Vec:
    """Where the thrust is to point, from ignition on, for the quartic's way to rest over the contact point.

    Near contact, and where that way would end with a level speed, only the speed is nulled.
    """
    r, v, wait, left = start.position_m, start.velocity_m_s, stop.wait_s, stop.end_s - stop.wait_s
    gx, gy, _ = pull(lander.ground, r, v)
    flow = air_flow(v, start.wind_m_s)
    drag, pressure = drag_and_pressure(lander.air, r[2], flow)
    d = drag * start.drag_scale / start.mass_kg
    free = (gx - d * flow[0] + start.side_m_s2[0], gy - d * flow[1] + start.side_m_s2[1])
    if left > FROZEN_S and hypot(stop.velocity_m_s[0], stop.velocity_m_s[1]) <= SLIDING_M_S:
        wanted = (quartic(r[0] + v[0] * wait, v[0], left), quartic(r[1] + v[1] * wait, v[1], left))
    else:
        soon = max(SOON_PART * left, FROZEN_S)
        wanted = (-v[0] / soon, -v[1] / soon)
    a = push(lander.legs[start.leg], throttle_frac, pressure, start.mass_kg, start.thrust_scale)
    lift = lift_m_s2(lander.air, r[2], flow, start.mass_kg)
    return lean_with_lift((wanted[0] - free[0], wanted[1] - free[1]), a, most_slant(lander.tilt, r[2]), lift, flow)


@part
def way_of_tangents(lander: Lander, start: Moment, x: Five, stop: Stop, upright_s: float) -> Vec:
    """Where the thrust is to point by the tangents, from ignition on."""
    gone = stop.wait_s / max(stop.end_s, LEAST_END_S)
    tangent = (x[1] + (x[3] - x[1]) * gone, x[2] + (x[4] - x[2]) * gone)
    closing = closing_at(stop.end_s - stop.wait_s, upright_s)
    return slant_to(tangent, most_slant(lander.tilt, start.position_m[2]), closing)


@part
def stop_by_quartic(lander: Lander, keys: Keys, g: Guided, start: Moment, dt_s: float, iterations: int) -> Stop:
    """The stopping problem from this state with the quartic's lean, guessed from the state before."""
    before = g.stop
    aim = Aim(QUARTIC, max(before.end_s - dt_s, 0.0), (0.0, 0.0), (0.0, 0.0), FULL_UPRIGHT_S)
    if g.stage == FALLING:
        guess, slope = before.wait_s - dt_s, before.slope_m if g.law == QUARTIC else 0.0
        return solve_wait(lander, start, aim, keys.idle_frac, planned_frac(lander, keys), guess, slope, iterations)
    wait = wait_left_s(g, keys)
    just_lit = g.time_s - g.light_at_s <= dt_s + CLOCK_SLACK_S
    slope = 0.0 if just_lit or g.law != QUARTIC else before.slope_m
    return solve_throttle(lander, start, aim, wait, g.throttle_frac, slope, iterations)


class Upright(NamedTuple):
    """The landing by the quartic, and the part of the bound that it may lean."""

    stop: Stop
    room: float


@part
def stop_first(lander: Lander, keys: Keys, g: Guided, start: Moment, dt_s: float, iterations: int) -> Upright:
    """The landing by the quartic; it leans less where leaning keeps it from stopping."""
    room = 1.0
    stop = stop_by_quartic(lander, keys, g, start, dt_s, iterations)
    steps = stop.steps
    for _ in range(LESS_LEANS):
        if stop.position_m[2] > -LESS_LEAN_M - TANGENT_MISS_FRAC * abs(start.position_m[2]) or steps > FIRST_STEPS:
            break
        room *= LESS_LEAN
        stop = stop_by_quartic(leaning_less(lander, room), keys, g, start, dt_s, iterations)
        steps += stop.steps
    return Upright(
        Stop(
            stop.wait_s, stop.throttle_frac, stop.beyond_frac, stop.slope_m, stop.end_s, stop.position_m,
            stop.velocity_m_s, stop.mass_kg, stop.rise_m_s2, stop.stops, steps,
        ), room,
    )  # fmt: skip


@part
def wait_left_s(g: Guided, keys: Keys) -> float:
    """Until the engine that is lit at its time gives thrust."""
    return max(g.light_at_s + keys.delay_s - g.time_s, 0.0)


@part
def upright_for_s(gentle: bool) -> float:
    """How long before contact the bound begins to close."""
    return GENTLE_UPRIGHT_S if gentle else FULL_UPRIGHT_S


@part
def room_for(lander: Lander, gentle: bool) -> Lander:
    """The lander with the bound that its tangents are planned within."""
    return leaning_less(lander, GENTLE_PART if gentle else 1.0)


@part
def leaning_less(lander: Lander, k: float) -> Lander:
    """The lander with a part of the bound."""
    t = lander.tilt
    return Lander(
        lander.ground, lander.air, lander.legs, lander.leg_count, lander.lag_s, lander.least_frac, lander.most_frac,
        TiltBound(k * t.end, k * t.per_m, k * t.per_root_m, k * t.most),
    )  # fmt: skip


@part
def by_tangents(
    lander: Lander, keys: Keys, g: Guided, start: Moment, dt_s: float, first: bool
) -> Slanting:
    """The landing from this state by tangents, guessed from the state before."""
    end, falling = g.tangents_end_s, g.stage == FALLING
    upright_s = upright_for_s(g.gentle)
    wait = wait_left_s(g, keys)
    ask = Ask(
        falling, max(end - dt_s, LEAST_END_S), keys.idle_frac, planned_frac(lander, keys),
        0.0 if falling else wait, upright_s,
    )  # fmt: skip
    rounds, most_steps = TANGENT_ROUNDS, TANGENT_STEPS
    if first:
        rounds, most_steps = FIRST_TANGENT_ROUNDS, FIRST_GENTLE_STEPS if g.gentle else FIRST_FULL_STEPS
    return solve_tangents(
        room_for(lander, g.gentle), start, ask, later(g.unknowns, dt_s, end, falling), g.inverse, rounds, most_steps,
        first or g.time_s - g.anew_s >= ANEW_S,
    )  # fmt: skip


@part
def stop_of(lander: Lander, keys: Keys, g: Guided, s: Slanting, dt_s: float) -> Stop:
    """What the tangents come to, the throttle held to its bounds."""
    a, falling = s.arrival, g.stage == FALLING
    wait = wait_left_s(g, keys)
    if falling:
        wait = s.unknowns[0] * max(g.tangents_end_s - dt_s, LEAST_END_S)
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


class Led(NamedTuple):
    """The landing by tangents from one state: what they come to, and what is kept of them."""

    stop: Stop
    direction: Vec
    unknowns: Five
    inverse: tuple[float, ...]
    anew_s: float
    good: bool
    gentle: bool


@part
def led_by_tangents(lander: Lander, keys: Keys, g: Guided, start: Moment, dt_s: float, first: bool) -> Led:
    """The landing by tangents; the narrow bound is given up where it does not lead to the contact point."""
    s = by_tangents(lander, keys, g, start, dt_s, first)
    stop = stop_of(lander, keys, g, s, dt_s)
    height = abs(start.position_m[2])
    upright_s = upright_for_s(g.gentle)
    direction = way_of_tangents(room_for(lander, g.gentle), start, s.unknowns, stop, upright_s)
    gentle = g.gentle and (is_found(s.miss_m, height) or not s.anew)
    good = s.miss_m <= TANGENT_MISS_M + TANGENT_MISS_FRAC * height
    anew_s = (g.time_s if s.anew else g.anew_s) if good else LONG_AGO_S
    return Led(stop, direction, s.unknowns, s.inverse if gentle == g.gentle else NO_INVERSE, anew_s, good, gentle)


@part
def solve_landing(lander: Lander, keys: Keys, g: Guided, start: Moment, dt_s: float, first: bool) -> Guided:
    """The landing solved from this state, and the orders that follow."""
    law, steps = g.law, 0
    way = Led(g.stop, g.direction, g.unknowns, g.inverse, g.anew_s, True, g.gentle)
    near = g.stage == BURNING and g.stop.end_s - dt_s < QUARTIC_FROM_S
    if law == TANGENTS:
        way = led_by_tangents(lander, keys, g, start, dt_s, first)
        steps = way.stop.steps
    stop, direction = way.stop, way.direction
    if law == QUARTIC or near or not way.good:
        upright = stop_first(lander, keys, g, start, dt_s, FIRST_ROUNDS if first else ROUNDS)
        steps += upright.stop.steps
        if law == QUARTIC or not way.good or g.stop.end_s - dt_s < QUARTIC_LAST_S or leads_there(upright.stop):
            stop = upright.stop
            room = leaning_less(lander, upright.room)
            direction = way_of_quartic(room, start, stop, max(stop.throttle_frac, g.given_frac))
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
        g.thrust_scale, g.drag_scale, g.wind_m_s, g.lit_part, g.pointing, stop, law, way.unknowns, way.inverse,
        way.anew_s, way.gentle, way.stop.end_s,
    )  # fmt: skip


@kernel
def guide(lander: Lander, keys: Keys, before: Guided, state: Heard) -> Guided:
    """The landing after one more state.

    Args:
        state: later than the one before.
    """
    dt_s = state.time_s - before.time_s
    g = take_in_state(before, lander, keys, state)
    return solve_landing(lander, keys, g, moment_of(g, lander, state), dt_s, False)


class Anew(NamedTuple):
    """A landing solved without a guess, and the integrator steps that this took."""

    guided: Guided
    steps: int


@kernel
def begin(lander: Lander, keys: Keys, state: Heard, lit: bool) -> Anew:
    """The landing at its first state.

    Args:
        lit: the engine burns and the burn has begun.
    """
    axis = state.pointing if norm(state.pointing) > 0.5 else LEVEL_UP
    position, velocity = led_point(state, axis, axis, 1.0, keys.percussion_m)
    filtered = first_filtered(position, velocity, BIAS_SIGMA_M_S2)
    fall_s = first_fall_s(lander, state)
    frac = first_frac(lander, state) if lit else planned_frac(lander, keys)
    stop = Stop(
        0.0 if lit else 0.4 * fall_s, frac, 0.0, 0.0, fall_s, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0),
        state.mass_kg, 0.0, True, 0,
    )  # fmt: skip
    g = Guided(
        state.time_s, filtered, BURNING if lit else FALLING, state.time_s if lit else state.time_s + 1e9, 0,
        frac, axis, frac if lit else keys.idle_frac, LONG_AGO_S, 1.0, 1.0,
        (0.0, 0.0), 1.0, axis, stop, QUARTIC, (0.0, 0.0, 0.0, 0.0, 0.0), NO_INVERSE, LONG_AGO_S, False, fall_s,
    )  # fmt: skip
    return solve_anew(lander, keys, g, moment_of(g, lander, state))


@part
def solve_anew(lander: Lander, keys: Keys, g: Guided, start: Moment) -> Anew:
    """The landing solved without a guess: by the quartic, then by tangents within a narrow bound and the whole one."""
    upright = solve_landing(lander, keys, by_guess(g, g.stop, QUARTIC, g.unknowns, False), start, 0.0, True)
    stop = upright.stop
    if stop.steps > FIRST_STEPS or not stop.stops:
        return Anew(upright, stop.steps)
    guess = first_guess(lander, g, start, stop)
    gentle = solve_landing(lander, keys, by_guess(g, stop, TANGENTS, guess, True), start, 0.0, True)
    if gentle.gentle:
        guess, stop = gentle.unknowns, gentle.stop
    elif upright.stop.steps + gentle.stop.steps > TWO_STEPS:
        return Anew(gentle, upright.stop.steps + gentle.stop.steps)
    full = solve_landing(lander, keys, by_guess(g, stop, TANGENTS, guess, False), start, 0.0, True)
    cheap = start.mass_kg - gentle.stop.mass_kg <= GENTLE_COST * (start.mass_kg - full.stop.mass_kg)
    steps = upright.stop.steps + gentle.stop.steps + full.stop.steps
    return Anew(gentle if gentle.gentle and cheap and leads_there(gentle.stop) else full, steps)


@part
def first_guess(lander: Lander, g: Guided, start: Moment, stop: Stop) -> Five:
    """Unknowns of the tangents, from a landing by the quartic."""
    pressure = drag_and_pressure(lander.air, start.position_m[2], start.velocity_m_s)[1]
    most = push(lander.legs[g.leg], max(stop.throttle_frac, lander.least_frac), pressure, start.mass_kg, 1.0)
    (x, y, _), (u, v, _), end = start.position_m, start.velocity_m_s, max(stop.end_s, LEAST_END_S)
    a, b = first_tangents(x, u, end, most), first_tangents(y, v, end, most)
    return (stop.throttle_frac if g.stage == BURNING else stop.wait_s / end, a[0], b[0], a[1], b[1])


@part
def by_guess(g: Guided, stop: Stop, law: int, guess: Five, gentle: bool) -> Guided:
    """The landing before it is solved by a law from a guess."""
    return Guided(
        g.time_s, g.filtered, g.stage, g.light_at_s, g.leg, g.throttle_frac, g.direction, g.given_frac, g.changed_at_s,
        g.thrust_scale, g.drag_scale, g.wind_m_s, g.lit_part, g.pointing, stop, law, guess, NO_INVERSE, LONG_AGO_S,
        gentle, stop.end_s,
    )  # fmt: skip


@part
def first_frac(lander: Lander, state: Heard) -> float:
    """Guess of the throttle of a burn that is under way: it stops the vehicle evenly over the height that is left."""
    down, height = max(-state.velocity_m_s[2], 0.0), max(state.position_m[2], 1.0)
    wanted = 0.5 * down * down / height - lander.ground.gravity_m_s2[2]
    pressure = drag_and_pressure(lander.air, state.position_m[2], state.velocity_m_s)[1]
    return within(lander.least_frac, wanted / push(lander.legs[0], 1.0, pressure, state.mass_kg, 1.0), lander.most_frac)


@part
def first_fall_s(lander: Lander, state: Heard) -> float:
    """Guess of the seconds to contact: as if the speed were lost evenly."""
    weight = -lander.ground.gravity_m_s2[2]
    down, height = max(-state.velocity_m_s[2], 0.0), max(state.position_m[2], 0.0)
    return max(1.5 * height / max(down, sqrt(0.5 * weight * height), 1.0), 1.0)

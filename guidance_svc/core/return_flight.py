"""The way home predicted: a fall, an entry burn as long as the limits ask for, a fall, and a landing burn to contact.

The landing burn is reckoned against the motion, lit so that it just stops at the height of the contact point.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.fall_flight import (
    AGAINST,
    NO_PUSH,
    Falling,
    Field,
    Gate,
    Load,
    Push,
    Way,
    air_at,
    drag_m_s2,
    fall_step_s,
    fall_to,
    flow_m_s,
    fly_burn,
    greatest_of,
    height_m,
    load_at,
    sink_m_s,
    step_fall,
    thrust_direction,
    worse,
)
from guidance_svc.core.lander import Leg, push_n
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Vec

ENTRY_STEP_S = 2.0  # of the entry burn, at most
LOAD_ROUNDS, LOAD_MET, LENGTH_MET_S = 8, 5e-7, 1e-5
PAST_PEAK = 0.9  # of the greatest load: a fall that has come down to this is past it
LEAST_SPEED_M_S = 100.0  # no entry burn slows the vehicle to less
STOP_SOON = 1.3  # heights of stopping above the contact point, at which the ignition is looked for
WAIT_STEP_S = 1.5
STOP_ROUNDS, STOP_MET_M = 8, 0.02
STOP_SLOPE_S2_M = 18.0  # twice gravity: waiting a second longer costs what is fallen and what is gained meanwhile
LEG_PART, LEG_STEP_S, LAST_LEG_S = 0.3, 2.0, 0.7  # a step of the landing burn: this part of what is left of it
MOST_LEG_STEPS = 60
END_ROUNDS, END_MET_M_S = 4, 1e-3
LEAST_RISE_M_S2 = 0.5
MOST_FALL_STEPS = 150  # of a fall through the air
MOST_TO_ENTRY, MOST_IN_ALL = 320, 500  # of a prediction; one that takes more has no end


class Entry(NamedTuple):
    """An entry burn.

    Args:
        planned: whether there is one.
        lit: it burns already.
        gate: at which it begins.
        delay_s: from there to thrust.
        most_s: longest, by the propellant.
        limit: of dynamic pressure and heating, after it.
    """

    planned: bool
    lit: bool
    gate: Gate
    push: Push
    delay_s: float
    most_s: float
    limit: Load
    lean: tuple[float, float]


class Landing(NamedTuple):
    """A landing burn.

    Args:
        legs: as the descent has them; `throttle_frac` is of those without one of their own.
        contact_m: height of the contact point above the ellipsoid.
    """

    legs: tuple[Leg, Leg, Leg]
    leg_count: int
    throttle_frac: float
    contact_m: float


class Homing(NamedTuple):
    """What stays as it is while a way home is predicted.

    Args:
        glide: tangents of the lean in the last fall.
    """

    field: Field
    entry: Entry
    landing: Landing
    glide: tuple[float, float]


class Home(NamedTuple):
    """A way home as predicted; times from now, positions turn with the body.

    Args:
        entry_at_s, entry_s: begin and length of the entry burn.
        entry_way: unit thrust direction at its begin; the null vector without one.
        light_at_s: begin of the landing burn.
        time_s, position_m, velocity_m_s, mass_kg: at contact.
        load: the greatest after the entry burn, or of the fall without one.
        burn_load: the greatest in the entry burn.
        reached: False where it does not come down, or cannot stop.
        steps: integrator steps.
    """

    entry_at_s: float
    entry_s: float
    entry_way: Vec
    light_at_s: float
    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    load: Load
    burn_load: Load
    reached: bool
    steps: int


@part
def share_of(load: Load, limit: Load) -> float:
    """The load over its limits: 1 where the nearer one is met."""
    return max(load.pressure_pa / limit.pressure_pa, load.heating_w_m2 / limit.heating_w_m2)


@part
def load_after(field: Field, start: Falling) -> tuple[Load, int]:
    """The greatest load of a fall from here, and the steps it took."""
    here, now = start, load_at(field, start)
    before, top, steps = (here.time_s, now), now, start.steps
    while here.steps < steps + MOST_FALL_STEPS:
        there = step_fall(field, NO_PUSH, AGAINST, 0.0, here, fall_step_s(field, here))
        after = load_at(field, there)
        (a, first), t, b = before, here.time_s, there.time_s
        pressure = greatest_of((a - 1e-9, first.pressure_pa), (t, now.pressure_pa), (b, after.pressure_pa))
        heating = greatest_of((a - 1e-9, first.heating_w_m2), (t, now.heating_w_m2), (b, after.heating_w_m2))
        top = worse(top, Load(pressure, heating))
        falls = after.pressure_pa < min(now.pressure_pa, PAST_PEAK * top.pressure_pa)
        cools = after.heating_w_m2 < min(now.heating_w_m2, PAST_PEAK * top.heating_w_m2)
        before, here, now = (here.time_s, now), there, after
        if (falls and cools and sink_m_s(here) > 0.0) or height_m(field, here.position_m) < 0.0:
            break
    return top, here.steps - steps


class Burnt(NamedTuple):
    """An entry burn of the length that the limits ask for."""

    after: Falling
    length_s: float
    load: Load
    burn_load: Load


@part
def entry_burn(field: Field, entry: Entry, start: Falling, guess_s: float) -> Burnt:
    """The entry burn from its begin: as long as the greatest load of the fall after it is above a limit.

    Args:
        guess_s: of its length.
    """
    way = Way((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), entry.lean)
    braking = entry.push.thrust_n / start.mass_kg
    speed = norm(start.velocity_m_s)
    most = max(min(entry.most_s, (speed - LEAST_SPEED_M_S) / braking), 0.0)
    length, before, share_before = min(max(guess_s, 0.0), most), -1.0, 0.0
    slope = -braking / max(speed - braking * length, LEAST_SPEED_M_S)
    after, burn_load = fly_burn(field, entry.push, way, start.time_s, start, length, ENTRY_STEP_S)
    load, steps = load_after(field, after)
    steps += after.steps
    for _ in range(LOAD_ROUNDS):
        share = sqrt(share_of(load, entry.limit)) - 1.0  # as the speed: nearly straight over the length
        if abs(share) < LOAD_MET or steps > MOST_TO_ENTRY:
            break
        if before >= 0.0 and share != share_before:
            found = (share - share_before) / (length - before)
            slope = found if found < 0.0 else slope
        before, share_before = length, share
        length = min(max(length - share / slope, 0.0), most)
        if abs(length - before) < LENGTH_MET_S:
            break
        after, burn_load = fly_burn(field, entry.push, way, start.time_s, start, length, ENTRY_STEP_S)
        steps += after.steps - start.steps
        load, more = load_after(field, after)
        steps += more
    after = Falling(after.time_s, after.position_m, after.velocity_m_s, after.mass_kg, steps)
    return Burnt(after, length, load, burn_load)


@part
def stopping_m(field: Field, landing: Landing, here: Falling) -> float:
    """Height that the landing burn takes from here, roughly."""
    leg, sink = landing.legs[0], sink_m_s(here)
    _, pressure, _ = air_at(field, here.position_m)
    push = push_n(landing.throttle_frac * leg.thrust_n, leg.exit_area_m2, pressure) / here.mass_kg
    flow = flow_m_s(field, here.position_m, here.velocity_m_s)
    drag = norm(drag_m_s2(field, here.position_m, flow, here.mass_kg))
    r = norm(here.position_m)
    left = max(push + 0.5 * drag - field.mu_m3_s2 / (r * r), LEAST_RISE_M_S2)
    return 0.5 * sink * sink / left


@part
def burn_to_rest(field: Field, landing: Landing, start: Falling) -> tuple[Falling, bool]:
    """The landing burn against the motion, to the speed asked for at contact; False where it does not stop."""
    here = start
    for i in range(landing.leg_count):
        leg = landing.legs[i]
        frac = leg.throttle_frac if leg.throttle_frac > 0.0 else landing.throttle_frac
        push = Push(frac * leg.thrust_n, frac * leg.flow_kg_s, leg.exit_area_m2)
        first = here.steps
        while sink_m_s(here) > leg.until_m_s:
            if here.steps > first + MOST_LEG_STEPS:
                return here, False
            _, pressure, _ = air_at(field, here.position_m)
            r = norm(here.position_m)
            rise = push_n(push.thrust_n, push.exit_area_m2, pressure) / here.mass_kg - field.mu_m3_s2 / (r * r)
            left = (sink_m_s(here) - leg.until_m_s) / max(rise, LEAST_RISE_M_S2)
            if left < LAST_LEG_S:
                here = end_of_leg(field, push, here, left, leg.until_m_s)
                break
            here = step_fall(field, push, AGAINST, 0.0, here, min(LEG_PART * left, LEG_STEP_S))
    return here, True


@part
def end_of_leg(field: Field, push: Push, here: Falling, left_s: float, until_m_s: float) -> Falling:
    """The instant at which the sinking has come down to a speed, about `left_s` from here; the direction is held.

    Against a motion that ends in this step there is no direction.
    """
    sink, there, span = sink_m_s(here), here, left_s
    flow = flow_m_s(field, here.position_m, here.velocity_m_s)
    held = Way(thrust_direction(field, AGAINST, 0.0, here.position_m, flow), (0.0, 0.0, 0.0), (0.0, 0.0))
    for k in range(END_ROUNDS):
        there = step_fall(field, push, held, 0.0, here, span)
        lost = sink - sink_m_s(there)
        if lost <= 0.0 or abs(sink - lost - until_m_s) < END_MET_M_S:
            break
        if k + 1 < END_ROUNDS:
            span = min(span * (sink - until_m_s) / lost, 2.0 * left_s)
    return Falling(there.time_s, there.position_m, there.velocity_m_s, there.mass_kg, here.steps + END_ROUNDS)


class Landed(NamedTuple):
    """A landing burn that ends at the height of the contact point."""

    end: Falling
    light_at_s: float
    stops: bool


@part
def land_from(field: Field, landing: Landing, glide: tuple[float, float], start: Falling) -> Landed:
    """The fall to the landing burn, and that."""
    way = Way((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), glide)
    here, begin = start, start.steps
    while here.steps < begin + MOST_FALL_STEPS:
        there = step_fall(field, NO_PUSH, way, 0.0, here, fall_step_s(field, here))
        above = height_m(field, there.position_m) - landing.contact_m
        if sink_m_s(there) > 0.0 and above < STOP_SOON * stopping_m(field, landing, there):
            break
        here = Falling(there.time_s, there.position_m, there.velocity_m_s, there.mass_kg, there.steps)
    above, sink = height_m(field, here.position_m) - landing.contact_m, max(sink_m_s(here), 1.0)
    need = stopping_m(field, landing, here)
    wait, slope = max((above - need) / sink, 0.0), -sink * (1.0 + STOP_SLOPE_S2_M * need / (sink * sink))
    steps, lit, stops, before, high_before = here.steps, here, True, -1.0, 0.0
    end = here
    for _ in range(STOP_ROUNDS):
        lit, _ = fly_burn(field, NO_PUSH, way, 0.0, here, wait, WAIT_STEP_S)
        end, stops = burn_to_rest(field, landing, lit)
        steps += end.steps - here.steps
        high = height_m(field, end.position_m) - landing.contact_m
        stops = stops and steps < MOST_IN_ALL
        if abs(high) < STOP_MET_M or not stops:
            break
        if before >= 0.0 and wait != before:
            found = (high - high_before) / (wait - before)
            slope = found if found < -1.0 else slope
        before, high_before = wait, high
        wait = max(wait - high / slope, 0.0)
        if wait == before:
            break
    end = Falling(end.time_s, end.position_m, end.velocity_m_s, end.mass_kg, steps)
    return Landed(end, lit.time_s, stops)


@kernel
def come_home(homing: Homing, start: Falling, entry_guess_s: float) -> Home:
    """The way home from an instant, without thrust but for the entry and the landing burn.

    Args:
        start: axes that turn with the body; its mass without what it does not bring home.
        entry_guess_s: of the length of the entry burn.
    """
    field, entry, landing, glide = homing
    here, reached, length = start, True, 0.0
    way, load, burn_load = (0.0, 0.0, 0.0), Load(0.0, 0.0), Load(0.0, 0.0)
    at_s = start.time_s
    if entry.planned:
        if not entry.lit:
            here, reached = fall_to(field, entry.gate, here)
            at_s = here.time_s
            if not reached:
                r, v = here.position_m, here.velocity_m_s
                return Home(at_s, 0.0, way, at_s, at_s, r, v, here.mass_kg, load, load, False, here.steps)
            here = step_fall(field, NO_PUSH, AGAINST, 0.0, here, entry.delay_s) if entry.delay_s > 0.0 else here
        flow = flow_m_s(field, here.position_m, here.velocity_m_s)
        way = thrust_direction(field, Way(way, way, entry.lean), 0.0, here.position_m, flow)
        burnt = entry_burn(field, entry, here, entry_guess_s)
        here, length, load, burn_load = burnt
    else:
        load, more = load_after(field, here)
        here = Falling(here.time_s, here.position_m, here.velocity_m_s, here.mass_kg, here.steps + more)
    landed = land_from(field, landing, glide, here)
    end = landed.end
    return Home(
        at_s, length, way, landed.light_at_s, end.time_s, end.position_m, end.velocity_m_s, end.mass_kg, load,
        burn_load, reached and landed.stops, end.steps,
    )  # fmt: skip

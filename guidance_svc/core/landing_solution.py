"""The stopping problem: when to light, and then at which throttle, so that the vehicle stops at the contact point.

One unknown at a time, by the secant method on the predictor; slope and guess are those of the state before, so that a
state costs one or two predictions.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import Lander, Moment, drag_and_pressure, push
from guidance_svc.core.landing_aim import Aim
from guidance_svc.core.landing_flight import Arrival, arrive
from guidance_svc.domain import Vec

ROUNDS = 4  # predictions for one state, at most
FIRST_ROUNDS = 12  # for the first state
MET_M = 5e-4  # of the stop's height: no further prediction is worth its time, ...
MET_FRAC = 1e-5  # ... or this part of the height above
SLOPE_KEPT = 3.0  # times its estimate, or a third of it: a secant slope beyond is none
FLAT_M = 0.02  # below this height the throttle decides nothing any more


class Stop(NamedTuple):
    """A solved landing.

    Args:
        wait_s: to the burn, from now; 0 once it is lit.
        throttle_frac: within the engine's bounds.
        beyond_frac: how far beyond them the throttle should be; 0 within, negative below.
        slope_m: of the stop's height over the unknown: metres per second of waiting, or per unit of throttle.
        end_s: contact, from now.
        position_m, velocity_m_s: landing frame, there; the height is above the contact point, below it if negative.
        mass_kg, rise_m_s2: there.
        stops: False where the thrust does not reach.
        steps: integrator steps that it took.
    """

    wait_s: float
    throttle_frac: float
    beyond_frac: float
    slope_m: float
    end_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    rise_m_s2: float
    stops: bool
    steps: int


@part
def full_push_m_s2(lander: Lander, start: Moment) -> float:
    """Acceleration that the present engines give here at full throttle."""
    pressure = drag_and_pressure(lander.air, start.position_m[2], start.velocity_m_s)[1]
    return push(lander.legs[start.leg], 1.0, pressure, start.mass_kg, start.thrust_scale)


@part
def braking_m_s2(lander: Lander, start: Moment, throttle_frac: float) -> float:
    """What is left of the thrust over the weight, never less than a hundredth of the weight."""
    weight = -lander.ground.gravity_m_s2[2]
    return max(throttle_frac * full_push_m_s2(lander, start) - weight, 0.01 * weight)


@part
def wait_slope_m_s(lander: Lander, start: Moment, throttle_frac: float) -> float:
    """Estimate of how much lower the vehicle stops for a second more of waiting."""
    weight = -lander.ground.gravity_m_s2[2]
    speed = max(-start.velocity_m_s[2], sqrt(max(2.0 * weight * start.position_m[2], 0.0)) * 0.3, 1.0)
    return -speed * (1.0 + weight / braking_m_s2(lander, start, throttle_frac))


@part
def throttle_slope_m(lander: Lander, start: Moment, throttle_frac: float) -> float:
    """Estimate of how much higher the vehicle stops for a unit of throttle more."""
    braking = braking_m_s2(lander, start, throttle_frac)
    speed = start.velocity_m_s[2]
    return max(0.5 * speed * speed / (braking * braking) * full_push_m_s2(lander, start), 1e-3)


@part
def better_slope(before: float, expected: float, x: float, height_change_m: float) -> float:
    """The secant's slope where it makes sense, else that of the state before, else the expected one.

    Args:
        x: change of the unknown, by which the height changed.
    """
    if x != 0.0:
        slope = height_change_m / x
        if SLOPE_KEPT * expected * expected > slope * expected > expected * expected / SLOPE_KEPT:
            return slope
    if SLOPE_KEPT * expected * expected > before * expected > expected * expected / SLOPE_KEPT:
        return before
    return expected


@part
def stop_from(x: tuple[float, float, float], slope: float, arrival: Arrival, steps: int) -> Stop:
    """What the last prediction says; `x` is waiting, throttle and what the throttle lacks."""
    return Stop(
        x[0], x[1], x[2], slope, arrival.time_s, arrival.position_m, arrival.velocity_m_s, arrival.mass_kg,
        arrival.rise_m_s2, arrival.stops, steps,
    )  # fmt: skip


@kernel
def solve_wait(
    lander: Lander, start: Moment, aim: Aim, idle_frac: float, planned_frac: float, guess_s: float, slope_m_s: float,
    iterations: int,
) -> Stop:  # fmt: skip
    """How long to wait for a burn at the planned throttle that stops at the contact point; 0 where it is late already.

    Args:
        idle_frac: throttle until the burn.
        guess_s, slope_m_s: of the state before; slope 0 where there is none.
    """
    wait, steps, before, height_before = max(guess_s, 0.0), 0, 0.0, 0.0
    estimate = wait_slope_m_s(lander, start, planned_frac)
    slope = better_slope(slope_m_s, estimate, 0.0, 0.0)
    met = MET_M + MET_FRAC * abs(start.position_m[2])
    arrival = arrive(lander, start, wait, idle_frac, planned_frac, aim)
    steps += arrival.steps
    for _ in range(iterations - 1):
        height = arrival.position_m[2]
        if abs(height) <= met or (wait == 0.0 and height < 0.0 and arrival.stops):
            break
        slope = better_slope(slope, estimate, wait - before if height_before != 0.0 else 0.0, height - height_before)
        before, height_before = wait, height
        wait = max(wait - height / slope, 0.0) if arrival.stops else 0.5 * wait
        if wait == before:
            break
        aim = Aim(aim.law, arrival.time_s + wait - before, aim.tangent, aim.tangent_rate_s, aim.upright_s)
        arrival = arrive(lander, start, wait, idle_frac, planned_frac, aim)
        steps += arrival.steps
    return stop_from((wait, planned_frac, 0.0), slope, arrival, steps)


@kernel
def solve_throttle(
    lander: Lander, start: Moment, aim: Aim, wait_s: float, guess_frac: float, slope_m: float, iterations: int
) -> Stop:
    """The one throttle with which the burn stops at the contact point, held to the engine's bounds.

    Args:
        wait_s: until thrust comes, after an ignition that has a delay.
        guess_frac, slope_m: of the state before; slope 0 where there is none.
    """
    frac, beyond, steps = min(max(guess_frac, lander.least_frac), lander.most_frac), 0.0, 0
    estimate = throttle_slope_m(lander, start, frac)
    slope = better_slope(slope_m, estimate, 0.0, 0.0)
    before, height_before = 0.0, 0.0
    met = MET_M + MET_FRAC * abs(start.position_m[2])
    arrival = arrive(lander, start, wait_s, 0.0, frac, aim)
    steps += arrival.steps
    for _ in range(iterations - 1):
        height = arrival.position_m[2]
        if abs(height) <= met or start.position_m[2] < FLAT_M:
            break
        slope = better_slope(slope, estimate, frac - before if height_before != 0.0 else 0.0, height - height_before)
        before, height_before = frac, height
        wanted = frac - height / slope if arrival.stops else lander.most_frac
        frac = min(max(wanted, lander.least_frac), lander.most_frac)
        beyond = wanted - frac
        if frac == before:
            break
        aim = Aim(aim.law, arrival.time_s, aim.tangent, aim.tangent_rate_s, aim.upright_s)
        arrival = arrive(lander, start, wait_s, 0.0, frac, aim)
        steps += arrival.steps
    return stop_from((wait_s, frac, beyond), slope, arrival, steps)

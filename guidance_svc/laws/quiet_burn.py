"""A burn of the last stage to orbit in which nothing happens, in numbers that kernels can fly.

What `insertion.follow`, `order` and the major cycle (`insertion_cycle.run_cycle`) come to while the engine burns as it
did, the law is renewed and the propellant reaches, of the same parts in the same order. Whatever else a state or a
cycle brings is not quiet, nor the taper of an engine that throttles back for its end: that is left undone, and flown by
the session (`rehearsal.quiet`).
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from math import inf, log
from typing import NamedTuple

import numpy as np

from guidance_svc.core.arcs import mass_after
from guidance_svc.core.burn_flight import COLUMNS, Arcs, Gravity, arcs_from, end_mass_kg, fill_arcs, mass_in_arc_kg
from guidance_svc.core.burn_state import Tracked
from guidance_svc.core.burns import Motor, Setting, settings_of
from guidance_svc.core.compiled import part
from guidance_svc.core.conditions import Wanted
from guidance_svc.core.estimator import due
from guidance_svc.core.newton import DIRECTION, RESIDUAL_CONVERGED, WHOLE, Law, Task, solve, solve_cutoff
from guidance_svc.core.steering import advance_law
from guidance_svc.core.thrust_line import Known
from guidance_svc.core.vectors import along, norm, scale, unit
from guidance_svc.domain import Vec
from guidance_svc.laws.engine import SETTLE_S, cruise_frac
from guidance_svc.laws.felt import Felt, Learnt, best_place, is_filtered, take_in, track_felt
from guidance_svc.laws.insertion_cycle import DEARER_FRAC, HOLD_RATE_BELOW_S, LEAST_BURN_S, STEPS_A_CYCLE
from guidance_svc.laws.last_seconds import Ending, Finish, aim_cutoff, closing_time_s, tail_m_s, taper_frac
from guidance_svc.laws.limit_learnt import CERTAIN, FULL, STEADY, fits_of, is_new_anchor
from guidance_svc.laws.reach import doubt_of_kg, end_sigma_kg
from guidance_svc.laws.stack import is_burnt_out, motor_as_flown

NOTHING = (0.0, 0.0, 0.0)


class Burning(NamedTuple):
    """What stays as it is.

    Args:
        motor: of the stage by the vehicle file; its throttle's lower end is the plan's.
        stage: its index.
        burnout_kg: mass when it has burnt all it may.
        since_s: when the engine was first seen on.
        most_steps: of computing in a major cycle, and before a reply.
        tick_s: between two states.
    """

    motor: Motor
    stage: int
    burnout_kg: float
    since_s: float
    gravity: Gravity
    wanted: Wanted
    major_cycle_s: float
    most_steps: int
    tick_s: float


class Flown(NamedTuple):
    """A law in force: see `core.steering.Steering`; `kept` says whether there is an inverse."""

    law: Law
    epoch_s: float
    cutoff_s: float
    position_m: Vec
    velocity_m_s: Vec
    position_miss_m: float
    velocity_miss_m_s: float
    gain_m_s: float
    inverse: MutableSequence[float]
    kept: bool


class Quiet(NamedTuple):
    """What changes from state to state.

    Args:
        learnt: of the engine; `flown` is the engine as flown, the file's while `is_flown` is false.
        steady, steady_scale: the engine when its thrust was last constant, and the told scale; of use if `is_steady`.
        solved_at_s: vehicle time of the last major cycle.
        margin_kg, doubt_kg: of the propellant, as of that cycle.
        finish: the last seconds (`last_seconds.NO_FINISH` before them).
        tracked: filter of the states.
    """

    learnt: Learnt
    flown: Motor
    is_flown: bool
    steady: Known
    steady_scale: float
    is_steady: bool
    throttle_frac: float
    force: Flown
    solved_at_s: float
    margin_kg: float
    doubt_kg: float
    finish: Finish
    tracked: Tracked


class Step(NamedTuple):
    """Whether a state or a cycle was quiet, and what it came to; as it was before where it was not."""

    quiet: bool
    after: Quiet


@part
def direction_of(force: Flown, time_s: float) -> Vec:
    """Thrust direction by a law at a vehicle time."""
    return unit(along(force.law.steer, time_s - force.epoch_s, force.law.steer_rate))


@part
def follow_quietly(burning: Burning, before: Quiet, felt: Felt) -> Step:
    """What a state brings: the engine estimate, and the throttle."""
    learnt, flown, is_flown = before.learnt, before.flown, before.is_flown
    steady, steady_scale, is_steady = before.steady, before.steady_scale, before.is_steady
    if felt.time_s - burning.since_s >= SETTLE_S and due(learnt.estimate, felt.time_s, felt.throttle_frac):
        learnt = take_in(learnt, burning.motor, burning.gravity, felt)
        if not learnt.same:
            flown, is_flown = motor_as_flown(burning.motor, learnt.estimate.known, learnt.told_scale), True
        if is_new_anchor(before.learnt.estimate.anchors, learnt.estimate.anchors) and before.throttle_frac >= FULL:
            odds = fits_of(learnt.estimate.anchors).held_odds
            if odds >= CERTAIN:
                return Step(False, before)
            if odds < -STEADY:
                steady, steady_scale, is_steady = learnt.estimate.known, learnt.told_scale, True
    tracked = before.tracked
    if is_filtered(tracked, learnt.estimate, felt.time_s):
        tracked = track_felt(tracked, learnt, burning.motor, burning.gravity, felt, (True, True))
    if is_burnt_out(felt.mass_kg, burning.burnout_kg):
        return Step(False, before)
    cruise = cruise_frac(flown, felt.mass_kg)
    taper = taper_frac(cruise, burning.motor.throttle_min_frac)
    ending = before.finish.time_s > -inf or before.force.cutoff_s - felt.time_s < closing_time_s(cruise, taper)
    after = Quiet(
        learnt, flown, is_flown, steady, steady_scale, is_steady, before.throttle_frac if ending else cruise,
        before.force, before.solved_at_s, before.margin_kg, before.doubt_kg, before.finish, tracked,
    )  # fmt: skip
    if not ending:
        return Step(True, after)
    return Step(False, before) if taper < cruise else finish_quietly(burning, after, felt, cruise)


@part
def finish_quietly(burning: Burning, before: Quiet, felt: Felt, cruise_frac: float) -> Step:
    """A state of the last seconds of an engine that does not throttle back; not quiet where the cutoff is at hand."""
    motor, force, time_s, mass = before.flown, before.force, felt.time_s, felt.mass_kg
    thrust, exhaust = cruise_frac * motor.thrust_n, motor.exhaust_velocity_m_s
    whole = [Setting(mass, max(mass - burning.burnout_kg, 0.0) * exhaust / thrust, thrust, 0.0)]
    to_go = max(force.cutoff_s - time_s, 0.0)
    end_kg = mass_after(mass, thrust, exhaust, 0.0, to_go * before.throttle_frac / cruise_frac)
    tail = tail_m_s(motor, end_kg, cruise_frac)
    place = best_place(before.tracked, time_s, felt.position_m, felt.velocity_m_s)
    task = Task(
        place.position_m, place.velocity_m_s, tail, arcs_from(columns_of(whole, exhaust, burning.stage), 1, 0),
        burning.gravity, burning.wanted, DIRECTION, force.law.steer_rate, NOTHING, burning.most_steps, zeros(1),
    )  # fmt: skip
    a, b, c = along(force.law.steer, time_s - force.epoch_s, force.law.steer_rate)
    d, e, f = scale(burning.wanted.time_s, force.law.steer_rate)
    found = solve_cutoff(task, [a, b, c, d, e, f, to_go / burning.wanted.time_s])
    gain = exhaust * log(mass / mass_after(mass, thrust, exhaust, 0.0, found.law.burn_s))
    aimed = aim_cutoff(
        before.finish, Ending(motor, cruise_frac, burning.motor.throttle_min_frac), time_s, mass, gain
    )
    if not aimed.cutoff_s - time_s > 2.0 * burning.tick_s:
        return Step(False, before)
    force = Flown(
        found.law, time_s, aimed.cutoff_s, found.arrival.position_m, found.arrival.velocity_m_s, found.position_miss_m,
        found.velocity_miss_m_s, found.arrival.gain_m_s, zeros(0), False,
    )  # fmt: skip
    return Step(True, Quiet(
        before.learnt, before.flown, before.is_flown, before.steady, before.steady_scale, before.is_steady,
        aimed.throttle_frac, force, time_s, before.margin_kg, before.doubt_kg, aimed.finish, before.tracked,
    ))  # fmt: skip


class Left(NamedTuple):
    """What is left to burn: arcs, the part of their time that no law shortens, speed of the tail-off."""

    arcs: Arcs
    fixed_s: float
    tail_m_s: float


@part
def left_to_burn(burning: Burning, now: Quiet, time_s: float, mass_kg: float) -> Left:
    """The arcs from a mass to burnout, with the taper at the end, and the tail-off by the law in force."""
    flown, burnout, lowest = now.flown, burning.burnout_kg, burning.motor.throttle_min_frac
    settings = settings_of(flown, mass_kg, burnout)
    cruise = cruise_frac(flown, burnout)
    taper, fixed_s = taper_frac(cruise, lowest), 0.0
    last_kg, count = settings[-1].mass_kg, len(settings)
    if taper < cruise:
        fixed_s, last_kg = closing_time_s(cruise, taper), burnout
        settings.append(Setting(burnout, fixed_s, taper * flown.thrust_n, 0.0))
    arcs = arcs_from(columns_of(settings, flown.exhaust_velocity_m_s, burning.stage), count, count - 1)
    if flown.tail_off_impulse_n_s == 0.0:
        return Left(arcs, fixed_s, 0.0)
    end_kg = end_mass_kg(arcs, max(max(now.force.cutoff_s - time_s, 0.0) - fixed_s, 0.0))
    return Left(arcs, fixed_s, tail_m_s(flown, end_kg, taper_frac(cruise_frac(flown, last_kg), lowest)))


@part
def zeros(count: int) -> MutableSequence[float]:
    """Numbers as compiled code holds a sequence of any length."""
    return np.zeros(count)  # type: ignore[return-value]


@part
def columns_of(settings: Sequence[Setting], exhaust_velocity_m_s: float, stage: int) -> MutableSequence[float]:
    """The columns of `core.burn_flight.Arcs`, one after another."""
    count = len(settings)
    out = zeros(COLUMNS * count)
    for k in range(count):
        s = settings[k]
        out[k], out[count + k], out[2 * count + k] = s.mass_kg, s.duration_s, s.thrust_n
        out[3 * count + k], out[4 * count + k], out[5 * count + k] = exhaust_velocity_m_s, s.held_m_s2, float(stage)
    return out


@part
def solve_quietly(
    burning: Burning, before: Quiet, time_s: float, position_m: Vec, velocity_m_s: Vec, mass_kg: float
) -> Step:
    """One major cycle: the law renewed, and the margin; not quiet where the law fails, costs more, or is short."""
    force, wanted = before.force, burning.wanted
    place = best_place(before.tracked, time_s, position_m, velocity_m_s)
    left = left_to_burn(burning, before, time_s, mass_kg)
    start = advance_law(force.law, time_s - force.epoch_s, place.position_m, burning.gravity.mu_m3_s2)
    burn_s = max(force.cutoff_s - time_s - left.fixed_s, LEAST_BURN_S)
    steer, rate, held, unknowns = start.steer, start.steer_rate, start.steer_rate, DIRECTION
    if force.cutoff_s - time_s >= HOLD_RATE_BELOW_S:
        over = 1.0 / norm(steer)
        steer, rate, held, unknowns = scale(over, steer), scale(over, rate), NOTHING, WHOLE
    rows = unknowns if unknowns == WHOLE or wanted.plane > 0 else unknowns - 1
    kept = force.kept and len(force.inverse) == rows * unknowns
    inverse = zeros(rows * unknowns)
    for k in range(rows * unknowns if kept else 0):
        inverse[k] = force.inverse[k]
    task = Task(
        place.position_m, place.velocity_m_s, left.tail_m_s, left.arcs, burning.gravity, wanted, unknowns, held,
        NOTHING, burning.most_steps, zeros(1),
    )  # fmt: skip
    (a, b, c), (d, e, f) = steer, scale(wanted.time_s, rate)
    found = solve(task, [a, b, c, d, e, f, burn_s / wanted.time_s], inverse, kept, STEPS_A_CYCLE)
    dearer = found.arrival.gain_m_s > (1.0 + DEARER_FRAC) * force.gain_m_s
    if not found.finite or not found.residual < RESIDUAL_CONVERGED or (unknowns == WHOLE and dearer):
        return Step(False, before)
    force = Flown(
        found.law, time_s, time_s + found.arrival.total_s, found.arrival.position_m, found.arrival.velocity_m_s,
        found.position_miss_m, found.velocity_miss_m_s, found.arrival.gain_m_s, inverse, found.kept,
    )  # fmt: skip
    end_kg = end_mass_kg(left.arcs, found.law.burn_s)
    sigma_kg, estimate = 0.0, before.learnt.estimate
    if estimate.noise.freedom > 0.0:
        share, exhaust = share_of(left.arcs, found.law.burn_s), before.flown.exhaust_velocity_m_s
        sigma_kg = end_sigma_kg(estimate.noise, estimate.known, share, end_kg, mass_kg, exhaust)
    margin_kg, doubt_kg = end_kg - burning.burnout_kg, doubt_of_kg(sigma_kg, burning.burnout_kg)
    if not margin_kg >= -doubt_kg:
        return Step(False, before)
    return Step(True, Quiet(
        before.learnt, before.flown, before.is_flown, before.steady, before.steady_scale, before.is_steady,
        before.throttle_frac, force, time_s, margin_kg, doubt_kg, before.finish, before.tracked,
    ))  # fmt: skip


@part
def share_of(arcs: Arcs, burn_s: float) -> float:
    """Speed gain of a burn over the exhaust velocity."""
    parts, share = fill_arcs(arcs, burn_s), 0.0
    for j in range(len(parts.arc)):
        i, begins_kg = parts.arc[j], parts.begins_kg[j]
        exhaust = arcs.exhaust_velocity_m_s[i]
        share += exhaust * log(begins_kg / mass_in_arc_kg(arcs, i, begins_kg, parts.lasts_s[j])) / exhaust
    return share

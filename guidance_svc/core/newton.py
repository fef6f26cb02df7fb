"""Newton's method for a steering law, in numbers: the whole of it is compiled where numba is there.

Seven unknowns: steering vector p, its rate p' (times `Wanted.time_s`), burn time (over `Wanted.time_s`). In the mode
DIRECTION p' follows from p, and four are free. The inverse of the Jacobian is kept from call to call, brought up to
date by each step (core.linear.learn_step), and found anew by differences where a step with it gains too little.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from math import isfinite
from typing import Any, NamedTuple

from guidance_svc.core.burn_flight import Arcs, Arrival, Gravity, arcs_from, fly_burn
from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.conditions import (
    Wanted,
    add_position,
    add_stationary,
    add_velocity,
    energy_excess,
    length_of,
)
from guidance_svc.core.effort import ROTATION_STEPS, SOLUTION_STEPS
from guidance_svc.core.linear import learn_step, product, set_pseudo_inverse
from guidance_svc.core.vectors import add, cross, dot
from guidance_svc.domain import Vec

RESIDUAL_MET = 3e-8  # 20 cm, 0.2 mm/s: no further step is worth its time
RESIDUAL_CONVERGED = 3e-6  # 20 m, 2 cm/s: the law is the true one; the next cycles take the rest off
DIFFERENCE = 1e-6  # of the dimensionless unknowns in the Jacobian
KEPT_GAIN = 0.1  # a kept Jacobian is good enough while its step shrinks the residual to this part
LEAST_BURN = 1e-7  # dimensionless
SHORTENINGS = 4  # of a step that does not help

STEP_PREDICTIONS = 8  # at most in one Newton step, besides one for each unknown
SOLVE_STEPS = 1200  # in one call, after which no further Newton step is begun; the usual one takes 40 to 1000
KEPT_STEPS = 1  # what a step with a kept Jacobian costs besides its prediction
CUTOFF_ROUNDS = 3  # of the secant on the cutoff alone
CUTOFF_DIFFERENCE_S = 1e-3

MOST_UNKNOWNS = 7
WHOLE, DIRECTION = 7, 4  # unknowns in the two modes


class Task(NamedTuple):
    """What stays as it is while a law is solved.

    Args:
        unknowns: WHOLE or DIRECTION.
        held_rate: p', in the mode DIRECTION, with ...
        turning: ... the part `turning` x p added.
        most_steps: beyond this count nothing further is computed (core.effort).
        counted: one number, the steps so far: it outlives an exception from the middle of the search.
    """

    position_m: Vec
    velocity_m_s: Vec
    tail_m_s: float
    arcs: Arcs
    gravity: Gravity
    wanted: Wanted
    unknowns: int
    held_rate: Vec
    turning: Vec
    most_steps: int
    counted: MutableSequence[float]


class Law(NamedTuple):
    """Steering vector, its rate (1/s), burn time."""

    steer: Vec
    steer_rate: Vec
    burn_s: float


class Point(NamedTuple):
    """One place of the search: unknowns, what the conditions lack there, and where the law leads."""

    x: list[float]
    rows: list[float]
    arrival: Arrival


class Solved(NamedTuple):
    """The outcome.

    Args:
        position_miss_m, velocity_miss_m_s: left at cutoff, of the conditions that the target sets.
        residual: the largest of all conditions.
        finite: False where the search met infinity or NaN; the rest is then of no use.
        kept: whether the inverse of the Jacobian is good for the next call.
    """

    law: Law
    arrival: Arrival
    position_miss_m: float
    velocity_miss_m_s: float
    residual: float
    finite: bool
    kept: bool


@part
def law_at(task: Task, x: Sequence[float]) -> Law:
    """The law that the unknowns mean."""
    k = 1.0 / task.wanted.time_s
    steer = (x[0], x[1], x[2])
    rate = (x[3] * k, x[4] * k, x[5] * k)
    if task.unknowns == DIRECTION:
        rate = add(task.held_rate, cross(task.turning, steer))
    return Law(steer, rate, x[6] * task.wanted.time_s)


@part
def point_at(task: Task, x: list[float]) -> Point:
    """Fly the law that the unknowns mean, count it, and see what the conditions lack."""
    law = law_at(task, x)
    arrival = fly_burn(
        task.position_m, task.velocity_m_s, law.steer, law.steer_rate, law.burn_s, task.tail_m_s, task.arcs,
        task.gravity,
    )  # fmt: skip
    task.counted[0] += arrival.steps
    rows = [0.0] * 0
    add_velocity(rows, task.wanted, arrival, task.gravity.mu_m3_s2)
    if task.unknowns == WHOLE:
        add_position(rows, task.wanted, arrival)
        add_stationary(
            rows, task.wanted, arrival, task.position_m, task.velocity_m_s, law.steer, law.steer_rate
        )
    rows.append(dot(law.steer, law.steer) - 1.0)
    return Point(x, rows, arrival)


@part
def place_of(k: int, unknowns: int) -> int:
    """Where the k-th free unknown stands among the seven: the burn time is the last of both modes."""
    return MOST_UNKNOWNS - 1 if k == unknowns - 1 else k


@part
def move_unknowns(x: Sequence[float], step: Sequence[float], part: float) -> list[float]:
    """Unknowns moved by a part of a step of the free ones."""
    out = list(x)
    for k in range(len(step)):
        out[place_of(k, len(step))] += part * step[k]
    return out


@part
def largest_of(rows: Sequence[float]) -> float:
    """The largest amount; NaN where there is one."""
    most = 0.0
    for row in rows:
        if not abs(row) <= most:
            most = abs(row)
            if most != most:
                return most
    return most


@part
def set_inverse_at(task: Task, here: Point, inverse: MutableSequence[float]) -> bool:
    """Write the inverse of the Jacobian, found by differences; returns whether it is finite."""
    count, rows = task.unknowns, len(here.rows)
    slope = [0.0] * (rows * count)
    task.counted[0] += SOLUTION_STEPS
    for k in range(count):
        x = move_unknowns(here.x, here.rows[0:0], 0.0)
        x[place_of(k, count)] += DIFFERENCE
        beside = point_at(task, x)
        for i in range(rows):
            slope[i * count + k] = (beside.rows[i] - here.rows[i]) / DIFFERENCE
        if task.counted[0] > task.most_steps:
            return True
    if not isfinite(length_of(slope)):
        return False
    task.counted[0] += ROTATION_STEPS * set_pseudo_inverse(slope, rows, count, inverse)
    return True


@part
def bounded_step(task: Task, ahead: Sequence[float], first_burn: float) -> list[float]:
    """The step against `ahead` (inverse times residual), shortened to what one step may change.

    Args:
        first_burn: burn time of the guess, dimensionless.
    """
    count = task.unknowns
    turn, rate, burn, least = (0.4, 0.8, 0.15, 1e-3) if count == WHOLE else (0.2, 0.2, 0.2, 1e-4)
    over = 1.0
    for k in range(count):
        limit = turn if k < 3 else rate
        if k == count - 1:
            limit = burn * max(first_burn, least)
        over = max(over, abs(ahead[k]) / limit)
    return [-value / over for value in ahead]


@part
def newton_step(task: Task, here: Point, inverse: Sequence[float], first_burn: float) -> Point:
    """One Newton step, bounded, and shortened while it does not help."""
    step = bounded_step(task, product(inverse, here.rows, task.unknowns), first_burn)
    size, part = length_of(here.rows), 1.0
    for _ in range(SHORTENINGS + 1):  # one call for all: each is compiled in
        trial = point_at(task, move_unknowns(here.x, step, part))
        if length_of(trial.rows) < size or task.counted[0] > task.most_steps:
            break
        part *= 0.4
    return trial


@part
def solve(
    task: Task, start: list[float], inverse: MutableSequence[float], kept: bool, iterations: int
) -> Solved:
    """Newton from a start until the conditions are met, or the steps are used up.

    Args:
        inverse: of the last call's Jacobian (unknowns x rows); overwritten by this one's.
        kept: whether it holds one.
    """
    first_burn = start[6]
    here = point_at(task, start)
    needed = (task.unknowns + STEP_PREDICTIONS) * here.arrival.steps + 3 * SOLUTION_STEPS
    finite = True
    for _ in range(iterations):
        left = task.most_steps - task.counted[0]
        room = task.counted[0] <= SOLVE_STEPS and left >= needed
        kept_room = kept and left >= 2 * here.arrival.steps + KEPT_STEPS  # for a step with the kept Jacobian alone
        if largest_of(here.rows) < RESIDUAL_MET or not (room or kept_room):
            break
        if not isfinite(length_of(here.rows)):
            finite = False
            break
        moved_on = False
        if kept:
            ahead = product(inverse, here.rows, task.unknowns)
            step = [-value for value in ahead]
            trial = point_at(task, move_unknowns(here.x, step, 1.0))
            task.counted[0] += KEPT_STEPS
            if length_of(trial.rows) < KEPT_GAIN * length_of(here.rows):
                learn_step(inverse, step, product(inverse, trial.rows, task.unknowns), len(trial.rows))
                here, moved_on = trial, True
        if not moved_on and not room:
            break
        if not moved_on:
            finite = set_inverse_at(task, here, inverse)
            if not finite or task.counted[0] > task.most_steps:
                break
            kept = True
            here = newton_step(task, here, inverse, first_burn)
        here.x[6] = max(here.x[6], LEAST_BURN)
    return solve_at(task, here, finite, kept)


@part
def solve_at(task: Task, here: Point, finite: bool, kept: bool) -> Solved:
    """What is found at a point."""
    place, speed = [0.0] * 0, [0.0] * 0
    add_position(place, task.wanted, here.arrival)
    add_velocity(speed, task.wanted, here.arrival, task.gravity.mu_m3_s2)
    return Solved(
        law_at(task, here.x), here.arrival, task.wanted.length_m * length_of(place),
        task.wanted.speed_m_s * length_of(speed), largest_of(here.rows), finite, kept,
    )  # fmt: skip


@part
def solve_cutoff(task: Task, start: list[float]) -> Solved:
    """The burn time alone, on orbital energy, with the direction held."""
    x, excess = list(start), 0.0
    beside = CUTOFF_DIFFERENCE_S / task.wanted.time_s
    for k in range(2 * CUTOFF_ROUNDS + 1):  # one call for all: each is compiled in
        here = point_at(task, move_unknowns(x, [beside if k % 2 else 0.0], 1.0))
        if k == 2 * CUTOFF_ROUNDS or task.counted[0] > task.most_steps:
            break
        now = energy_excess(task.wanted, here.arrival, task.gravity.mu_m3_s2)
        if k % 2 == 0:
            excess = now
        else:
            x[6] = max(x[6] - excess / (now - excess) * beside, 0.0)
    return solve_at(task, here, True, False)


Place = tuple[Vec, Vec, float]
Counts = tuple[int, int]
Way = tuple[int, Vec, Vec, int]
Found = tuple[Vec, Vec, float, float, Vec, Vec, float, float, float, float, bool, bool]


@part
def task_from(
    place: Place, flat_arcs: Sequence[float], counts: Counts, gravity: tuple[float, float, float],
    wanted: tuple[Any, ...], way: Way, counted: MutableSequence[float],
) -> Task:  # fmt: skip
    """A task from plain tuples: named ones take five times as long to cross into compiled code.

    Args:
        place: position, velocity, speed of the tail-off.
        flat_arcs, counts: see `arcs_from`.
        gravity, wanted: the fields of `Gravity` and `Wanted`.
        way: unknowns, held rate, turning, most steps, as in `Task`.
        counted: as in `Task`.
    """
    position_m, velocity_m_s, tail_m_s = place
    open_count, last_burn = counts
    unknowns, held_rate, turning, most_steps = way
    arcs = arcs_from(flat_arcs, open_count, last_burn)
    return Task(
        position_m, velocity_m_s, tail_m_s, arcs, Gravity(*gravity), Wanted(*wanted), unknowns, held_rate, turning,
        most_steps, counted,
    )  # fmt: skip


@part
def as_plain(s: Solved) -> Found:
    """The same as a plain tuple."""
    a = s.arrival
    return (
        s.law.steer, s.law.steer_rate, s.law.burn_s, a.total_s, a.position_m, a.velocity_m_s, s.position_miss_m,
        s.velocity_miss_m_s, a.gain_m_s, s.residual, s.finite, s.kept,
    )  # fmt: skip


@kernel
def solve_plain(
    place: Place, flat_arcs: Sequence[float], counts: Counts, gravity: tuple[float, float, float],
    wanted: tuple[Any, ...], way: Way, start: tuple[float, ...], inverse: MutableSequence[float], kept: bool,
    iterations: int, counted: MutableSequence[float],
) -> Found:  # fmt: skip
    """`solve`, or with no iterations at all `solve_cutoff`, from plain tuples."""
    task = task_from(place, flat_arcs, counts, gravity, wanted, way, counted)
    x = list(start)
    if iterations == 0:
        return as_plain(solve_cutoff(task, x))
    return as_plain(solve(task, x, inverse, kept, iterations))


@kernel
def hard_rows(
    place: Place, flat_arcs: Sequence[float], counts: Counts, gravity: tuple[float, float, float],
    wanted: tuple[Any, ...], law: tuple[Vec, Vec, float], counted: MutableSequence[float],
) -> tuple[list[float], Vec, Vec]:  # fmt: skip
    """What a law lacks of the conditions that the target sets and of |p| = 1, and where it leads."""
    steer, steer_rate, burn_s = law
    nothing = (0.0, 0.0, 0.0)
    task = task_from(place, flat_arcs, counts, gravity, wanted, (WHOLE, nothing, nothing, 0), counted)
    k = task.wanted.time_s
    (a, b, c), (d, e, f) = steer, steer_rate
    rows = [0.0] * 0
    arrival = point_at(task, [a, b, c, d * k, e * k, f * k, burn_s / k]).arrival
    add_velocity(rows, task.wanted, arrival, task.gravity.mu_m3_s2)
    add_position(rows, task.wanted, arrival)
    rows.append(dot(steer, steer) - 1.0)
    return rows, arrival.position_m, arrival.velocity_m_s

"""A landing by linear tangents: throttle or waiting time and the lean solved together, by Newton's method.

Five unknowns: the waiting time over the time to contact (while falling) or the throttle (while burning), the tangents
of the lean towards east and north now, and those at contact, between which they change evenly. Five conditions at the
end of the predicted landing: height, place and level speed. Where thrust is constant and the air thin this is the
direction of least propellant; the bound of the lean cuts it off.

Source: D. F. Lawden, Optimal Trajectories for Space Navigation (1963), chapter 5; Newton's method with the inverse kept
up to date as in core.newton.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from math import sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import Lander, Moment
from guidance_svc.core.landing_aim import TANGENTS, Aim
from guidance_svc.core.landing_flight import Arrival, arrive
from guidance_svc.core.linear import learn_step, product, set_inverse

COUNT = 5
DAMPING = 1e-7  # of the largest square
DIFFERENCE = 1e-5  # of the unknowns in the Jacobian
MET_M = 2e-3  # of what the conditions lack: no further step is worth its time, ...
MET_FRAC = 2e-5  # ... or this part of the height above
KEPT_GAIN = 0.5  # a kept inverse is good enough while its step shrinks what is lacking to this part, ...
KEPT_MISS = 10.0  # ... or leaves no more than so many times what is met, by which a landing counts as found
MOST_CHANGE = 0.7  # of a tangent in one step ...
MOST_PART = 0.1  # ... and of waiting time or throttle
SHORTENINGS = 5  # of a step that does not help
SHORTER = 0.4
LEAST_END_S = 0.5

Five = tuple[float, float, float, float, float]


class Ask(NamedTuple):
    """What is known beforehand.

    Args:
        waits: whether the waiting time is sought, not the throttle.
        end_s: to contact, as the state before had it.
        idle_frac: throttle until the burn.
        planned_frac: throttle of the burn, while the waiting time is sought.
        wait_s: to the burn, while the throttle is sought.
        upright_s: see Aim.
    """

    waits: bool
    end_s: float
    idle_frac: float
    planned_frac: float
    wait_s: float
    upright_s: float


class Slanting(NamedTuple):
    """A landing by tangents.

    Args:
        unknowns: see above.
        inverse: of the Jacobian, row after row; zeros where there is none.
        anew: whether it was found anew.
        miss_m: what the conditions lack, speeds times half the time to contact.
        steps: integrator steps that it took.
    """

    unknowns: Five
    inverse: tuple[float, ...]
    anew: bool
    arrival: Arrival
    miss_m: float
    steps: int


NO_INVERSE = (0.0,) * (COUNT * COUNT)


class Trial(NamedTuple):
    """One place of the search: what the conditions lack there, m, and where it leads."""

    rows: list[float]
    arrival: Arrival
    miss_m: float


@part
def try_unknowns(lander: Lander, start: Moment, ask: Ask, x: Sequence[float]) -> Trial:
    """Fly what the unknowns mean."""
    end = ask.end_s
    aim = Aim(TANGENTS, end, (x[1], x[2]), ((x[3] - x[1]) / end, (x[4] - x[2]) / end), ask.upright_s)
    wait = max(x[0] * end, 0.0) if ask.waits else ask.wait_s
    arrival = arrive(lander, start, wait, ask.idle_frac, ask.planned_frac if ask.waits else max(x[0], 1e-3), aim)
    (a, b, c), (u, v, _) = arrival.position_m, arrival.velocity_m_s
    k = 0.5 * end
    rows = [c, a, b, k * u, k * v]
    return Trial(rows, arrival, sqrt(a * a + b * b + c * c + k * k * (u * u + v * v)))


@part
def find_inverse(
    lander: Lander, start: Moment, ask: Ask, x: Sequence[float], here: Trial, inverse: MutableSequence[float]
) -> int:
    """Write the inverse of the Jacobian, by differences; returns the integrator steps, less than none if singular."""
    slope = [0.0] * (COUNT * COUNT)
    steps = 0
    for k in range(COUNT):
        beside = list(x)
        beside[k] += DIFFERENCE
        there = try_unknowns(lander, start, ask, beside)
        steps += there.arrival.steps
        for i in range(COUNT):
            slope[i * COUNT + k] = (there.rows[i] - here.rows[i]) / DIFFERENCE
    return steps if set_damped_inverse(slope, inverse) else -steps


@part
def set_damped_inverse(slope: Sequence[float], inverse: MutableSequence[float]) -> bool:
    """Write (J'J + d)^-1 J' into `inverse`, so that what the unknowns hardly move is left to itself.

    Returns:
        False where nothing moves.

    Source: K. Levenberg, A Method for the Solution of Certain Non-Linear Problems in Least Squares, Quarterly of
    Applied Mathematics 2 (1944), 164-168.
    """
    normal, upside = [0.0] * (COUNT * COUNT), [0.0] * (COUNT * COUNT)
    most = 0.0
    for i in range(COUNT):
        for j in range(COUNT):
            total = 0.0
            for k in range(COUNT):
                total += slope[k * COUNT + i] * slope[k * COUNT + j]
            normal[i * COUNT + j] = total
        most = max(most, normal[i * COUNT + i])
    for i in range(COUNT):
        normal[i * COUNT + i] += DAMPING * most
    if not set_inverse(normal, COUNT, upside):
        return False
    for i in range(COUNT):
        for j in range(COUNT):
            total = 0.0
            for k in range(COUNT):
                total += upside[i * COUNT + k] * slope[j * COUNT + k]
            inverse[i * COUNT + j] = total
    return True


@part
def shorten_step(ahead: Sequence[float]) -> list[float]:
    """The step against `ahead`, shortened to what one step may change."""
    over = max(abs(ahead[0]) / MOST_PART, 1.0)
    for k in range(1, COUNT):
        over = max(over, abs(ahead[k]) / MOST_CHANGE)
    return [-value / over for value in ahead]


@part
def moved_by(x: Sequence[float], step: Sequence[float], part: float) -> list[float]:
    """Unknowns after a part of a step."""
    return [x[k] + part * step[k] for k in range(COUNT)]


class Search(NamedTuple):
    """Where the search is: unknowns, what they lead to, steps so far, and whether it goes on."""

    x: list[float]
    here: Trial
    steps: int
    goes_on: bool


@part
def kept_step(
    lander: Lander, start: Moment, ask: Ask, at: Search, inverse: MutableSequence[float]
) -> Search:
    """A step with the kept inverse, where it helps; it does not go on where it gains too little."""
    step = shorten_step(product(inverse, at.here.rows, COUNT))
    x = moved_by(at.x, step, 1.0)
    trial = try_unknowns(lander, start, ask, x)
    steps = at.steps + trial.arrival.steps
    if trial.miss_m >= at.here.miss_m:
        return Search(at.x, at.here, steps, False)
    learn_step(inverse, step, product(inverse, trial.rows, COUNT), COUNT)
    return Search(x, trial, steps, trial.miss_m < KEPT_GAIN * at.here.miss_m)


@part
def fresh_step(lander: Lander, start: Moment, ask: Ask, at: Search, inverse: MutableSequence[float]) -> Search:
    """A step with the inverse found anew, shortened while it does not help."""
    spent = find_inverse(lander, start, ask, at.x, at.here, inverse)
    steps = at.steps + abs(spent)
    if spent <= 0:
        return Search(at.x, at.here, steps, False)
    step, part_ = shorten_step(product(inverse, at.here.rows, COUNT)), 1.0
    for _ in range(SHORTENINGS):
        x = moved_by(at.x, step, part_)
        trial = try_unknowns(lander, start, ask, x)
        steps += trial.arrival.steps
        if trial.miss_m < at.here.miss_m and trial.arrival.stops:
            break
        part_ *= SHORTER
    return Search(x, trial, steps, True)


@kernel
def solve_tangents(
    lander: Lander, start: Moment, ask: Ask, guess: Five, kept: tuple[float, ...], iterations: int, most_steps: int,
    may_rebuild: bool,
) -> Slanting:  # fmt: skip
    """Newton from a guess until the conditions are met, or iterations or steps are used up.

    Args:
        kept: the inverse of the state before; zeros where there is none.
        may_rebuild: whether the inverse may be found anew where the kept one does not lead on; one that is missing is.
    """
    met = MET_M + MET_FRAC * abs(start.position_m[2])
    x, inverse = [guess[k] for k in range(COUNT)], [kept[k] for k in range(COUNT * COUNT)]
    has = kept[0] != 0.0 or kept[1] != 0.0 or kept[2] != 0.0
    here, anew = try_unknowns(lander, start, ask, x), False
    at = Search(x, here, here.arrival.steps, True)
    for _ in range(iterations):
        if at.here.miss_m <= met or at.steps > most_steps or not at.here.arrival.stops:
            break
        if has:
            at = kept_step(lander, start, ask, at, inverse)
            if at.goes_on:
                continue
            if not may_rebuild or at.here.miss_m <= KEPT_MISS * met:
                break
        at = fresh_step(lander, start, ask, at, inverse)
        has, anew = at.goes_on, True
        if not has:
            break
    x = at.x
    return Slanting(
        (x[0], x[1], x[2], x[3], x[4]), as_numbers(inverse) if has else NO_INVERSE, anew, at.here.arrival,
        at.here.miss_m, at.steps,
    )  # fmt: skip


@part
def as_numbers(a: Sequence[float]) -> tuple[float, ...]:
    """The inverse as it is kept: numba makes no tuple of a list."""
    return (
        a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7], a[8], a[9], a[10], a[11], a[12], a[13], a[14], a[15], a[16],
        a[17], a[18], a[19], a[20], a[21], a[22], a[23], a[24],
    )  # fmt: skip


@part
def is_found(miss_m: float, height_m: float) -> bool:
    """Whether the conditions are met well enough for a landing from this height."""
    return miss_m <= KEPT_MISS * (MET_M + MET_FRAC * abs(height_m))


@part
def first_tangents(position_m: float, velocity_m_s: float, end_s: float, push_m_s2: float) -> tuple[float, float]:
    """A guess along one axis, now and at contact: the way of least effort, as if nothing but the push acted.

    Source: C. N. D'Souza, An Optimal Guidance Law for Planetary Landing, AIAA 97-3709, 1997.

    >>> first_tangents(-100.0, 0.0, 10.0, 6.0)
    (1.0, -1.0)
    """
    miss, speed = -position_m - velocity_m_s * end_s, -velocity_m_s
    k = 1.0 / push_m_s2
    now = 6.0 * miss / (end_s * end_s) - 2.0 * speed / end_s
    return k * now, k * (4.0 * speed / end_s - 6.0 * miss / (end_s * end_s))


@part
def later(x: Five, since_s: float, end_s: float, waits: bool) -> Five:
    """The unknowns of the state before as they are now.

    Args:
        end_s: to contact, at the state before.
    """
    left = max(end_s - since_s, LEAST_END_S)
    gone = min(since_s / max(end_s, LEAST_END_S), 1.0)
    first = max(x[0] * end_s - since_s, 0.0) / left if waits else x[0]
    return (first, x[1] + (x[3] - x[1]) * gone, x[2] + (x[4] - x[2]) * gone, x[3], x[4])

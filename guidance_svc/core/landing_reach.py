"""How far a landing can be led aside: the farthest contact point in a direction, and an ellipse laid through four.

The thrust leans first towards the direction and then against it, along linear tangents as a landing's own
(core.landing_tangents), cut off by the bound of the lean. The steeper the tangents, the farther the vehicle comes to
rest; how steep they can be is found step by step, from cycle to cycle, until bound, turning, propellant or throttle end
it. For each steepness three unknowns are solved by Newton's method: the waiting time or the throttle, and how much of
each level speed is taken off.

Source: D. F. Lawden, Optimal Trajectories for Space Navigation (1963), chapter 5; support functions of convex sets:
R. T. Rockafellar, Convex Analysis (1970), section 13 (both from memory).
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from math import cos, hypot, pi, sin, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import Lander, Moment, most_slant
from guidance_svc.core.landing_ahead import instant_ahead
from guidance_svc.core.landing_aim import TANGENTS, Aim
from guidance_svc.core.landing_flight import Arrival, arrive
from guidance_svc.core.landing_guide import FULL_UPRIGHT_S, planned_frac
from guidance_svc.core.landing_state import FALLING, Guided, Keys
from guidance_svc.core.landing_tangents import LEAST_END_S, Ask
from guidance_svc.core.linear import learn_step, product, set_inverse

COUNT = 3
SHARPEST = 8.0  # times the bound of the lean: steeper tangents lead no farther that counts
FIRST_SHARP, LEAST_SHARP = 1.0, 0.2
MOST_GROWTH, AGAIN_GROWTH, LEAST_GROWTH = 1.7, 1.2, 0.7  # of the steepness from search to search
SLOWER = 0.5  # of it, where nothing is found at all
ALIKE = 1.02  # a growth below it is none
SPARE_PART = 0.02  # of the propellant that may be spent: met so well
DIFFERENCE = 2e-2  # of the unknowns in the Jacobian
MET_M, MET_FRAC = 0.3, 2e-3  # of what the conditions lack, and this part of the height above
KEPT_GAIN = 0.5  # a kept inverse is good enough while its step shrinks what is lacking to this part
MOST_CHANGE = 0.3  # of an unknown in one step
SHORTENINGS, SHORTER = 4, 0.4  # of a step that does not help
FIRST_STEPS, NEXT_STEPS = 600, 400  # integrator steps beyond which no further prediction begins
LEAST_WAIT_FRAC = 1e-3
DIRECTIONS = 36  # in which the distance to the edge is looked for

Three = tuple[float, float, float]
Nine = tuple[float, float, float, float, float, float, float, float, float]
NO_NINE: Nine = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


class Edge(NamedTuple):
    """The farthest contact point in one direction, as far as it was found.

    Args:
        at_s: when it was last found, vehicle time.
        unknowns: waiting time over `end_s`, or throttle; the part of the burn that leans against the direction; the
            same across it.
        waits: whether the first of them is a waiting time.
        end_s: to contact, from then.
        sharp, growth: tangent of the lean over the burn, and what it is multiplied with next.
        inverse: of the Jacobian, row after row; zeros where there is none.
        position_m: level, landing frame.
        met: whether it was found at all.
        steps: integrator steps of the last search.
    """

    at_s: float
    unknowns: Three
    waits: bool
    end_s: float
    sharp: float
    growth: float
    inverse: Nine
    position_m: tuple[float, float]
    met: bool
    steps: int


NO_EDGE = Edge(0.0, (0.0, 0.0, 0.0), True, 0.0, FIRST_SHARP, 1.0, NO_NINE, (0.0, 0.0), False, 0)


class Found(NamedTuple):
    """An edge as searched for with one steepness, and the mass at contact there."""

    edge: Edge
    mass_kg: float


class Turning(NamedTuple):
    """How a vehicle turns.

    Args:
        rate_rad_s: at most.
        half_s: in which half of a turn from the lean that it flies to another one is made.
    """

    rate_rad_s: float
    half_s: float


class Tried(NamedTuple):
    """One place of the search: what the conditions lack there, m, and where it leads."""

    rows: list[float]
    arrival: Arrival
    miss_m: float


@part
def try_edge(
    lander: Lander, start: Moment, ask: Ask, towards: tuple[float, float], sharp: float, end_s: float,
    x: Sequence[float],
) -> Tried:
    """Fly what the unknowns mean.

    Args:
        end_s: to contact, as the prediction before had it.
    """
    wait = max(x[0] * ask.end_s, 0.0) if ask.waits else ask.wait_s
    (a, b), rate = towards, sharp / max(end_s - wait, LEAST_END_S)
    p, q = -sharp * (a * x[1] - b * x[2]), -sharp * (b * x[1] + a * x[2])
    aim = Aim(TANGENTS, end_s, (p + a * rate * end_s, q + b * rate * end_s), (-a * rate, -b * rate), ask.upright_s)
    arrival = arrive(lander, start, wait, ask.idle_frac, ask.planned_frac if ask.waits else max(x[0], 1e-3), aim)
    (u, v, _), k = arrival.velocity_m_s, 0.5 * ask.end_s
    rows = [arrival.position_m[2], k * (a * u + b * v), k * (a * v - b * u)]
    return Tried(rows, arrival, sqrt(rows[0] * rows[0] + rows[1] * rows[1] + rows[2] * rows[2]))


@part
def find_edge_inverse(
    lander: Lander, start: Moment, ask: Ask, towards: tuple[float, float], sharp: float, end_s: float,
    x: Sequence[float], here: Tried, inverse: MutableSequence[float],
) -> int:  # fmt: skip
    """Write the inverse of the Jacobian, by differences; returns the integrator steps, less than none if singular."""
    slope = [0.0] * (COUNT * COUNT)
    steps = 0
    for k in range(COUNT):
        beside = [x[0], x[1], x[2]]
        beside[k] += DIFFERENCE
        there = try_edge(lander, start, ask, towards, sharp, end_s, beside)
        steps += there.arrival.steps
        for i in range(COUNT):
            slope[i * COUNT + k] = (there.rows[i] - here.rows[i]) / DIFFERENCE
    return steps if set_inverse(slope, COUNT, inverse) else -steps


@part
def edge_step(inverse: Sequence[float], rows: Sequence[float]) -> list[float]:
    """Newton's step, shortened to what one step may change."""
    ahead = product(inverse, rows, COUNT)
    over = max(abs(ahead[0]), abs(ahead[1]), abs(ahead[2])) / MOST_CHANGE
    return [-value / max(over, 1.0) for value in ahead]


class Aside(NamedTuple):
    """A landing of one steepness: unknowns, kept inverse, its end, and whether that is at rest at the right height."""

    unknowns: Three
    inverse: Nine
    arrival: Arrival
    met: bool
    steps: int


@part
def solve_edge(
    lander: Lander, start: Moment, ask: Ask, towards: tuple[float, float], sharp: float, guess: Three, kept: Nine,
    most_steps: int,
) -> Aside:  # fmt: skip
    """The landing of one steepness, by Newton's method from a guess.

    Args:
        towards: unit vector, east and north.
    """
    met, end = MET_M + MET_FRAC * abs(start.position_m[2]), ask.end_s
    x, inverse = [guess[0], guess[1], guess[2]], [kept[k] for k in range(COUNT * COUNT)]
    here = try_edge(lander, start, ask, towards, sharp, end, x)
    steps, has = here.arrival.steps, kept[0] != 0.0 or kept[1] != 0.0 or kept[2] != 0.0
    while here.miss_m > met and steps < most_steps and not (ask.waits and x[0] < 0.0):
        fresh = not has
        if fresh:
            spent = find_edge_inverse(lander, start, ask, towards, sharp, end, x, here, inverse)
            steps += abs(spent)
            if spent <= 0:
                break
        step, before, part_, helps = edge_step(inverse, here.rows), here.miss_m, 1.0, False
        for _ in range(SHORTENINGS if fresh else 1):
            y = [x[k] + part_ * step[k] for k in range(COUNT)]
            there = try_edge(lander, start, ask, towards, sharp, end, y)
            steps += there.arrival.steps
            helps = there.miss_m < before and there.arrival.stops
            if helps:
                learn_step(inverse, [part_ * step[k] for k in range(COUNT)], product(inverse, there.rows, COUNT), COUNT)
                x, here, end = y, there, there.arrival.time_s
                break
            part_ *= SHORTER
        if fresh and not helps:
            break
        has = helps and here.miss_m < KEPT_GAIN * before
    good = here.miss_m <= met and here.arrival.stops
    i = inverse
    return Aside(
        (x[0], x[1], x[2]), (i[0], i[1], i[2], i[3], i[4], i[5], i[6], i[7], i[8]) if good else NO_NINE, here.arrival,
        good, steps,
    )  # fmt: skip


@part
def land_aside(
    lander: Lander, keys: Keys, g: Guided, start: Moment, towards: tuple[float, float], e: Edge, sharp: float,
    most_steps: int,
) -> Found:  # fmt: skip
    """The landing of one steepness from here; where it is late for the planned throttle, at a higher one."""
    falling, planned, since = g.stage == FALLING, planned_frac(lander, keys), g.time_s - e.at_s
    end = max(e.end_s - since, LEAST_END_S) if e.met else max(g.stop.end_s, LEAST_END_S)
    waits, x, inverse = e.waits and falling, e.unknowns, e.inverse
    x = (x[0], x[1], x[2] * e.sharp / sharp)
    if not e.met:
        waits, x = falling, first_lean(lander, g, start, towards, sharp)
    elif e.waits and falling:
        x = (max(x[0] * e.end_s - since, 0.0) / end, x[1], x[2])
    elif e.waits:
        x, inverse = (planned, x[1], x[2]), NO_NINE
    delay = keys.delay_s if falling else max(g.light_at_s + keys.delay_s - g.time_s, 0.0)
    ask = Ask(waits, end, keys.idle_frac, planned, 0.0 if waits else delay, FULL_UPRIGHT_S)
    s = solve_edge(lander, start, ask, towards, sharp, x, inverse, most_steps)
    steps, good = s.steps, s.met and (waits or lander.least_frac <= s.unknowns[0] <= lander.most_frac)
    if waits and s.unknowns[0] <= LEAST_WAIT_FRAC:
        waits = False
        ask = Ask(False, end, keys.idle_frac, planned, delay, FULL_UPRIGHT_S)
        x = (planned, s.unknowns[1], s.unknowns[2])
        s = solve_edge(lander, start, ask, towards, sharp, x, NO_NINE, most_steps)
        steps, good = steps + s.steps, s.met and lander.least_frac <= s.unknowns[0] <= lander.most_frac
    a = s.arrival
    unknowns = (s.unknowns[0] * end / max(a.time_s, LEAST_END_S), s.unknowns[1], s.unknowns[2]) if waits else s.unknowns
    place = (a.position_m[0], a.position_m[1])
    return Found(Edge(g.time_s, unknowns, waits, a.time_s, sharp, 1.0, s.inverse, place, good, steps), a.mass_kg)


@part
def first_lean(lander: Lander, g: Guided, start: Moment, towards: tuple[float, float], sharp: float) -> Three:
    """A guess of the unknowns: the level speed taken off as if the burn gave an even thrust."""
    (a, b), (u, v, w) = towards, start.velocity_m_s
    burn_s = max(g.stop.end_s - g.stop.wait_s, LEAST_END_S)
    gain_m_s = sharp * max(-w - lander.ground.gravity_m_s2[2] * burn_s, 1.0)
    first = g.stop.wait_s / max(g.stop.end_s, LEAST_END_S) if g.stage == FALLING else g.stop.throttle_frac
    return (first, 0.5 + (a * u + b * v) / gain_m_s, (a * v - b * u) / gain_m_s)


@kernel
def follow_edge(
    lander: Lander, keys: Keys, g: Guided, start: Moment, turning: Turning, towards: tuple[float, float], before: Edge,
    least_kg: float,
) -> Edge:  # fmt: skip
    """The farthest contact point in a direction, one search on.

    Args:
        g, start: as flown now.
        turning: of the vehicle.
        towards: unit vector, east and north.
        before: as found last; NO_EDGE at first.
        least_kg: mass that must be left at contact.
    """
    g, start = instant_ahead(lander, keys, g, start, 0.0, turning.half_s)
    steepest = min(SHARPEST * most_slant(lander.tilt, start.position_m[2]), turning.rate_rad_s * g.stop.end_s)
    sharp = min(before.sharp * before.growth, steepest)
    found = land_aside(
        lander, keys, g, start, towards, before, sharp, NEXT_STEPS if before.met else FIRST_STEPS
    )  # fmt: skip
    there = found.edge
    if not there.met:
        growth = 1.0 if before.growth > ALIKE else LEAST_GROWTH
        return changed(before, before, growth, there.steps) if before.met else start_over(before, there.steps)
    spare_kg, spent_kg = g.stop.mass_kg - least_kg, g.stop.mass_kg - found.mass_kg
    growth = AGAIN_GROWTH if before.met and before.growth <= ALIKE else MOST_GROWTH
    if spent_kg > 0.0:
        growth = min(growth, max(spare_kg, 0.0) / spent_kg)
    place = there if spent_kg <= (1.0 + SPARE_PART) * spare_kg or not before.met else before
    return changed(there, place, min(max(growth, LEAST_GROWTH), MOST_GROWTH), there.steps)


@part
def start_over(before: Edge, steps: int) -> Edge:
    """Nothing found yet: another steepness comes next."""
    sharp = SLOWER * before.sharp if before.sharp > LEAST_SHARP else FIRST_SHARP / SLOWER
    return Edge(0.0, before.unknowns, True, 0.0, sharp, 1.0, NO_NINE, (0.0, 0.0), False, steps)


@part
def changed(e: Edge, place: Edge, growth: float, steps: int) -> Edge:
    """An edge with the position of a search that counts, and what comes next."""
    return Edge(
        e.at_s, e.unknowns, e.waits, e.end_s, e.sharp, growth, e.inverse, place.position_m, e.met, steps
    )  # fmt: skip


class Ellipse(NamedTuple):
    """The contact points that can be reached, level, landing frame.

    Args:
        centre_m: east and north of the contact point that is flown to.
        along: unit vector of the first axis.
        half_along_m, half_across_m: half axes; across is to the left of `along`.
    """

    centre_m: tuple[float, float]
    along: tuple[float, float]
    half_along_m: float
    half_across_m: float


def ellipse_through(edges: Sequence[Edge], along: tuple[float, float]) -> Ellipse:
    """The ellipse that touches the farthest points ahead, to the left, behind and to the right.

    Args:
        edges: in this order.
        along: unit vector ahead.
    """
    a, b = along
    ahead, left, behind, right = (e.position_m for e in edges)
    most, least = a * ahead[0] + b * ahead[1], a * behind[0] + b * behind[1]
    far, near = a * left[1] - b * left[0], a * right[1] - b * right[0]
    x, y = 0.5 * (most + least), 0.5 * (far + near)
    return Ellipse(
        (a * x - b * y, b * x + a * y), along, max(0.5 * (most - least), 0.0), max(0.5 * (far - near), 0.0)
    )  # fmt: skip


def inside_by_m(ellipse: Ellipse, point_m: tuple[float, float]) -> float:
    """Distance of a point to the edge; negative outside.

    >>> inside_by_m(Ellipse((0.0, 0.0), (1.0, 0.0), 200.0, 100.0), (0.0, 30.0))
    70.0
    """
    a, b = ellipse.along
    dx, dy = point_m[0] - ellipse.centre_m[0], point_m[1] - ellipse.centre_m[1]
    x, y = a * dx + b * dy, a * dy - b * dx
    p, q = ellipse.half_along_m, ellipse.half_across_m
    ways = ((cos(2.0 * pi * k / DIRECTIONS), sin(2.0 * pi * k / DIRECTIONS)) for k in range(DIRECTIONS))
    return min(hypot(p * c, q * s) - c * x - s * y for c, s in ways)

"""The search for the cheapest insertion with a coast, one small step at a time.

All steps work on the burn as it was when the search began, so that the result does not depend on how fast states come
in. A step solves one law with as many Newton steps as a major cycle has: no message costs more than that. In order:
where on the low orbit to cut off; how high that orbit is; whether the path keeps the floor; the aim under J2.

Measured on the references V01, V03, V18: 8 to 17 steps, 20 to 50 ms of plain Python in all, the longest step 8 ms.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import Literal

from guidance_svc.core.arcs import fly_arc
from guidance_svc.core.burns import allot
from guidance_svc.core.detour import (
    Detour,
    far_radius_m,
    left_kg,
    possible,
    second_gain_m_s,
    settled_target,
    way_point,
)
from guidance_svc.core.effort import CALL_STEPS, spend
from guidance_svc.core.floor_ride import (
    entry_problem,
    level_speed_m_s,
    lift_at_entry_m_s2,
    ride_s,
    riding_law,
    with_ride,
)
from guidance_svc.core.steering import Problem, Steering, refine, steps_for
from guidance_svc.core.vectors import norm
from guidance_svc.domain import SecondBurn, Target
from guidance_svc.errors import OrbitNotClosed

Stage = Literal["turn", "height", "entry", "settle", "done", "none"]

STEPS = 4  # Newton steps of one step of the search
CALLS = 4  # steps given to one law before it counts as not to be had
TURNS_RAD = (0.0, -0.3, 0.3)  # true anomalies tried first, then the tops of parabolas through the best three
MOST_TURN_RAD = 0.8
TURNS = 5
HIGHER_FRAC = 0.03  # of the room over the floor: a higher low orbit, tried once; dearer where the start is below it
HIGHER_LEAST_M = 1e3
GOLDEN = 0.6180339887498949
HEIGHTS = 9  # golden-section points, where the higher one was cheaper: 200 km down to 4 km, where the cost is flat
DIP_ALLOWED_M = 30.0
DIP_PIECES = 24  # of an arc, looked at for the lowest place
ENTRIES = 12
ENTRY_FROM = 0.9  # of the cutoff speed; then a tenth less each time until the floor is met from above
ENTRY_STEP = 0.1
LIFT_WANTED_M_S2 = 0.2  # at entry: 0.6 deg of pitch at 2 g; 0.1 kg dearer than none, and the path stays above the floor
LIFT_BAND_M_S2 = 0.2
SETTLING_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Tried:
    """One low orbit that was tried: its perigee, the cutoff's anomaly, the entry speed, mass left at the end, the law.

    `lift_m_s2` is the vertical acceleration at entry; `held_s` how long the floor is held from there.
    """

    low_m: float
    anomaly_rad: float
    entry_m_s: float
    left_kg: float
    law: Steering
    lift_m_s2: float = 0.0
    held_s: float = 0.0


@dataclass(frozen=True, slots=True)
class DetourSearch:
    """How far the search is.

    Args:
        problem: the burn to the plan's own target at its beginning.
        direct: that burn's law.
        floor_m: lowest radius, of the coast and of the path once it is reached.
        second: where the second burn is.
        stage: what is looked for; "done" or "none" at the end.
        tried: of the present stage.
        best: of the stages before.
        trial: the law being worked on, and `calls` for how many steps.
        detour: the finding, once there is one.
        cut_short: messages in a row whose budget ended before a step did.
    """

    problem: Problem
    direct: Steering
    floor_m: float
    second: SecondBurn
    stage: Stage = "turn"
    tried: tuple[Tried, ...] = ()
    best: Tried | None = None
    trial: Steering | None = None
    calls: int = 0
    detour: Detour | None = None
    dip_m: float | None = None
    cut_short: int = 0

    @property
    def wanted(self) -> Target:
        """The plan's own target."""
        assert self.problem.target is not None  # checked by `begun`
        return self.problem.target

    @property
    def over(self) -> bool:
        """Whether there is nothing left to look for."""
        return self.stage in ("done", "none")


def begin_search(problem: Problem, direct: Steering, floor_m: float, second: SecondBurn) -> DetourSearch | None:
    """A search, or None where no detour of this kind leads to the target.

    Args:
        direct: converged on the problem's own target.
    """
    if problem.target is None or not possible(problem.target, second, floor_m):
        return None
    return DetourSearch(problem, direct, floor_m, second)


def whole_search(search: DetourSearch) -> DetourSearch:
    """All steps at once, for tests."""
    while not search.over:
        search = step_search(search)
    return search


def step_search(search: DetourSearch) -> DetourSearch:
    """The search one step of its table further; the same where it is at its end."""
    if search.stage == "settle":
        return settling(search)
    low, anomaly, entry = next_asked(search)
    guess = search.trial or nearest_law(search)
    if entry > 0.0:
        law, problem = entry_law(search, guess, entry)
    else:
        problem = replace(search.problem, target=low_orbit(search, low, anomaly))
        law = refine(problem, guess, STEPS)
    if not law.converged and search.calls + 1 < CALLS:
        return replace(search, trial=law, calls=search.calls + 1)
    one = weigh_law(search, problem, law, (low, anomaly, entry))
    return following(replace(search, tried=(*search.tried, one), trial=None, calls=0))


def low_orbit(search: DetourSearch, low_m: float, anomaly_rad: float) -> Target:
    """The target of the first burn."""
    return way_point(low_m, far_radius_m(search.wanted, search.second), anomaly_rad, search.wanted, search.problem.body)


def nearest_law(search: DetourSearch) -> Steering:
    """A law to start from: the last that converged, or the direct one."""
    laws = [one.law for one in search.tried if one.law.converged]
    return laws[-1] if laws else search.best.law if search.best else search.direct


def entry_law(search: DetourSearch, guess: Steering, entry_m_s: float) -> tuple[Steering, Problem]:
    """The law into an entry at the floor; a guess that leads to the cutoff is cut short to the entry's speed."""
    floor = low_orbit(search, search.floor_m, 0.0)
    problem = entry_problem(search.problem, search.floor_m, entry_m_s, floor)
    return refine(problem, guess, STEPS), problem


def weigh_law(search: DetourSearch, problem: Problem, law: Steering, point: tuple[float, float, float]) -> Tried:
    """What a law costs; minus infinity where there is none."""
    low, anomaly, entry = point
    gain = second_gain_m_s(low, search.wanted, search.second, search.problem.body)
    if not law.converged:
        return Tried(low, anomaly, entry, -inf, law)
    if entry == 0.0:
        return Tried(low, anomaly, entry, left_kg(search.problem, law.burn_s, gain), law)
    floor = low_orbit(search, search.floor_m, 0.0)
    held = ride_s(search.problem.arcs, law.burn_s, entry, floor, search.problem.body)
    left = -inf if held is None else left_kg(search.problem, law.burn_s + held, gain)
    return Tried(low, anomaly, entry, left, law, lift_at_entry_m_s2(problem, law), held or 0.0)


def next_asked(search: DetourSearch) -> tuple[float, float, float]:
    """The low orbit to try next: perigee, anomaly, entry speed (0: none)."""
    best = search.best
    if search.stage == "turn" or best is None:
        return search.floor_m, next_turn(search.tried), 0.0
    if search.stage == "height":
        return next_height(search), best.anomaly_rad, 0.0
    return search.floor_m, 0.0, next_entry(search)


def next_turn(tried: tuple[Tried, ...]) -> float:
    """The next true anomaly: three given ones, then the top of a parabola."""
    if len(tried) < len(TURNS_RAD):
        return TURNS_RAD[len(tried)]
    (a, b, c) = sorted(sorted(tried, key=lambda one: -one.left_kg)[:3], key=lambda one: one.anomaly_rad)
    x, y, z = a.anomaly_rad, b.anomaly_rad, c.anomaly_rad
    if not min(a.left_kg, b.left_kg, c.left_kg) > -inf:
        return 0.5 * y
    up, down = (b.left_kg - a.left_kg) / (y - x), (c.left_kg - b.left_kg) / (z - y)
    bend = (down - up) / (z - x)
    if bend >= 0.0:
        return max(-MOST_TURN_RAD, min(MOST_TURN_RAD, x + (x - z) if a.left_kg > c.left_kg else z + (z - x)))
    top = 0.5 * (x + y) - 0.5 * up / bend
    top = max(-MOST_TURN_RAD, min(MOST_TURN_RAD, top))
    return top if all(abs(top - one.anomaly_rad) > 1e-3 for one in tried) else top + 2e-3


def next_height(search: DetourSearch) -> float:
    """The next perigee: a little above the floor; where that is cheaper, by golden section up to the target's."""
    room = search.wanted.perigee_radius_m - search.floor_m
    if not search.tried:
        return search.floor_m + max(HIGHER_FRAC * room, min(HIGHER_LEAST_M, 0.5 * room))
    low, high = bracket(search)
    points = [one.low_m for one in search.tried if low < one.low_m < high]
    if len(points) != 1:
        return high - GOLDEN * (high - low)
    mirrored = low + high - points[0]
    return mirrored if abs(mirrored - points[0]) > 0.01 * (high - low) else low + 0.45 * (high - low)


def bracket(search: DetourSearch) -> tuple[float, float]:
    """The tried perigees on both sides of the cheapest."""
    assert search.best is not None
    points = sorted((search.best, *search.tried), key=lambda one: one.low_m)
    top = max(range(len(points)), key=lambda at: points[at].left_kg)
    low = points[top - 1].low_m if top > 0 else search.floor_m
    return low, points[top + 1].low_m if top + 1 < len(points) else search.wanted.perigee_radius_m


def next_entry(search: DetourSearch) -> float:
    """The next entry speed: downwards until the floor is met from above, then between by false position."""
    full = low_orbit(search, search.floor_m, 0.0).cutoff_speed_m_s
    from_above = [one for one in search.tried if one.lift_m_s2 >= LIFT_WANTED_M_S2]
    if not from_above:
        return (ENTRY_FROM - ENTRY_STEP * len(search.tried)) * full
    high = min((one for one in from_above), key=lambda one: one.lift_m_s2)
    below = [one for one in search.tried if one.lift_m_s2 < LIFT_WANTED_M_S2 and one.law.converged]
    if not below:
        return high.entry_m_s + 0.5 * ENTRY_STEP * full
    low = max(below, key=lambda one: one.lift_m_s2)
    share = (LIFT_WANTED_M_S2 + 0.5 * LIFT_BAND_M_S2 - low.lift_m_s2) / (high.lift_m_s2 - low.lift_m_s2)
    return low.entry_m_s + max(0.05, min(0.95, share)) * (high.entry_m_s - low.entry_m_s)


def following(search: DetourSearch) -> DetourSearch:
    """The next stage where this one is over."""
    tried, best = search.tried, search.best
    if search.stage == "turn":
        if not tried[0].law.converged:
            return replace(search, stage="none")
        return search if len(tried) < TURNS else replace(search, stage="height", tried=(), best=cheapest(tried))
    if search.stage == "height" and best is not None:
        found = cheapest((best, *tried))
        higher = found.low_m > best.low_m
        return search if higher and len(tried) < HEIGHTS else after_height(replace(search, best=found))
    return after_entry(search)


def cheapest(tried: tuple[Tried, ...]) -> Tried:
    """The one that leaves most."""
    return max(tried, key=lambda one: one.left_kg)


def after_height(search: DetourSearch) -> DetourSearch:
    """Whether the path keeps the floor."""
    best = search.best
    assert best is not None
    problem = replace(search.problem, target=low_orbit(search, best.low_m, best.anomaly_rad))
    lowest = lowest_once_above_m(problem, best.law, search.floor_m)
    found = replace(search, tried=(), detour=detour_of(search, best))
    if lowest >= search.floor_m - DIP_ALLOWED_M:
        return replace(found, stage="settle")
    return replace(found, stage="entry", dip_m=lowest - search.problem.body.radius_m)


def after_entry(search: DetourSearch) -> DetourSearch:
    """The entry that will do, or the next one; none where the vehicle is too fast or too weak for any."""
    last, free = search.tried[-1], search.detour
    good = 0.0 <= last.lift_m_s2 - LIFT_WANTED_M_S2 <= LIFT_BAND_M_S2
    if good and last.left_kg > -inf and free is not None:
        law = with_ride(search.problem, last.law, last.held_s, low_orbit(search, search.floor_m, 0.0))
        held = detour_of(search, replace(last, law=law))
        held = replace(
            held, ride_s=last.held_s, dip_m=search.dip_m, floor_cost_kg=free.saved_kg - held.saved_kg
        )
        return replace(search, stage="settle", detour=held, tried=())
    level = level_speed_m_s(search.problem.position_m, search.problem.velocity_m_s)
    if len(search.tried) >= ENTRIES or next_entry(search) <= level:
        return replace(search, stage="none")
    return search


def detour_of(search: DetourSearch, one: Tried) -> Detour:
    """A point of the search as a detour."""
    body, wanted = search.problem.body, search.wanted
    gain = second_gain_m_s(one.low_m, wanted, search.second, body)
    saved = one.left_kg - left_kg(search.problem, search.direct.burn_s, 0.0)
    return Detour(
        low_orbit(search, one.low_m, one.anomaly_rad), one.law, gain, saved, search.second, one.anomaly_rad,
        one.entry_m_s,
    )  # fmt: skip


def settling(search: DetourSearch) -> DetourSearch:
    """One round of the aim under J2; the search is over where there is none, or after the last round."""
    detour, body = search.detour, search.problem.body
    if detour is None:
        return replace(search, stage="none")
    if not body.j2 or len(search.tried) >= SETTLING_ROUNDS:
        return replace(search, stage="done")
    try:
        target = settled_target(detour, search.wanted, body) if search.trial is None else detour.target
    except OrbitNotClosed:
        return replace(search, stage="done")
    law = detour_law(replace(search.problem, target=target), search.trial or detour.law, detour, STEPS)
    detour = replace(detour, target=target)
    if not law.converged:
        again = search.calls + 1 < CALLS
        return replace(search, detour=detour, trial=law if again else None, calls=search.calls + 1,
                       stage="settle" if again else "none")  # fmt: skip
    one = Tried(target.perigee_radius_m, detour.anomaly_rad, detour.entry_m_s, 0.0, law)
    return replace(search, detour=replace(detour, law=law), tried=(*search.tried, one), trial=None, calls=0)


def detour_law(problem: Problem, start: Steering, detour: Detour, iterations: int) -> Steering:
    """The law of the first burn, held at the floor where the detour is."""
    if detour.entry_m_s > 0.0:
        return riding_law(problem, start, detour.entry_m_s, detour.ride_s, iterations)
    return refine(problem, start, iterations)


def lowest_once_above_m(problem: Problem, law: Steering, floor_m: float) -> float:
    """Least distance from the centre along a law, from where the floor is first reached; infinite where it never is."""
    body = problem.body
    r, v, p, rate = problem.position_m, problem.velocity_m_s, law.steer, law.steer_rate
    reached = norm(r) >= floor_m
    lowest = norm(r) if reached else inf
    for arc, duration in allot(problem.arcs, law.burn_s):
        steps = max(1, steps_for(arc, duration) // DIP_PIECES)
        spend(DIP_PIECES * (steps + CALL_STEPS))
        for k in range(DIP_PIECES):
            mass = arc.mass_after_kg(duration * k / DIP_PIECES)
            r, v, p, rate = fly_arc(
                r, v, p, rate, mass, arc.thrust_n, arc.exhaust_velocity_m_s, arc.held_m_s2, duration / DIP_PIECES,
                steps, body.mu_m3_s2, body.radius_m, body.j2,
            )  # fmt: skip
            reached = reached or norm(r) >= floor_m
            lowest = min(lowest, norm(r)) if reached else lowest
    return lowest

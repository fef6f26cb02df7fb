"""When the propellant does not reach: the best orbit that it does reach.

What is kept longest is perigee, then apogee, then the plane: an orbit in the wrong plane is an orbit, one
through the air is not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from math import sqrt

from guidance_svc.core.arcs import fly_arc
from guidance_svc.core.burns import allot, mass_at_end_kg
from guidance_svc.core.effort import CALL_STEPS, spend
from guidance_svc.core.steering import Problem, Steering, refine, steps_of
from guidance_svc.core.tape import solve_once
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, PlaneMode, Target

SAFE_PERIGEE_IN_AIR_M = 130e3  # altitude that an orbit of a few revolutions needs; common practice, no source
SAFE_PERIGEE_AIRLESS_M = 15e3  # above the highest ground of a large airless body; common practice, no source
STEPS = 8  # Newton steps for one lesser target
TRIES = 5  # of STEPS or SOLVE_STEPS each, whichever ends first
ROUNDS = 8  # bisections for the lesser apogee or perigee: 0.3 km, a few kg
USE_ALL_KG = 1.0  # margin left at which the search for the lesser orbit ends


@dataclass(frozen=True, slots=True)
class Lesser:
    """A lesser target within reach.

    Args:
        target: None where no safe orbit is within reach.
        law: that leads there.
        given_up: what was given up, in words.
    """

    target: Target | None
    law: Steering
    given_up: str


def safe_perigee_radius_m(body: Body) -> float:
    """Lowest perigee that counts as an orbit."""
    height = SAFE_PERIGEE_AIRLESS_M if body.atmosphere == "none" else SAFE_PERIGEE_IN_AIR_M
    return body.radius_m + min(height, 0.02 * body.radius_m)


def at_perigee(perigee_m: float, apogee_m: float, body: Body, like: Target, plane: PlaneMode) -> Target:
    """Cutoff at perigee of an ellipse."""
    speed = sqrt(body.mu_m3_s2 * 2.0 * apogee_m / (perigee_m * (perigee_m + apogee_m)))
    return Target(perigee_m, apogee_m, perigee_m, speed, 0.0, plane, like.inclination_rad, like.node_rad)


def reach(problem: Problem, target: Target, guess: Steering) -> Steering:
    """The law to another target from this state, in a few tries: each goes on where the budget stopped the last."""
    whole, law = replace(problem, target=target), guess
    for _ in range(TRIES):
        law = solve_once(partial(refine, whole, law, STEPS))
        if law.converged:
            break
    return law


def lesser_target(problem: Problem, law: Steering, burnout_kg: float) -> Lesser:
    """The best target that the propellant reaches.

    Args:
        law: converged on the problem's own target, beyond the propellant.
        burnout_kg: mass of the stack when the propellant above the reserve is gone.
    """
    wanted = problem.target
    if wanted is None:
        return Lesser(None, law, "there is no target")
    planes: list[PlaneMode] = ["inclination", "free"] if wanted.plane == "inclination_and_node" else ["free"]
    for plane in planes if wanted.plane != "free" else []:
        target = replace(wanted, plane=plane)
        trial = reach(problem, target, law)
        law = trial if trial.converged else law
        if trial.converged and margin_kg(problem, trial, burnout_kg) >= 0.0:
            return Lesser(target, trial, "node" if plane == "inclination" else "plane")
    return lower(problem, law, burnout_kg, wanted)


def margin_kg(problem: Problem, law: Steering, burnout_kg: float) -> float:
    """Propellant left at the end of a law, negative where it does not reach."""
    return mass_at_end_kg(problem.arcs, law.burn_s) - burnout_kg


def lower(problem: Problem, law: Steering, burnout_kg: float, wanted: Target) -> Lesser:
    """In any plane: first a lower apogee, then a lower circle, down to the safe perigee."""
    also = ("apogee", "apogee and perigee") if wanted.plane == "free" else (
        "plane and apogee", "plane, apogee and perigee")  # fmt: skip
    body, floor = problem.body, safe_perigee_radius_m(problem.body)
    perigee, apogee = wanted.perigee_radius_m, wanted.apogee_radius_m

    def ellipse(top_m: float) -> Target:
        return at_perigee(perigee, top_m, body, wanted, "free")

    def circle(radius_m: float) -> Target:
        return at_perigee(radius_m, radius_m, body, wanted, "free")

    round_law = reach(problem, circle(perigee), law)
    if round_law.converged and margin_kg(problem, round_law, burnout_kg) >= 0.0:
        return search_family(problem, ellipse, perigee, apogee, round_law, burnout_kg, also[0])
    low = min(floor, perigee)
    low_law = reach(problem, circle(low), round_law if round_law.converged else law)
    if low_law.converged and margin_kg(problem, low_law, burnout_kg) >= 0.0:
        return search_family(problem, circle, low, perigee, low_law, burnout_kg, also[1])
    return Lesser(None, low_law if low_law.converged else law, "the propellant reaches no safe orbit")


def search_family(
    problem: Problem, family: Callable[[float], Target], within: float, beyond: float, law: Steering,
    burnout_kg: float, given_up: str,
) -> Lesser:  # fmt: skip
    """The highest member of a family of targets that the propellant reaches, by bisection from one that it does."""
    best = Lesser(family(within), law, given_up)
    low, high = within, beyond
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        trial = reach(problem, family(middle), best.law)
        left = margin_kg(problem, trial, burnout_kg) if trial.converged else -1.0
        if left >= 0.0:
            low, best = middle, Lesser(family(middle), trial, given_up)
        else:
            high = middle
        if 0.0 <= left < USE_ALL_KG:
            break
    return best


def lowest_radius_m(problem: Problem, law: Steering, pieces: int = 6) -> float:
    """Least distance from the body's centre along a law, looked at in a few places an arc."""
    body = problem.body
    r, v, p, rate = problem.position_m, problem.velocity_m_s, law.steer, law.steer_rate
    lowest = norm(r)
    parts = allot(problem.arcs, law.burn_s)
    for (arc, duration), count in zip(parts, steps_of(parts), strict=True):
        steps = max(1, count // pieces)
        spend(pieces * (steps + CALL_STEPS))
        for k in range(pieces):
            mass = arc.mass_after_kg(duration * k / pieces)
            r, v, p, rate = fly_arc(
                r, v, p, rate, mass, arc.thrust_n, arc.exhaust_velocity_m_s, arc.held_m_s2,
                duration / pieces, steps, body.mu_m3_s2, body.radius_m, body.j2,
            )  # fmt: skip
            lowest = min(lowest, norm(r))
    return lowest

"""Explicit steering to an insertion target: the major cycle.

The thrust direction is p(t)/|p(t)|, p'' = G p from (p, p') now (see core.arcs); unknowns are p, p' and the
burn time T, seven numbers, one of them scale. The conditions are the target's (radius, energy, radial speed,
plane) and, for every freedom that the target leaves, that the burn be stationary in it: gravity of a sphere
looks the same from every side, so the vector

    C = v x p - r x p'

is constant along an optimal burn and has no part along the axis of a free rotation (Noether). Place along the
orbit free: C . normal = 0. Node free as well: C . z = 0. Plane free: C = 0. Newton's method on the seven,
with the predictor of core.arcs.

The family: C. H. Jaggers 1977 (AIAA 77-1051) and R. L. McHenry et al. 1979, whose linear-tangent law fixes p'
by a reference time; solving for the vectors themselves saves 0.05 to 0.24 % of propellant on long flat burns.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.burn_flight import PREDICTION_STEPS, Arrival, arrival_plain, bounded_steps, step_count
from guidance_svc.core.burns import Arc, counts, flat
from guidance_svc.core.compiled import column, part
from guidance_svc.core.conditions import Wanted, wanted_of
from guidance_svc.core.effort import spend, steps_left
from guidance_svc.core.newton import (
    DIRECTION,
    RESIDUAL_CONVERGED,
    WHOLE,
    Law,
    solve_plain,
)
from guidance_svc.core.vectors import along, cross, dot, norm, scale
from guidance_svc.domain import Body, Target, Vec
from guidance_svc.errors import NotConverged

NOTHING: Vec = (0.0, 0.0, 0.0)
Inverse = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Steering:
    """The steering law as solved at one instant.

    Args:
        epoch_s: vehicle time to which `steer` belongs.
        steer, steer_rate: p and p', BCI; |p| = 1 at the solution.
        burn_s: burn time from epoch to cutoff, coasts not counted.
        cutoff_s: vehicle time of cutoff, coasts counted.
        position_m, velocity_m_s: predicted at cutoff, BCI.
        position_miss_m, velocity_miss_m_s: left at cutoff, of the conditions that the target sets.
        converged: whether every condition that this step solved for is met.
        gain_m_s: ideal speed gain of the burn: what the law costs, whatever the engine gives.
        inverse: of the Jacobian of the conditions, for the next cycle to begin with; row after row.
    """

    epoch_s: float
    steer: Vec
    steer_rate: Vec
    burn_s: float
    cutoff_s: float
    position_m: Vec = (0.0, 0.0, 0.0)
    velocity_m_s: Vec = (0.0, 0.0, 0.0)
    position_miss_m: float = inf
    velocity_miss_m_s: float = inf
    converged: bool = False
    gain_m_s: float = inf
    inverse: Inverse | None = field(default=None, compare=False, repr=False)

    def vector_at(self, time_s: float) -> Vec:
        """Steering vector at a vehicle time near `epoch_s`: linear in time (1 s: error under 2e-6 rad)."""
        return along(self.steer, time_s - self.epoch_s, self.steer_rate)

    def advance(self, time_s: float, body: Body, position_m: Vec) -> Steering:
        """The same law with its epoch moved; the vectors turn with the gravity at `position_m`."""
        law = advance_law(
            Law(self.steer, self.steer_rate, self.burn_s), time_s - self.epoch_s, position_m, body.mu_m3_s2
        )
        return replace(self, epoch_s=time_s, steer=law.steer, steer_rate=law.steer_rate, burn_s=law.burn_s)


@part
def advance_law(law: Law, time_s: float, position_m: Vec, mu_m3_s2: float) -> Law:
    """A law some time later; the vectors turn with the gravity at `position_m`."""
    r2 = dot(position_m, position_m)
    k = -mu_m3_s2 / (r2 * sqrt(r2))
    s = 3.0 * dot(position_m, law.steer) / r2
    turn = scale(k, along(law.steer, -s, position_m))
    steer = along(along(law.steer, time_s, law.steer_rate), 0.5 * time_s * time_s, turn)
    return Law(steer, along(law.steer_rate, time_s, turn), max(law.burn_s - time_s, 0.0))


@dataclass(frozen=True, slots=True)
class Problem:
    """One burn to solve: where the vehicle is, what it can burn, what it must reach.

    Args:
        target: None asks for a circular orbit at whatever radius the burn ends, in the present plane.
        offset_m_s: radial and level speed at the end over the osculating circle's, where that is asked for.
        tail_m_s: speed that the tail-off gives along the last direction, at once, after the cutoff.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    arcs: tuple[Arc, ...]
    target: Target | None
    body: Body
    offset_m_s: tuple[float, float] = (0.0, 0.0)
    tail_m_s: float = 0.0


def steps_for(arc: Arc, duration_s: float) -> int:
    """Integrator steps for one arc: 60 s each, more where the acceleration climbs, 2 to 16."""
    return step_count(duration_s, 1.0 - arc.mass_after_kg(duration_s) / arc.mass_kg if arc.powered else 0.0)


def steps_of(parts: list[tuple[Arc, float]]) -> list[int]:
    """Integrator steps for each arc of a burn; fewer where many arcs would ask for more than PREDICTION_STEPS."""
    steps = [steps_for(arc, duration) for arc, duration in parts]
    total = sum(steps)
    return [bounded_steps(count, total) for count in steps]


def gravity_of(body: Body) -> tuple[float, float, float]:
    """The fields of `core.burn_flight.Gravity`."""
    return body.mu_m3_s2, body.radius_m, body.j2


def wanted_at(problem: Problem) -> Wanted:
    """What the conditions at cutoff ask for."""
    return wanted_of(problem.target, norm(problem.position_m), problem.offset_m_s, problem.body.mu_m3_s2)


def predict(problem: Problem, steer: Vec, steer_rate: Vec, burn_s: float) -> Arrival:
    """Fly the law to cutoff, tail-off included."""
    place, arcs = (problem.position_m, problem.velocity_m_s, problem.tail_m_s), problem.arcs
    law = steer, steer_rate, burn_s
    try:
        arrival = Arrival(*arrival_plain(place, law, flat(arcs), counts(arcs), gravity_of(problem.body)))
    except (ArithmeticError, ValueError):
        spend(PREDICTION_STEPS)
        raise
    spend(arrival.steps)
    return arrival


def refine(problem: Problem, guess: Steering, iterations: int) -> Steering:
    """Newton on all seven conditions from a guess whose epoch is the problem's time.

    Args:
        iterations: at most this many steps, 1 or more; the caller looks at `converged` and calls again.

    Raises:
        NotConverged: the conditions or their Jacobian are not finite.
        BudgetSpent: more was computed than is allowed.
    """
    k = 1.0 / norm(guess.steer)  # the conditions ask for |p| = 1: the length of a law moved on in time is left behind
    unit_guess = replace(guess, steer=scale(k, guess.steer), steer_rate=scale(k, guess.steer_rate))
    return solve_steering(problem, unit_guess, WHOLE, NOTHING, NOTHING, iterations)


def refine_direction(problem: Problem, guess: Steering, iterations: int) -> Steering:
    """Newton on velocity alone, the turning rate held: for the last seconds, when position cannot be helped."""
    return solve_steering(problem, guess, DIRECTION, guess.steer_rate, NOTHING, iterations)


def refine_circular(problem: Problem, guess: Steering, iterations: int) -> Steering:
    """Newton on velocity alone, the direction turning with the horizon: a short burn, position free.

    A radius condition here would spend 10 to 25 times the propellant on metres of height.
    """
    r2 = dot(problem.position_m, problem.position_m)
    horizon_rate = scale(1.0 / r2, cross(problem.position_m, problem.velocity_m_s))
    return solve_steering(problem, guess, DIRECTION, NOTHING, horizon_rate, iterations)


def refine_cutoff(problem: Problem, guess: Steering) -> Steering:
    """Cutoff on orbital energy with the direction frozen: the last two seconds."""
    law = solve_steering(problem, guess, DIRECTION, guess.steer_rate, NOTHING, 0)
    return replace(law, converged=True)


def solve_steering(
    problem: Problem, guess: Steering, unknowns: int, held_rate: Vec, turning: Vec, iterations: int
) -> Steering:
    """The law by Newton's method (core.newton), or with no iterations at all by its cutoff alone."""
    wanted, arcs = wanted_at(problem), problem.arcs
    (a, b, c), (d, e, f) = guess.steer, scale(wanted.time_s, guess.steer_rate)
    rows = unknowns if unknowns == WHOLE or wanted.plane else unknowns - 1
    known = guess.inverse if guess.inverse is not None and len(guess.inverse) == rows * unknowns else None
    inverse = column([0.0] * (rows * unknowns) if known is None else known.tolist())
    place = problem.position_m, problem.velocity_m_s, problem.tail_m_s
    counted = column([0.0])
    try:
        found = solve_plain(
            place, flat(arcs), counts(arcs), gravity_of(problem.body), tuple(wanted),
            (unknowns, held_rate, turning, steps_left()), (a, b, c, d, e, f, guess.burn_s / wanted.time_s), inverse,
            known is not None, iterations, counted,
        )  # fmt: skip
    except (ArithmeticError, ValueError):
        spend(int(counted[0]) + PREDICTION_STEPS)
        raise
    (steer, rate, burn, total, position, velocity, miss, speed_miss, gain, residual, finite, kept) = found
    spend(int(counted[0]))
    if not finite:
        raise NotConverged("not_finite", "steering", "finite residuals", "infinity or NaN")
    return Steering(
        problem.time_s, steer, rate, burn, problem.time_s + total, position, velocity, miss, speed_miss,
        residual < RESIDUAL_CONVERGED, gain, np.array(inverse) if kept else None,
    )  # fmt: skip

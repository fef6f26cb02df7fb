"""The second-order conditions tell the optimum from a spurious root of the same conditions.

Source of the optima: tests/reference/build_optimum.py, a solver of its own. The spurious roots are found by starting
Newton's method at random; what they cost is the proof that they are no minima.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from guidance_svc.core.kepler import node_rad
from guidance_svc.core.second_order import curvatures, hamiltonian_m_s2, is_minimum
from guidance_svc.core.starter import first_guess
from guidance_svc.core.steering import Problem, Steering, refine
from guidance_svc.domain import PlaneMode
from guidance_svc.laws.stack import remaining_arcs
from guidance_svc.sim.state import mass_kg
from tests.closed_loop.optimum_cases import insertion_case


def problem_of(name: str, plane: PlaneMode) -> Problem:
    """A reference case with some of its plane given free."""
    plan, world, state = insertion_case(name)
    assert plan.target is not None
    arcs = remaining_arcs(plan.vehicle, 0, mass_kg(state, world), 0.0)
    target = replace(plan.target, plane=plane)
    return Problem(state.time_s, state.position_m, state.velocity_m_s, arcs, target, plan.body)


def solved(problem: Problem, guess: Steering) -> Steering:
    for _ in range(5):
        guess = refine(problem, guess, 8)
        if guess.converged:
            break
    return guess


@pytest.mark.parametrize("name", ["V01", "V03", "V06", "V10", "V18"])
def test_the_optimum_is_a_minimum(name: str) -> None:
    problem = problem_of(name, "free")
    law = solved(problem, first_guess(problem))
    assert law.converged
    assert hamiltonian_m_s2(problem, law) > 0.0
    assert is_minimum(problem, law)


@pytest.mark.parametrize("name", ["V01", "V06"])
def test_roots_that_cost_nearly_twice_as_much_are_none(name: str) -> None:
    problem = problem_of(name, "free")
    best = solved(problem, first_guess(problem))
    draw, worse = Random(1), 0
    for _ in range(25):
        steer = (draw.gauss(0, 1), draw.gauss(0, 1), draw.gauss(0, 1))
        rate = (draw.gauss(0, 2e-3), draw.gauss(0, 2e-3), draw.gauss(0, 2e-3))
        start = replace(best, steer=steer, steer_rate=rate, burn_s=best.burn_s * draw.uniform(0.8, 1.3), inverse=None)
        law = solved(problem, start)
        if law.converged and law.gain_m_s > 1.5 * best.gain_m_s:
            worse += 1
            assert not is_minimum(problem, law)
    assert worse > 0  # else nothing was tried


def test_curvature_is_that_of_the_gain_over_the_place_of_the_end() -> None:
    # Held nodes either side of the best one: the speed gain against the node is a parabola with its least value there.
    # The check that `curvatures` has the right sign, against the solver's own cost.
    problem = problem_of("V06", "inclination")
    best = solved(problem, first_guess(problem))
    target = problem.target
    assert target is not None
    node = node_rad(best.position_m, best.velocity_m_s)
    targets = [replace(target, plane="inclination_and_node", node_rad=node + off) for off in (-0.01, 0.0, 0.01)]
    gains = [solved(replace(problem, target=held), best).gain_m_s for held in targets]
    assert gains[1] == pytest.approx(best.gain_m_s, rel=1e-6)
    assert gains[0] > gains[1] < gains[2]
    assert float(np.min(curvatures(problem, best))) > 0.0

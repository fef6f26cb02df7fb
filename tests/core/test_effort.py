"""What one message may make the service compute: counted in steps, so that nothing here depends on the machine."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import pytest

from guidance_svc.core import newton
from guidance_svc.core.burns import Arc
from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.core.cover import MOST_PIECES, cover_drop_s
from guidance_svc.core.effort import UNBOUNDED, allowed, spend, steps_left, steps_spent
from guidance_svc.core.newton import SOLVE_STEPS
from guidance_svc.core.starter import first_guess
from guidance_svc.core.steering import Problem, Steering, refine, steps_of
from guidance_svc.core.tape import PIECE_STEPS, Unfinished, play_back, solve_once
from guidance_svc.errors import BudgetSpent
from tests.session.exchange import EARTH, TARGET, UPPER

LAW = Steering(0.0, (1.0, 0.0, 0.0), (0.0, 0.0, 0.0), 10.0, 10.0)


def test_nothing_is_bounded_or_counted_outside_of_an_allowance() -> None:
    spend(10**9)
    assert (steps_spent(), steps_left()) == (0, UNBOUNDED)


def test_an_allowance_ends_what_spends_more_and_the_outer_one_counts_it() -> None:
    with allowed(100) as outer:
        with allowed(10):
            spend(4)
            assert (steps_spent(), steps_left()) == (4, 6)
            with pytest.raises(BudgetSpent, match="at most 10 steps"):
                spend(7)
        assert outer.spent == 11
        spend(89)
        with pytest.raises(BudgetSpent, match="at most 100 steps"):
            spend(1)


def test_a_search_goes_on_where_its_last_piece_stopped() -> None:
    asked: list[int] = []

    def solved(number: int) -> Steering:
        def solve() -> Steering:
            asked.append(number)
            spend(PIECE_STEPS)
            return replace(LAW, burn_s=float(number))

        return solve_once(solve)

    def search() -> float:
        return sum(solved(number).burn_s for number in range(5))

    kept: tuple[Steering, ...] = ()
    for piece in range(1, 5):
        with allowed(UNBOUNDED), pytest.raises(Unfinished), play_back(kept) as tape:
            search()
        kept = tuple(tape.solutions)
        assert asked == list(range(piece))  # one new solution each, none twice
    with allowed(UNBOUNDED), play_back(kept):
        assert search() == 10.0
    assert asked == list(range(5))
    assert search() == 10.0  # and in one go outside


def many(count: int) -> tuple[Arc, ...]:
    """Arcs that last long, as no vehicle has them."""
    return tuple(Arc(1e5 * 0.6**k, 2000.0, 1e5 * 0.6**k, 5000.0, stage=k) for k in range(count))


def test_a_prediction_takes_a_bounded_number_of_steps_whatever_the_stages() -> None:
    assert sum(steps_of([(arc, 2000.0) for arc in many(4)])) == 4 * 16
    assert sum(steps_of([(arc, 2000.0) for arc in many(20)])) <= 64
    assert min(steps_of([(arc, 2000.0) for arc in many(40)])) == 1


def test_newtons_method_begins_no_step_beyond_its_part_of_the_budget() -> None:
    place, speed = (EARTH.radius_m + 100e3, 0.0, 0.0), (100.0, 3000.0, 1000.0)
    problem = Problem(0.0, place, speed, many(20), TARGET, EARTH)
    one_prediction = 64 + 20 + 3
    with allowed(UNBOUNDED) as effort:
        law = refine(problem, first_guess(problem), 50)
    assert not law.converged
    assert effort.spent <= SOLVE_STEPS + 15 * one_prediction


def test_newtons_method_stops_before_the_allowance_does_and_goes_on_in_the_next_cycle() -> None:
    place, speed = (EARTH.radius_m + 100e3, 0.0, 0.0), (100.0, 3000.0, 1000.0)
    arcs = tuple(Arc(2e5 * 0.8**k, 60.0, 2e6 * 0.8**k, 2000.0, stage=k) for k in range(20))
    problem = Problem(0.0, place, speed, arcs, TARGET, EARTH)
    law, cycles = first_guess(problem), 0
    while not law.converged and cycles < 16:
        with allowed(2400):
            law, cycles = refine(problem, law, 4), cycles + 1
    assert law.converged
    assert cycles > 1


@pytest.mark.parametrize("wait_s", [100.0, 20_000.0, 3e6])
def test_the_look_for_the_covers_drop_takes_a_bounded_number_of_steps_however_long_the_wait(wait_s: float) -> None:
    # a wait of 1e6 s before ignition took 2.2 s of processor time, and no budget saw it
    place, speed = (EARTH.radius_m + 300e3, 0.0, 0.0), (0.0, 7700.0, 0.0)
    problem = Problem(0.0, place, speed, (Arc(5650.0, wait_s), *many(20)), None, EARTH)
    vehicle = replace(UPPER, cover_mass_kg=50.0, drop_cover_above_m=9e5)
    with allowed(UNBOUNDED) as effort:
        cover_drop_s(problem, first_guess(replace(problem, target=TARGET)), vehicle)
    assert effort.spent <= 2 * (MOST_PIECES + 2 * 21)
    assert effort.spent > 2 * 20


def flown_problem() -> Problem:
    """An ignition that is solved in a few steps."""
    position, velocity = (EARTH.radius_m + 100e3, 0.0, 0.0), (300.0, 4000.0, 0.0)
    arc = Arc(30e3, 400.0, 300e3, 3300.0)
    return Problem(0.0, position, velocity, (arc,), TARGET, EARTH)


def spent_by(problem: Problem) -> int:
    """Steps counted of one solution, ended by an exception or not."""
    guess = first_guess(problem)
    with allowed(UNBOUNDED) as effort, suppress(ArithmeticError):
        refine(problem, guess, 2)
    return effort.spent


@pytest.mark.skipif(HAVE_NUMBA, reason="compiled kernels call each other, not what a test puts in their place")
def test_a_solution_that_ends_in_an_exception_has_spent_what_it_computed(monkeypatch: pytest.MonkeyPatch) -> None:
    whole, flights, fly_burn = spent_by(flown_problem()), [], newton.fly_burn

    def fails_late(*args: object) -> object:
        flights.append(fly_burn(*args))
        if len(flights) == 8:
            raise OverflowError
        return flights[-1]

    monkeypatch.setattr(newton, "fly_burn", fails_late)
    so_far = spent_by(flown_problem())
    assert len(flights) == 8
    assert whole > so_far >= sum(arrival.steps for arrival in flights[:-1])


@pytest.mark.skipif(HAVE_NUMBA, reason="compiled kernels call each other, not what a test puts in their place")
def test_the_rotations_of_a_singular_jacobian_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    few, set_pseudo_inverse = spent_by(flown_problem()), newton.set_pseudo_inverse

    def turned_often(*args: object) -> int:
        set_pseudo_inverse(*args)
        return 500

    monkeypatch.setattr(newton, "set_pseudo_inverse", turned_often)
    assert spent_by(flown_problem()) >= few + 500 * newton.ROTATION_STEPS

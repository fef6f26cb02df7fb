"""The service steers the reference cases as well as optimal control does, flown closed loop.

Source of the optima: direct collocation (CasADi, IPOPT), costate shooting and DOP853 for confirmation; see
tests/reference/build_optimum.py. Vehicles invented, spherical gravity, cutoff exact inside a tick.

Tolerances. Perigee and apogee 20 m: 1 m/s at a 200 km perigee is 3.6 km of apogee, so 20 m is 6 mm/s, which is what
a simulator's own navigation display rounds away. Plane 0.0001 deg: 12 m across at orbital radius. Propellant
0.002 %: what is claimed; steering vectors that do not turn with gravity cost 0.0025 % more on V03 and 0.027 % on V18.
The law itself is held to that on every case, unflown, in tests/core/test_steering_optimum.py.
"""

from __future__ import annotations

from functools import cache

import pytest

from guidance_svc.rehearsal.loop import FlightLog
from tests.closed_loop.flight import fly
from tests.closed_loop.hand_written_law import best_by_hand
from tests.closed_loop.optimum_cases import CASES, circular_case, insertion_case
from tests.closed_loop.outcome import Outcome, circular_outcome, insertion_outcome
from tests.reference.cases import load

ACHIEVED = load("insertion_accuracy")
APSIS_M = 20.0
PLANE_DEG = 1e-4
PROPELLANT_PERCENT = 0.002


COARSE_S = 0.1  # of the rows that always run; those at the 20 ms of a script are slow, and held to the same


@cache
def flown(name: str, major_cycle_s: float = 0.5, tick_s: float = 0.02) -> tuple[FlightLog, Outcome]:
    plan, world, state = insertion_case(name, major_cycle_s)
    flight = fly(plan, world, state, tick_s)
    return flight, insertion_outcome(plan, flight.state, CASES[name]["optimum"]["propellant_kg"])


def assert_as_good_as_the_optimum(outcome: Outcome, propellant_percent: float = PROPELLANT_PERCENT) -> None:
    assert abs(outcome.perigee_error_m) < APSIS_M
    assert abs(outcome.apogee_error_m) < APSIS_M
    assert outcome.plane_error_deg is None or outcome.plane_error_deg < PLANE_DEG
    # below the optimum by more than the references' own agreement (5e-7 kg) would mean a wrong simulator
    assert -0.001 < outcome.propellant_excess_percent < propellant_percent


SLOW = pytest.mark.slow


@pytest.mark.parametrize("name", [
    pytest.param("V01", marks=SLOW), pytest.param("V03", marks=SLOW), pytest.param("V04", marks=SLOW),
    pytest.param("V06", marks=SLOW), pytest.param("V08", marks=SLOW), pytest.param("V12", marks=SLOW),
])  # fmt: skip
def test_insertion_meets_target_and_optimum_at_two_cycles_a_second(name: str) -> None:
    _, outcome = flown(name)
    assert_as_good_as_the_optimum(outcome)


@pytest.mark.parametrize("name", ["V08", pytest.param("V12", marks=SLOW), "V18"])
def test_insertion_meets_target_and_optimum_with_ten_states_a_second(name: str) -> None:
    _, outcome = flown(name, tick_s=COARSE_S)
    assert_as_good_as_the_optimum(outcome)


@pytest.mark.slow
def test_insertion_meets_target_and_optimum_at_five_cycles_a_second() -> None:
    _, outcome = flown("V06", 0.2)
    assert_as_good_as_the_optimum(outcome)


@pytest.mark.parametrize("name", ["V06", "V08"])
def test_cases_off_the_plane_really_ask_for_a_plane(name: str) -> None:
    plan, _, state = insertion_case(name)
    outcome = insertion_outcome(plan, state, 1.0)
    assert outcome.plane_error_deg is not None
    assert outcome.plane_error_deg > 0.1  # so that the 0.0001 deg above is the guidance's doing


@SLOW  # the tanker of test_demo_numbers.py always
def test_two_stage_flight_drops_the_first_stage_and_cuts_off_twice() -> None:
    flight, _ = flown("V12", tick_s=COARSE_S)
    assert flight.state.stage == 1
    assert len(flight.at_cutoff) == 2


@pytest.mark.parametrize("name", [pytest.param("V10", marks=SLOW), pytest.param("V18", marks=SLOW)])
def test_far_off_starts_meet_the_target_and_the_optimum(name: str) -> None:
    # V10 stands on an airless surface, V18 burns for minutes near the horizon: starts that cost other laws the orbit
    _, outcome = flown(name)
    assert_as_good_as_the_optimum(outcome)


def test_the_orbit_is_nearer_to_its_target_than_any_of_the_flight_reports() -> None:
    """Without wind, noise and tolerances of a real engine: an upper bound that a sound law must stay far below.

    Source: achieved parking orbits of data/insertion_accuracy.json.
    """
    _, outcome = flown("V08", tick_s=COARSE_S)
    for case in ACHIEVED.values():
        error = case["outputs"]["error"]
        worst_m = 1e3 * max(abs(error["perigee"]["value"]), abs(error["apogee"]["value"]))
        assert max(abs(outcome.perigee_error_m), abs(outcome.apogee_error_m)) < 0.02 * worst_m


def test_status_is_converging_or_ok_all_the_way_up() -> None:
    flight, _ = flown("V18", tick_s=COARSE_S)
    assert flight.statuses <= {"converging", "ok", "complete"}
    assert "ok" in flight.statuses


# At T/W 0.05 the burn takes 16 deg of the orbit and the optimum tilts its thrust, which a burn that keeps to the
# horizon cannot do in full: 0.5 %. Above that, 0.1 %.
@pytest.mark.parametrize(("name", "propellant_percent"), [
    pytest.param("C01", 0.5, marks=SLOW), pytest.param("C03", 0.1, marks=SLOW), ("C05", 0.1),
])  # fmt: skip
def test_circular_burn_is_round_within_fifty_metres_and_near_the_optimum(name: str, propellant_percent: float) -> None:
    plan, world, state = circular_case(name)
    flight = fly(plan, world, state)
    case = CASES[name]
    outcome = circular_outcome(plan, flight.state, case["target"]["radius_m"], case["optimum"]["propellant_kg"])
    assert outcome.spread_m < 50.0  # osculating, in spherical gravity; 50 m is 14 mm/s
    assert abs(outcome.propellant_excess_percent) < propellant_percent


@SLOW
def test_the_hand_written_law_is_a_fair_baseline_good_in_plane_and_dearer() -> None:
    # The comparison column of the insertion table means something only if the baseline really reaches the orbit.
    plan, world, state = insertion_case("V08")
    by_hand = insertion_outcome(plan, best_by_hand(plan, world, state), CASES["V08"]["optimum"]["propellant_kg"])
    assert abs(by_hand.perigee_error_m) < 1000.0
    assert abs(by_hand.apogee_error_m) < 1000.0
    assert by_hand.plane_error_deg is not None
    assert by_hand.plane_error_deg < 0.01
    assert 0.05 < by_hand.propellant_excess_percent < 1.0

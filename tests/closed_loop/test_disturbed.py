"""The rows of the disturbance table, a few seeds of each; `python -m tests.bench disturbances` flies 60 of each.

Bounds in metres of apogee are issue targets: what an earlier law reached and had to be beaten. One metre a second at
a 200 km perigee is 3.6 km of apogee (vis-viva). Perigee is held to the same bounds. Flights whose disturbance does
not live on a 20 ms tick use a longer one.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from tests.closed_loop.disturbance_rows import ALL, LOSS, NOISE, TAIL_OFF, TAIL_OFF_WRONG, Miss, flown, flown_by_hand
from tests.closed_loop.disturbed import Disturbance

COARSE_S = 0.1
SLOW = pytest.mark.slow
EVERY = pytest.mark.parametrize("every", [10, pytest.param(1, marks=SLOW)])
"""Ticks of 20 ms from state to state: five states a second always, fifty in the slow rows."""
ON_TICK = Disturbance(cut_on_tick=True)
APOGEE_M_PER_M_S = 3600.0  # vis-viva at a 200 km perigee, 500 km apogee
PUSH_AT_CUTOFF_M_S2 = 188287.68 / 4113.9  # V06's thrust over its optimal final mass: tests/reference/data/optimum.json


@cache
def ours(disturbance: Disturbance, seed: int, tick_s: float) -> Miss:
    return flown(disturbance, seed, tick_s)


def assert_within(miss: Miss, bound_m: float) -> None:
    assert abs(miss.perigee_m) < bound_m
    assert abs(miss.apogee_m) < bound_m
    assert miss.statuses <= {"converging", "ok", "complete"}  # no false alarm: the tank reaches in every one of these


def test_a_clean_flight_meets_its_apsides_within_twenty_metres() -> None:
    miss = ours(Disturbance(), 0, COARSE_S)
    assert_within(miss, 20.0)
    assert abs(miss.inclination_deg) < 1e-4  # 12 m across at orbital radius
    assert abs(miss.node_deg) < 2e-4  # the same over the sine of 28.5 deg


@EVERY
def test_an_engine_cut_only_on_ticks_meets_its_apsides_by_tapering(every: int) -> None:
    assert_within(ours(replace(ON_TICK, throttle_min=0.4, state_every=every), 0, 0.02), 300.0)


@pytest.mark.slow
def test_an_engine_that_cannot_throttle_misses_by_what_half_a_tick_is_worth() -> None:
    half_a_tick_m = 0.5 * 0.02 * PUSH_AT_CUTOFF_M_S2 * APOGEE_M_PER_M_S
    misses = [abs(ours(ON_TICK, seed, 0.02).apogee_m) for seed in (0, 1)]
    assert max(misses) < 1.1 * half_a_tick_m  # 10 % for the nominal mass
    # if none of them missed by more than a tapered flight may, the ticks would not have been felt
    assert max(misses) > 300.0


@pytest.mark.parametrize(
    ("throttle_min", "seed"), [(0.4, 1), *(pytest.param(*row, marks=SLOW) for row in ((1.0, 0), (1.0, 1), (0.4, 0)))]
)
def test_noise_of_a_tenth_of_a_metre_a_second_is_filtered_down_to_its_bound(throttle_min: float, seed: int) -> None:
    # at 10 Hz, a fifth of the table's states. The Cramer-Rao bound of `python -m tests.bench disturbances`, p95 (two
    # sigmas): apogee 53 m, node 2e-4 deg. Three sigmas, times the 1.5 that is asked for. The mean over the last states
    # that was flown before missed the node of seed 1 by 1.1e-3 deg; the position of one state is off by 10 m.
    miss = ours(replace(NOISE, throttle_min=throttle_min), seed, COARSE_S)
    assert_within(miss, 1.5 * 1.5 * 53.0)
    assert abs(miss.perigee_m) < 3.0
    assert abs(miss.node_deg) < 1.5 * 1.5 * 2e-4


@pytest.mark.slow  # in everything at once as well
def test_a_delay_of_two_ticks_costs_nothing_because_the_cutoff_is_an_instant() -> None:
    assert_within(ours(Disturbance(delay_ticks=2), 0, 0.02), 20.0)


def test_wrong_figures_in_the_vehicle_file_are_found_out_in_flight() -> None:
    # thrust -3 %, exhaust velocity -2 %, mass +1 %: acted on unseen, 3 % of the last two seconds' 90 m/s is 10 km
    assert_within(ours(Disturbance(thrust=0.97, isp=0.98, mass=1.01), 0, COARSE_S), 100.0)


@pytest.mark.slow  # and in test_tail_off.py
def test_a_known_tail_off_is_taken_off_in_advance() -> None:
    # 0.15 s of 45 m/s2 is 7 m/s: 25 km of apogee if it were not
    assert_within(ours(TAIL_OFF, 0, COARSE_S), 100.0)


@pytest.mark.slow
def test_an_untold_part_of_the_tail_off_costs_its_impulse_and_the_taper_less() -> None:
    untold_m = 0.2 * 0.15 * PUSH_AT_CUTOFF_M_S2 * APOGEE_M_PER_M_S
    plain = ours(TAIL_OFF_WRONG, 0, COARSE_S).apogee_m
    tapered = ours(replace(TAIL_OFF_WRONG, throttle_min=0.4), 0, COARSE_S).apogee_m
    assert plain == pytest.approx(untold_m, rel=0.05)  # 1 % of mass and 1 % of vis-viva's curvature, and some room
    assert 0.4 * plain < tapered < 0.5 * plain  # impulse in proportion to the throttle, 15 % above its lowest


@pytest.mark.parametrize("lost_at", [0.2, *(pytest.param(at, marks=pytest.mark.slow) for at in (0.4, 0.7))])
def test_a_third_of_the_thrust_may_go(lost_at: float) -> None:
    assert_within(ours(replace(LOSS, lost_at=lost_at), 0, COARSE_S), 150.0)


@pytest.mark.parametrize(
    ("throttle_min", "every"), [(0.4, 10), pytest.param(0.4, 1, marks=SLOW), pytest.param(0.25, 1, marks=SLOW)]
)
def test_everything_at_once_stays_within_a_kilometre_and_a_half(throttle_min: float, every: int) -> None:
    miss = ours(replace(ALL, throttle_min=throttle_min, tail_off_told=1.0, state_every=every), 0, 0.02)
    assert_within(miss, 1500.0)


@pytest.mark.slow
@pytest.mark.parametrize(("throttle_min", "bound_m"), [(0.4, 3000.0), (0.25, 2000.0)])
def test_everything_and_a_wrong_tail_off_cost_what_nothing_can_show(throttle_min: float, bound_m: float) -> None:
    # The engine runs at 1.15 times its lowest throttle at the end, at least 0.3: (0.97 - 0.8) x 0.15 s x 0.46 (0.3) of
    # 45 m/s2 is 0.54 (0.34) m/s, 1.9 (1.25) km, and the noise on top. A calibrated file does away with it.
    assert_within(ours(replace(ALL, throttle_min=throttle_min, tail_off_told=0.8), 0, 0.02), bound_m)


@pytest.mark.parametrize(("every", "bound_m"), [(1, 20.0), pytest.param(5, 50.0, marks=SLOW), (20, 100.0)])
def test_states_may_come_as_rarely_as_every_two_seconds(every: int, bound_m: float) -> None:
    # ticks of 0.1 s: 10 Hz, 2 Hz, one every 2 s; direction held between replies turns by up to 0.1 deg meanwhile
    assert_within(ours(Disturbance(state_every=every), 0, COARSE_S), bound_m)


@pytest.mark.parametrize(
    ("every", "seed"), [(20, 0), *(pytest.param(*row, marks=SLOW) for row in ((5, 0), (5, 1), (20, 1)))]
)
def test_rare_and_noisy_states_miss_by_three_sigma_of_one_reading_at_most(every: int, seed: int) -> None:
    three_sigma_m = 3.0 * 0.1 * APOGEE_M_PER_M_S
    assert_within(ours(replace(NOISE, state_every=every), seed, COARSE_S), three_sigma_m)


@pytest.mark.slow
def test_the_hand_written_law_flies_the_same_clean_flight_and_falls_behind_when_a_third_is_lost() -> None:
    # the comparison column of the table means something only if its flight is a fair one
    clean = flown_by_hand(Disturbance(), 0, COARSE_S)
    assert max(abs(clean.perigee_m), abs(clean.apogee_m)) < 1000.0
    lost = replace(LOSS, lost_at=0.4)
    assert abs(flown_by_hand(lost, 0, COARSE_S).perigee_m) > abs(ours(lost, 0, COARSE_S).perigee_m)

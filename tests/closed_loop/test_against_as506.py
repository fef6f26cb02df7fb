"""AS-506's third stage flown by this service against what flew on 1969-07-16.

Measured: burn 147.56 s against 147.13 s flown (+0.43 s, +0.3 %); cutoff speed 7792.94 m/s against 7790.75 m/s (memory)
at the flight's cutoff and 7793.10 m/s (seen) ten seconds later.

How far that agreement may be trusted. The thrust, the exhaust velocity and the speed at second-stage cutoff are from
memory. 1 % of thrust is 1.5 s of burn, 0.5 % of mass 0.75 s, 4 m/s from the second stage's tail-off 0.6 s; the build-up
of thrust after ignition, about 1 s of full thrust, is not modelled and would lengthen ours. Together 2.1 s (root of the
sum of squares), so a burn within 2.5 s is all that these inputs can confirm; the 0.43 s is better than they deserve.
The speeds differ by the third stage's own tail-off: our target is the published orbit, which the flight reached only
after it; 7793.10 - 7790.75 = 2.35 m/s.
"""

from __future__ import annotations

from functools import cache

import pytest

from tests.closed_loop.as506 import ThirdStageFlight, fly_third_stage, second_stage_cutoff, third_stage

BURN_S = 2.5  # see above


@cache
def flight() -> ThirdStageFlight:
    return fly_third_stage()


def test_third_stage_reaches_the_published_parking_orbit() -> None:
    assert abs(flight().perigee_error_m) < 20.0  # as for the other insertions; the published heights are to 0.1 n mi
    assert abs(flight().apogee_error_m) < 20.0
    assert flight().inclination_deg_error < 1e-4


def test_burn_time_is_that_of_the_flight_within_what_the_inputs_allow() -> None:
    assert flight().burn_s == pytest.approx(flight().flown_burn_s, abs=BURN_S)


def test_cutoff_speed_is_that_of_the_flight_but_for_its_tail_off() -> None:
    tail_off = flight().flown_insertion_speed_m_s - flight().flown_cutoff_speed_m_s
    assert flight().cutoff_speed_m_s - flight().flown_cutoff_speed_m_s == pytest.approx(tail_off, abs=0.5)
    # Published perigee and apogee to 0.1 n mi: 93 m of semi-major axis is 0.05 m/s; the radius at cutoff is 52 m above
    # that at insertion, 0.06 m/s; 0.3 m/s leaves room for the ellipsoid's choice.
    assert flight().cutoff_speed_m_s == pytest.approx(flight().flown_insertion_speed_m_s, abs=0.3)


@pytest.mark.parametrize(
    ("change", "expected_s"),
    [({"thrust_scale": 1.01}, -1.5), *(pytest.param(*row, marks=pytest.mark.slow) for row in (
        ({"mass_scale": 1.005}, 0.75), ({"speed_offset_m_s": 4.0}, -0.6)))],
    ids=["thrust", "mass", "speed"],
)  # fmt: skip
def test_the_stated_sensitivities_to_the_inputs_hold(change: dict[str, float], expected_s: float) -> None:
    assert fly_third_stage(**change).burn_s - flight().burn_s == pytest.approx(expected_s, abs=0.1)


def test_masses_and_state_are_the_published_ones() -> None:
    # 262,613 + 4,275 + 109,646 - 8,910 lb (NASA SP-2000-4029, ground-ignition weights)
    assert third_stage().mass_at_ignition_kg(0) == pytest.approx(367_624 * 0.45359237, abs=1.0)
    assert second_stage_cutoff().time_s == 548.22

"""Noisy first seconds on the plant of its own: nobody is turned away or told wrongly, and a lost engine is still found.

The truth is the plant's own noise-free flight. Bounds: 25 deg is what the issue calls turned away; the worst of 300
flights a vehicle is in the commit that brought this file, by `python -m tests.robustness.noisy_start`.
"""

from __future__ import annotations

from math import inf

import pytest

from tests.robustness.noisy_start import CASES, NOISY, TURNED_DEG, fly, row

LOST_WITH_OLD_LAW = {"gentle": 7, "brisk": 5, "double": 3}
"""A seed each that was turned (gentle: 42 deg) or told that its propellant is short before the estimate was weighed."""


@pytest.mark.parametrize("name", CASES)
def test_the_first_seconds_of_noise_turn_nobody_away_and_raise_no_alarm(name: str) -> None:
    found = row(name, 8.0, False, LOST_WITH_OLD_LAW[name])
    assert found.turned_deg < TURNED_DEG
    assert found.alarms == ()


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_a_whole_noisy_flight_reaches_its_orbit(name: str) -> None:
    found = row(name, inf, False, LOST_WITH_OLD_LAW[name])
    assert not found.lost
    assert found.alarms == ()
    assert found.turned_deg < TURNED_DEG
    assert abs(found.more_kg) < 20.0  # what a flight that recovered from a turn used to lose


@pytest.mark.slow
def test_a_third_of_the_thrust_lost_in_all_that_noise_is_not_taken_for_noise() -> None:
    # "brisk" loses 4 m/s2 at 20 s; without the loss the cutoff is told 208 s after ignition
    told = fly(CASES["brisk"], NOISY, 0, 26.0, loss=True)
    whole = fly(CASES["brisk"], NOISY, 0, 26.0)
    assert told.cutoff_at_s is not None
    assert whole.cutoff_at_s is not None
    assert told.cutoff_at_s - whole.cutoff_at_s > 60.0

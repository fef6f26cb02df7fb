"""A service killed with SIGKILL in powered flight: the flight is the one that nobody killed."""

from __future__ import annotations

import pytest

from tests.robustness.kills import run


@pytest.mark.parametrize("kills", [3, pytest.param(200, marks=pytest.mark.slow)])
def test_a_killed_service_costs_no_reply_no_orbit_and_no_recording(kills: int) -> None:
    outcomes = run(kills, seed=20261125)
    assert sum(one.kills for one in outcomes) == kills
    for one in outcomes:
        assert one.exchanges > 5000
        assert (one.unequal, one.missing) == (0, 0)
        assert one.apogee_off_m == 0.0  # equal replies fly the same simulator to the same orbit

"""The last seconds of a burn in numbers: plain and compiled from one source, and what they come to."""

from __future__ import annotations

from math import inf, log
from typing import Any

import pytest

from guidance_svc.core.burns import Motor
from guidance_svc.core.compiled import HAVE_NUMBA, kernel
from guidance_svc.laws.last_seconds import Ending, Finish, aim_cutoff

THRUST_N, EXHAUST_M_S, MASS_KG = 188e3, 3400.0, 6e3


def finished(lowest_frac: float, states: int) -> tuple[float, ...]:
    """A burn with 60 m/s to gain, its states 0.1 s apart: what the last one came to."""
    finish = Finish(-inf, 0.0, -inf, 0.0)
    end = Ending(Motor(THRUST_N, EXHAUST_M_S, lowest_frac, inf, 0.0), 1.0, lowest_frac)
    mass, gained, throttle, gain, cutoff_s = MASS_KG, 0.0, 1.0, 0.0, 0.0
    for k in range(states):
        finish, gain, throttle, cutoff_s = aim_cutoff(finish, end, 0.1 * k, mass, 60.0 - gained)
        burnt_kg = 0.1 * throttle * THRUST_N / EXHAUST_M_S
        gained += EXHAUST_M_S * log(mass / (mass - burnt_kg))
        mass -= burnt_kg
    return gain, throttle, cutoff_s, finish.aim_s


def test_an_engine_that_throttles_is_cut_on_the_grid_of_its_states() -> None:
    _, throttle, cutoff_s, aim_s = finished(0.2, 40)
    assert 0.25 < throttle < 0.35  # tapered to 0.3, trimmed a little
    assert aim_s / 0.1 == pytest.approx(round(aim_s / 0.1), abs=1e-9)
    assert cutoff_s == pytest.approx(aim_s, abs=1e-9)


@pytest.mark.slow
@pytest.mark.skipif(not HAVE_NUMBA, reason="numba is not installed")
def test_last_seconds_plain_and_compiled_agree() -> None:
    compiled: Any = kernel(finished)
    for lowest_frac in (1.0, 0.2):
        assert compiled(lowest_frac, 30) == pytest.approx(finished(lowest_frac, 30), rel=1e-12)

"""The last seconds of a burn in numbers: plain and compiled from one source, and what they come to."""

from __future__ import annotations

from math import inf, log
from typing import Any

import pytest

from guidance_svc.core.burns import Motor
from guidance_svc.core.compiled import HAVE_NUMBA, kernel
from guidance_svc.laws.last_seconds import Ending, Finish, aim_cutoff

THRUST_N, EXHAUST_M_S, MASS_KG = 188e3, 3400.0, 6e3


def finished(lowest_frac: float, noise_m_s: float, states: int) -> tuple[float, ...]:
    """A burn with 60 m/s to gain, its states 0.1 s apart and off by some noise: what the last one came to."""
    needs = [0.0]
    finish = Finish(-inf, 0.0, 0.0, 0.0, needs[:0], 0.0, -inf, 0.0)  # type: ignore[arg-type]
    end = Ending(Motor(THRUST_N, EXHAUST_M_S, lowest_frac, inf, 0.0), 1.0, lowest_frac)
    mass, gained, throttle, gain, cutoff_s = MASS_KG, 0.0, 1.0, 0.0, 0.0
    for k in range(states):
        off = noise_m_s * ((k * 7919) % 13 - 6) / 4.0
        finish, gain, ordered, cutoff_s = aim_cutoff(
            finish, end, 0.1 * k, mass, 60.0 - gained + off, 0.0, throttle, noise_m_s
        )
        burnt_kg = 0.1 * ordered * THRUST_N / EXHAUST_M_S
        gained += EXHAUST_M_S * log(mass / (mass - burnt_kg))
        mass, throttle = mass - burnt_kg, ordered
    return gain, throttle, cutoff_s, finish.aim_s, finish.given_m_s, float(len(finish.needs_m_s))


def test_an_engine_that_throttles_is_cut_on_the_grid_of_its_states() -> None:
    _, throttle, cutoff_s, aim_s, _, _ = finished(0.2, 0.0, 40)
    assert 0.25 < throttle < 0.35  # tapered to 0.3, trimmed a little
    assert aim_s / 0.1 == pytest.approx(round(aim_s / 0.1), abs=1e-9)
    assert cutoff_s == pytest.approx(aim_s, abs=2e-3)  # the speed given is reckoned by trapezoids of 0.1 s


def test_noise_is_averaged_over_up_to_25_states() -> None:
    noisy, quiet = finished(1.0, 0.05, 16), finished(1.0, 0.0, 16)
    assert noisy[-1] == 16.0
    assert abs(noisy[0] - quiet[0]) < 0.03  # a single state is off by up to 0.075 m/s


@pytest.mark.slow
@pytest.mark.skipif(not HAVE_NUMBA, reason="numba is not installed")
def test_last_seconds_plain_and_compiled_agree() -> None:
    compiled: Any = kernel(finished)
    for lowest_frac, noise_m_s in ((1.0, 0.0), (1.0, 0.05), (0.2, 0.0), (0.2, 0.05)):
        assert compiled(lowest_frac, noise_m_s, 30) == pytest.approx(finished(lowest_frac, noise_m_s, 30), rel=1e-12)

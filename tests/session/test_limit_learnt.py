"""A thrust acceleration that stays while the mass falls is told from constant thrust, by odds; invented engines."""

from __future__ import annotations

from math import exp, log
from random import Random

import pytest

from guidance_svc.core.thrust_line import Anchor
from guidance_svc.laws.limit_learnt import ANCHORS, CERTAIN, NO_FITS, STEADY, fits_of

VE_M_S = 3200.0
STILL = (0.0, 0.0, 0.0)


def anchors(held: bool, acceleration_m_s2: float, noise_m_s: float, seed: int) -> tuple[Anchor, ...]:
    """Half-second means of an engine that begins at this acceleration; rocket equation for both kinds."""
    rng, out = Random(seed), []
    for k in range(ANCHORS):
        t = 0.5 * k
        mass = 1e4 * (exp(-acceleration_m_s2 * t / VE_M_S) if held else 1.0 - acceleration_m_s2 * t / VE_M_S)
        gain = acceleration_m_s2 * t if held else -VE_M_S * log(mass / 1e4)
        v = (1000.0 + gain + rng.gauss(0.0, noise_m_s), rng.gauss(0.0, noise_m_s), rng.gauss(0.0, noise_m_s))
        out.append(Anchor(t, 5, STILL, v, mass, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, t))
    return tuple(out)


def odds(held: bool, noise_m_s: float, seed: int, acceleration_m_s2: float = 30.0) -> float:
    fits = fits_of(anchors(held, acceleration_m_s2, noise_m_s, seed))
    assert fits is not None
    return fits.held_odds


def test_constant_thrust_is_never_taken_for_a_limit_at_any_noise() -> None:
    for noise in (0.0, 0.01, 0.1, 0.3, 1.0):
        assert max(odds(False, noise, seed) for seed in range(200)) < CERTAIN


def test_quiet_telemetry_tells_the_two_apart() -> None:
    for seed in range(50):
        assert odds(True, 0.02, seed) > CERTAIN
        assert odds(False, 0.02, seed) < -STEADY
    fits = fits_of(anchors(True, 30.0, 0.02, 1))
    assert fits is not None
    assert fits.acceleration_m_s2 == pytest.approx(30.0, abs=0.05)


def test_a_mass_that_hardly_falls_says_nothing() -> None:
    assert fits_of(anchors(True, 4.0, 0.0, 0)) == NO_FITS

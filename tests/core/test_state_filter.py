"""The filter of position, velocity and unmodelled acceleration: its noise, its covariance, and the Cramer-Rao bound."""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt
from random import Random

import numpy as np
import pytest

from guidance_svc.core.state_filter import (
    Filtered,
    Spread,
    Wander,
    first_filtered,
    spread_later,
    take_in,
    take_in_position,
    take_in_velocity,
)
from guidance_svc.domain import Vec

DT_S = 0.02
NOTHING: Vec = (0.0, 0.0, 0.0)
STILL = Wander(0.0, 0.0)
BIAS: Vec = (0.3, -0.2, 0.1)  # m/s2, that the model lacks


def matrix(s: Spread) -> np.ndarray:
    return np.array([[s.rr, s.rv, s.ra], [s.rv, s.vv, s.va], [s.ra, s.va, s.aa]])


def noisy(random: Random, noise_m: float, noise_m_s: float, states: int) -> Iterator[tuple[Vec, Vec]]:
    """States of a flight under a constant acceleration."""
    def shaken(values: list[float], sigma: float) -> Vec:
        a, b, c = (value + random.gauss(0.0, sigma) for value in values)
        return (a, b, c)

    for k in range(states):
        t = k * DT_S
        yield (
            shaken([0.5 * b * t * t + 20.0 * t for b in BIAS], noise_m),
            shaken([b * t + 20.0 for b in BIAS], noise_m_s),
        )


def filtered(seed: int, noise_m: float, noise_m_s: float, states: int, wander: Wander = STILL) -> Filtered:
    flight = noisy(Random(seed), noise_m, noise_m_s, states)
    known = first_filtered(*next(flight), 1.0)
    for position, velocity in flight:
        known = take_in(known, position, velocity, NOTHING, DT_S, wander)
    return known


def test_the_covariance_is_that_of_the_matrix_form() -> None:
    before = Spread(4.0, 0.3, 0.1, 0.5, 0.05, 0.2)
    q, b, dt = 0.3, 0.2, 0.1
    move = np.array([[1.0, dt, 0.5 * dt * dt], [0.0, 1.0, dt], [0.0, 0.0, 1.0]])
    white = q * np.array([[dt**3 / 3.0, dt**2 / 2.0, 0.0], [dt**2 / 2.0, dt, 0.0], [0.0, 0.0, 0.0]])
    walk = b * np.array([
        [dt**5 / 20.0, dt**4 / 8.0, dt**3 / 6.0], [dt**4 / 8.0, dt**3 / 3.0, dt**2 / 2.0],
        [dt**3 / 6.0, dt**2 / 2.0, dt],
    ])  # fmt: skip
    wanted = move @ matrix(before) @ move.T + white + walk
    later = spread_later(before, dt, Wander(q, b))
    assert np.allclose(matrix(later), wanted, rtol=1e-12)
    for update, row, noise in ((take_in_position, 0, 0.7), (take_in_velocity, 1, 0.02)):
        gain = wanted[:, row] / (wanted[row, row] + noise)
        after, gains = update(later, noise)
        assert np.allclose(gains, gain, rtol=1e-12)
        assert np.allclose(matrix(after), wanted - np.outer(gain, wanted[row]), rtol=1e-12)


@pytest.mark.parametrize(("noise_m", "noise_m_s"), [(0.1, 0.02), (1.0, 0.1), (10.0, 0.5)])
def test_the_noise_is_measured_within_a_tenth(noise_m: float, noise_m_s: float) -> None:
    known = [filtered(seed, noise_m, noise_m_s, 400).noise for seed in range(8)]
    # 60 states of three axes, 8 seeds: one sigma of the mean of a second difference is 3 %
    assert sqrt(sum(n.position_m2 for n in known) / 8) == pytest.approx(noise_m, rel=0.1)
    assert sqrt(sum(n.velocity_m2_s2 for n in known) / 8) == pytest.approx(noise_m_s, rel=0.1)


def test_the_bias_is_found_and_the_error_is_the_cramer_rao_bound() -> None:
    """The bound: inverse of the information matrix of all states, constant bias, the filter's own first knowledge."""
    states, noise_m, noise_m_s = 300, 0.3, 0.05
    information = np.zeros((3, 3))
    for k in range(states):
        t = (k - states + 1) * DT_S
        for row, sigma in (([1.0, t, 0.5 * t * t], noise_m), ([0.0, 1.0, t], noise_m_s)):
            information += np.outer(row, row) / sigma**2
    bound = np.sqrt(np.diag(np.linalg.inv(information)))
    end_s = (states - 1) * DT_S
    errors = []
    for seed in range(40):
        known = filtered(seed, noise_m, noise_m_s, states)
        for axis, bias in enumerate(BIAS):
            errors.append((
                known.position_m[axis] - 0.5 * bias * end_s**2 - 20.0 * end_s,
                known.velocity_m_s[axis] - bias * end_s - 20.0, known.bias_m_s2[axis] - bias,
            ))  # fmt: skip
    spread = np.sqrt(np.mean(np.square(errors), axis=0))
    assert (spread < 1.25 * bound).all(), spread / bound  # 120 draws: 6.5 % of one sigma
    assert (spread > 0.75 * bound).all(), spread / bound


def test_clean_states_are_believed_at_once() -> None:
    known = filtered(0, 0.0, 0.0, 50, Wander(2e-3, 2e-2))
    assert known.velocity_m_s == pytest.approx([b * 49 * DT_S + 20.0 for b in BIAS], abs=1e-4)
    assert known.bias_m_s2 == pytest.approx(BIAS, abs=1e-3)


def test_one_outlier_does_not_pass_for_noise() -> None:
    flight = list(noisy(Random(1), 0.1, 0.02, 200))
    known = first_filtered(*flight[0], 1.0)
    for k, (position, velocity) in enumerate(flight[1:]):
        shifted = (position[0] + 50.0, position[1], position[2]) if k == 150 else position
        known = take_in(known, shifted, velocity, NOTHING, DT_S, STILL)
    assert sqrt(known.noise.position_m2) < 0.2

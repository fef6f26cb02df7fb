"""The filter of a burn: consistent with its own covariance, undisturbed by what is told, quick where it is wrong."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from random import Random

import pytest

from guidance_svc.core.burn_state import (
    REST_S,
    TRANSIENT_S,
    UNTRACKED,
    Told,
    Tracked,
    is_believed,
    track,
)
from guidance_svc.core.state_filter import TRUSTED_STATES
from guidance_svc.core.vectors import along, norm, sub
from guidance_svc.domain import Vec

DT_S = 0.02
PUSH_M_S2 = 30.0
NOISE_M, NOISE_M_S = 10.0, 0.1
AHEAD: Vec = (0.8, 0.0, 0.6)
DOWN: Vec = (0.0, 0.0, -9.0)


def steady(k: int) -> float:
    return 1.0


class Burn:
    """A burn under constant gravity, told with noise.

    Args:
        given: thrust from state k - 1 to state k over what full throttle should give.
        throttle: as the state tells it.
    """

    def __init__(
        self, seed: int, given: Callable[[int], float] = steady, throttle: Callable[[int], float] = steady,
        noise: tuple[float, float] = (NOISE_M, NOISE_M_S), throttle_told: bool = True,
    ) -> None:  # fmt: skip
        self.draw, self.noise, self.given, self.throttle = Random(seed), noise, given, throttle
        self.position_m: Vec = (0.0, 0.0, 0.0)
        self.velocity_m_s: Vec = (2000.0, 0.0, 500.0)
        self.throttle_told, self.count, self.tracked = throttle_told, 0, UNTRACKED

    def fly(self, states: int) -> Tracked:
        """So many states more."""
        for _ in range(states):
            self.count += 1
            push = along(DOWN, PUSH_M_S2 * self.given(self.count), AHEAD)
            moved = along(self.position_m, DT_S, self.velocity_m_s)
            self.position_m = along(moved, 0.5 * DT_S * DT_S, push)
            self.velocity_m_s = along(self.velocity_m_s, DT_S, push)
            self.tracked = track(self.tracked, self.told())
        return self.tracked

    def told(self) -> Told:
        """The state as it is told."""
        def shaken(v: Vec, sigma: float) -> Vec:
            return (v[0] + self.draw.gauss(0.0, sigma), v[1] + self.draw.gauss(0.0, sigma),
                    v[2] + self.draw.gauss(0.0, sigma))  # fmt: skip

        return Told(
            DT_S * self.count, shaken(self.position_m, self.noise[0]), shaken(self.velocity_m_s, self.noise[1]), DOWN,
            PUSH_M_S2, AHEAD, True, self.throttle(self.count), self.throttle_told, 1.0, -inf,
        )  # fmt: skip

    @property
    def off_m_s(self) -> float:
        """What the filter is off by."""
        return norm(sub(self.tracked.filtered.velocity_m_s, self.velocity_m_s))


def test_the_errors_are_as_large_as_the_covariance_says() -> None:
    place = speed = 0.0
    for seed in range(15):
        burn = Burn(seed, given=lambda k: 1.002)  # two thousandths more than the model has: the bias must find them
        f = burn.fly(400).filtered
        place += norm(sub(f.position_m, burn.position_m)) ** 2 / (3.0 * f.spread.rr)
        speed += burn.off_m_s**2 / (3.0 * f.spread.vv)
    # mean of 45 squares of unit normal numbers: one sigma is sqrt(2 / 45) = 0.21
    assert 0.4 < place / 15 < 1.6
    assert 0.4 < speed / 15 < 1.6


def test_sixteen_seconds_of_noisy_states_tell_the_velocity_to_a_tenth_of_one_state() -> None:
    burn = Burn(1)
    burn.fly(800)
    assert burn.tracked.filtered.spread.vv ** 0.5 < 0.1 * NOISE_M_S  # 2 over the root of 800: a line's end
    assert burn.off_m_s < 0.3 * NOISE_M_S


def test_a_throttle_step_that_was_told_shakes_nothing() -> None:
    def throttle(k: int) -> float:
        return 1.0 if k <= 800 else 0.45

    burn = Burn(2, given=throttle, throttle=throttle)
    before = burn.fly(800).filtered.spread.vv
    tracked = burn.fly(10)
    assert tracked.filtered.spread.vv < 1.1 * before
    assert burn.off_m_s < 0.3 * NOISE_M_S


@pytest.mark.parametrize("late", [1, 8])
def test_a_throttle_step_that_comes_later_than_told_is_found_out(late: int) -> None:
    burn = Burn(
        3, given=lambda k: 1.0 if k <= 800 + late else 0.45, throttle=lambda k: 1.0 if k <= 800 else 0.45
    )
    burn.fly(800 + late + int(1.5 * TRANSIENT_S / DT_S))
    assert burn.off_m_s < 2.0 * NOISE_M_S


def test_a_throttle_step_that_was_not_told_is_waited_for() -> None:
    burn = Burn(
        4, given=lambda k: 1.0 if k <= 815 else 0.45, throttle=lambda k: 1.0 if k <= 800 else 0.45, throttle_told=False
    )
    burn.fly(801)
    assert burn.tracked.changed_at_s == pytest.approx(801 * DT_S)
    burn.fly(100)
    assert burn.off_m_s < 2.0 * NOISE_M_S


@pytest.mark.parametrize("kept", [0.67, 0.97, 0.995])
def test_a_thrust_that_is_lost_unforeseen_is_found_by_the_drift(kept: float) -> None:
    burn = Burn(5, given=lambda k: 1.0 if k <= 800 else kept)
    burn.fly(800)
    worst = 0.0
    for _ in range(40):
        burn.fly(10)
        worst = max(worst, burn.off_m_s)
    assert worst < 5.0 * NOISE_M_S
    assert burn.off_m_s < NOISE_M_S


def test_a_thrust_estimate_that_changes_leaves_the_acceleration_that_was_found() -> None:
    burn = Burn(6, given=lambda k: 1.01)
    before = burn.fly(800)
    told = burn.told()._replace(time_s=before.time_s + DT_S, thrust_scale=1.01)
    after = track(before, told)
    found = before.filtered.bias_m_s2
    left = along(after.filtered.bias_m_s2, 0.01 * PUSH_M_S2, AHEAD)
    assert norm(sub(left, found)) < 2e-3  # one state's correction
    assert norm(found) == pytest.approx(0.01 * PUSH_M_S2, abs=0.02)


def test_states_without_noise_are_not_filtered() -> None:
    burn = Burn(7, noise=(0.0, 0.0))
    tracked = burn.fly(int(TRUSTED_STATES) + 1)
    assert not is_believed(tracked.filtered.noise)
    assert tracked.rests_until_s == pytest.approx(burn.count * DT_S + REST_S)


def test_a_gap_begins_the_filter_anew() -> None:
    burn = Burn(8)
    burn.fly(100)
    burn.count += 400
    tracked = track(burn.tracked, burn.told())
    assert tracked.filtered.noise.states == 0.0

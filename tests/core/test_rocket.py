"""The rocket equation against its own differential form and against the sums it must obey."""

from __future__ import annotations

from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guidance_svc.core import rocket

MASS = st.floats(1.0, 1e6)
EXHAUST = st.floats(500.0, 5000.0)


@given(MASS, st.floats(1e-6, 0.95), EXHAUST)
def test_the_speed_gain_is_exhaust_velocity_times_log_of_the_mass_ratio(m: float, part: float, ve: float) -> None:
    # Tsiolkovsky's equation as printed in Sutton and Biblarz; the plain logarithm loses 1e-16/part
    assert rocket.speed_gain_m_s(m, part * m, ve) == pytest.approx(ve * log(1.0 / (1.0 - part)), rel=1e-9)


@given(MASS, st.floats(0.01, 2e4), EXHAUST)
def test_propellant_for_a_gain_gives_that_gain_back(m: float, gain: float, ve: float) -> None:
    gain = min(gain, 5.0 * ve)  # beyond a mass ratio of 150 the payload's rounding shows
    assert rocket.speed_gain_m_s(m, rocket.propellant_for_gain_kg(m, gain, ve), ve) == pytest.approx(gain, rel=1e-11)


@given(MASS, st.floats(0.1, 4e3), st.floats(1.0, 1e7), EXHAUST)
def test_two_burns_of_half_the_gain_take_as_long_as_one_of_the_whole(
    m: float, gain: float, f: float, ve: float
) -> None:
    first = rocket.burn_time_s(m, 0.5 * gain, f, ve)
    second = rocket.burn_time_s(rocket.mass_after_kg(m, f, ve, first), 0.5 * gain, f, ve)
    assert first + second == pytest.approx(rocket.burn_time_s(m, gain, f, ve), rel=1e-9)


def test_thrust_falls_by_pressure_times_exit_area_and_never_turns_round() -> None:
    assert rocket.thrust_at_n(1e6, 2.0, 101325.0) == pytest.approx(1e6 - 202650.0)
    assert rocket.thrust_at_n(1e5, 2.0, 101325.0) == 0.0

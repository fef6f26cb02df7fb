"""What a boost cannot be flown with is refused with its key and what would work. Invented numbers."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from typing import Any

import pytest

from guidance_svc.domain import Body, Boost, FlightPlan, Hold, Stage, Target, Vehicle
from guidance_svc.errors import ConfigError
from guidance_svc.laws.boost import BoostModel
from guidance_svc.laws.plan_rules import check_phases
from guidance_svc.plan.checks import check_plan
from guidance_svc.wire.plans import VehicleModel, parse_table

EARTH = Body("earth", 3.986004418e14, 6378137.0, atmosphere="us1976")
FIRST = Stage("first", 20e3, 380e3, 7.2e6, 3000.0, 6.0, throttle_min_frac=0.5)
SECOND = Stage("second", 4e3, 90e3, 9e5, 3450.0)
STACK = Vehicle("stack", (FIRST, SECOND), 9e3)
BOOST = Boost(max_alpha_rad=radians(8.0))
TARGET = Target(6578137.0, 6578137.0, 6578137.0, 7784.0, 0.0)


def check(plan: FlightPlan) -> None:
    check_plan(plan)
    check_phases(plan)


def refusal(boost: Boost = BOOST, vehicle: Vehicle = STACK, body: Body = EARTH) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        check(FlightPlan("climb", body, vehicle, TARGET, (Hold(), boost)))
    return caught.value


def test_a_sound_boost_is_accepted() -> None:
    sound = replace(
        BOOST, bias=((20.0, radians(5.0)),), throttle=((0.0, 1.0), (60.0, 0.6)), max_dynamic_pressure_pa=35e3,
        max_acceleration_m_s2=30.0, max_yaw_rad=radians(2.0), max_q_alpha_pa_rad=2500.0,
    )  # fmt: skip
    check(FlightPlan("climb", EARTH, STACK, TARGET, (Hold(), sound)))


@pytest.mark.parametrize(
    ("change", "key", "says"),
    [
        ({"bias": ((20.0, radians(9.0)),)}, "phases.1.bias_deg", "max_alpha_deg, 8 deg"),
        ({"bias": ((20.0, radians(-9.0)),)}, "phases.1.bias_deg", "max_alpha_deg, 8 deg"),
        ({"reserve_kg": 380e3}, "phases.1.reserve_kg", "less than the propellant_kg of first, 380000 kg"),
        ({"max_yaw_rad": radians(9.0)}, "phases.1.max_yaw_deg", "at most max_alpha_deg, 8 deg"),
        ({"throttle": ((60.0, 0.4),)}, "phases.1.throttle", "throttle_min_frac of first, 0.5"),
        ({"max_acceleration_m_s2": 9.0}, "phases.1.max_acceleration_m_s2", "gravity at the pad, 9.798"),
        # lowest throttle 3.6 MN over 20 t + 103 t: 29.27 m/s2 by hand
        ({"max_acceleration_m_s2": 25.0}, "phases.1.max_acceleration_m_s2", "at least 29.27 m/s2"),
    ],
)  # fmt: skip
def test_contradicting_limits_are_refused_with_what_would_work(change: dict[str, Any], key: str, says: str) -> None:
    error = refusal(replace(BOOST, **change))
    assert error.code == "limits_contradict"
    assert error.field == key
    assert says in error.expected
    assert error.got


@pytest.mark.parametrize("key", ["max_dynamic_pressure_pa", "max_acceleration_m_s2"])
def test_an_engine_that_does_not_throttle_cannot_keep_a_limit(key: str) -> None:
    stiff = replace(STACK, stages=(replace(FIRST, throttle_min_frac=1.0), SECOND))
    error = refusal(replace(BOOST, **{key: 35e3}), stiff)
    assert error.field == f"phases.1.{key}"
    assert "first does not throttle" in error.expected


def test_thrust_below_weight_is_refused_with_the_thrust_that_would_do() -> None:
    weak = replace(STACK, stages=(replace(FIRST, thrust_n=4e6), SECOND))
    error = refusal(vehicle=weak)
    assert error.code == "cannot_lift_off"
    # by hand: 503 t on a sphere of that size weigh 4.929 MN, and the air takes 6 m2 of 101325 Pa
    assert "4928" in error.expected
    assert "607950 N" in error.expected


def test_a_cover_cannot_wait_for_cooling_where_there_is_no_air() -> None:
    covered = replace(STACK, cover_mass_kg=1e3, drop_cover_below_w_m2=1135.0)
    error = refusal(vehicle=covered, body=replace(EARTH, atmosphere="none"))
    assert error.field == "vehicle.drop_cover_below_w_m2"
    assert "drop_cover_above_km" in error.expected


# --- as they stand in TOML --------------------------------------------------------------------------------------------

TABLE = {"law": "boost", "bias_deg": [[20.0, 3.0], [60.0, -1.0]], "throttle": [[50.0, 0.8]], "max_alpha_deg": 6.0,
         "max_q_alpha_pa_deg": 143239.4, "max_dynamic_pressure_pa": 35000.0}  # fmt: skip


def test_degrees_become_radians_and_absent_limits_become_none() -> None:
    boost = parse_table(BoostModel, TABLE).to_domain()
    assert boost.bias == ((20.0, radians(3.0)), (60.0, radians(-1.0)))
    assert boost.max_q_alpha_pa_rad == pytest.approx(2500.0, rel=1e-6)
    assert boost.max_alpha_rad == radians(6.0)
    assert boost.max_acceleration_m_s2 == float("inf")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"bias_deg": [[60.0, 1.0], [20.0, 1.0]]}, "bias_deg with rising times"),
        ({"pitch_deg": [[20.0, 80.0]]}, "bias_deg or pitch_deg, not both"),
        ({"bias_deg": [], "pitch_deg": [[20.0, 95.0]]}, "from 0 to 90"),
        ({"throttle": [[20.0, 1.5]]}, "from 0 to 1"),
        ({"throttle": [[-20.0, 1.0]]}, "from 0 s on"),
    ],
)
def test_programs_that_make_no_sense_are_refused_by_name(change: dict[str, Any], says: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_table(BoostModel, TABLE | change, "plan.toml")
    assert says in caught.value.expected
    assert caught.value.file == "plan.toml"


def test_a_cover_needs_to_know_when_to_go() -> None:
    stage = {"name": "only", "dry_mass_kg": 1.0, "propellant_kg": 2.0, "thrust_n": 3.0, "exhaust_velocity_m_s": 4.0}
    with pytest.raises(ConfigError) as caught:
        parse_table(VehicleModel, {"stages": [stage], "cover_mass_kg": 5.0})
    assert "drop_cover_above_km" in caught.value.expected

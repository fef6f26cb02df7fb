"""The keys of a vehicle that comes back: into SI and radians, defaults that change nothing, and what cannot be."""

from __future__ import annotations

from math import inf, radians
from typing import Any

import pytest

from guidance_svc.domain import Stage, Vehicle
from guidance_svc.errors import ConfigError
from guidance_svc.sim.state import World
from guidance_svc.wire.plans import VehicleModel, parse_table
from tests.sim.falling import EARTH

STAGE: dict[str, Any] = {
    "name": "s", "dry_mass_kg": 2e4, "propellant_kg": 3e4, "thrust_n": 9e5, "exhaust_velocity_m_s": 3000.0,
}  # fmt: skip
ENGINES = {"engine_count": 9, "groups": [1, 3, 9], "engine_lag_s": 0.12, "ignition_delay_s": 0.3, "ignitions": 4}
RETURN: dict[str, Any] = {
    "attitude_rate_limit_deg_s": 15.0, "attitude_acceleration_limit_deg_s2": 10.0, "percussion_m": 12.0,
    "fall_drag_curve": [[0.0, 0.8], [1.0, 1.2]], "fall_lift_curve": [[0.0, 1.5]], "legs_below_m": 18.0,
    "legs_radius_m": 7.0, "catch_point_m": -2.0,
}  # fmt: skip


def vehicle(stage: dict[str, Any] | None = None, **keys: Any) -> Vehicle:
    table = {"stages": [STAGE | (stage or {})]} | keys
    return parse_table(VehicleModel, table, "v.toml").to_domain("v")


def test_the_keys_become_the_vehicle() -> None:
    made = vehicle(ENGINES, **RETURN)
    stage = made.stages[0]
    assert (stage.engine_count, stage.groups, stage.ignitions) == (9, (1, 3, 9), 4)
    assert (stage.engine_lag_s, stage.ignition_delay_s) == (0.12, 0.3)
    assert made.attitude_rate_limit_rad_s == radians(15.0)
    assert made.attitude_acceleration_limit_rad_s2 == radians(10.0)
    assert made.fall_drag_curve == ((0.0, 0.8), (1.0, 1.2))
    assert made.fall_lift_curve == ((0.0, 1.5),)
    assert (made.percussion_m, made.legs_below_m, made.legs_radius_m, made.catch_point_m) == (12.0, 18.0, 7.0, -2.0)


def test_a_vehicle_without_them_is_flown_as_ever() -> None:
    plain = vehicle()
    assert plain == Vehicle("v", (Stage("s", 2e4, 3e4, 9e5, 3000.0),))
    assert World(EARTH, plain).full is False
    assert World(EARTH, plain).limits == (inf, inf, 0.0)
    assert World(EARTH, vehicle(ENGINES)).full is True


@pytest.mark.parametrize(
    ("stage", "keys", "words"),
    [
        ({"groups": [1, 3, 3], "engine_count": 9}, {}, "groups with rising counts"),
        ({"groups": [1, 3], "engine_count": 2}, {}, "groups of at most engine_count, 2; the last is 3"),
        ({"engine_count": 0}, {}, "engine_count"),
        ({"ignitions": 0}, {}, "ignitions"),
        ({"engine_lag_s": -0.1}, {}, "engine_lag_s"),
        ({}, {"percussion_m": 12.0}, "attitude_acceleration_limit_deg_s2 with percussion_m"),
        ({}, {"fall_drag_curve": [[1.0, 0.8], [1.0, 1.2]]}, "fall_drag_curve with rising Mach numbers"),
        ({}, {"fall_lift_curve": [[2.0, 0.8], [1.0, 1.2]]}, "fall_lift_curve with rising Mach numbers"),
        ({}, {"catch_point_m": 2000.0}, "catch_point_m"),
        ({}, {"attitude_rate_limit_deg_s": 0.0}, "attitude_rate_limit_deg_s"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_the_key(stage: dict[str, Any], keys: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        vehicle(stage, **keys)

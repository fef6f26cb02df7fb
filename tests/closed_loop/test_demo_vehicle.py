"""The vehicle that the example scripts fly: it acts on its own clock, to the instant, and parts in two."""

from __future__ import annotations

from collections.abc import Mapping
from math import log
from pathlib import Path
from typing import Any

import pytest

from guidance_svc.constants import STANDARD_GRAVITY_M_S2
from guidance_svc.core.vectors import norm
from guidance_svc.demo.vehicle import Range
from guidance_svc.errors import GuidanceError
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.rehearsal.craft import Craft, craft_on_pad


@pytest.fixture(scope="module")
def library() -> Library:
    return load_library(default_folder())


def bargeman(library: Library, lines: list[Mapping[str, Any]] | None = None) -> Craft:
    kept: list[Mapping[str, Any]] = [] if lines is None else lines
    return craft_on_pad("Bargeman", library.plan("bargeman_to_lagoon", "tanker"), None, kept.append)


@pytest.mark.parametrize("cutoff_at_s", [12.3456789, 12.34, 12.36])
def test_the_engine_stops_at_the_stated_instant_wherever_the_ticks_lie(library: Library, cutoff_at_s: float) -> None:
    """Propellant burnt is mass flow times burn time, exactly (definition of mass flow); 1 g is its rounding."""
    craft = bargeman(library)
    craft.command({"ignite_at_s": 8.0, "cutoff_at_s": cutoff_at_s, "throttle": 1.0})
    craft.fly(13.7)
    stage = craft.world.vehicle.stages[0]
    burnt = stage.propellant_kg - craft.state.propellant_kg[0]
    assert burnt == pytest.approx(stage.thrust_n / stage.exhaust_velocity_m_s * (cutoff_at_s - 8.0), abs=1e-3)
    assert not craft.telemetry()["engine_on"]


def test_how_often_a_script_talks_does_not_change_the_flight(library: Library) -> None:
    """The same steps in both: only the request sizes differ. 1 mm over 20 s is rounding."""
    plan = {"ignite_at_s": 1.0, "release_at_s": 2.0, "throttle": 1.0}
    once, often = bargeman(library), bargeman(library)
    once.command(plan)
    often.command(plan)
    once.fly(20.0)
    for _ in range(200):
        often.fly(0.1)
    apart = [a - b for a, b in zip(once.state.position_m, often.state.position_m, strict=True)]
    assert norm((apart[0], apart[1], apart[2])) < 1e-3


def test_what_is_planned_for_the_end_of_a_stretch_has_happened_there(library: Library) -> None:
    craft = bargeman(library)
    craft.command({"ignite_at_s": 7.0})
    craft.fly(7.0)
    assert craft.telemetry()["engine_on"]


def test_a_time_that_is_past_does_nothing(library: Library) -> None:
    craft = bargeman(library)
    craft.fly(10.0)
    craft.command({"ignite_at_s": 5.0})
    craft.fly(1.0)
    assert not craft.telemetry()["engine_on"]


def test_a_separation_asked_for_again_drops_one_stage_only(library: Library) -> None:
    lines: list[Mapping[str, Any]] = []
    craft = bargeman(library, lines)
    craft.command({"separate_at_s": 1.0})
    craft.fly(1.0)
    craft.command({"separate_at_s": 1.0})
    craft.fly(0.1)
    craft.command({"separate_at_s": 1.1})
    craft.fly(0.1)
    assert craft.state.stage == 1
    assert [line["mark"] for line in lines if line["mark"]] == ["separate"]


def test_thrust_on_the_pad_is_the_vacuum_thrust_less_pressure_times_exit_area(library: Library) -> None:
    """Sea-level pressure 101325 Pa (U.S. Standard Atmosphere 1976); 0.1 % for the site's 5 m of height."""
    craft = bargeman(library)
    craft.command({"engine_on": True, "throttle": 1.0})
    stage = craft.world.vehicle.stages[0]
    assert craft.telemetry()["thrust_n"] == pytest.approx(stage.thrust_n - 101325.0 * stage.exit_area_m2, rel=1e-3)


@pytest.mark.parametrize(("plan", "role"), [("sandpiper_boost", "booster"), ("bargeman_to_lagoon", "tanker")])
def test_thrust_over_weight_at_lift_off_is_what_such_stacks_have(library: Library, plan: str, role: Any) -> None:
    """1.2 to 1.5: common practice, no source."""
    vehicle = library.plan(plan, role).vehicle
    stage = vehicle.stages[0]
    ratio = (stage.thrust_n - 101325.0 * stage.exit_area_m2) / (vehicle.mass_at_ignition_kg(0) * STANDARD_GRAVITY_M_S2)
    assert 1.2 < ratio < 1.5


def test_what_sandpiper_carries_is_what_curlew_weighs(library: Library) -> None:
    booster, upper = library.plan("sandpiper_boost", "booster"), library.plan("curlew_to_lagoon", "upper_stage")
    assert booster.vehicle.payload_kg == upper.vehicle.mass_at_ignition_kg(0)
    stage = upper.vehicle.stages[0]
    ideal = stage.exhaust_velocity_m_s * log(
        booster.vehicle.payload_kg / (booster.vehicle.payload_kg - stage.propellant_kg)
    )
    assert ideal > 5500.0  # m/s, what is missing from 2.6 km/s to orbit with its losses: Tsiolkovsky's equation


def test_a_booster_and_another_weight_on_top_do_not_fly(library: Library) -> None:
    plan = library.plan("sandpiper_boost", "booster")
    with pytest.raises(GuidanceError, match=r"Sandpiper\.payload_kg"):
        craft_on_pad("Sandpiper", plan, library.plan("bargeman_to_lagoon", "tanker"), lambda line: None)


def test_the_carried_stage_becomes_a_vehicle_of_its_own_at_separation(library: Library, tmp_path: Path) -> None:
    vehicles = Range(library, "sandpiper_boost", "curlew_to_lagoon", None)
    assert vehicles.answer({"do": "attach", "vehicle": "Curlew"}, None)[0] == {"carried_by": "Sandpiper"}
    _, booster = vehicles.answer({"do": "attach", "vehicle": "Sandpiper"}, None)
    assert booster is not None
    together = booster.telemetry()["mass_kg"]
    vehicles.answer({"do": "advance", "seconds": 2.0, "controls": {"separate_at_s": 1.0}}, booster)
    upper, _ = vehicles.answer({"do": "attach", "vehicle": "Curlew"}, None)
    assert upper["time_s"] == 1.0
    assert upper["stage"] == 0
    assert upper["mass_kg"] + booster.telemetry()["mass_kg"] == pytest.approx(together, abs=1e-6)


@pytest.mark.parametrize(
    ("request_", "named"),
    [
        ({"do": "attach", "vehicle": "Nobody"}, "vehicle"),
        ({"do": "read"}, "attach first"),
        ({"do": "jump", "vehicle": "Bargeman"}, "attach first"),
    ],
)
def test_a_bad_request_is_answered_by_name(library: Library, request_: dict[str, Any], named: str) -> None:
    vehicles = Range(library, "bargeman_to_lagoon", None, None)
    with pytest.raises(GuidanceError, match=named):
        vehicles.answer(request_, None)


@pytest.mark.parametrize(
    "controls",
    [
        {"thrust": 1.0},
        {"throttle": "full"},
        {"pointing": [1.0, 0.0]},
        {"cutoff_at_s": float("nan")},
        {"throttle": True},
    ],
)
def test_a_bad_control_is_refused_and_named(library: Library, controls: dict[str, Any]) -> None:
    with pytest.raises(GuidanceError, match=next(iter(controls))):
        bargeman(library).command(controls)

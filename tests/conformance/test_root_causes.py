"""The kit's verdict begins with the root of what is wrong, and marks what follows from it."""

from __future__ import annotations

import json
from dataclasses import replace
from math import degrees
from typing import Any

import pytest

from guidance_svc.conform.checks import checks_of
from guidance_svc.conform.record import Check
from guidance_svc.conform.trials import Reference
from guidance_svc.core.frames import handedness
from guidance_svc.core.vectors import cross, dot, unit
from guidance_svc.domain import Frame, Site, VehicleState
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from tests.conformance.pilot import LIBRARY, Message, Pilot, as_vec
from tests.conformance.test_scripts_are_told import (
    FOOT_M,
    IN_BURN_S,
    PAIR,
    POUND_KG,
    degrees_for_radians,
    failures,
    scaled,
)
from tests.session.first_states import LEFT, TURNING, Change, on_pad, wrong_scripts

NAME = "bargeman_to_lagoon"
PAD = LIBRARY.plan(NAME, "launch_vehicle")
assert PAD.site is not None
HERE: Site = PAD.site
WRONG = wrong_scripts(PAD.body)


def frame_words(frame: Frame) -> Message:
    return {
        "motion": "turning" if frame.turning else "inertial", "axes": list(frame.axes),
        "handedness": handedness(frame.axes), "meridian_at_zero_deg": degrees(frame.meridian_at_zero_rad),
        "height_above": frame.height_above, "up": frame.up, "local_velocity": frame.local_velocity,
    }  # fmt: skip


def state_words(state: VehicleState) -> Message:
    said: Message = {"type": "state", "seq": state.seq, "time_s": state.time_s, "mass_kg": state.mass_kg}
    if state.local is None:
        return said | {"position_m": state.position_script_m, "velocity_m_s": state.velocity_script_m_s}
    form = state.local
    return said | {
        "latitude_deg": degrees(form.latitude_rad), "longitude_deg": degrees(form.longitude_rad),
        "altitude_m": form.altitude_m, "vertical_speed_m_s": form.vertical_speed_m_s,
        "north_speed_m_s": form.north_speed_m_s, "east_speed_m_s": form.east_speed_m_s,
    }  # fmt: skip


def stood(meant: Frame, declared: Frame, local: bool, change: Change | None, mass: float = 1.0) -> list[Check]:
    """What the kit says of a script whose vehicle stands on the pad for ten seconds."""
    sessions = Registry(lambda: "kept-secret")
    reference = Reference(Desk(sessions, LIBRARY), sessions, LIBRARY, ())

    def ask(message: Message) -> None:
        reference.receive(1, json.dumps(message).encode(), "json", True)

    ask({"type": "open", "protocol": 1, "vehicle": "Bargeman", "role": "launch_vehicle", "plan": NAME,
         "frame": frame_words(declared)})  # fmt: skip
    for k in range(25):
        state = on_pad(PAD, HERE, meant, local, 0.4 * k)._replace(seq=k + 1)
        state = change(state) if change else state
        ask(state_words(state._replace(mass_kg=mass * state.mass_kg)))
    return checks_of(reference.run)


def first_failure(checks: list[Check]) -> Check:
    return next(check for check in checks if check.outcome == "fail")


@pytest.mark.parametrize("fault", WRONG)
def test_the_first_named_cause_is_the_right_one_on_the_pad(fault: str) -> None:
    meant, declared, local, change, words = WRONG[fault]
    checks = stood(meant, declared, local, change)
    first = first_failure(checks)
    assert first is checks[0]
    assert first.name == "frame_and_units"
    assert f"the numbers fit if {words}" in first.seen
    assert first.change
    others = [check for check in checks if check.outcome == "fail" and check is not first]
    assert [check.name for check in others if check.follows != "frame_and_units"] == []


@pytest.mark.parametrize(
    ("frame", "local"),
    [(Frame(), False), (TURNING, False), (LEFT, False), (replace(LEFT, turning=True), False), (Frame(), True),
     (Frame(up="geodetic", height_above="ellipsoid"), True), (Frame(local_velocity="inertial"), True)],
)  # fmt: skip
def test_a_right_script_on_the_pad_has_no_failure(frame: Frame, local: bool) -> None:
    checks = stood(frame, frame, local, None)
    assert [check.name for check in checks if check.outcome == "fail"] == []
    assert next(check for check in checks if check.name == "frame_and_units").outcome == "pass"


@pytest.mark.parametrize(("factor", "unit"), [(1e-3, "tonnes"), (1 / POUND_KG, "pounds")])
def test_a_mass_in_another_unit_comes_first_and_its_refusals_follow(factor: float, unit: str) -> None:
    checks = stood(Frame(), Frame(), False, None, factor)
    assert checks[0].name == "mass"
    assert f"{unit} for kilograms" in checks[0].seen
    refused = next(check for check in checks if check.name == "accepted")
    assert (refused.outcome, refused.follows) == ("fail", "mass")


def test_a_pad_with_too_little_mass_is_named() -> None:
    checks = stood(Frame(), Frame(), False, None, 0.8)
    assert checks[0].name == "mass"
    assert "mass_kg is 623600" in checks[0].seen


def test_feet_are_not_taken_for_pounds() -> None:
    """Accelerations 3.3 times too large and gravity 10.8 times too small look like a mass 2.2 times too large."""
    pilot = Pilot(tell=scaled(1 / FOOT_M, *PAIR), own=True, until_s=IN_BURN_S, step_s=0.4, on_fault="go_on", mishaps=())
    checks = list(pilot.checked().values())
    assert checks[0].name == "frame_and_units"
    assert "feet for metres" in checks[0].seen
    assert [c.name for c in checks if c.outcome == "fail" and c is not checks[0] and not c.follows] == []


def test_orders_taken_as_radians_are_named_before_the_rocket_has_left_the_air() -> None:
    pilot = Pilot(flies=(NAME, "launch_vehicle"), steer=degrees_for_radians, own=True, until_s=45.0, step_s=0.2,
                  on_fault="go_on", mishaps=())  # fmt: skip
    checks = pilot.checked()
    assert checks["points_as_told"].outcome == "fail"
    assert "degrees for radians" in checks["points_as_told"].seen
    assert checks["frame_and_units"].outcome == "pass"


def test_a_right_script_in_the_boost_points_as_told() -> None:
    pilot = Pilot(flies=(NAME, "launch_vehicle"), own=True, until_s=45.0, step_s=0.2, mishaps=())
    checks = pilot.checked()
    assert failures(checks) == []
    assert checks["points_as_told"].outcome == "pass"


def along_own_axes(state: Message) -> None:
    """The velocity along the vehicle's own axes: nose first, then two across it."""
    nose, speed = as_vec(state["pointing"]), as_vec(state["velocity_m_s"])
    side = unit(cross(nose, (0.0, 0.0, 1.0)))
    state["velocity_m_s"] = [dot(speed, nose), dot(speed, side), dot(speed, cross(nose, side))]


def test_velocities_in_the_vehicles_own_axes_are_named() -> None:
    checks = Pilot(tell=along_own_axes, own=True, until_s=IN_BURN_S, step_s=0.4, on_fault="go_on", mishaps=()).checked()
    first = first_failure(list(checks.values()))
    assert first.name == "frame_and_units"
    assert "vehicle's own axes: the numbers fit if velocity_m_s is taken as along" in first.seen


def test_a_pointing_in_the_vehicles_own_axes_is_named() -> None:
    def tell(state: dict[str, Any]) -> None:
        state["pointing"] = [0.0, 1.0, 0.0]

    checks = Pilot(tell=tell, own=True, until_s=300.0, step_s=0.5, on_fault="go_on", mishaps=()).checked()
    assert "vehicle's own axes" in checks["thrust_along_pointing"].seen

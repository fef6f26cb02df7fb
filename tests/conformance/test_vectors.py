"""The vectors of clients/conformance against the service: frames reckoned elsewhere, exchanges played again."""

from __future__ import annotations

import copy
import json
from math import degrees, radians
from typing import Any

import msgpack
import numpy as np
import pytest

from guidance_svc.core.frames import (
    direction_from_bci,
    from_bci,
    local_from_bci,
    local_to_bci,
    meridian_rad,
    pitch_and_heading,
    to_bci,
    triad,
)
from guidance_svc.domain import Body, Frame, LocalState, Vec
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.wire.messages import FrameModel
from guidance_svc.wire.parse import parse_frame
from tests.conformance.build import FOLDER
from tests.conformance.comparing import differences
from tests.conformance.exchange_vectors import EXCHANGES, OPEN, TOKEN, exchange_files
from tests.conformance.frame_vectors import frame_file, in_axes, local_axes


def read(name: str) -> Any:
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


VECTORS = read("frames.json")
BODY = Body("vectors", 3.986004418e14, **VECTORS["body"])
TOLERANCES = VECTORS["tolerances"]


def vec(numbers: Any) -> Vec:
    return (float(numbers[0]), float(numbers[1]), float(numbers[2]))


def close(name: str, got: Any, wanted: Any) -> None:
    np.testing.assert_allclose(got, wanted, rtol=0.0, atol=TOLERANCES[name], err_msg=name)


def frame_of(case: dict[str, Any]) -> Frame:
    return parse_frame(FrameModel.model_validate(case["frame"]))


@pytest.mark.parametrize("case", VECTORS["cases"], ids=lambda case: case["name"])
def test_the_service_reads_each_frame_as_the_vectors_say(case: dict[str, Any]) -> None:
    frame, t = frame_of(case), case["time_s"]
    truth = {name: vec(value) for name, value in case["truth"].items()}
    for position, velocity in (
        to_bci(vec(case["cartesian"]["position_m"]), vec(case["cartesian"]["velocity_m_s"]), frame, BODY, t),
        local_to_bci(local_of(case["local"]), frame, BODY, t),
    ):
        close("position_m", position, truth["position_m"])
        close("velocity_m_s", velocity, truth["velocity_m_s"])
    sent, told = from_bci(truth["position_m"], truth["velocity_m_s"], frame, BODY, t), case["command"]
    close("position_m", sent[0], case["cartesian"]["position_m"])
    close("velocity_m_s", sent[1], case["cartesian"]["velocity_m_s"])
    local = local_from_bci(truth["position_m"], truth["velocity_m_s"], frame, BODY, t)
    close("altitude_m", local.altitude_m, case["local"]["altitude_m"])
    close("pointing", direction_from_bci(truth["direction"], frame, BODY, t), told["pointing"])
    pitch, heading = pitch_and_heading(truth["direction"], triad(truth["position_m"], frame.up, BODY))
    close("pitch_deg", degrees(pitch), told["pitch_deg"])
    close("heading_deg", degrees(heading), told["heading_deg"])


def local_of(fields: dict[str, float]) -> LocalState:
    angles = (radians(fields["latitude_deg"]), radians(fields["longitude_deg"]))
    speeds = (fields["vertical_speed_m_s"], fields["north_speed_m_s"], fields["east_speed_m_s"])
    return LocalState(*angles, fields["altitude_m"], *speeds)


def test_the_frame_vectors_are_those_that_the_builder_makes() -> None:
    made = frame_file()
    assert [case["name"] for case in made["cases"]] == [case["name"] for case in VECTORS["cases"]]
    for one, other in zip(made["cases"], VECTORS["cases"], strict=True):
        assert one["frame"] == other["frame"]
        for part in ("truth", "cartesian", "local", "command"):
            for name in one[part]:
                close(name if name in TOLERANCES else "pointing", one[part][name], other[part][name])


@pytest.mark.parametrize("form", ["cartesian", "local"])
@pytest.mark.parametrize("case", VECTORS["cases"][::3], ids=lambda case: case["name"])
def test_a_live_reply_points_one_way_in_pointing_and_in_angles(case: dict[str, Any], form: str) -> None:
    """The reply's pitch and heading, turned to a vector by the vectors' own path, is its pointing."""
    library = load_library(default_folder())
    desk, t = Desk(Registry(lambda: TOKEN), library), case["time_s"]
    desk.receive(1, json.dumps(OPEN | {"frame": case["frame"]}).encode(), "json")
    state = {"type": "state", "seq": 1, "time_s": t, "mass_kg": 123400.0} | case[form]
    reply = json.loads(desk.receive(1, json.dumps(state).encode(), "json"))
    assert reply["type"] == "command", reply
    pitch, heading = radians(reply["pitch_deg"]), radians(reply["heading_deg"])
    parts = [np.sin(pitch), np.cos(pitch) * np.cos(heading), np.cos(pitch) * np.sin(heading)]
    _, axes = local_axes(case["frame"], np.array(case["truth"]["position_m"]))
    earth = library.plan("curlew_to_lagoon", "upper_stage").body
    assert BODY.rotation_rad_s == pytest.approx(earth.rotation_rad_s, rel=1e-6)
    expected = in_axes(case["frame"], np.array(parts) @ axes, t)
    np.testing.assert_allclose(reply["pointing"], expected, rtol=0.0, atol=1e-6)  # the body's own last digits
    assert 0.0 <= meridian_rad(BODY, frame_of(case), t) < 7.0


@pytest.mark.parametrize("name", EXCHANGES)
def test_a_fresh_service_answers_each_exchange_as_written(name: str) -> None:
    exchange = read(f"exchanges/{name}.json")
    sessions = Registry(lambda: TOKEN)
    desk = Desk(sessions, load_library(default_folder()))
    for count, step in enumerate(exchange["steps"]):
        if "hang_up" in step:
            desk.drop(step["hang_up"])
        payload = bytes.fromhex(step["send_hex"]) if "send_hex" in step else json.dumps(step["send"]).encode()
        reply = json.loads(desk.receive(step["link"], payload, "json"))
        while sessions.pending():
            sessions.work()
        assert differences(step["reply"], reply, exchange["compare"]) == [], f"step {count}"


@pytest.mark.parametrize("name", EXCHANGES)
def test_the_messagepack_bytes_are_the_same_messages(name: str) -> None:
    for step in read(f"exchanges/{name}.json")["steps"]:
        assert msgpack.unpackb(bytes.fromhex(step["reply_msgpack"])) == step["reply"]
        if "send" in step:
            assert msgpack.unpackb(bytes.fromhex(step["send_msgpack"])) == step["send"]


def test_the_exchanges_go_through_every_phase_and_the_faults_are_of_every_kind() -> None:
    flight = read("exchanges/flight.json")["steps"]
    phases = [step["reply"]["phase"] for step in flight if step["reply"]["type"] == "command"]
    assert list(dict.fromkeys(phases)) == ["insertion", "coast", "circularize", "orbit"]
    steps = [step for name in EXCHANGES for step in read(f"exchanges/{name}.json")["steps"]]
    codes = {step["reply"]["code"] for step in steps if step["reply"]["type"] == "fault"}
    assert codes >= {
        "garbage", "unknown_type", "missing_field", "unknown_field", "bad_value", "two_forms", "out_of_range",
        "frame_mismatch", "unknown_plan", "vehicle_taken", "wrong_token", "link_in_use", "no_session", "old_seq",
        "unknown_event",
    }  # fmt: skip


def test_a_reloaded_save_is_answered_as_before_and_a_repeated_seq_too() -> None:
    steps = read("exchanges/reloaded.json")["steps"]
    assert {**steps[3]["reply"], "seq": 11} == steps[5]["reply"]
    assert {**steps[4]["reply"], "seq": 12} == steps[6]["reply"]
    again = read("exchanges/repeats.json")["steps"]
    assert again[2]["reply"] == again[3]["reply"]


def test_the_comparison_finds_what_is_wrong() -> None:
    step = next(s for s in read("exchanges/flight.json")["steps"] if s["reply"].get("cutoff_at_s"))
    compare = read("exchanges/flight.json")["compare"]
    for path, value in (("seq", 999), ("pitch_deg", 60.0), ("cutoff_at_s", 1.0), ("pointing", [0.0, 0.0, 1.0])):
        changed = copy.deepcopy(step["reply"])
        changed[path] = value
        assert path in differences(step["reply"], changed, compare)
    changed.pop("status")
    assert "status" in differences(step["reply"], changed, compare)


def test_the_exchanges_are_those_that_the_builder_makes() -> None:
    for name, made in exchange_files().items():
        written = read(name)
        assert len(written["steps"]) == len(made["steps"])
        for one, other in zip(made["steps"], written["steps"], strict=True):
            assert differences(other["reply"], one["reply"], made["compare"]) == []

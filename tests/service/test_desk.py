"""Bytes in, bytes out: what a script gets for every kind of bad message, and that nothing else changes."""

from __future__ import annotations

import json
from typing import Any

import msgpack
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripted_sessions import ScriptedSessions
from service_world import OPEN, STATE, small_library

from guidance_svc.service.desk import Desk

LINK = ("zmq", b"script")
OTHER = ("tcp", 7)


def ask(desk: Desk, message: object, link: Any = LINK) -> dict[str, Any]:
    reply: dict[str, Any] = msgpack.unpackb(desk.receive(link, msgpack.packb(message)))
    return reply


def changed(**fields: Any) -> dict[str, Any]:
    return {name: value for name, value in {**STATE, **fields}.items() if value != "absent"}


BAD_STATES = [
    ("an unknown field", changed(speed=3.0), "unknown_field", "speed", "one of the fields"),
    ("a misspelt field", changed(mass_kgs=3.0), "unknown_field", "mass_kgs", "did you mean mass_kg?"),
    ("a missing field", changed(mass_kg="absent"), "missing_field", "mass_kg", "above 0"),
    ("NaN", changed(position_m=[6.6e6, float("nan"), 0.0]), "bad_value", "position_m.1", "a finite number"),
    ("infinity", changed(velocity_m_s=[float("inf"), 0.0, 0.0]), "bad_value", "velocity_m_s.0", "a finite number"),
    ("text for a number", changed(mass_kg="5000"), "bad_value", "mass_kg", "a finite number"),
    ("a bool for a number", changed(mass_kg=True), "bad_value", "mass_kg", "a finite number"),
    ("a negative mass", changed(mass_kg=-1.0), "bad_value", "mass_kg", "above 0"),
    ("a number for a bool", changed(engine_on=1), "bad_value", "engine_on", "true or false"),
    ("a fraction for a count", changed(seq=1.5), "bad_value", "seq", "a whole number"),
    ("a throttle in percent", changed(throttle=80.0), "bad_value", "throttle", "from 0 to 1"),
    ("two numbers for three", changed(position_m=[1.0, 2.0]), "bad_value", "position_m", "a list of 3"),
    ("null for a number", changed(time_s=None), "bad_value", "time_s", "a finite number"),
    ("half of a form", changed(velocity_m_s="absent"), "missing_field", "velocity_m_s", "all of position_m"),
    ("both forms", changed(latitude_deg=1.0), "two_forms", "latitude_deg", "not both"),
    ("neither form", changed(position_m="absent", velocity_m_s="absent"), "missing_field", "position_m", "latitude"),
    ("a pointing that is no unit vector", changed(pointing=[1.0, 1.0, 0.0]), "bad_value", "pointing", "unit vector"),
    ("a null pointing", changed(pointing=[0.0, 0.0, 0.0]), "bad_value", "pointing", "unit vector"),
    ("an unknown type", changed(type="telemetry"), "unknown_type", "type", "open, state, close"),
    ("no type", changed(type="absent"), "missing_field", "type", "open, state, close"),
    ("a list for a type", changed(type=[1]), "unknown_type", "type", "open, state, close"),
    ("a position beyond any system", changed(position_m=[1e20, 0.0, 0.0]), "bad_value", "position_m.0", "to 1e+13"),
]


@pytest.mark.parametrize(("message", "code", "field", "expected"), [case[1:] for case in BAD_STATES],
                         ids=[case[0] for case in BAD_STATES])  # fmt: skip
def test_a_bad_state_is_refused_by_field_and_changes_nothing(
    desk: Desk, sessions: ScriptedSessions, message: dict[str, Any], code: str, field: str, expected: str
) -> None:
    ask(desk, OPEN)
    fault = ask(desk, message)
    assert (fault["type"], fault["code"], fault["field"]) == ("fault", code, field)
    assert expected in fault["expected"]
    assert sessions.states == []
    assert ask(desk, STATE)["type"] == "command"


BAD_OPENS = [
    ("an unknown plan", {"plan": "lagon"}, "unknown_plan", "plan", "did you mean lagoon?"),
    ("a path for a plan", {"plan": "../lagoon"}, "bad_value", "plan", "text that matches"),
    ("another protocol", {"protocol": 2}, "bad_value", "protocol", "1"),
    ("a vehicle name with a slash", {"vehicle": "a/b"}, "bad_value", "vehicle", "text that matches"),
    ("an axis twice", {"frame": {"axes": ["x", "x", "y"]}}, "bad_value", "frame.axes", "once"),
    ("a left frame called right", {"frame": {"axes": ["x", "z", "y"]}}, "frame_mismatch", "frame.handedness", "left"),
    ("an inline plan with a slip", {"plan": {"body": "earth", "vehicle": "curlew", "target": {
        "perigee_altitude_km": 200.0, "apogee_altitude_km": 100.0}}},
     "apsides_swapped", "plan.target.apogee_altitude_km", "at least the perigee"),
    ("an inline plan with an unknown body", {"plan": {"body": "eart", "vehicle": "curlew"}},
     "unknown_name", "plan.body", "did you mean earth?"),
    ("a mass below nothing in an inline plan", {"plan": {"body": "earth", "vehicle": {"stages": [{
        "name": "s", "dry_mass_kg": -1.0, "propellant_kg": 1.0, "thrust_n": 1.0, "exhaust_velocity_m_s": 1.0}]}}},
     "bad_value", "plan.vehicle.stages.0.dry_mass_kg", "above 0"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "code", "field", "expected"), [case[1:] for case in BAD_OPENS],
                         ids=[case[0] for case in BAD_OPENS])  # fmt: skip
def test_a_bad_open_is_refused_by_field(
    desk: Desk, sessions: ScriptedSessions, fields: dict[str, Any], code: str, field: str, expected: str
) -> None:
    fault = ask(desk, {**OPEN, **fields})
    assert (fault["type"], fault["code"], fault["field"]) == ("fault", code, field)
    assert expected in fault["expected"]
    assert sessions.vehicles == {}


GARBAGE = [
    ("nothing", b""),
    ("half a JSON object", b'{"type":"state","seq":1'),
    ("JSON in Latin-1", b'{"type":"\xe9"}'),
    ("JSON in UTF-16", '{"type":"close"}'.encode("utf-16")),
    ("a JSON list", b"[1,2]"),
    ("deep JSON", b'{"a":' * 5000),
    ("deep MessagePack", b"\x91" * 5000),
    ("a MessagePack list", msgpack.packb([1, 2])),
    ("MessagePack with a tail", msgpack.packb({"type": "close"}) + b"\x00"),
    ("a length that lies", b"\xdf\xff\xff\xff\xff"),
    ("keys that are numbers", msgpack.packb({1: 2})),
    ("the request of a web browser", b"GET / HTTP/1.1\r\nHost: localhost\r\n"),
    ("a number of 5000 digits", b'{"a":' + b"9" * 5000 + b"}"),
]


@pytest.mark.parametrize("payload", [case[1] for case in GARBAGE], ids=[case[0] for case in GARBAGE])
def test_garbage_gets_a_fault_in_its_own_encoding(desk: Desk, payload: bytes) -> None:
    raw = desk.receive(LINK, payload)
    fault = json.loads(raw) if payload[:1] == b"{" else msgpack.unpackb(raw)
    assert (fault["type"], fault["code"]) == ("fault", "garbage")


def test_a_frame_of_10_mb_is_refused_without_being_decoded(desk: Desk) -> None:
    fault = msgpack.unpackb(desk.receive(LINK, msgpack.packb({**STATE, "pad": "x" * 10_000_000})))
    assert (fault["code"], fault["expected"]) == ("message_too_long", "at most 65536 bytes")


@given(payload=st.binary(max_size=300))
def test_random_bytes_get_a_fault(payload: bytes) -> None:
    sessions = ScriptedSessions()
    raw = Desk(sessions, small_library()).receive(LINK, payload)
    fault = json.loads(raw) if payload[:1] == b"{" else msgpack.unpackb(raw)
    assert fault["type"] == "fault"
    assert sessions.vehicles == {}


_NUMBER = st.integers(-(2**63), 2**63) | st.floats()
_LEAF = st.none() | st.booleans() | _NUMBER | st.text(max_size=20) | st.binary(max_size=9)
_ANY = st.recursive(
    _LEAF, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner), max_leaves=9
)


@given(field=st.sampled_from(sorted({*STATE, "throttle", "pointing", "stage", "engine_on", "altitude_m"})), value=_ANY)
def test_any_value_in_any_field_gets_a_command_or_a_fault_that_names_a_field(field: str, value: object) -> None:
    desk = Desk(ScriptedSessions(), small_library())
    ask(desk, OPEN)
    reply = ask(desk, {**STATE, field: value})
    assert reply["type"] == "command" or reply["field"]
    assert reply.get("code") != "internal_error"


@given(value=_ANY, field=st.sampled_from(["plan", "frame", "resume", "vehicle", "role", "detail", "extra"]))
def test_any_value_in_any_field_of_open_gets_opened_or_a_fault_that_names_a_field(field: str, value: object) -> None:
    reply = ask(Desk(ScriptedSessions(), small_library()), {**OPEN, field: value})
    assert reply["type"] == "opened" or reply["field"]
    assert reply.get("code") != "internal_error"


def test_a_fault_carries_the_seq_of_the_refused_state(desk: Desk) -> None:
    assert ask(desk, changed(seq=77, mass_kg=0.0))["seq"] == 77
    assert ask(desk, changed(seq="77"))["seq"] is None


def test_a_bug_in_one_session_becomes_a_fault_and_others_do_not_notice(
    desk: Desk, sessions: ScriptedSessions, caplog: pytest.LogCaptureFixture
) -> None:
    ask(desk, OPEN)
    ask(desk, {**OPEN, "vehicle": "bargeman"}, OTHER)
    sessions.broken.add("curlew")
    assert ask(desk, STATE)["code"] == "internal_error"
    assert "a bug of ours" in caplog.text
    assert ask(desk, STATE, OTHER)["type"] == "command"


def test_the_reply_uses_the_encoding_of_the_request(desk: Desk) -> None:
    assert json.loads(desk.receive(LINK, json.dumps(OPEN).encode()))["type"] == "opened"
    assert msgpack.unpackb(desk.receive(LINK, msgpack.packb(STATE)))["type"] == "command"


def test_opened_says_what_the_service_understood(desk: Desk) -> None:
    # Speed at the perigee of 200 x 460 km by vis-viva, worked by hand: v = sqrt(mu (2/r - 2/(r + R))) with
    # mu = 3.986e14, r = 6578137, R = 6838137. Ideal gain by the rocket equation: 3400 ln(10000 / 1000).
    opened = ask(desk, OPEN)
    assert opened["target"]["cutoff_speed_m_s"] == pytest.approx(7859.3228, abs=1e-3)
    assert opened["stages"][0]["ideal_speed_gain_m_s"] == pytest.approx(7828.789, abs=1e-3)
    assert opened["stages"][0]["burn_time_s"] == pytest.approx(9000.0 * 3400.0 / 1e5, rel=1e-12)
    assert opened["target"]["inclination_deg"] is None

"""The short way of a state gives what the long one gives, to the last bit, or leaves it to that one."""

from __future__ import annotations

import json
import struct
from math import copysign, inf, nan
from typing import Any

import msgpack
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic_core import to_json

from guidance_svc.domain import VehicleState
from guidance_svc.errors import MessageFault
from guidance_svc.wire import quick
from guidance_svc.wire.codec import Encoding, decode, encode, encoding_of
from guidance_svc.wire.heard import HEARD
from guidance_svc.wire.messages import LOCAL_FIELDS, StateMessage
from guidance_svc.wire.parse import message_type, parse_state

STATE: dict[str, Any] = {
    "type": "state", "seq": 7, "time_s": 12.5, "mass_kg": 5000.0, "position_m": [6.5e6, 1.0, -2.0],
    "velocity_m_s": [0.0, 7700.0, 1], "thrust_n": 1e5, "throttle": 1.0, "pointing": [0.0, 1.0, 0.0], "stage": 1,
    "engine_on": True, "propellant_kg": 10.0, "seen_event": "release-1",
    "contact": False, "engines_lit": 3, "attitude_rate_deg_s": [0.5, -3, 0.0], "angle_of_attack_deg": 175.0,
    "wind_m_s": [4.0, 0, -1.5],
}  # fmt: skip
NUMBERS = st.one_of(
    st.sampled_from([0, -0.0, 1, -1, 0.5, 1.0, 100, 101, 64, 1e7, 1e12, 1e13, 1.0000001e13, -1e13, 2**53, 2**53 + 1,
                     2**63, 2**64 - 1, nan, inf, -inf, 5e-324, 1e308]),
    st.integers(-(2**63), 2**64 - 1),
    st.floats(),
)  # fmt: skip
VALUES = st.recursive(
    st.one_of(NUMBERS, st.booleans(), st.none(), st.text(max_size=70), st.binary(max_size=4)),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=5,
)
VECTORS = st.lists(NUMBERS, min_size=2, max_size=4) | st.sampled_from([[0.6, 0.8, 0.0], [1, 0, 0], [0.0, 1.0005, 0]])
FIELDS = st.sampled_from([*STATE, *LOCAL_FIELDS, "link", "resume", HEARD, ""])
CHANGES = st.dictionaries(FIELDS, st.one_of(NUMBERS, VECTORS, VALUES), max_size=3)


def the_long_way(payload: bytes, encoding: Encoding) -> VehicleState | None:
    """What decode and parse make of a payload; None for a fault."""
    try:
        message = decode(payload, json_lines=encoding == "json")
        return parse_state(message) if message_type(message) == "state" else None
    except MessageFault:
        return None


def exact(value: object) -> object:
    """A value with its type and, of floats, every bit."""
    if isinstance(value, tuple):
        return tuple(exact(part) for part in value)
    return struct.pack("<d", value) if isinstance(value, float) else (type(value).__name__, value)


def fields_of(state: VehicleState) -> list[object]:
    return [exact(getattr(state, name)) for name in VehicleState._fields]


def require_the_same(payload: bytes, encoding: Encoding) -> bool:
    """Check one payload; whether it went the short way."""
    found = quick.read_state(payload, encoding)
    if found is None:
        return False
    expected = the_long_way(payload, encoding)
    assert expected is not None, payload
    assert fields_of(found.state) == fields_of(expected)
    recorded = decode(quick.to_json(found.body))  # what is played again gives the same state
    assert fields_of(parse_state(recorded)) == fields_of(expected)
    return True


def changed(changes: dict[str, Any], gone: list[str]) -> dict[str, Any]:
    return {name: value for name, value in (STATE | changes).items() if name not in gone}


@settings(max_examples=300, deadline=None)
@given(changes=CHANGES, gone=st.lists(st.sampled_from([*STATE]), max_size=2))
def test_what_the_short_way_takes_the_long_one_takes_with_the_same_values(
    changes: dict[str, Any], gone: list[str]
) -> None:
    message = changed(changes, gone)
    require_the_same(msgpack.packb(message), "msgpack")
    try:
        text = json.dumps(message)
    except TypeError:  # bytes
        return
    require_the_same(text.encode(), "json")


@settings(max_examples=300, deadline=None)
@given(data=st.data(), as_json=st.booleans())
def test_bytes_changed_at_random_are_taken_alike(data: st.DataObject, as_json: bool) -> None:
    payload = bytearray(encode(STATE, "json" if as_json else "msgpack"))
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(payload) - 1))
        payload[at : at + data.draw(st.integers(0, 2))] = data.draw(st.binary(max_size=3))
        payload = payload or bytearray(b"{")
    require_the_same(bytes(payload), encoding_of(bytes(payload)))


@pytest.mark.parametrize("number", ["-0", "-0.0", "0.1e1", "1E3", "123456789012345678901234567890e-20", "1e-400", "00",
                                    "1.", "-", "NaN", "Infinity", "1e999", "9007199254740993", "0.30000000000000004"])
def test_numbers_of_json_are_read_alike(number: str) -> None:
    line = json.dumps(STATE).replace('"time_s": 12.5', f'"time_s": {number}').encode()
    assert b"12.5" not in line
    require_the_same(line, "json")


@pytest.mark.parametrize("twice", [b'"mass_kg":1.0', b'"mass_kg":"x"', b'"type":"open"', b'"stage":null', b'"other":1'])
def test_a_field_that_comes_twice_counts_alike(twice: bytes) -> None:
    body = json.dumps(STATE).encode()
    require_the_same(body[:-1] + b"," + twice + b"}", "json")
    require_the_same(b"{" + twice + b"," + body[1:], "json")


def test_a_usual_state_goes_the_short_way_in_both_encodings() -> None:
    assert require_the_same(msgpack.packb(STATE), "msgpack")
    assert require_the_same(json.dumps(STATE).encode(), "json")
    bare = {name: STATE[name] for name in ("type", "seq", "time_s", "mass_kg", "position_m", "velocity_m_s")}
    assert require_the_same(msgpack.packb(bare), "msgpack")


def test_a_number_without_sign_stays_without() -> None:
    found = quick.read_state(json.dumps(STATE).replace("12.5", "-0").encode(), "json")
    assert found is None or copysign(1.0, found.state.time_s) == 1.0


def test_limits_are_those_of_the_message() -> None:
    kept = msgspec.json.schema(quick.StateBody)["$defs"]["StateBody"]["properties"]
    from pydantic import TypeAdapter

    stated = TypeAdapter(StateMessage).json_schema()["properties"]
    for name, field in stated.items():
        if name in LOCAL_FIELDS:
            continue
        limits = ("minimum", "maximum", "exclusiveMinimum", "maxLength", "minItems", "maxItems")
        assert {k: kept[name].get(k) for k in limits} == {k: field.get(k) for k in limits}, name
        items, elements = field.get("items"), kept[name].get("prefixItems", [])
        for element in elements:
            assert {k: element.get(k) for k in limits} == {k: items.get(k) for k in limits}, name
    assert set(kept) - {HEARD} == set(stated) - set(LOCAL_FIELDS)


@settings(max_examples=50, deadline=None)
@given(numbers=st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=3, max_size=3), text=st.text(),
       whole=st.integers(0, 2**53))  # fmt: skip
def test_a_command_is_encoded_as_msgpack_and_json_encode_it(numbers: list[float], text: str, whole: int) -> None:
    message = {"type": "command", "seq": whole, "pointing": numbers, "engine_on": True, "cutoff_at_s": None,
               "warnings": [text], "event": {"id": text, "at_s": numbers[0]}}  # fmt: skip
    assert quick.encode_command(message, "msgpack") == msgpack.packb(message)
    line = quick.encode_command(message, "json")
    assert b"\n" not in line
    assert json.loads(line) == json.loads(encode(message, "json")) == json.loads(to_json(message))

"""From decoded messages to the domain: units, frames, and that nothing is bent on the way."""

from __future__ import annotations

import json
from itertools import permutations, product
from math import pi

import msgpack
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from guidance_svc.errors import MessageFault
from guidance_svc.wire.codec import decode, encode, encoding_of
from guidance_svc.wire.messages import FrameModel
from guidance_svc.wire.parse import parse_frame, parse_state

LOCAL = {
    "latitude_deg": 30.0,
    "longitude_deg": -90.0,
    "altitude_m": 1000.0,
    "vertical_speed_m_s": 1.0,
    "north_speed_m_s": 2.0,
    "east_speed_m_s": 3.0,
}


def state(**fields: object) -> dict[str, object]:
    return {"type": "state", "seq": 5, "time_s": 1.25, "mass_kg": 10.0, **fields}


def test_the_local_form_is_turned_into_radians() -> None:
    local = parse_state(state(**LOCAL)).local
    assert local is not None
    assert (local.latitude_rad, local.longitude_rad) == pytest.approx((pi / 6, -pi / 2), rel=1e-15)
    assert (local.altitude_m, local.vertical_speed_m_s, local.east_speed_m_s) == (1000.0, 1.0, 3.0)


def test_the_cartesian_form_keeps_every_digit() -> None:
    parsed = parse_state(state(position_m=[1e6 / 3, -2, 0.1], velocity_m_s=[7000, 1e-9, 0.3]))
    assert parsed.position_script_m == (1e6 / 3, -2.0, 0.1)
    assert parsed.velocity_script_m_s == (7000.0, 1e-9, 0.3)
    assert parsed.local is None


def test_whole_numbers_are_numbers() -> None:
    assert parse_state(state(position_m=[7000000, 0, 0], velocity_m_s=[0, 7500, 0])).position_script_m == (
        7e6,
        0.0,
        0.0,
    )


@pytest.mark.parametrize("missing", sorted(LOCAL))
def test_each_field_of_the_local_form_is_needed(missing: str) -> None:
    with pytest.raises(MessageFault) as caught:
        parse_state(state(**{name: value for name, value in LOCAL.items() if name != missing}))
    assert (caught.value.code, caught.value.field) == ("missing_field", missing)


def test_a_pointing_of_single_precision_is_taken_as_it_came() -> None:
    x, y = float(np.float32(0.6)), float(np.float32(0.8))
    assert parse_state(state(**LOCAL, pointing=[x, y, 0.0])).pointing_script == (x, y, 0.0)


def test_handedness_agrees_with_the_determinant_for_all_48_axis_orders() -> None:
    # Second opinion: the determinant by numpy.linalg.
    for letters in permutations("xyz"):
        for signs in product((1, -1), repeat=3):
            axes = [("-" if sign < 0 else "") + letter for letter, sign in zip(letters, signs, strict=True)]
            matrix = np.zeros((3, 3))
            for row, (letter, sign) in enumerate(zip(letters, signs, strict=True)):
                matrix[row, "xyz".index(letter)] = sign
            right = np.linalg.det(matrix) > 0
            good, bad = ("right", "left") if right else ("left", "right")
            assert parse_frame(FrameModel(axes=axes, handedness=good)).axes == tuple(axes)
            with pytest.raises(MessageFault, match=f"{good}-handed"):
                parse_frame(FrameModel(axes=axes, handedness=bad))


_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text("abc_", max_size=5), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@given(message=st.dictionaries(st.text("abc_", max_size=6), _VALUES, max_size=6))
def test_both_encodings_carry_a_message_there_and_back_exactly(message: dict[str, object]) -> None:
    for encoding in ("msgpack", "json"):
        payload = encode(message, encoding)
        assert encoding_of(payload) == encoding
        assert decode(payload) == message


@given(message=st.dictionaries(st.text("abc_", max_size=6), _VALUES, max_size=6))
def test_the_codec_agrees_with_the_libraries(message: dict[str, object]) -> None:
    assert json.loads(encode(message, "json")) == message
    assert msgpack.unpackb(encode(message, "msgpack")) == message


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        ({f"kite{k}": "ready" for k in range(101)}, "a table of at most 100 fields"),
        ({"a kite": "ready"}, r"names that match ^[A-Za-z0-9][A-Za-z0-9_.\-]{0,63}$"),
    ],
)  # fmt: skip
def test_answers_that_are_too_many_or_for_nobody_are_refused_in_words(answers: dict[str, str], expected: str) -> None:
    message = {"type": "state", "seq": 1, "time_s": 0.0, "ready": True, "answers": answers}
    with pytest.raises(MessageFault) as refusal:
        parse_state(message)
    assert refusal.value.field == "answers"
    assert refusal.value.expected == expected

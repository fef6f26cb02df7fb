"""The short way of nearly all messages: a state from its bytes, a command to its bytes, each in one pass of msgspec.

Only a state in Cartesian form that is right in every field goes this way. On any doubt `read_state` gives None, and
`codec.decode` and `parse.parse_state` say what is wrong, or take it: what they take and what this takes are the same
values (tests/wire/test_quick.py). Limits stand here a second time; a test holds them against those of `messages`.
"""

from __future__ import annotations

from math import sqrt
from typing import Annotated, Any, Final, Literal, NamedTuple

import msgspec
from msgspec import Meta

from guidance_svc.domain import VehicleState
from guidance_svc.wire.codec import Encoding
from guidance_svc.wire.parse import UNIT_TOLERANCE, readings_of

Length = Annotated[float, Meta(ge=-1e13, le=1e13)]
Speed = Annotated[float, Meta(ge=-1e7, le=1e7)]
Rate = Annotated[float, Meta(ge=-3.6e5, le=3.6e5)]


class StateBody(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True, gc=False):
    """`messages.StateMessage` in its Cartesian form; a field that did not come is None, and null is refused.

    `heard` is of a recording alone: what others on the clock had told the session (`wire.heard`).
    """

    type: Literal["state"]
    seq: Annotated[int, Meta(ge=0, le=2**53)]
    time_s: Annotated[float, Meta(ge=-1e12, le=1e12)]
    mass_kg: Annotated[float, Meta(gt=0.0, le=1e12)]
    position_m: tuple[Length, Length, Length]
    velocity_m_s: tuple[Speed, Speed, Speed]
    thrust_n: Annotated[float, Meta(ge=0.0, le=1e12)] = None  # type: ignore[assignment]
    throttle: Annotated[float, Meta(ge=0.0, le=1.0)] = None  # type: ignore[assignment]
    pointing: tuple[float, float, float] = None  # type: ignore[assignment]
    stage: Annotated[int, Meta(ge=0, le=100)] = None  # type: ignore[assignment]
    engine_on: bool = None  # type: ignore[assignment]
    propellant_kg: Annotated[float, Meta(ge=0.0, le=1e12)] = None  # type: ignore[assignment]
    seen_event: Annotated[str, Meta(max_length=64)] = None  # type: ignore[assignment]
    contact: bool = None  # type: ignore[assignment]
    engines_lit: Annotated[int, Meta(ge=0, le=100)] = None  # type: ignore[assignment]
    attitude_rate_deg_s: tuple[Rate, Rate, Rate] = None  # type: ignore[assignment]
    angle_of_attack_deg: Annotated[float, Meta(ge=0.0, le=180.0)] = None  # type: ignore[assignment]
    wind_m_s: tuple[Speed, Speed, Speed] = None  # type: ignore[assignment]
    heard: dict[str, Any] = None  # type: ignore[assignment]


class QuickState(NamedTuple):
    """A state as it came, and as the session layer takes it."""

    body: StateBody
    state: VehicleState


_from_msgpack: Final = msgspec.msgpack.Decoder(StateBody).decode
_from_json: Final = msgspec.json.Decoder(StateBody).decode
_to_msgpack: Final = msgspec.msgpack.Encoder().encode
_to_json: Final = msgspec.json.Encoder().encode


def read_state(payload: bytes, encoding: Encoding) -> QuickState | None:
    """The state of a message; None where it is none, or not for certain a right one.

    >>> read_state(b'{"type":"state","seq":1}', "json")
    """
    try:
        body = _from_json(payload) if encoding == "json" else _from_msgpack(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None
    if body.heard is not None:
        return None
    pointing = body.pointing
    if pointing is not None:
        x, y, z = pointing
        length = sqrt(x * x + y * y + z * z)
        if not abs(length - 1.0) <= UNIT_TOLERANCE:
            return None
    b = body
    more = readings_of(b.contact, b.engines_lit, b.attitude_rate_deg_s, b.angle_of_attack_deg, b.wind_m_s)
    state = VehicleState(b.seq, b.time_s, b.mass_kg, b.position_m, b.velocity_m_s, None, b.thrust_n, b.throttle,
                         pointing, b.stage, b.engine_on, b.propellant_kg, b.seen_event, more)  # fmt: skip
    return QuickState(body, state)


def encode_command(message: dict[str, Any], encoding: Encoding) -> bytes:
    """A `command` in the given encoding; the session has checked that its numbers are finite (`core.finite`).

    >>> encode_command({"type": "command", "seq": 1}, "json")
    b'{"type":"command","seq":1}'
    """
    return _to_json(message) if encoding == "json" else _to_msgpack(message)


def to_json(message: dict[str, Any] | StateBody) -> bytes:
    """A checked message as a recording keeps it; floats to the last bit."""
    return _to_json(message)

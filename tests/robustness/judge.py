"""What a reply may be: one whole message of the wire, of the right encoding, in its model's shape."""

from __future__ import annotations

import json
from typing import Any, Final

import msgpack
from pydantic import TypeAdapter, ValidationError

from guidance_svc.conform.connect import unknown_word
from guidance_svc.wire import messages

REPLIES: Final[dict[str, TypeAdapter[Any]]] = {
    name.lower(): TypeAdapter(getattr(messages, f"{name}Message"))
    for name in ("Opened", "Command", "Closed", "Fault", "Health")
    if hasattr(messages, f"{name}Message")
}
ANSWERS: Final = {"open": "opened", "state": "command", "close": "closed", "health": "health"}
FAULT_LIMIT_BYTES: Final = 4096  # a refusal quotes at most 80 characters of what came: no amplifier of floods


class BadReply(AssertionError):
    """The service broke its word."""


def read(reply: bytes, as_json: bool) -> dict[str, Any]:
    """A reply as a dict that its model accepts.

    Raises:
        BadReply: it is no whole message of the encoding, of no known type, or not in its model's shape.
    """
    try:
        message: Any = json.loads(reply) if as_json else msgpack.unpackb(reply)
        REPLIES[message["type"]].validate_python(message, strict=True, extra="forbid")
        json.dumps(message, allow_nan=False)
        if message["type"] == "command" and (odd := unknown_word(message)) is not None:
            raise ValueError(odd)
    except (ValueError, KeyError, TypeError, ValidationError, msgpack.UnpackException) as problem:
        raise BadReply(f"{problem!r} in {reply[:500]!r}") from None
    if message["type"] == "fault":
        if message["code"] == "internal_error":
            raise BadReply(f"a fault of the service itself: {message}")
        if len(reply) > FAULT_LIMIT_BYTES or not message["code"] or not message["message"]:
            raise BadReply(f"a fault of {len(reply)} bytes, code {message['code']!r}")
    return dict(message)


def agree(request: bytes, reply: dict[str, Any], as_json: bool) -> None:
    """Check that a reply which is no fault answers what was asked, decoded without the service's own code.

    Args:
        as_json: what the transport or the first byte says.

    Raises:
        BadReply: the request was no message, or the reply is to another one.
    """
    try:
        asked: Any = json.loads(request) if as_json else msgpack.unpackb(request)
        wanted = ANSWERS[asked["type"]]
    except (ValueError, KeyError, TypeError, RecursionError, msgpack.UnpackException) as problem:
        raise BadReply(f"{request[:200]!r} is no message ({problem!r}), and was answered by {reply}") from None
    same = all(reply[key] == asked[key] for key in ("seq", "vehicle") if key in reply and key in asked)
    if reply["type"] != wanted or not same:
        raise BadReply(f"{asked} was answered by {reply}")

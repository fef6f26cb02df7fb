"""Bytes to dict and back: MessagePack, or JSON where the first byte is an opening brace."""

from __future__ import annotations

import json
from typing import Any, Final, Literal

import msgpack

from guidance_svc.errors import MessageFault

Encoding = Literal["msgpack", "json"]

MESSAGE_LIMIT_BYTES: Final = 65536  # an inline plan with ten stages is 4 KiB; a state is 300 bytes

_to_json = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode
_from_json = json.JSONDecoder().decode


def encoding_of(payload: bytes) -> Encoding:
    """The encoding that the first byte announces; an opening brace can never begin a MessagePack map."""
    return "json" if payload[:1] == b"{" else "msgpack"


def decode(payload: bytes, limit_bytes: int = MESSAGE_LIMIT_BYTES, json_lines: bool = False) -> dict[str, Any]:
    """One message as a dict; what stands in it is not checked yet.

    Args:
        payload: one frame or one line.
        limit_bytes: longest payload that is looked at.
        json_lines: only JSON can come, as over TCP.

    Raises:
        MessageFault: ``message_too_long`` or ``garbage``.

    >>> decode(b'{"type":"close"}')
    {'type': 'close'}
    """
    if len(payload) > limit_bytes:
        raise MessageFault("message_too_long", "", f"at most {limit_bytes} bytes", f"{len(payload)} bytes")
    as_json = json_lines or payload[:1] == b"{"
    either = "one JSON object a line, in UTF-8" if json_lines else "one MessagePack map or JSON object"
    if not payload:
        raise MessageFault("garbage", "", either, "an empty message")
    try:
        message = _from_json(payload.decode()) if as_json else msgpack.unpackb(payload)
    except (ValueError, RecursionError, msgpack.UnpackException):  # StackError, ExtraData are ValueErrors
        alone = "one JSON object in UTF-8" if as_json else either
        raise MessageFault("garbage", "", either if json_lines else alone, _head(payload)) from None
    if not isinstance(message, dict):
        raise MessageFault("garbage", "", either, _head(payload))
    return message


def encode(message: dict[str, Any], encoding: Encoding) -> bytes:
    """The message in the given encoding.

    Raises:
        ValueError: a number is NaN or infinite and the encoding is JSON.

    >>> encode({"type": "closed", "vehicle": "curlew"}, "json")
    b'{"type":"closed","vehicle":"curlew"}'
    """
    if encoding == "json":
        return _to_json(message).encode()
    packed: bytes = msgpack.packb(message)
    return packed


def _head(payload: bytes) -> str:
    """The first bytes, for a fault: what an author can recognise, without flooding the log."""
    return f"{len(payload)} bytes beginning {payload[:12]!r}"

"""Writes every message in and out to one MCAP file, JSON with JSON schemas, as it happens.

One channel a vehicle and message type, topic ``/curlew/state``; each message carries `link`, the number of the
connection it came over. Messages that were refused stand under type ``refused`` with their bytes in base64,
shortened. Tokens are never written. The live file is unchunked and flushed once a batch, before the replies of
that batch go out. What becomes of a finished one, and of a full disk, is the business of `rotating`.
"""

from __future__ import annotations

import json
import re
from base64 import b64encode
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from io import FileIO
from pathlib import Path
from struct import Struct
from typing import Any, Final, Literal, Protocol, get_args

from mcap.writer import Writer
from pydantic import TypeAdapter
from pydantic_core import to_json as any_to_json

from guidance_svc.errors import MessageFault
from guidance_svc.storage.framing import PROFILE
from guidance_svc.systems import is_still, lock_now
from guidance_svc.wire import messages
from guidance_svc.wire.codec import decode, encode, encoding_of
from guidance_svc.wire.heard import HEARD
from guidance_svc.wire.quick import StateBody, to_json

OK: Final = "ok"
OFF: Final = "off"
NOT_RECORDED: Final = "(not recorded)"
NO_VEHICLE: Final = "unknown"
OPEN_KEY: Final = "open"  # of metadata "session": the `open` message as JSON, its token left out
SECRET_FIELDS: Final = frozenset({"resume", "token", b"resume", b"token"})
SECRET: Final = re.compile(rb"resume|token")
REFUSED_LIMIT_BYTES: Final = 4096  # enough to replay a refused state; a flood of garbage stays small

# A message record of MCAP version 0: opcode, length of what follows, channel, sequence, log time, publish time, data.
# Packed here, 1 us instead of the library's 5; the library still writes everything else.
MESSAGE_OPCODE: Final = 0x05
MESSAGE_HEAD: Final = Struct("<BQHIQQ")
MESSAGE_FIXED_BYTES: Final = 22

MODELS: Final[Mapping[str, Any]] = {
    "open": messages.OpenMessage,
    "state": messages.StateMessage,
    "close": messages.CloseMessage,
    "opened": messages.OpenedMessage,
    "command": messages.CommandMessage,
    "closed": messages.ClosedMessage,
    "fault": messages.FaultMessage,
}
Request = dict[str, Any] | StateBody
Aside = Literal["link_gone", "given_up"]
ASIDES: Final = get_args(Aside)
ASIDE_SCHEMA: Final = {"title": "Aside", "type": "object", "properties": {"link": {"type": "integer"}}}
HEARD_SCHEMA: Final = {"type": "object", "description": "what others on its clock had told its session"}
REFUSED_SCHEMA: Final = {
    "title": "Refused",
    "type": "object",
    "properties": {
        "link": {"type": "integer"},
        "size": {"type": "integer", "description": "bytes that came"},
        "payload_base64": {"type": "string", "description": "the first of them"},
        "whole": {"type": "boolean", "description": "whether payload_base64 is all of it"},
    },
}


class Recorder(Protocol):
    """What the desk needs of a recorder."""

    def plan(self, name: str, table: Mapping[str, Any]) -> None:
        """Keep a flight plan as it is used under this name."""

    def exchange(self, link: int, vehicle: str | None, request: Request, reply: dict[str, Any]) -> None:
        """Keep an accepted message and its reply."""

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Keep a refused message and its fault."""

    def aside(self, link: int, vehicle: str, what: Aside) -> None:
        """Keep what befell a session without a message of its script."""

    def flush(self) -> None:
        """Hand everything to the operating system."""

    def close(self) -> None:
        """Finish the recording: write its summary and give the file back."""

    @property
    def state(self) -> str:
        """Why recording has stopped, or "ok", or "off"."""


class NoRecorder:
    """A recorder for a service that keeps no recording."""

    def plan(self, name: str, table: Mapping[str, Any]) -> None:
        """Nothing: this one keeps nothing."""

    def exchange(self, link: int, vehicle: str | None, request: Request, reply: dict[str, Any]) -> None:
        """Nothing: this one keeps nothing."""

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Nothing: this one keeps nothing."""

    def aside(self, link: int, vehicle: str, what: Aside) -> None:
        """Nothing: this one keeps nothing."""

    def flush(self) -> None:
        """Nothing: this one keeps nothing."""

    def close(self) -> None:
        """Nothing: this one keeps nothing."""

    @property
    def state(self) -> str:
        """Always "off": there is no recording."""
        return OFF


class McapRecorder:
    """One recording.

    Args:
        path: must not exist yet.
        clock_ns: wall time, ns since 1970, for the log times; guidance never sees it.
        about: version, settings and the like, kept as metadata "service".

    The file is locked while it is open, so that no other process finishes it.

    Raises:
        OSError: the file cannot be made; FileExistsError as well when another process was quicker.
    """

    def __init__(self, path: Path, clock_ns: Callable[[], int], about: Mapping[str, str]) -> None:
        self.path = path
        self._clock_ns = clock_ns
        self._sink = _Sink(FileIO(path, "xb"))
        if not lock_now(self._sink.fileno()):
            self._sink.close()
            path.unlink(missing_ok=True)
            raise FileExistsError(f"{path} is another's")
        self._writer = Writer(self._sink, use_chunking=False, use_statistics=False)  # type: ignore[arg-type]
        self._writer.start(PROFILE, f"guidance-svc {about.get('version', '')}")
        self._writer.add_metadata("service", dict(about))
        self._schemas: dict[str, int] = {}
        self._channels: dict[tuple[str | None, str], int] = {}
        self._plans: dict[str, str] = {}
        self._sequence = 0
        self.flush()

    def plan(self, name: str, table: Mapping[str, Any]) -> None:
        """Keep a flight plan, once for each form that it takes."""
        text = any_to_json(table).decode()
        if self._plans.get(name) != text:
            self._plans[name] = text
            self._writer.add_metadata("flight_plan", {"name": name, "json": text})

    def session(self, table: Mapping[str, str]) -> None:
        """Keep what an open session is at this moment; `table` names its "vehicle"."""
        self._writer.add_metadata("session", dict(table))

    def exchange(self, link: int, vehicle: str | None, request: Request, reply: dict[str, Any]) -> None:
        """Keep an accepted message and its reply, tokens left out."""
        now_ns = self._clock_ns()
        kind = reply["type"]
        if kind == "command":  # nothing in it is secret
            self._write(vehicle, "state", link, to_json(request), now_ns)
            self._write(vehicle, kind, link, to_json(reply), now_ns)
            return
        assert isinstance(request, dict)
        if "resume" in request:
            request = {**request, "resume": NOT_RECORDED}
        if "token" in reply:
            reply = {**reply, "token": NOT_RECORDED}
        self._write(vehicle, request["type"], link, any_to_json(request), now_ns)
        self._write(vehicle, kind, link, any_to_json(reply), now_ns)

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Keep a refused message, shortened, and its fault."""
        now_ns = self._clock_ns()
        kept = _without_token(payload[:REFUSED_LIMIT_BYTES], whole=len(payload) <= REFUSED_LIMIT_BYTES)
        shown = b64encode(_before_token(payload) if kept is None else kept).decode()
        refused = {"size": len(payload), "payload_base64": shown, "whole": kept is not None}
        self._write(vehicle, "refused", link, any_to_json(refused), now_ns)
        self._write(vehicle, "fault", link, any_to_json(reply), now_ns)

    def aside(self, link: int, vehicle: str, what: Aside) -> None:
        """Keep what befell a session without a message of its script: a replay needs it."""
        self._write(vehicle, what, link, b"{}", self._clock_ns())

    def flush(self) -> None:
        """Hand everything to the operating system: one system call."""
        self._sink.hand_over()

    def close(self) -> None:
        """Finish the file; it stays plain."""
        if not self._sink.trouble:
            self._writer.finish()  # type: ignore[no-untyped-call]
            self.flush()
        self._sink.close()

    def abandon(self) -> None:
        """Let the file go as it is."""
        self._sink.close()

    @property
    def size(self) -> int:
        """Bytes of the present part so far."""
        return self._sink.tell()

    @property
    def state(self) -> str:
        """Why nothing is written any more, or "ok"."""
        return self._sink.trouble or OK

    def is_there(self) -> bool:
        """Whether the file is still the one that its path leads to; one that was deleted takes bytes for nobody."""
        return is_still(self.path, self._sink.fileno())

    def _write(self, vehicle: str | None, kind: str, link: int, body: bytes, now_ns: int) -> None:
        data = b'{"link":%d,' % link + body[1:] if len(body) > 2 else b'{"link":%d}' % link
        self._sequence = (self._sequence + 1) & 0xFFFFFFFF
        channel = self._channels.get((vehicle, kind))
        if channel is None:  # the library writes channel and schema out with the next message that it writes itself
            channel = self._channel(vehicle, kind)
            self._writer.add_message(channel, now_ns, data, now_ns, self._sequence)
            return
        self._sink.write(
            MESSAGE_HEAD.pack(
                MESSAGE_OPCODE, MESSAGE_FIXED_BYTES + len(data), channel, self._sequence, now_ns, now_ns
            )
            + data
        )

    def _channel(self, vehicle: str | None, kind: str) -> int:
        if kind not in self._schemas:
            self._schemas[kind] = self._writer.register_schema(kind, "jsonschema", _schema(kind))
        direction = "in" if kind in ("open", "state", "close", "refused", *ASIDES) else "out"
        name = vehicle or NO_VEHICLE
        about = {"vehicle": name, "type": kind, "direction": direction}
        channel = self._writer.register_channel(f"/{name}/{kind}", "json", self._schemas[kind], about)
        self._channels[vehicle, kind] = channel
        return channel


class _Sink:
    """A buffer of our own before the file: what the writer writes stays here until `hand_over`.

    A disk that is full must not stop guidance: after the first failure, which `trouble` tells, nothing is written.
    The file then ends with its last whole record.
    """

    def __init__(self, file: FileIO) -> None:
        self._file = file
        self._parts: list[bytes] = []
        self._length = 0
        self.trouble = ""

    def write(self, data: bytes) -> int:
        """Keep whole records for the next `hand_over`."""
        self._parts.append(data)
        self._length += len(data)
        return len(data)

    def tell(self) -> int:
        return self._length

    def fileno(self) -> int:
        return self._file.fileno()

    def hand_over(self) -> None:
        if not self._parts:
            return
        parts, self._parts = self._parts, []
        data = memoryview(b"".join(parts))
        left = data
        try:
            while left and not self.trouble:
                left = left[self._file.write(left) or 0 :]
        except OSError as error:
            self.trouble = error.strerror or str(error)
            self._cut_back(parts, len(data) - len(left))

    def _cut_back(self, parts: list[bytes], written: int) -> None:
        """Take away the record of which only a part was written."""
        partial = written
        for part in parts:
            if len(part) > partial:
                break
            partial -= len(part)
        with suppress(OSError):  # the reader finds the last whole record by itself
            self._file.truncate(self._file.tell() - partial)

    def close(self) -> None:
        try:
            self._file.close()
        except OSError as error:  # a network's disk may tell only now
            self.trouble = self.trouble or error.strerror or str(error)


def _without_token(payload: bytes, whole: bool) -> bytes | None:
    """The payload to keep, tokens in it replaced; None where that cannot be done for certain."""
    if not whole:
        return None
    try:
        message = decode(payload)
    except MessageFault:
        return None if SECRET.search(payload) else payload
    kept = {name: NOT_RECORDED if name in SECRET_FIELDS else value for name, value in message.items()}
    if any(SECRET.search(repr(value).encode()) for value in kept.values()):
        return None
    return payload if kept == message else encode(kept, encoding_of(payload))


def _before_token(payload: bytes) -> bytes:
    """The beginning of a payload that is kept in part only."""
    return SECRET.split(payload[:REFUSED_LIMIT_BYTES], maxsplit=1)[0]


@cache
def _schema(kind: str) -> bytes:
    """JSON schema of a message as it is recorded: with `link` beside its own fields."""
    if kind in ASIDES:
        return json.dumps(ASIDE_SCHEMA).encode()
    if kind == "refused":
        return json.dumps(REFUSED_SCHEMA).encode()
    schema = TypeAdapter(MODELS[kind]).json_schema()
    if kind == "state":
        schema["properties"][HEARD] = HEARD_SCHEMA
    schema["properties"] = {"link": {"type": "integer"}, **schema["properties"]}
    return json.dumps(schema).encode()

"""Writes every message in and out to one MCAP file, JSON with JSON schemas, as it happens.

One channel a vehicle and message type, topic ``/curlew/state``; each message carries `link`, the number of the
connection it came over. Messages that were refused stand under type ``refused`` with their bytes in base64,
shortened. Tokens are never written. The live file is unchunked and flushed once a batch, before the replies of
that batch go out; on a clean close it is rewritten in zstd chunks.
"""

from __future__ import annotations

import json
import logging
import os
from base64 import b64encode
from collections.abc import Callable, Mapping
from functools import cache
from io import FileIO
from pathlib import Path
from struct import Struct
from typing import IO, Any, Final, Protocol

from mcap.records import Channel, Header, Message, Metadata, Schema
from mcap.stream_reader import StreamReader
from mcap.writer import CompressionType, Writer
from pydantic import TypeAdapter
from pydantic_core import to_json  # 1.1 us a state against 5.2 of json; floats to the last bit as well

from guidance_svc.errors import MessageFault
from guidance_svc.wire import messages
from guidance_svc.wire.codec import decode, encode, encoding_of

PROFILE: Final = "guidance-svc"
NOT_RECORDED: Final = "(not recorded)"
NO_VEHICLE: Final = "unknown"
REFUSED_LIMIT_BYTES: Final = 4096  # enough to replay a refused state; a flood of garbage stays small

# A message record of MCAP version 0: opcode, length of what follows, channel, sequence, log time, publish time, data.
# Packed here, 1 us instead of the library's 5; the library still writes everything else.
MESSAGE_OPCODE: Final = 0x05
MESSAGE_HEAD: Final = Struct("<BQHIQQ")
MESSAGE_FIXED_BYTES: Final = 22

_log = logging.getLogger(__name__)

MODELS: Final[Mapping[str, Any]] = {
    "open": messages.OpenMessage,
    "state": messages.StateMessage,
    "close": messages.CloseMessage,
    "opened": messages.OpenedMessage,
    "command": messages.CommandMessage,
    "closed": messages.ClosedMessage,
    "fault": messages.FaultMessage,
}
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

    def exchange(self, link: int, vehicle: str | None, request: dict[str, Any], reply: dict[str, Any]) -> None:
        """Keep an accepted message and its reply."""

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Keep a refused message and its fault."""

    def flush(self) -> None:
        """Hand everything to the operating system."""

    def close(self) -> None:
        """Finish the recording."""


class NoRecorder:
    """Records nothing."""

    def plan(self, name: str, table: Mapping[str, Any]) -> None:
        """Nothing."""

    def exchange(self, link: int, vehicle: str | None, request: dict[str, Any], reply: dict[str, Any]) -> None:
        """Nothing."""

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Nothing."""

    def flush(self) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


class McapRecorder:
    """One recording.

    Args:
        path: must not exist yet.
        clock_ns: wall time, ns since 1970, for the log times; guidance never sees it.
        about: version, settings and the like, kept as metadata "service".

    Raises:
        OSError: the file cannot be made.
    """

    def __init__(self, path: Path, clock_ns: Callable[[], int], about: Mapping[str, str]) -> None:
        self.path = path
        self._clock_ns = clock_ns
        self._sink = _Sink(FileIO(path, "xb"))
        self._writer = Writer(self._sink, use_chunking=False, use_statistics=False)  # type: ignore[arg-type]
        self._writer.start(PROFILE, f"guidance-svc {about.get('version', '')}")
        self._writer.add_metadata("service", dict(about))
        self._schemas: dict[str, int] = {}
        self._channels: dict[tuple[str, str], int] = {}
        self._plans: dict[str, str] = {}
        self._sequence = 0
        self.flush()

    def plan(self, name: str, table: Mapping[str, Any]) -> None:
        """Keep a flight plan, once for each form that it takes."""
        text = to_json(table).decode()
        if self._plans.get(name) != text:
            self._plans[name] = text
            self._writer.add_metadata("flight_plan", {"name": name, "json": text})

    def exchange(self, link: int, vehicle: str | None, request: dict[str, Any], reply: dict[str, Any]) -> None:
        """Keep an accepted message and its reply, tokens left out."""
        now_ns = self._clock_ns()
        if "resume" in request:
            request = {**request, "resume": NOT_RECORDED}
        if "token" in reply:
            reply = {**reply, "token": NOT_RECORDED}
        self._write(vehicle, request["type"], link, request, now_ns)
        self._write(vehicle, reply["type"], link, reply, now_ns)

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Keep a refused message, shortened, and its fault."""
        now_ns = self._clock_ns()
        kept = _without_token(payload[:REFUSED_LIMIT_BYTES], whole=len(payload) <= REFUSED_LIMIT_BYTES)
        shown = b64encode(_before_token(payload) if kept is None else kept).decode()
        refused = {"size": len(payload), "payload_base64": shown, "whole": kept is not None}
        self._write(vehicle, "refused", link, refused, now_ns)
        self._write(vehicle, "fault", link, reply, now_ns)

    def flush(self) -> None:
        """Hand everything to the operating system: one system call."""
        self._sink.hand_over()

    def close(self) -> None:
        """Finish the file and rewrite it in compressed chunks; the plain one stays if that fails."""
        self._writer.finish()  # type: ignore[no-untyped-call]
        self._sink.hand_over()
        self._sink.close()
        if self._sink.failed:
            return
        try:
            compact(self.path)
        except OSError as error:
            _log.error("recording %s stays uncompressed: %s", self.path, error)

    def _write(self, vehicle: str | None, kind: str, link: int, message: dict[str, Any], now_ns: int) -> None:
        body = to_json(message)
        data = b'{"link":%d,' % link + body[1:] if len(body) > 2 else b'{"link":%d}' % link
        self._sequence = (self._sequence + 1) & 0xFFFFFFFF
        channel = self._channels.get((vehicle or NO_VEHICLE, kind))
        if channel is None:  # the library writes channel and schema out with the next message that it writes itself
            channel = self._channel(vehicle or NO_VEHICLE, kind)
            self._writer.add_message(channel, now_ns, data, now_ns, self._sequence)
            return
        head = MESSAGE_HEAD.pack(
            MESSAGE_OPCODE, MESSAGE_FIXED_BYTES + len(data), channel, self._sequence, now_ns, now_ns
        )
        self._sink.write(head + data)

    def _channel(self, vehicle: str, kind: str) -> int:
        if kind not in self._schemas:
            self._schemas[kind] = self._writer.register_schema(kind, "jsonschema", _schema(kind))
        direction = "in" if kind in ("open", "state", "close", "refused") else "out"
        about = {"vehicle": vehicle, "type": kind, "direction": direction}
        channel = self._writer.register_channel(f"/{vehicle}/{kind}", "json", self._schemas[kind], about)
        self._channels[vehicle, kind] = channel
        return channel


def compact(path: Path) -> None:
    """Rewrite a recording in zstd chunks with an index, in place and in one step.

    Raises:
        OSError: the folder takes no second file; the first one is as it was.
    """
    new = path.with_name(f".{path.name}.compacting")
    try:
        with path.open("rb") as source, new.open("wb") as target:
            _copy(source, Writer(target, compression=CompressionType.ZSTD))
        os.replace(new, path)
    finally:
        new.unlink(missing_ok=True)


def _copy(source: IO[bytes], writer: Writer) -> None:
    schemas: dict[int, int] = {0: 0}
    channels: dict[int, int] = {}
    for record in StreamReader(source).records:
        if isinstance(record, Header):
            writer.start(record.profile, record.library)
        elif isinstance(record, Metadata):
            writer.add_metadata(record.name, record.metadata)
        elif isinstance(record, Schema) and record.id not in schemas:
            schemas[record.id] = writer.register_schema(record.name, record.encoding, record.data)
        elif isinstance(record, Channel) and record.id not in channels:
            schema = schemas[record.schema_id]
            channels[record.id] = writer.register_channel(
                record.topic, record.message_encoding, schema, record.metadata
            )
        elif isinstance(record, Message):
            channel = channels[record.channel_id]
            writer.add_message(channel, record.log_time, record.data, record.publish_time, record.sequence)
    writer.finish()  # type: ignore[no-untyped-call]


class _Sink:
    """A buffer of our own before the file: what the writer writes stays here until `hand_over`.

    A disk that is full must not stop guidance: the first failure is logged, and nothing is written after it.
    """

    def __init__(self, file: FileIO) -> None:
        self._file = file
        self._parts: list[bytes] = []
        self._length = 0
        self.failed = False

    def write(self, data: bytes) -> int:
        self._parts.append(data)
        self._length += len(data)
        return len(data)

    def tell(self) -> int:
        return self._length

    def hand_over(self) -> None:
        if not self._parts:
            return
        data = memoryview(b"".join(self._parts))
        self._parts.clear()
        try:
            while data and not self.failed:
                data = data[self._file.write(data) or 0 :]
        except OSError as error:
            self.failed = True
            _log.error("recording stopped, guidance goes on: %s", error)

    def close(self) -> None:
        self._file.close()


def _without_token(payload: bytes, whole: bool) -> bytes | None:
    """The payload to keep, its resume token replaced; None where that cannot be done for certain."""
    if not whole:
        return None
    try:
        message = decode(payload)
    except MessageFault:
        return None if b"resume" in payload else payload
    if "resume" in message:
        return encode({**message, "resume": NOT_RECORDED}, encoding_of(payload))
    return payload


def _before_token(payload: bytes) -> bytes:
    """The beginning of a payload that is kept in part only."""
    return payload[:REFUSED_LIMIT_BYTES].partition(b"resume")[0]


@cache
def _schema(kind: str) -> bytes:
    """JSON schema of a message as it is recorded: with `link` beside its own fields."""
    if kind == "refused":
        return json.dumps(REFUSED_SCHEMA).encode()
    schema = TypeAdapter(MODELS[kind]).json_schema()
    schema["properties"] = {"link": {"type": "integer"}, **schema["properties"]}
    return json.dumps(schema).encode()

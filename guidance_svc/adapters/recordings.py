"""Reads a recording in the order in which it was written, up to the cut where there is one."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from mcap.exceptions import McapError
from mcap.records import Channel, Header, McapRecord, Message, Metadata
from mcap.stream_reader import StreamReader
from mcap.writer import MCAP0_MAGIC
from zstandard import ZstdError

from guidance_svc.adapters.recorder import PROFILE
from guidance_svc.errors import RecordingError

RECORD_LIMIT_BYTES = 1 << 28  # a chunk is 1 MiB; a larger length is damage, not data


@dataclass(frozen=True, slots=True)
class RecordedMessage:
    """One message in or out.

    Args:
        vehicle: "unknown" before an `open` was accepted.
        type: of the message; "refused" for bytes that were answered with a fault.
        link: number of the connection within the recording.
        time_ns: wall time, ns since 1970.
        message: its fields, tokens left out.
    """

    direction: Literal["in", "out"]
    vehicle: str
    type: str
    link: int
    time_ns: int
    message: dict[str, Any]


@dataclass(frozen=True, slots=True)
class RecordedPlan:
    """A flight plan as the service used it under that name, body and vehicle inlined."""

    name: str
    table: dict[str, Any]


class RecordingReader:
    """One pass over a recording.

    Args:
        path: of the file.

    `about` (the metadata "service") fills as the pass goes; `cut` tells after it whether the end is missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.about: dict[str, str] = {}
        self.cut = False

    def entries(self) -> Iterator[RecordedMessage | RecordedPlan]:
        """Every whole message and plan, in order.

        Raises:
            RecordingError: no such file, empty, foreign, or damaged in the middle.
        """
        channels: dict[int, Channel] = {}
        for record in self._records():
            if isinstance(record, Header) and record.profile != PROFILE:
                raise self._error("foreign_recording", "a recording of this service", f"profile {record.profile!r}")
            if isinstance(record, Channel):
                channels[record.id] = record
            elif isinstance(record, Metadata) and record.name == "service":
                self.about.update(record.metadata)
            elif isinstance(record, Metadata) and record.name == "flight_plan":
                yield RecordedPlan(record.metadata["name"], json.loads(record.metadata["json"]))
            elif isinstance(record, Message):
                yield self._message(record, channels)

    def _message(self, record: Message, channels: dict[int, Channel]) -> RecordedMessage:
        try:
            about = channels[record.channel_id].metadata
            message = json.loads(record.data)
            link = message.pop("link")
            direction: Literal["in", "out"] = "in" if about["direction"] == "in" else "out"
            return RecordedMessage(direction, about["vehicle"], about["type"], link, record.log_time, message)
        except (KeyError, ValueError, TypeError) as error:
            raise self._error("damaged_recording", "messages as the recorder writes them", error) from None

    def _records(self) -> Iterator[McapRecord]:
        try:
            with self.path.open("rb") as file:
                head = file.peek(len(MCAP0_MAGIC))[: len(MCAP0_MAGIC)]
                if not head:
                    raise self._error("empty_recording", "a recording of this service", "an empty file")
                if not MCAP0_MAGIC.startswith(head):
                    raise self._error("foreign_recording", "an MCAP file", f"a file beginning {head!r}")
                yield from self._whole_records(file)
        except OSError as error:
            raise self._error("cannot_read", "a readable file", error.strerror or error) from None

    def _whole_records(self, file: IO[bytes]) -> Iterator[McapRecord]:
        try:
            yield from StreamReader(file, record_size_limit=RECORD_LIMIT_BYTES).records
        except (McapError, struct.error, ZstdError, ValueError, MemoryError) as error:
            if file.read(1):
                raise self._error("damaged_recording", "whole MCAP records", error) from None
            self.cut = True  # the library raises one or the other, by where in a record the file ends

    def _error(self, code: str, expected: str, got: object) -> RecordingError:
        return RecordingError(code, "", expected, got, str(self.path))

"""Reads a recording in the order in which it was written, up to the place where it is cut or damaged."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from mcap.opcode import Opcode
from mcap.records import Channel, Header, Metadata
from mcap.writer import MCAP0_MAGIC

from guidance_svc.errors import RecordingError
from guidance_svc.storage.folder_lock import is_written
from guidance_svc.storage.framing import (
    MESSAGE_HEAD,
    MESSAGE_LIMIT_BYTES,
    PROFILE,
    SUFFIX,
    Cut,
    Damaged,
    Record,
    all_records,
    head_of,
)

BUFFER_BYTES = 1 << 18


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


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """A session that was open when the file began, as the session layer wrote it down."""

    vehicle: str
    table: dict[str, str]


class RecordingReader:
    """One pass over a recording.

    Args:
        path: of the file.
        first_link: is added to the numbers of connections, where another run's recording was read before.

    `about` (the metadata "service") fills as the pass goes, `at` is the byte it has come to, of `size`. After it,
    `cut` tells whether the end is missing, `live` whether it is being written, and `damage` what is wrong where bytes
    have changed; "" where nothing is.
    """

    def __init__(self, path: Path, first_link: int = 0) -> None:
        self.path = path
        self.first_link = first_link
        self.last_link = first_link
        self.live = False
        self.about: dict[str, str] = {}
        self.cut = False
        self.damage = ""
        self.at = 0
        self.size = 0
        self._sequence: int | None = None

    def entries(self) -> Iterator[RecordedMessage | RecordedPlan | RecordedSession]:
        """Every whole message, plan and session before the first damage, in order.

        Raises:
            RecordingError: no such file, empty, foreign, or damaged before its first message.
        """
        channels: dict[int, Channel] = {}
        messages = 0
        try:
            with self.path.open("rb", buffering=BUFFER_BYTES) as file:
                self._check_beginning(file)
                for record in all_records(file):
                    self.at = record.at
                    entry = self._entry(record, channels)
                    if entry is not None:
                        messages += isinstance(entry, RecordedMessage)
                        yield entry
        except Cut as cut:
            self.cut, self.at, self.live = True, cut.at, is_written(self.path)
        except Damaged as damage:
            if not messages:
                raise self._error("damaged_recording", "whole MCAP records", damage) from None
            self.damage, self.at = f"{damage}, of {self.size}; the {messages} messages before it are whole", damage.at
        except OSError as error:
            raise self._error("cannot_read", "a readable file", error.strerror or error) from None

    def remark(self) -> str:
        """After the pass: what is missing of the recording, as a sentence; "" where nothing is."""
        if self.damage:
            return f"the recording is {self.damage}, and are used"
        if self.live:
            return f"the recording {self.path.name} is being written; used up to its last whole message"
        if self.cut:
            return (
                f"the recording is cut short at byte {self.at} of {self.size}; used up to its last whole message"
            )
        return ""

    def _check_beginning(self, file: IO[bytes]) -> None:
        self.size = file.seek(0, 2)
        file.seek(0)
        head = file.read(len(MCAP0_MAGIC))
        file.seek(0)
        if not head:
            raise self._error("empty_recording", "a recording of this service", "an empty file")
        if not MCAP0_MAGIC.startswith(head):
            raise self._error("foreign_recording", "an MCAP file", f"a file beginning {head!r}")

    def _entry(
        self, record: Record, channels: dict[int, Channel]
    ) -> RecordedMessage | RecordedPlan | RecordedSession | None:
        if record.opcode == Opcode.MESSAGE:
            return self._message(record, channels)
        if record.opcode == Opcode.CHANNEL:
            channel = record.parse(Channel)
            channels[channel.id] = channel
        elif record.opcode == Opcode.METADATA:
            return self._metadata(record)
        elif record.opcode == Opcode.HEADER:
            profile = record.parse(Header).profile
            if profile != PROFILE:
                raise self._error("foreign_recording", "a recording of this service", f"profile {profile!r}")
        return None

    def _metadata(self, record: Record) -> RecordedPlan | RecordedSession | None:
        if len(record.content) > MESSAGE_LIMIT_BYTES:
            raise Damaged(record.at, f"metadata of {len(record.content)} bytes")
        metadata = record.parse(Metadata)
        try:
            if metadata.name == "service":
                self.about.update(metadata.metadata)
            elif metadata.name == "flight_plan":
                table = json.loads(metadata.metadata["json"])
                if not isinstance(table, dict):
                    raise TypeError("a flight plan that is no table")
                return RecordedPlan(metadata.metadata["name"], table)
            elif metadata.name == "session":
                return RecordedSession(metadata.metadata["vehicle"], dict(metadata.metadata))
        except (KeyError, ValueError, TypeError, RecursionError) as error:
            raise Damaged(record.at, f"metadata {metadata.name!r}: {error}") from None
        return None

    def _message(self, record: Record, channels: dict[int, Channel]) -> RecordedMessage:
        if len(record.content) > MESSAGE_LIMIT_BYTES:
            raise Damaged(record.at, f"a message of {len(record.content)} bytes")
        try:
            channel, sequence, time_ns, _ = MESSAGE_HEAD.unpack_from(record.content)
            about = channels[channel].metadata
            message = json.loads(record.content[MESSAGE_HEAD.size :])
            link = self.first_link + message.pop("link")
            self.last_link = max(self.last_link, link)
            direction: Literal["in", "out"] = "in" if about["direction"] == "in" else "out"
            vehicle, kind = about["vehicle"], about["type"]
        except (KeyError, ValueError, TypeError, AttributeError, RecursionError, struct.error) as error:
            raise Damaged(record.at, f"a message that no recorder writes: {error}") from None
        self._check_order(record, sequence)
        return RecordedMessage(direction, vehicle, kind, link, time_ns, message)

    def _check_order(self, record: Record, sequence: int) -> None:
        """The recorder counts its messages, so that one that went missing is noticed."""
        if self._sequence is not None and sequence != (self._sequence + 1) & 0xFFFFFFFF:
            raise Damaged(record.at, f"message {sequence} follows message {self._sequence}")
        self._sequence = sequence

    def _error(self, code: str, expected: str, got: object) -> RecordingError:
        return RecordingError(code, "", expected, got, str(self.path))


def parts(path: Path) -> list[Path]:
    """A recording and those of its folder that go on where it ends, in order."""
    following: dict[str, Path] = {}
    for other in sorted(path.parent.glob(f"*{SUFFIX}")):
        after = head_of(other).about.get("after")
        if after:
            following.setdefault(after, other)
    found = [path]
    while (then := following.get(found[-1].name)) is not None and then not in found:
        found.append(then)
    return found


def chained(paths: Sequence[Path]) -> list[Path]:
    """Recordings in the order given, each with the files that go on where it ends; each file once."""
    chains = [parts(path) for path in dict.fromkeys(paths)]
    later = {path.absolute() for chain in chains for path in chain[1:]}
    whole = [path for chain in chains if chain[0].absolute() not in later for path in chain]
    return list(dict.fromkeys(whole or [path for chain in chains for path in chain]))


def readers(files: Sequence[Path]) -> Iterator[RecordingReader]:
    """One reader a file, to be read in turn; another run's connections get numbers of their own.

    Args:
        files: as `chained` gives them.
    """
    links, first = 0, 0
    names: set[str] = set()
    for file in files:
        if names and head_of(file).about.get("after") not in names:
            first = links
        reader = RecordingReader(file, first)
        yield reader
        links = max(links, reader.last_link + 1)
        names.add(file.name)

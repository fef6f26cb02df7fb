"""Reads a recording in the order in which it was written, up to the place where it is cut or damaged."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, Literal

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
from guidance_svc.wire.heard import HEARD

BUFFER_BYTES = 1 << 18
Direction = Literal["in", "out"]
LINK: Final = b'{"link":'
KEYS: Final = {name: b'"%s":' % name.encode() for name in ("seq", "time_s", "next_contact_s")}
MISSHAPEN: Final = (KeyError, TypeError, ValueError, AttributeError, IndexError)  # what changed bytes make of a message


def decode_message(data: bytes) -> dict[str, Any]:
    """A message as it was recorded, with the number of its connection; the one place that knows how it is written.

    Raises:
        ValueError, TypeError, RecursionError: no recorder writes that.
    """
    message = json.loads(data)
    if not isinstance(message, dict):
        raise TypeError("a message that is no table")
    return message


class RecordedMessage:
    """One message in or out; decoded when its fields are asked for.

    Args:
        vehicle: "unknown" before an `open` was accepted.
        type: of the message; "refused" for bytes that were answered with a fault.
        time_ns: wall time, ns since 1970.
        data: as recorded.
        first_link: is added to the number of the connection.
    """

    __slots__ = ("_fields", "_heard", "_link", "data", "direction", "first_link", "time_ns", "type", "vehicle")

    def __init__(
        self, direction: Direction, vehicle: str, kind: str, time_ns: int, data: bytes, first_link: int = 0
    ) -> None:
        self.direction = direction
        self.vehicle = vehicle
        self.type = kind
        self.time_ns = time_ns
        self.data = data
        self.first_link = first_link
        self._fields: dict[str, Any] | None = None
        self._heard: dict[str, Any] | None = None
        self._link = 0

    @property
    def heard(self) -> dict[str, Any] | None:
        """What others on the clock of a state's session had told it (`wire.heard`); None for nothing."""
        return self._heard if self.message is not None else None

    @property
    def message(self) -> dict[str, Any]:
        """Its fields as they came, tokens left out.

        Raises:
            ValueError, TypeError, KeyError, RecursionError: no recorder writes that.
        """
        if self._fields is None:
            fields = decode_message(self.data)
            self._link = self.first_link + fields.pop("link")
            self._heard = fields.pop(HEARD, None)
            self._fields = fields
        return self._fields

    @property
    def link(self) -> int:
        """Number of the connection within the recording."""
        if self._fields is None and self.data.startswith(LINK):
            return self.first_link + int(self.data[len(LINK) : self.data.index(b",", len(LINK))])
        return self._link if self.message is not None else 0

    def number(self, name: str) -> Any:
        """A number of the message itself, None where it has none; found by its key where nothing is decoded yet.

        A key within a JSON text would have its quotes escaped, so the two cannot be mistaken; the fields that this is
        used for stand in no inner table that comes before them.
        """
        if self._fields is not None or not self.data.startswith(b"{"):
            return self.message.get(name)
        key = KEYS[name]
        begin = self.data.find(key) + len(key)
        if begin < len(key):
            return None
        end = begin
        while self.data[end] not in b",}":
            end += 1
        value = self.data[begin:end]
        return None if value == b"null" else int(value) if value.isdigit() else float(value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, RecordedMessage) and all(
            getattr(self, name) == getattr(other, name) for name in ("direction", "vehicle", "type", "link", "message")
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"RecordedMessage({self.direction}, {self.vehicle}, {self.type}, {self.data!r})"


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


Entry = RecordedMessage | RecordedPlan | RecordedSession


class Entries:
    """The records of one file as entries; a recording is read, and one that grows is followed, through this alone.

    Args:
        first_link: is added to the numbers of connections, where another run's recording was read before.

    `about` is the metadata "service".
    """

    def __init__(self, first_link: int = 0) -> None:
        self.first_link = first_link
        self.about: dict[str, str] = {}
        self._channels: dict[int, tuple[Direction, str, str]] = {}
        self._sequence: int | None = None

    def entry(self, record: Record) -> Entry | None:
        """What a record says; None where that is nothing of the flight. A message is not decoded.

        Raises:
            Damaged: no recorder writes that.
        """
        if record.opcode == Opcode.MESSAGE:
            return self._message(record)
        try:
            if record.opcode == Opcode.CHANNEL:
                channel = record.parse(Channel)
                about = channel.metadata
                direction: Direction = "in" if about["direction"] == "in" else "out"
                self._channels[channel.id] = (direction, about["vehicle"], about["type"])
            elif record.opcode == Opcode.METADATA:
                return self._metadata(record)
        except (*MISSHAPEN, RecursionError) as error:
            raise Damaged(record.at, f"a record that no recorder writes: {error}") from None
        return None

    def _metadata(self, record: Record) -> RecordedPlan | RecordedSession | None:
        if len(record.content) > MESSAGE_LIMIT_BYTES:
            raise Damaged(record.at, f"metadata of {len(record.content)} bytes")
        metadata = record.parse(Metadata)
        if metadata.name == "service":
            self.about.update(metadata.metadata)
        elif metadata.name == "flight_plan":
            table = json.loads(metadata.metadata["json"])
            if not isinstance(table, dict):
                raise TypeError("a flight plan that is no table")
            return RecordedPlan(metadata.metadata["name"], table)
        elif metadata.name == "session":
            return RecordedSession(metadata.metadata["vehicle"], dict(metadata.metadata))
        return None

    def _message(self, record: Record) -> RecordedMessage:
        content = record.content
        if len(content) > MESSAGE_LIMIT_BYTES:
            raise Damaged(record.at, f"a message of {len(content)} bytes")
        try:
            channel, sequence, time_ns, _ = MESSAGE_HEAD.unpack_from(content)
            direction, vehicle, kind = self._channels[channel]
        except (KeyError, struct.error) as error:
            raise Damaged(record.at, f"a message that no recorder writes: {error}") from None
        before, self._sequence = self._sequence, sequence
        if before is not None and sequence != (before + 1) & 0xFFFFFFFF:  # so that one that went missing is noticed
            raise Damaged(record.at, f"message {sequence} follows message {before}")
        return RecordedMessage(direction, vehicle, kind, time_ns, content[MESSAGE_HEAD.size :], self.first_link)


class RecordingReader:
    """One pass over a finished recording, or one that is being written up to where it has come.

    Args:
        path: of the file.
        first_link: as for `Entries`.

    `about` (the metadata "service") fills as the pass goes, `at` is the byte it has come to, of `size`. After it,
    `cut` tells whether the end is missing, `live` whether it is being written, and `damage` what is wrong where bytes
    have changed; "" where nothing is.
    """

    def __init__(self, path: Path, first_link: int = 0) -> None:
        self.path = path
        self.last_link = first_link
        self.live = False
        self.cut = False
        self.damage = ""
        self.at = 0
        self.size = 0
        self._entries = Entries(first_link)

    @property
    def about(self) -> dict[str, str]:
        """What the recorder said of itself at the start: the metadata record "service"."""
        return self._entries.about

    def entries(self) -> Iterator[Entry]:
        """Every whole message, plan and session before the first damage, in order; messages are decoded.

        Raises:
            RecordingError: no such file, empty, foreign, or damaged before its first message.
        """
        messages = 0
        try:
            with self.path.open("rb", buffering=BUFFER_BYTES) as file:
                self._check_beginning(file)
                for record in all_records(file):
                    self.at = record.at
                    entry = self._entry(record)
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

    def means_nothing(self, what: str, error: Exception) -> None:
        """Note that what was read last can be read and means nothing: changed bytes as well."""
        why = f"{what} ({type(error).__name__} {error})"
        self.damage = f"damaged at byte {self.at}: {why}, of {self.size}; the messages before it are whole"

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

    def _entry(self, record: Record) -> Entry | None:
        """As `Entries.entry`, of a recording of this service, decoded."""
        if record.opcode == Opcode.HEADER:
            profile = record.parse(Header).profile
            if profile != PROFILE:
                raise self._error("foreign_recording", "a recording of this service", f"profile {profile!r}")
        entry = self._entries.entry(record)
        if isinstance(entry, RecordedMessage):
            try:
                entry.message  # noqa: B018
            except (*MISSHAPEN, RecursionError) as error:
                raise Damaged(record.at, f"a message that no recorder writes: {error}") from None
            self.last_link = max(self.last_link, entry.link)
        return entry

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


def chain_parts(paths: Sequence[Path]) -> list[Path]:
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

"""The records of an MCAP file one after another, up to the place where it is cut or damaged.

A live recording has no end yet, a killed service leaves one in the middle of a record, a bad disk changes bytes:
the three are told apart, and all before the place is used.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from struct import Struct
from typing import IO, Any, Final, TypeVar
from zlib import crc32

import zstandard
from mcap.data_stream import ReadDataStream
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Chunk, Header, Metadata
from mcap.writer import MCAP0_MAGIC

PROFILE: Final = "guidance-svc"
SUFFIX: Final = ".mcap"

# MCAP version 0: opcode, length of what follows; a message: channel, sequence, log time, publish time, data.
RECORD_HEAD: Final = Struct("<BQ")
MESSAGE_HEAD: Final = Struct("<HIQQ")
RECORD_LIMIT_BYTES: Final = 1 << 25  # the recorder's chunks are 1 MiB; a larger length is damage, not data
CHUNK_LIMIT_BYTES: Final = 1 << 24  # unpacked
MESSAGE_LIMIT_BYTES: Final = 1 << 22  # a message as JSON; the longest that a service takes by default is 64 KiB
UNPACKED_RATIO: Final = 50  # of all chunks so far; 4 is usual, 18 a simulator that stands still (measured)
UNPACKED_FREE_BYTES: Final = 1 << 22  # beside that

_KNOWN: Final = frozenset(int(code) for code in Opcode)
_UNREADABLE: Final = (McapError, struct.error, zstandard.ZstdError, ValueError, KeyError, OverflowError, MemoryError)

T = TypeVar("T")


class Cut(Exception):
    """The file ends within a record, or before its footer."""

    def __init__(self, at: int) -> None:
        self.at = at
        super().__init__(f"cut short at byte {at}")


class Damaged(Exception):
    """A record that no recorder writes."""

    def __init__(self, at: int, why: object) -> None:
        self.at = at
        super().__init__(f"damaged at byte {at}: {why}")


@dataclass(frozen=True, slots=True)
class Record:
    """One record.

    Args:
        at: byte of the file at which it begins; of its chunk, where it stands in one.
    """

    opcode: int
    content: bytes
    at: int

    def parse(self, kind: type[T]) -> T:
        """Its fields, as the library's record class `kind`.

        Raises:
            Damaged: it has none.
        """
        try:
            read: Any = kind.read  # type: ignore[attr-defined]
            parsed: T = read(ReadDataStream(BytesIO(self.content)))
        except _UNREADABLE as error:
            raise Damaged(self.at, str(error) or type(error).__name__) from None
        return parsed


def outer_records(file: IO[bytes]) -> Iterator[Record]:
    """Every record of the file itself, chunks as they are.

    Args:
        file: at its beginning.

    Raises:
        Cut, Damaged: there; all records before it have been given.
    """
    magic = file.read(len(MCAP0_MAGIC))
    if magic != MCAP0_MAGIC:
        raise Cut(len(magic)) if MCAP0_MAGIC.startswith(magic) else Damaged(0, f"begins {magic!r}")
    at = len(magic)
    while True:
        head = file.read(RECORD_HEAD.size)
        if len(head) < RECORD_HEAD.size or not any(head):  # zeros: what a power failure leaves of unwritten blocks
            raise Cut(at)
        opcode, length = RECORD_HEAD.unpack(head)
        if length > RECORD_LIMIT_BYTES:
            raise Damaged(at, f"a record of {length} bytes")
        if opcode not in _KNOWN:
            raise Damaged(at, f"a record of unknown kind {opcode}")
        content = file.read(length)
        if len(content) < length:
            raise Cut(at)
        yield Record(opcode, content, at)
        at += RECORD_HEAD.size + length
        if opcode == Opcode.FOOTER:
            end = file.read(len(MCAP0_MAGIC))
            if end != MCAP0_MAGIC:
                raise Cut(at) if MCAP0_MAGIC.startswith(end) else Damaged(at, f"ends {end!r}")
            return


class Unpacking:
    """What the chunks of one file may unpack to: a small file must not cost gigabytes and minutes."""

    def __init__(self) -> None:
        self._packed_bytes = 0
        self._unpacked_bytes = 0

    def allow(self, record: Record, unpacked_bytes: int) -> None:
        """Count a chunk before it is unpacked.

        Raises:
            Damaged: it is too large, or far larger unpacked than any that a recorder writes.
        """
        self._packed_bytes += len(record.content)
        self._unpacked_bytes += unpacked_bytes
        most = UNPACKED_FREE_BYTES + UNPACKED_RATIO * self._packed_bytes
        if unpacked_bytes > CHUNK_LIMIT_BYTES or self._unpacked_bytes > most:
            what = f"a chunk of {unpacked_bytes} bytes packed into {len(record.content)}"
            raise Damaged(record.at, f"{what}, more than a recorder writes")


def all_records(file: IO[bytes], unpacking: Unpacking | None = None) -> Iterator[Record]:
    """Every record, those in chunks one by one in the chunk's place.

    Args:
        unpacking: counts the chunks, where the file is read in pieces.

    Raises:
        Cut, Damaged: as `outer_records`; a chunk is whole by its checksum or not used at all.
    """
    unpacking = unpacking or Unpacking()
    for record in outer_records(file):
        if record.opcode == Opcode.CHUNK:
            yield from _in_chunk(record, unpacking)
        else:
            yield record


def _in_chunk(record: Record, unpacking: Unpacking) -> Iterator[Record]:
    data = _unpack_chunk(record, unpacking)
    offset = 0
    while offset < len(data):
        opcode, length = RECORD_HEAD.unpack(data[offset : offset + RECORD_HEAD.size].ljust(RECORD_HEAD.size, b"\xff"))
        offset += RECORD_HEAD.size + length
        if offset > len(data):
            raise Damaged(record.at, "a chunk that ends within a record")
        yield Record(opcode, data[offset - length : offset], record.at)


def _unpack_chunk(record: Record, unpacking: Unpacking) -> bytes:
    """A chunk's records, checked."""
    chunk = record.parse(Chunk)
    data: bytes = chunk.data
    unpacking.allow(record, chunk.uncompressed_size)
    try:
        if chunk.compression == "zstd":
            if zstandard.frame_content_size(data) > chunk.uncompressed_size:
                raise Damaged(record.at, "a chunk that is larger than it says")
            data = zstandard.decompress(data, chunk.uncompressed_size)
        elif chunk.compression:
            raise Damaged(record.at, f"a chunk packed by {chunk.compression!r}")
    except _UNREADABLE as error:
        raise Damaged(record.at, str(error) or type(error).__name__) from None
    if len(data) != chunk.uncompressed_size or (chunk.uncompressed_crc and crc32(data) != chunk.uncompressed_crc):
        raise Damaged(record.at, "a chunk whose checksum is another")
    return data


@dataclass(frozen=True, slots=True)
class Head:
    """What the first records of a file tell.

    Args:
        ours: whether this service wrote it.
        about: its metadata "service".
        plain: whether its first message stands outside a chunk.
    """

    ours: bool
    about: dict[str, str]
    plain: bool


def head_of(path: Path) -> Head:
    """The beginning of a recording; of a file that is none or cannot be read, that it is not ours."""
    ours = False
    about: dict[str, str] = {}
    try:
        with path.open("rb") as file:
            for record in outer_records(file):
                if record.opcode == Opcode.HEADER:
                    ours = record.parse(Header).profile == PROFILE
                elif record.opcode == Opcode.METADATA:
                    metadata = record.parse(Metadata)
                    about = about or (dict(metadata.metadata) if metadata.name == "service" else {})
                else:
                    return Head(ours, about, record.opcode in (Opcode.SCHEMA, Opcode.CHANNEL, Opcode.MESSAGE))
                if not ours:
                    break
    except (OSError, Cut, Damaged):
        pass
    return Head(ours, about, False)


def is_finished(path: Path) -> bool:
    """Whether a recording has its end: the magic bytes after the footer."""
    try:
        with path.open("rb") as file:
            if file.seek(0, 2) < 2 * len(MCAP0_MAGIC):
                return False
            file.seek(-len(MCAP0_MAGIC), 2)
            return file.read() == MCAP0_MAGIC
    except OSError:
        return False

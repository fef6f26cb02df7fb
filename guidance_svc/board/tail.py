"""Follows a recording while it is written: whole records only, then those of the part that comes after it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, suppress
from io import BytesIO
from pathlib import Path
from typing import IO, Final

from mcap.opcode import Opcode
from mcap.records import Header
from mcap.writer import MCAP0_MAGIC

from guidance_svc.errors import RecordingError
from guidance_svc.storage.framing import (
    PROFILE,
    RECORD_HEAD,
    RECORD_LIMIT_BYTES,
    SUFFIX,
    Cut,
    Damaged,
    Record,
    Unpacking,
    all_records,
    head_of,
)

READ_BYTES: Final = 1 << 20
_KNOWN: Final = frozenset(int(code) for code in Opcode)


class Tail:
    """One pass over a recording that may still grow.

    Args:
        path: of the file; it must be there.
        follow: go on to the part of the folder whose `after` names this one, when this one has its end.

    `ended` tells whether all that there is has been given and the file has its end. `damage` says in words why
    nothing more comes, "" where nothing is wrong; a record that is not whole yet is no damage.

    Raises:
        RecordingError: the file cannot be opened.
    """

    def __init__(self, path: Path, follow: bool = True) -> None:
        self.path = path
        self.damage = ""
        self.ended = False
        self._follow = follow
        self._seen_names: frozenset[str] = frozenset()
        self._open(path)

    def poll(self) -> Iterator[Record]:
        """Every record that has become whole since the last time.

        Raises:
            RecordingError: the file is no recording of this service.
        """
        while not self.damage:
            if self.ended and not self._next_part():
                return
            more = self._file.read(READ_BYTES)
            if not more:
                return
            self._rest += more
            yield from self._whole()

    def close(self) -> None:
        """Let the file go."""
        self._file.close()

    @property
    def waiting(self) -> bool:
        """Whether a record has begun that is not whole: at the end of a past recording, that it is cut."""
        return bool(self._rest) or not self._magic_seen

    def _open(self, path: Path) -> None:
        try:
            self._file: IO[bytes] = path.open("rb", buffering=0)
        except OSError as error:
            raise RecordingError(
                "cannot_read", "", "a readable file", error.strerror or str(error), str(path)
            ) from None
        self.path, self.ended = path, False
        self._rest = b""
        self._at = 0
        self._magic_seen = False
        self._unpacking = Unpacking()

    def _whole(self) -> Iterator[Record]:
        """The whole records of what has been read; what is left stays for the next time."""
        data, offset = self._rest, 0
        self._rest = b""
        if not self._magic_seen:
            if len(data) < len(MCAP0_MAGIC) and MCAP0_MAGIC.startswith(data):
                self._rest = data
                return
            if not data.startswith(MCAP0_MAGIC):
                got = f"a file beginning {data[: len(MCAP0_MAGIC)]!r}"
                raise RecordingError("foreign_recording", "", "an MCAP file", got, str(self.path))
            self._magic_seen, offset = True, len(MCAP0_MAGIC)
        size = len(data)
        while not self.ended and size - offset >= RECORD_HEAD.size:
            opcode, length = RECORD_HEAD.unpack_from(data, offset)
            if opcode not in _KNOWN or length > RECORD_LIMIT_BYTES:
                if any(data[offset:]):  # zeros are what a power failure leaves of unwritten blocks
                    self.damage = f"damaged at byte {self._at + offset}"
                return
            begin = offset + RECORD_HEAD.size
            if size < begin + length:
                break
            record = Record(opcode, data[begin : begin + length], self._at + offset)
            offset = begin + length
            yield from self._records_in(record, data[begin - RECORD_HEAD.size : offset])
        self._at += offset
        self._rest = b"" if self.ended else data[offset:]

    def _records_in(self, record: Record, as_written: bytes) -> Iterator[Record]:
        """The record; for a chunk those in it; the header is checked."""
        if record.opcode == Opcode.FOOTER:
            self.ended = True
        elif record.opcode == Opcode.HEADER and record.parse(Header).profile != PROFILE:
            got = f"profile {record.parse(Header).profile!r}"
            raise RecordingError("foreign_recording", "", "a recording of this service", got, str(self.path))
        elif record.opcode == Opcode.CHUNK:
            try:
                with suppress(Cut):  # this "file" of one chunk has no footer
                    yield from all_records(BytesIO(MCAP0_MAGIC + as_written), self._unpacking)
            except Damaged as damage:
                self.damage = f"damaged at byte {record.at}: {damage}"
            return
        yield record

    def _next_part(self) -> bool:
        """Whether there is a part after this one; then it is open."""
        if not self._follow:
            return False
        with suppress(OSError):
            names = frozenset(path.name for path in self.path.parent.glob(f"*{SUFFIX}"))
            new, self._seen_names = names - self._seen_names, names
            for name in sorted(new):
                other = self.path.parent / name
                head = head_of(other)
                if head.about.get("after") == self.path.name:
                    self._file.close()
                    self._seen_names = frozenset()
                    self._open(other)
                    return True
                if not head.ours:  # its first bytes may not be there yet
                    self._seen_names -= {name}
        return False


def check_beginning(path: Path) -> None:
    """See that a past recording is one.

    Raises:
        RecordingError: the file cannot be opened, is empty or no recording of this service.
    """
    with closing(Tail(path, follow=False)) as tail:
        if next(tail.poll(), None) is None and not path.stat().st_size:
            raise RecordingError("empty_recording", "", "a recording of this service", "an empty file", str(path))

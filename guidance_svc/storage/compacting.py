"""Finishes recordings: rewrites a plain one, whole or cut short, in compressed chunks with an index.

Run as a process of its own, at low priority, by a service that has better things to do:

    python -m guidance_svc.storage.compacting FILE_OR_FOLDER...

The plain file goes only when the new one is complete and has been read back. A file that a service still writes is
locked by it and left alone.
"""

from __future__ import annotations

import os
import struct
import sys
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import IO, Final

from mcap.opcode import Opcode
from mcap.records import Channel, Header, Metadata, Schema
from mcap.writer import CompressionType, Writer

from guidance_svc.errors import RecordingError
from guidance_svc.storage.framing import (
    MESSAGE_HEAD,
    PROFILE,
    SUFFIX,
    Cut,
    Damaged,
    Record,
    all_records,
    head_of,
    is_finished,
)
from guidance_svc.systems import OPEN_FILES_STAY, is_in_use, is_still, lock_now, lower_priority, replace

NICENESS: Final = 15  # of 19: guidance and the simulator come first
BUFFER_BYTES: Final = 1 << 20
TRIES: Final = 20  # while others read the file, where that keeps it from being replaced
TRY_AGAIN_S: Final = 0.5


def compact(path: Path) -> bool:
    """Rewrite one recording in place and in one step; of a cut one all whole records.

    Returns:
        Whether it was rewritten; not when a service writes it, or when there is nothing to do.

    Raises:
        RecordingError: foreign, damaged, or changed by the rewriting; the file is as it was.
        OSError: the folder takes no second file; the file is as it was.
    """
    new = path.with_name(f".{path.name}.compacting")
    with path.open("rb", buffering=BUFFER_BYTES) as source:
        if not lock_now(source.fileno()) or not _is_still(path, source) or not needs_compacting(path):
            return False
        try:
            with new.open("wb", buffering=BUFFER_BYTES) as target:
                os.chmod(new, os.fstat(source.fileno()).st_mode & 0o777)
                written = _copy(path, source, target)
                target.flush()
                os.fsync(target.fileno())
            found = _count_messages(new)
            if found != written:
                raise RecordingError("changed_by_compacting", "", f"{written} messages", found, str(path))
            stat = os.fstat(source.fileno())
            os.utime(new, ns=(stat.st_atime_ns, stat.st_mtime_ns))
            if OPEN_FILES_STAY:  # the lock goes too; whoever takes the file now keeps it from being replaced
                source.close()
            replace(new, path)
        finally:
            with suppress(PermissionError):  # in use: another process has begun the same
                new.unlink(missing_ok=True)
    return True


def needs_compacting(path: Path) -> bool:
    """Whether a recording is ours and is plain or has no end."""
    head = head_of(path)
    return head.ours and (head.plain or not is_finished(path))


def unfinished_files(folder: Path) -> list[Path]:
    """The recordings of a folder that need it, oldest first by name."""
    return [path for path in sorted(folder.glob(f"*{SUFFIX}")) if path.is_file() and needs_compacting(path)]


def _is_still(path: Path, file: IO[bytes]) -> bool:
    """Whether the path still leads to the file that was opened and locked."""
    return is_still(path, file.fileno())


def _copy(path: Path, source: IO[bytes], target: IO[bytes]) -> int:
    """Every whole record; the number of messages."""
    copier = _Copier(Writer(target, compression=CompressionType.ZSTD))
    try:
        for record in all_records(source):
            copier.take(record)
    except Cut:
        pass
    except (Damaged, KeyError, struct.error) as damage:
        raise RecordingError("damaged_recording", "", "whole MCAP records", damage, str(path)) from None
    return copier.finish(path)


class _Copier:
    """Puts records into a writer."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._schemas: dict[int, int] = {0: 0}
        self._channels: dict[int, int] = {}
        self._messages = 0
        self._data_ended = False
        self._started = False

    def take(self, record: Record) -> None:
        if self._data_ended or record.opcode == Opcode.DATA_END:  # a summary follows, which the writer makes anew
            self._data_ended = True
        elif record.opcode == Opcode.MESSAGE:
            channel, sequence, log_time, publish_time = MESSAGE_HEAD.unpack_from(record.content)
            data = record.content[MESSAGE_HEAD.size :]
            self._writer.add_message(self._channels[channel], log_time, data, publish_time, sequence)
            self._messages += 1
        elif record.opcode == Opcode.HEADER:
            header = record.parse(Header)
            self._writer.start(header.profile, header.library)
            self._started = True
        elif record.opcode == Opcode.METADATA:
            metadata = record.parse(Metadata)
            self._writer.add_metadata(metadata.name, metadata.metadata)
        elif record.opcode == Opcode.SCHEMA:
            schema = record.parse(Schema)
            if schema.id not in self._schemas:
                self._schemas[schema.id] = self._writer.register_schema(schema.name, schema.encoding, schema.data)
        elif record.opcode == Opcode.CHANNEL:
            self._channel(record.parse(Channel))

    def _channel(self, channel: Channel) -> None:
        if channel.id not in self._channels:
            schema = self._schemas[channel.schema_id]
            self._channels[channel.id] = self._writer.register_channel(
                channel.topic, channel.message_encoding, schema, channel.metadata
            )

    def finish(self, path: Path) -> int:
        if not self._started:
            raise RecordingError("empty_recording", "", f"a recording of profile {PROFILE}", "nothing", str(path))
        self._writer.finish()  # type: ignore[no-untyped-call]
        return self._messages


def _count_messages(path: Path) -> int:
    """Messages of a finished file, every chunk unpacked and checked; -1 where it is not whole."""
    try:
        with path.open("rb", buffering=BUFFER_BYTES) as file:
            return sum(record.opcode == Opcode.MESSAGE for record in all_records(file))
    except (Cut, Damaged):
        return -1


def main(names: Iterable[str]) -> int:
    """Compact every file, and what needs it of every folder; the number that failed."""
    lower_priority(NICENESS)
    failed = 0
    for path in map(Path, names):
        for file in unfinished_files(path) if path.is_dir() else [path]:
            try:
                _patiently(file)
            except (OSError, RecordingError, KeyError) as error:
                print(f"{file} stays as it is: {error}", file=sys.stderr)
                failed += 1
    return failed


def _patiently(path: Path) -> None:
    """Compact a file; where readers keep it from being replaced, again once they may have gone on."""
    for left in reversed(range(TRIES)):
        try:
            compact(path)
            return
        except OSError as error:
            if not left or not is_in_use(error):
                raise
            time.sleep(TRY_AGAIN_S)


if __name__ == "__main__":
    sys.exit(min(main(sys.argv[1:]), 100))

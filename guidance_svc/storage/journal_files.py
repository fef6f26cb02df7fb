"""The bytes of a journal's files: what they look like, and how damage to them is found. No folder is touched here.

    NAME.FLIGHT.GENERATION.head     what the session was opened with, whole under a SHA-256
    NAME.FLIGHT.GENERATION.states   its states (session.history), each with a CRC-32
    NAME.FLIGHT.GENERATION.marks    the session at intervals, each with a CRC-32 over its fields and one over the rest

FLIGHT counts the sessions that a vehicle had, GENERATION the sets of files that one session had. A set never changes
its head but to lower what it promises, so a whole head and the files of the same name say what the session was.
"""

from __future__ import annotations

import json
import re
from base64 import b64decode, b64encode
from dataclasses import dataclass
from hashlib import sha256
from struct import Struct
from typing import Final, NamedTuple
from zlib import crc32

from guidance_svc import __version__
from guidance_svc.session.history import History, whole_frames
from guidance_svc.session.marks import Mark
from guidance_svc.session.registry import session_shape

FORMAT: Final = 2
MAGIC: Final = b"guidance-svc session "
MARK_START: Final = b"mark"
MARK_FRAME: Final = Struct("<4sIIdQII")  # start, length and CRC-32 of the point, time, place, branch; CRC-32 of these
NAME: Final = re.compile(r"(?P<stem>.+-[0-9a-f]{12})\.(?P<flight>\d{1,9})\.(?P<generation>\d{1,9})"
                         r"\.(?P<kind>head|head-new|states|marks)")  # fmt: skip
OLD_NAME: Final = re.compile(r"(?P<stem>.+-[0-9a-f]{12})\.(?:head|head-new|\d+\.states|\d+\.marks)")

Branched = list[tuple[Mark, int]]


class Damage(Exception):
    """A session cannot be taken up from these files; says why."""


class FileName(NamedTuple):
    """What the name of a journal's file says; sorted as it is: later flights and generations are higher."""

    stem: str
    flight: int
    generation: int
    kind: str


@dataclass(frozen=True, slots=True)
class Head:
    """What a set of files says of itself.

    Args:
        digest: SHA-256 of the token, hexadecimal.
        base: place of the first byte of the states' file.
        promised: bytes of states that the set was begun with and that no going back has undone since.
        request: the packed `OpenRequest`.
    """

    vehicle: str
    digest: str
    flight: int
    generation: int
    base: int
    promised: int
    request: bytes


class MarksRead(NamedTuple):
    """The whole marks of a file, the place in it after each, their branches, and whether there was anything else."""

    marks: list[Mark]
    ends: list[int]
    branches: list[int]
    damaged: bool


class Salvaged(NamedTuple):
    """What is whole of a set: a history takes it up as it is."""

    base: int
    states: bytes
    marks: list[Mark]
    damaged: bool


def stem_of(vehicle: str) -> str:
    """A file name for a vehicle, its own also where names differ in case alone or are special to the system."""
    return f"{vehicle.replace('.', '_')}-{sha256(vehicle.encode()).hexdigest()[:12]}"


def name_of(text: str) -> FileName | None:
    """What a file's name says; None for one that is not of this format."""
    found = NAME.fullmatch(text)
    return FileName(found["stem"], int(found["flight"]), int(found["generation"]), found["kind"]) if found else None


def head_bytes(head: Head) -> bytes:
    """The file of a head."""
    table = {
        "version": __version__,
        "shape": session_shape(),
        "vehicle": head.vehicle,
        "token_sha256": head.digest,
        "flight": head.flight,
        "generation": head.generation,
        "base": head.base,
        "promised": head.promised,
        "request": b64encode(head.request).decode(),
    }
    body = json.dumps(table, indent=1).encode()
    return b"%s%d sha256 %s\n%s" % (MAGIC, FORMAT, sha256(body).hexdigest().encode(), body)


def read_head(data: bytes, name: FileName) -> Head:
    """A head from its file.

    Raises:
        Damage: it is not whole, not that of its name, or another version's.
    """
    first, _, body = data.partition(b"\n")
    expected = b"%s%d sha256 %s" % (MAGIC, FORMAT, sha256(body).hexdigest().encode())
    if first != expected:
        raise Damage("its head is damaged, or of another version")
    table = json.loads(body)
    if table["shape"] != session_shape():
        raise Damage(f"written by version {table['version']}, whose sessions this one cannot read")
    head = Head(table["vehicle"], table["token_sha256"], table["flight"], table["generation"], table["base"],
                table["promised"], b64decode(table["request"]))  # fmt: skip
    if (stem_of(head.vehicle), head.flight, head.generation) != name[:3]:
        raise Damage("its head has the name of another")
    return head


def seed_of(stem: str, flight: int, generation: int) -> int:
    """What the checksums of marks begin with: those of another set do not fit."""
    return crc32(f"{stem}.{flight}.{generation}".encode())


def frame_mark(mark: Mark, seed: int, branch: int) -> bytes:
    """A mark as it stands in its file.

    Args:
        branch: of the history when it is written (`History.branch`).
    """
    fields = MARK_FRAME.pack(MARK_START, len(mark.point), crc32(mark.point), mark.time_s, mark.at, branch, 0)[:-4]
    return fields + crc32(fields, seed).to_bytes(4, "little") + mark.point


def marks_of(data: bytes, seed: int) -> MarksRead:
    """The whole marks of a file. A damaged one is left out, and so is one that stands before the one ahead of it."""
    read = MarksRead([], [], [], False)
    here, damaged = 0, False
    while here + MARK_FRAME.size <= len(data):
        start, length, check, time_s, at, branch, of_fields = MARK_FRAME.unpack_from(data, here)
        point = here + MARK_FRAME.size
        if start != MARK_START or crc32(data[here : point - 4], seed) != of_fields:
            damaged, found = True, data.find(MARK_START, here + 1)
            here = len(data) if found < 0 else found
            continue
        here = point + length
        if here > len(data) or crc32(data[point:here]) != check or (read.marks and at < read.marks[-1].at):
            damaged = True
            continue
        read.marks.append(Mark(time_s, at, data[point:here]))
        read.ends.append(here)
        read.branches.append(branch)
    return read._replace(damaged=damaged or here != len(data))


def salvage_set(head: Head, states: bytes | None, marks: bytes) -> Salvaged:
    """What is whole of a set of files: from the last damaged place on, the marks before it, and the states from it.

    Args:
        states: None where there is no such file.

    Raises:
        Damage: nothing is.
    """
    read = marks_of(marks, seed_of(stem_of(head.vehicle), head.flight, head.generation))
    data, found = states or b"", list(zip(read.marks, read.branches, strict=True))
    file_end = head.base + len(data)
    from_nothing = head.base == 0 or any(mark.at == head.base for mark in read.marks)
    begin = head.base if from_nothing else _next_place(found, head.base)
    damaged = read.damaged or states is None or begin != head.base
    while begin is not None:
        end, found = _walk_states(data, head.base, begin, found)
        after = _next_place(found, end) if end < file_end or (found and found[-1][0].at > end) else None
        damaged = damaged or end != file_end
        if after is None:
            break
        begin = after
    if begin is None or (damaged and end == 0 and not found):
        raise Damage("nothing whole is left of it")
    kept = [mark for mark, _ in found if mark.at <= end]
    damaged = damaged or len(found) < len(read.marks)
    return Salvaged(begin, data[begin - head.base : end - head.base], kept, damaged)


def _next_place(found: Branched, after: int) -> int | None:
    """Of the first mark past a place."""
    return next((mark.at for mark, _ in found if mark.at > after), None)


def _walk_states(data: bytes, base: int, begin: int, found: Branched) -> tuple[int, Branched]:
    """The place after the last whole state from a place on, and the marks without those that an undone branch left.

    A mark of a lower branch than a state before it was undone: a loss of power may keep it beside the new states.
    """
    places, highest, branch, end = {mark.at for mark, _ in found}, dict[int, int](), 0, begin
    for at, _, branch in whole_frames(data, begin - base):
        end = base + at
        if end in places:
            highest[end] = branch
    highest.update((place, branch) for place in places if place > end)
    return end, [(mark, own) for mark, own in found if own >= highest.get(mark.at, 0)]


def history_of(kept: Salvaged, limit_bytes: int) -> History:
    """A history that is what was salvaged."""
    history = History(limit_bytes)
    history.take_up(kept.base, kept.states, kept.marks)
    return history

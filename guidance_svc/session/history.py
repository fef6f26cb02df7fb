"""What one session was, so that it can go back in time or come back after a kill: kept packed, and bounded.

A stream of the states as they came, and marks along it: the session as it was after all states before the mark.
The session at any earlier time is the last mark before that time, and the states between flown again: exact, for
replies depend on nothing else. 150 bytes a state, 5 kB a mark.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import takewhile
from struct import Struct
from typing import NamedTuple
from zlib import crc32

from guidance_svc.domain import VehicleState
from guidance_svc.session.packing import pack, unpack

FRAME = Struct("<III")  # before each state: its length, its branch, and the CRC-32 of both and of the state
MASK = 0xFFFFFFFF
DROPPED_FRAC = 0.25  # of the limit, oldest states first, when the stream has reached it
BARE_GAP_S = 10.0  # least time between marks whose states are gone
MOST_BARE = 400  # 2 MB; beyond it every second one goes


class Mark(NamedTuple):
    """The session at one place of the stream.

    Args:
        time_s: vehicle time of the last state before it.
        at: place in the stream, bytes since the first state ever.
        point: the packed session.
    """

    time_s: float
    at: int
    point: bytes


class Kept(NamedTuple):
    """A state of the stream and the place right after it."""

    state: VehicleState
    end: int


class Place(NamedTuple):
    """Where to go back to: the mark, if any, and the states after it; `at` is the end of them."""

    mark: Mark | None
    states: tuple[VehicleState, ...]
    at: int


@dataclass(frozen=True, slots=True)
class Unsaved:
    """What a file that mirrors the history lacks.

    Args:
        whole: the file is to be written anew: `states` and `marks` are all there is.
        base: place of the first byte that the file holds.
        cut_at, cut_marks: the file is right up to here; what it has beyond was undone.
    """

    whole: bool
    base: int
    cut_at: int
    states: bytes
    cut_marks: int
    marks: tuple[Mark, ...]


class History:
    """States and marks of one session.

    Args:
        limit_bytes: of the stream; beyond it the oldest quarter of the states goes, and the marks alone are left of it.

    `branch` rises with each going back in time. Along a stream it never falls: what a file still shows of an undone
    branch behind a new one, because the system wrote the one and not yet the cut before it, is told from it by that.
    """

    def __init__(self, limit_bytes: int) -> None:
        self.limit_bytes = limit_bytes
        self.base = 0
        self.branch = 1
        self.stream = bytearray()
        self.marks: list[Mark] = []
        self._saved_at = 0
        self._saved_marks = 0
        self._whole = True
        self._cut = False

    @property
    def end(self) -> int:
        """Place after the last state."""
        return self.base + len(self.stream)

    def add(self, state: VehicleState) -> None:
        """The next state."""
        self.stream += framed(pack(state), self.branch)
        if len(self.stream) > self.limit_bytes:
            self.drop_oldest()

    def mark(self, time_s: float, point: bytes) -> None:
        """Keep the session as it is after the last state."""
        self.marks.append(Mark(time_s, self.end, point))

    def before(self, time_s: float) -> Place:
        """The last mark before that time and the states between; neither, when the session begins anew there.

        Where the states are gone, the mark alone: the session of some ten seconds earlier.
        """
        index = bisect_left(self.marks, time_s, key=lambda mark: mark.time_s) - 1
        mark = self.marks[index] if index >= 0 else None
        start = mark.at if mark else 0
        after = self.states_from(start) if start >= self.base else iter(())
        kept = list(takewhile(lambda one: one.state.time_s < time_s, after))
        return Place(mark, tuple(one.state for one in kept), kept[-1].end if kept else start)

    def states_from(self, at: int) -> Iterator[Kept]:
        """The whole states from a place on, up to the first damaged one."""
        for end, data, _ in whole_frames(self.stream, at - self.base):
            yield Kept(unpack(VehicleState, data), self.base + end)

    def cut(self, at: int) -> None:
        """Forget what came after a place."""
        while self.marks and self.marks[-1].at > at:
            self.marks.pop()
        if at < self.base:
            self.base, self._whole = at, True
            self.stream.clear()
        del self.stream[at - self.base :]
        self._cut = True
        self.branch += 1
        self._saved_at = min(self._saved_at, at)
        self._saved_marks = min(self._saved_marks, len(self.marks))

    def drop_oldest(self) -> None:
        """Make room: the oldest states go, up to a mark; marks without states are thinned."""
        least = self.base + DROPPED_FRAC * self.limit_bytes
        first = next((mark for mark in self.marks if mark.at >= least), None)
        if first is None:
            return
        del self.stream[: first.at - self.base]
        self.base, self._whole = first.at, True
        bare = [mark for mark in self.marks if mark.at < self.base]
        gap_s = BARE_GAP_S
        while len(kept := thinned(bare, gap_s)) > MOST_BARE:
            gap_s *= 2.0
        self.marks = kept + self.marks[len(bare) :]

    def take_unsaved(self) -> Unsaved | None:
        """What a mirror lacks since the last call; None when it lacks nothing."""
        if self._whole:
            unsaved = Unsaved(True, self.base, self.base, bytes(self.stream), 0, tuple(self.marks))
        elif not self._cut and self._saved_at == self.end and self._saved_marks == len(self.marks):
            return None
        else:
            fresh = bytes(memoryview(self.stream)[self._saved_at - self.base :])
            marks = tuple(self.marks[self._saved_marks :])
            unsaved = Unsaved(False, self.base, self._saved_at, fresh, self._saved_marks, marks)
        self._whole, self._cut = False, False
        self._saved_at, self._saved_marks = self.end, len(self.marks)
        return unsaved

    def save_anew(self) -> None:
        """The mirror may be in any state: give it everything the next time."""
        self._whole = True

    def take_up(self, base: int, stream: bytes, marks: list[Mark]) -> None:
        """Become what a mirror holds; marks beyond its states are left out."""
        self.base, self.stream = base, bytearray(stream)
        self.branch = last_branch(self.stream) + 1
        self.marks = [mark for mark in marks if mark.at <= self.end]
        self._whole, self._cut = False, True
        self._saved_at, self._saved_marks = self.end, len(self.marks)

    def tail(self) -> tuple[int, bytes, tuple[Mark, ...]]:
        """The least that `take_up` needs to be the session as it is now: the last mark and the states after it."""
        last = self.marks[-1:]
        start = last[0].at if last else self.base
        return start, bytes(self.stream[start - self.base :]), tuple(last)


def framed(data: bytes, branch: int) -> bytes:
    """A packed state as it stands in the stream."""
    length = len(data)
    return FRAME.pack(length, branch, crc32(data, length ^ branch << 8 & MASK)) + data


def whole_frames(stream: bytes | bytearray, at: int = 0) -> Iterator[tuple[int, bytes, int]]:
    """The packed states of a stream up to the first damaged or undone one, each between its end and its branch."""
    least = 1  # zeros, as a file system shows for what it never wrote, are no frame
    while at + FRAME.size <= len(stream):
        length, branch, check = FRAME.unpack_from(stream, at)
        at += FRAME.size
        data = bytes(stream[at : at + length])
        if branch < least or len(data) < length or crc32(data, length ^ branch << 8 & MASK) != check:
            return
        least, at = branch, at + length
        yield at, data, branch


def last_branch(stream: bytes | bytearray) -> int:
    """The branch of the last frame of a stream that is whole; 0 without any."""
    at = branch = 0
    while at + FRAME.size <= len(stream):
        length, branch, _ = FRAME.unpack_from(stream, at)
        at += FRAME.size + length
    return int(branch)


def thinned(marks: list[Mark], gap_s: float) -> list[Mark]:
    """The first mark, and of the others those that keep the gap."""
    kept: list[Mark] = []
    for mark in marks:
        if not kept or mark.time_s - kept[-1].time_s >= gap_s:
            kept.append(mark)
    return kept

"""What one session was, so that it can go back in time or come back after a kill: kept packed, and bounded.

A stream of the states as they came, and marks along it: the session as it was after all states before the mark.
The session at any earlier time is the last mark before that time, and the states between flown again: exact, for
replies depend on nothing else. 150 bytes a state, 5 kB a mark. Where a journal has the older part too, memory can
let go of it (`shed`): it is read back when a reload goes that far.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from struct import Struct
from typing import NamedTuple, Protocol
from zlib import crc32

from guidance_svc.domain import VehicleState
from guidance_svc.session.marks import Mark, Marks, thinned
from guidance_svc.session.packing import pack, unpack

FRAME = Struct("<III")  # before each state: its length, its branch, and the CRC-32 of both and of the state
MASK = 0xFFFFFFFF
DROPPED_FRAC = 0.25  # of what there is, oldest first, when it has to be made less
BARE_GAP_S = 10.0  # least time between marks whose states are gone
MOST_BARE = 400  # 2 MB; beyond it every second one goes
BARE_FRAC = 0.5  # of the memory that a history without a journal may keep, for marks whose states are gone
OBJECT_BYTES = 1500  # the history itself, and its mirror in the journal


class Older(Protocol):
    """Reads back what a journal holds of a history; places are those of the stream.

    Raises:
        OSError, ValueError: it cannot be read, or is damaged.
    """

    def states(self, start: int, end: int) -> bytes:
        """The stream between two places."""

    def point(self, at: int) -> bytes:
        """The packed session of the mark at a place."""


class Kept(NamedTuple):
    """A state of the stream and the place right after it."""

    state: VehicleState
    end: int


class Place(NamedTuple):
    """Where to go back to: the mark, if any, and the states after it.

    Args:
        at: the end of the states.
        damaged: what a journal keeps cannot be read any further, so this is earlier than it should be.
    """

    mark: Mark | None
    states: tuple[VehicleState, ...]
    at: int
    damaged: bool = False


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
        limit_bytes: of the stream, memory and journal together; beyond it the oldest quarter of the states goes, and
            the marks alone are left of it.

    `first` is the place of the oldest state that is kept, `base` that of the oldest in memory; what is between them
    `older` reads, which is None where no journal keeps the history.

    `branch` rises with each going back in time. Along a stream it never falls: what a file still shows of an undone
    branch behind a new one, because the system wrote the one and not yet the cut before it, is told from it by that.
    """

    def __init__(self, limit_bytes: int) -> None:
        self.limit_bytes = limit_bytes
        self.first = 0
        self.base = 0
        self.branch = 1
        self.stream = bytearray()
        self.marks = Marks()
        self.older: Older | None = None
        self._loose = False
        self._saved_at = 0
        self._saved_marks = 0
        self._sure = (0, 0)
        self._whole = True
        self._cut = False

    @property
    def end(self) -> int:
        """Place after the last state."""
        return self.base + len(self.stream)

    @property
    def held_bytes(self) -> int:
        """What it takes of the memory."""
        return self.stream.__alloc__() + self.marks.held_bytes + OBJECT_BYTES

    @property
    def ends_loose(self) -> bool:
        """Whether the last mark is one that the next one replaces."""
        return self._loose

    def add(self, state: VehicleState) -> None:
        """Append the next state, packed."""
        self.stream += frame_state(pack(state), self.branch)
        if self.base + len(self.stream) - self.first > self.limit_bytes:
            self.drop_oldest()

    def mark(self, time_s: float, point: bytes, loose: bool = False) -> None:
        """Keep the session as it is after the last state.

        Args:
            loose: only for going back to this place soon; the next mark takes its place. So a clock that goes back
                every now and then costs one mark, not one each time.
        """
        places = self.marks.places
        if places and places[-1] == self.end:  # the same states, so the same session
            self.marks.hold_last(point)
            self._loose = self._loose and loose
            return
        if self._loose and places[-1] > self.first:
            self.marks.pop()
            self._saved_marks = min(self._saved_marks, len(self.marks))
        self.marks.append(Mark(time_s, self.end, point))
        self._loose = loose

    def before(self, time_s: float) -> Place:
        """The last mark before that time and the states between; neither, when the session begins anew there.

        Where the states are gone, the mark alone: the session of some ten seconds earlier. Where what a journal keeps
        of them is damaged, an earlier place that is whole.
        """
        index = self.marks.before(time_s)
        until = self.marks.places[index + 1] if index + 1 < len(self.marks) else self.end
        mark = next((mark for k in range(index, -1, -1) if (mark := self.whole_mark(k))), None)
        start = mark.at if mark else 0
        states: list[VehicleState] = []
        at = seen = start
        for one in self.states_from(start, until) if start >= self.first else ():
            seen = one.end
            if one.state.time_s >= time_s:
                seen = until
                break
            states.append(one.state)
            at = one.end
        gone = start < self.first and index >= 0 and start < self.marks.places[index]
        return Place(mark, tuple(states), at, gone or self.first <= start <= seen < until)

    def whole_mark(self, index: int) -> Mark | None:
        """A mark with its packed session, read back if need be; None where that is lost."""
        mark = self.marks[index]
        if mark.point:
            return mark
        try:
            return mark._replace(point=self.older.point(mark.at)) if self.older else None
        except (OSError, ValueError):
            return None

    def bytes_between(self, start: int, end: int) -> bytes:
        """The stream between two places, read back if need be; empty where it cannot be read."""
        held = bytes(memoryview(self.stream)[max(start - self.base, 0) : max(end - self.base, 0)])
        if start >= self.base:
            return held
        try:
            return self.older.states(start, min(end, self.base)) + held if self.older else b""
        except (OSError, ValueError):
            return b""

    def states_from(self, at: int, end: int | None = None) -> Iterator[Kept]:
        """The whole states from a place to another, the end if none is given, or up to the first damaged one."""
        data = self.bytes_between(at, self.end if end is None else end)
        for here, state, _ in whole_frames(data):
            yield Kept(unpack(VehicleState, state), at + here)

    def cut(self, at: int) -> None:
        """Forget what came after a place."""
        while self.marks and self.marks.places[-1] > at:
            self.marks.pop()
            self._loose = False
        if at < self.base:
            self.base = at
            self.stream.clear()
        if at < self.first:
            self.first, self._whole = at, True
        del self.stream[at - self.base :]
        self._cut = True
        self.branch += 1
        self._saved_at = min(self._saved_at, at)
        self._saved_marks = min(self._saved_marks, len(self.marks))
        self._sure = (min(self._sure[0], at), min(self._sure[1], len(self.marks)))

    def drop_oldest(self) -> None:
        """Keep to the limit: the oldest states go, up to a mark; marks without states are thinned."""
        index = self.marks.at_or_after(self.first + DROPPED_FRAC * self.limit_bytes)
        if index < len(self.marks):
            self.forget_before(index, MOST_BARE)

    def shed(self) -> int:
        """Make room in memory: the oldest quarter of what is there; what the journal has can be read back.

        The last mark and the states after it stay. Returns how many bytes were given back; 0 where none can be.
        """
        held_bytes = self.held_bytes
        least = self.base + max(DROPPED_FRAC * len(self.stream), 1.0)
        index = min(self.marks.at_or_after(least), len(self.marks) - 1)
        if index < 0:
            return 0
        at = self.marks.places[index]
        if self.older is not None and at <= self._saved_at and index <= self._saved_marks:
            self.let_go_before(at)
            self.marks.leave(index)
        else:
            point_bytes = max(self.marks.point_bytes // max(len(self.marks) - self.marks.left, 1), 1)
            self.forget_before(index, min(MOST_BARE, int(BARE_FRAC * held_bytes / point_bytes)))
        return held_bytes - self.held_bytes

    def let_go_before(self, at: int) -> None:
        """Memory holds the stream from a place on."""
        if at > self.base:
            self.stream = self.stream[at - self.base :]  # a copy: `del` would keep the memory
            self.base = at

    def forget_before(self, index: int, most_bare: int) -> None:
        """The states before a mark are gone for good; of the marks before it so many stay."""
        at = self.marks.places[index]
        self.let_go_before(at)
        self._whole = self._whole or at > self.first
        self.first = max(self.first, at)
        bare = thinned(self.marks.times_s, index, BARE_GAP_S, most_bare)
        self._whole = self._whole or len(bare) < index
        self.keep_marks([*bare, *range(index, len(self.marks))])

    def keep_marks(self, indices: list[int]) -> None:
        """Keep these marks and let the others go."""
        self._saved_marks = sum(index < self._saved_marks for index in indices)
        self.marks.keep(indices)

    def take_appended(self) -> bytes:
        """The states that a mirror lacks, where it lacks nothing else; else empty, and `take_unsaved` tells all."""
        at = self._saved_at
        if self._whole or self._cut or self._saved_marks != len(self.marks.places):
            return b""
        self._sure, self._saved_at = (at, self._saved_marks), self.end
        return bytes(memoryview(self.stream)[at - self.base :])

    def take_unsaved(self) -> Unsaved | None:
        """What a mirror lacks since the last call; None when it lacks nothing."""
        if self._whole:
            unsaved = self.everything()
        elif not self._cut and self._saved_at == self.end and self._saved_marks == len(self.marks):
            return None
        else:
            fresh = bytes(memoryview(self.stream)[self._saved_at - self.base :])
            marks = tuple(self.marks[index] for index in range(self._saved_marks, len(self.marks)))
            unsaved = Unsaved(False, self.first, self._saved_at, fresh, self._saved_marks, marks)
        self._sure = (self._saved_at, self._saved_marks)
        self._whole, self._cut = False, False
        self._saved_at, self._saved_marks = self.end, len(self.marks)
        return unsaved

    def everything(self) -> Unsaved:
        """All of it for a new mirror, out of the old one where memory has let go; what is lost there is forgotten."""
        states = self.bytes_between(self.first, self.end)
        if len(states) < self.end - self.first:
            self.first, states = self.base, bytes(self.stream)
        whole = [self.whole_mark(index) for index in range(len(self.marks))]
        self.keep_marks([index for index, mark in enumerate(whole) if mark])
        return Unsaved(True, self.first, self.first, states, 0, tuple(mark for mark in whole if mark))

    def save_anew(self) -> None:
        """The mirror holds what it held before the last call, and anything after that: give it everything next time."""
        self._whole = True
        self._saved_at, self._saved_marks = self._sure

    def take_up(self, base: int, stream: bytes, marks: list[Mark]) -> None:
        """Become what a mirror holds; marks beyond its states are left out."""
        self.first, self.base, self.stream = base, base, bytearray(stream)
        self.branch = last_branch(self.stream) + 1
        self.marks = Marks(mark for mark in marks if mark.at <= self.end)
        self._whole, self._cut = False, True
        self._saved_at, self._saved_marks = self._sure = self.end, len(self.marks)

    def tail(self) -> tuple[int, bytes, tuple[Mark, ...]]:
        """The least that `take_up` needs to be the session as it is now: the last mark and the states after it."""
        last = self.whole_mark(len(self.marks) - 1) if self.marks else None
        start = last.at if last else self.base
        return start, self.bytes_between(start, self.end), (last,) if last else ()


def frame_state(data: bytes, branch: int) -> bytes:
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

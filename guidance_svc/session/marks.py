"""The marks of a history in order of time: small entries for all, the packed sessions of the newest.

The packed session of an older mark may be left to a journal; 16 bytes of it stay here.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from typing import NamedTuple

ENTRY_BYTES = 32  # time and place here, place and end in the journal's own list
OBJECT_BYTES = 41  # of Python, for each packed session: the object and the reference to it


class Mark(NamedTuple):
    """The session at one place of the stream.

    Args:
        time_s: vehicle time of the last state before it.
        at: place in the stream, bytes since the first state ever.
        point: the packed session; empty where it is left to the journal.
    """

    time_s: float
    at: int
    point: bytes


class Marks:
    """A list of marks; those before index `left` have their packed session in the journal only."""

    def __init__(self, marks: Iterable[Mark] = ()) -> None:
        self.times_s = array("d")
        self.places = array("Q")
        self.left = 0
        self.point_bytes = 0
        self._points: list[bytes] = []
        for mark in marks:
            self.append(mark)

    def __len__(self) -> int:
        return len(self.places)

    def __iter__(self) -> Iterator[Mark]:
        return (self[index] for index in range(len(self)))

    def __getitem__(self, index: int) -> Mark:
        index = range(len(self))[index]
        point = self._points[index - self.left] if index >= self.left else b""
        return Mark(self.times_s[index], self.places[index], point)

    @property
    def held_bytes(self) -> int:
        """What they take of the memory."""
        return self.point_bytes + ENTRY_BYTES * len(self.places)

    def append(self, mark: Mark) -> None:
        """One more, later than all others."""
        self.times_s.append(mark.time_s)
        self.places.append(mark.at)
        self._points.append(mark.point)
        self.point_bytes += len(mark.point) + OBJECT_BYTES

    def pop(self) -> None:
        """Take the last one away."""
        self.times_s.pop()
        self.places.pop()
        if self._points:
            self.point_bytes -= len(self._points.pop()) + OBJECT_BYTES
        else:
            self.left -= 1

    def hold_last(self, point: bytes) -> None:
        """The packed session of the last mark, which may have been left to the journal."""
        if self.left == len(self):
            self.left -= 1
            self._points.append(point)
            self.point_bytes += len(point) + OBJECT_BYTES

    def leave(self, count: int) -> None:
        """The packed sessions of the first `count` marks are the journal's from now on."""
        gone = self._points[: max(count - self.left, 0)]
        del self._points[: len(gone)]
        self.left += len(gone)
        self.point_bytes -= sum(map(len, gone)) + OBJECT_BYTES * len(gone)

    def keep(self, indices: list[int]) -> None:
        """Only these of them, in order."""
        held = [index for index in indices if index >= self.left]
        self._points = [self._points[index - self.left] for index in held]
        self.times_s = array("d", (self.times_s[index] for index in indices))
        self.places = array("Q", (self.places[index] for index in indices))
        self.left = len(indices) - len(held)
        self.point_bytes = sum(map(len, self._points)) + OBJECT_BYTES * len(held)

    def at_or_after(self, place: float) -> int:
        """Index of the first mark at a place of the stream or later; the count of marks where there is none."""
        return bisect_left(self.places, place)

    def before(self, time_s: float) -> int:
        """Index of the last mark before a vehicle time; -1 where there is none."""
        return bisect_left(self.times_s, time_s) - 1


def thin_marks(times_s: array[float], count: int, gap_s: float, most: int) -> list[int]:
    """Indices among the first `count`: the first, and those that keep a gap; the gap doubles until `most` are left."""
    while True:
        kept: list[int] = []
        for index in range(count):
            if not kept or times_s[index] - times_s[kept[-1]] >= gap_s:
                kept.append(index)
        if len(kept) <= max(most, 1):
            return kept
        gap_s *= 2.0

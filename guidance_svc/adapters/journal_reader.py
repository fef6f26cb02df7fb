"""Reads back what the journal holds of a session's history, for a reload that goes further than memory does."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from guidance_svc.session.marks import Mark

MarksOf = Callable[[bytes], tuple[list[Mark], list[int]]]


class Mirrored(Protocol):
    """What is known of a session's files: see `journal.Mirror`."""

    base: int
    mark_ends: array[int]
    mark_places: array[int]


class MirrorReader:
    """The files of one session, one pair of them; `session.history.Older`.

    Args:
        mirror: as the journal keeps it up to date.
        marks_of: reads the frames of marks, checked.
    """

    def __init__(self, mirror: Mirrored, states: Path, marks: Path, marks_of: MarksOf) -> None:
        self._mirror = mirror
        self._states = states
        self._marks = marks
        self._marks_of = marks_of

    def states(self, start: int, end: int) -> bytes:
        """The stream between two places.

        Raises:
            OSError: the file cannot be read.
            ValueError: it is shorter.
        """
        return _read(self._states, start - self._mirror.base, end - self._mirror.base)

    def point(self, at: int) -> bytes:
        """The packed session of the mark at a place.

        Raises:
            OSError: the file cannot be read.
            ValueError: it holds no such mark, or a damaged one.
        """
        places, ends = self._mirror.mark_places, self._mirror.mark_ends
        index = bisect_left(places, at)
        if index == len(places):
            raise ValueError(f"no mark at {at}")
        found, _ = self._marks_of(_read(self._marks, ends[index - 1] if index else 0, ends[index]))
        if len(found) != 1 or found[0].at != at:
            raise ValueError(f"no whole mark at {at}")
        return found[0].point


def _read(path: Path, start: int, end: int) -> bytes:
    if start < 0:
        raise ValueError(f"{path} begins later")
    with path.open("rb") as file:
        file.seek(start)
        data = file.read(end - start)
    if len(data) < end - start:
        raise ValueError(f"{path} ends at byte {start + len(data)}")
    return data

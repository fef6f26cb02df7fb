"""What a journal knows of one session's set of files, and reading back what it holds of the session's history."""

from __future__ import annotations

import logging
from array import array
from bisect import bisect_left
from dataclasses import dataclass, field, replace
from pathlib import Path
from weakref import ref

from guidance_svc.domain import OpenRequest
from guidance_svc.session.history import History
from guidance_svc.session.registry import Seat
from guidance_svc.storage.journal_files import marks_of, seed_of

_log = logging.getLogger(__name__)


@dataclass(slots=True, weakref_slot=True, eq=False)
class Mirror:
    """The files of one session.

    Args:
        request: as the head says it; None before there is a head.
        flight, generation: which set of files.
        base: place of the first byte of the states' file.
        length: of the states' file.
        promised: of it, as the head says.
        mark_ends, mark_places: length of the marks' file after each mark, and the mark's place in the stream.
        before: sets that this one replaces and that may still be there, until it is on the disk itself.
    """

    stem: str
    request: OpenRequest | None = None
    digest: str = ""
    history: History | None = None
    flight: int = 0
    generation: int = 0
    base: int = 0
    length: int = 0
    promised: int = 0
    mark_ends: array[int] = field(default_factory=lambda: array("Q"))
    mark_places: array[int] = field(default_factory=lambda: array("Q"))
    before: list[Path] = field(default_factory=list)

    def is_of(self, seat: Seat) -> bool:
        """Whether this is the seat's session, as its head says; `detail` may change, for resuming tells it anew."""
        if self.request is not seat.request and self.request is not None:
            same = replace(self.request, detail=seat.request.detail) == seat.request
            self.request = seat.request if same else self.request
        return self.history is seat.session.history and self.request is seat.request and self.digest == seat.digest

    def path(self, folder: Path, kind: str) -> Path:
        """Where one of the files is."""
        return folder / f"{self.stem}.{self.flight}.{self.generation}.{kind}"


class MirrorReader:
    """Reads the files of one session; `session.history.Older`.

    Args:
        folder: the journal's.
        mirror: as the journal keeps it up to date. It leads to the history that asks here, so it is not held: a flight
            that is over would wait for the garbage collector, and a service's collection of all takes tens of ms.
    """

    def __init__(self, folder: Path, mirror: Mirror) -> None:
        self._kept = ref(mirror)
        self._states = mirror.path(folder, "states")
        self._marks = mirror.path(folder, "marks")

    def states(self, start: int, end: int) -> bytes:
        """The stream between two places.

        Raises:
            OSError: the file cannot be read.
            ValueError: it is shorter.
        """
        base = self._mirror().base
        return _read(self._states, start - base, end - base)

    def point(self, at: int) -> bytes:
        """The packed session of the mark at a place.

        Raises:
            OSError: the file cannot be read.
            ValueError: it holds no such mark, or a damaged one.
        """
        mirror = self._mirror()
        places, ends = mirror.mark_places, mirror.mark_ends
        index = bisect_left(places, at)
        if index == len(places):
            raise ValueError(f"no mark at {at}")
        data = _read(self._marks, ends[index - 1] if index else 0, ends[index])
        found = marks_of(data, seed_of(mirror.stem, mirror.flight, mirror.generation)).marks
        if len(found) != 1 or found[0].at != at:
            _log.warning("%s is damaged: a reload cannot be exact there", self._marks)
            raise ValueError(f"no whole mark at {at}")
        return found[0].point

    def _mirror(self) -> Mirror:
        mirror = self._kept()
        if mirror is None:
            raise ValueError(f"{self._states} is no longer kept")
        return mirror


def _read(path: Path, start: int, end: int) -> bytes:
    """A piece of a file.

    Raises:
        OSError: it cannot be read.
        ValueError: it has no such piece.
    """
    if start < 0:
        raise ValueError(f"{path} begins later")
    try:
        with path.open("rb") as file:
            file.seek(start)
            data = file.read(end - start)
    except OSError as error:
        _log.warning("%s cannot be read back, a reload cannot be exact there: %s", path, error.strerror or error)
        raise
    if len(data) < end - start:
        _log.warning("%s is cut off: a reload cannot be exact there", path)
        raise ValueError(f"{path} ends at byte {start + len(data)}")
    return data

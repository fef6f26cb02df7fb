"""Keeps every session on disk as it flies, so that it comes back after the service was stopped or killed.

Not taken from the recording: that holds no tokens, may be switched off, and says what was said, not what guidance
had come to think; flying an hour of it again takes longer than a burn can wait. A session here is three files:

    NAME.head          JSON: vehicle, SHA-256 of its token, what it was opened with, which pair of files is meant
    NAME.GEN.states    its states, each with length and CRC-32 (session.history)
    NAME.GEN.marks     the session itself at intervals; back to it in time, or up to now: fly the states after one

A file in the folder `forget` asks that a session be given up (`forgetting.py`): who may write there may do that.
The others are written at the end of every batch before its replies go out, states first, so that every answered state
is there after a kill of the process. A loss of power may cost what the operating system had not written yet.
"""

from __future__ import annotations

import json
import logging
import os
import re
from array import array
from base64 import b64decode, b64encode
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from struct import Struct
from typing import Final, Protocol
from zlib import crc32

from guidance_svc import __version__
from guidance_svc.adapters.folder_lock import lock_folder
from guidance_svc.adapters.journal_reader import MirrorReader
from guidance_svc.domain import OpenRequest
from guidance_svc.errors import ConfigError, SessionFault
from guidance_svc.session.history import History, Unsaved
from guidance_svc.session.marks import Mark
from guidance_svc.session.packing import pack
from guidance_svc.session.registry import SHAPE, Registry, Seat

FORMAT: Final = 1
MARK_FRAME: Final = Struct("<IIdQ")  # before each mark: length and CRC-32 of its point, vehicle time, place
OPEN_FILES: Final = 128  # of states; the others are opened again when they are written to
TRY_AGAIN_S: Final = 10.0  # after a failed write
ASKED_EVERY_S: Final = 1.0  # how often the folder `forget` is looked into
FORGET: Final = "forget"
OURS: Final = re.compile(r".+-[0-9a-f]{12}\.(?:head|head-new|\d+\.states|\d+\.marks)")
LOST: Final = "the last states on disk were damaged; the session goes on from the last whole ones"
SET_ASIDE: Final = ".set-aside"

_log = logging.getLogger(__name__)


class Journal(Protocol):
    """What the server and the health answer need of a journal."""

    state: str

    def sync(self) -> None:
        """Write what has changed."""

    def close(self) -> None:
        """Let the folder go."""


class NoJournal:
    """Sessions end with the process."""

    state = "none"

    def sync(self) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


@dataclass(slots=True)
class Mirror:
    """The files of one session.

    Args:
        request: as the head says it; None before there is a head.
        generation: which pair of files.
        base: place of the first byte of the states' file.
        length: of the states' file.
        mark_ends, mark_places: length of the marks' file after each mark, and the mark's place in the stream.
    """

    stem: str
    request: OpenRequest | None = None
    digest: str = ""
    history: History | None = None
    generation: int = 0
    base: int = 0
    length: int = 0
    mark_ends: array[int] = field(default_factory=lambda: array("Q"))
    mark_places: array[int] = field(default_factory=lambda: array("Q"))


class FolderJournal:
    """All sessions of a registry, in one folder that no other service uses.

    Args:
        folder: made if it is not there, for its owner alone.
        clock_s: any clock that rises; says when a failed write is tried again.
        give_up: ends a vehicle's session, with the reason; asked for through the folder `forget`.

    `state` is "ok", or "stopped: why" while the folder cannot be written to; guidance goes on meanwhile.

    Raises:
        ConfigError: the folder cannot be used, or another service uses it.
    """

    def __init__(
        self, folder: Path, registry: Registry, clock_s: Callable[[], float], give_up: Callable[[str, str], None]
    ) -> None:
        self.folder = folder
        self.state = "ok"
        self._registry = registry
        self._give_up = give_up
        self._clock_s = clock_s
        self._again_at_s = 0.0
        self._asked_at_s = 0.0
        self._mirrors: dict[str, Mirror] = {}
        self._files: OrderedDict[str, int] = OrderedDict()
        try:
            ours = not folder.exists()
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._lock = lock_folder(folder, "journal.folder")
            if not ours and folder.stat().st_mode & 0o077:
                _log.warning("others can look into %s, which keeps the sessions; `chmod 700` keeps them out", folder)
        except OSError as error:
            expected = "a folder that can be written to (or --no-journal)"
            raise ConfigError("cannot_keep", "journal.folder", expected, error.strerror or error, str(folder)) from None

    def take_up(self) -> list[str]:
        """Give the registry every session that the folder holds; returns their vehicles.

        What cannot be read is set aside under another name, with a sentence in the log.
        """
        found = []
        for head in sorted(path for path in self.folder.glob("*.head") if OURS.fullmatch(path.name)):
            try:
                found.append(self._restored(head))
            except (ValueError, LookupError, TypeError, OSError) as error:
                name = head.name.removesuffix(".head")
                _log.error("the session of %s cannot be taken up again, its files are set aside: %s", name, error)
                for path in self.folder.glob(f"{name}.*"):
                    with suppress(OSError):
                        path.rename(path.with_name(path.name + SET_ASIDE))
        self._sweep()
        return found

    def sync(self) -> None:
        """Write what has changed since the last call."""
        now_s = self._clock_s()
        if now_s >= self._asked_at_s:
            self._asked_at_s = now_s + ASKED_EVERY_S
            self._forget_what_is_asked()
        touched = self._registry.touched
        if not touched or (self.state != "ok" and now_s < self._again_at_s):
            return
        vehicle = ""
        try:
            while touched:
                vehicle = touched.pop()
                self._write(vehicle, self._registry.seats.get(vehicle))
            if self.state != "ok":
                _log.warning("sessions are kept on disk again")
                self.state = "ok"
        except OSError as error:
            self._stopped(vehicle, error)

    def close(self) -> None:
        """Write what is left and let the folder go."""
        self.sync()
        while self._files:
            os.close(self._files.popitem()[1])
        self._lock.release()

    def _forget_what_is_asked(self) -> None:
        with suppress(OSError):
            for path in filter(Path.is_file, (self.folder / FORGET).iterdir()):
                with suppress(OSError, SessionFault):  # whatever lies there, the next request is looked at
                    vehicle = path.read_text("utf-8", "replace")
                    path.unlink()
                    self._give_up(vehicle, "as who runs the service asked")

    def _stopped(self, vehicle: str, error: OSError) -> None:
        """Guidance goes on; everything is written anew when there is room again."""
        self._again_at_s = self._clock_s() + TRY_AGAIN_S
        self._registry.touched.add(vehicle)
        seat = self._registry.seats.get(vehicle)
        if seat is not None:
            seat.session.history.save_anew()
        if self.state == "ok":
            _log.error("sessions are no longer kept on disk, guidance goes on: %s", error, extra={"vehicle": vehicle})
        self.state = f"stopped: {error.strerror or error}"

    def _write(self, vehicle: str, seat: Seat | None) -> None:
        mirror = self._mirrors.get(vehicle)
        if seat is None:
            if mirror is not None:
                self._remove(vehicle, mirror)
            return
        if mirror is None:
            mirror = self._mirrors[vehicle] = Mirror(stem_of(vehicle))
        history = seat.session.history
        if mirror.history is not history:
            history.save_anew()
            mirror.history = history
        unsaved = history.take_unsaved()
        if unsaved is not None and unsaved.whole:
            self._write_anew(vehicle, mirror, seat, unsaved)
            history.older = self._reader(self._mirrors[vehicle])
            return
        if unsaved is not None:
            self._write_on(mirror, unsaved)
        if mirror.request is not seat.request or mirror.digest != seat.digest:
            self._write_head(mirror, seat)

    def _write_on(self, mirror: Mirror, unsaved: Unsaved) -> None:
        """States first: a mark says nothing without those before it."""
        descriptor = self._states_file(mirror)
        at = unsaved.cut_at - mirror.base
        if at < mirror.length:
            os.ftruncate(descriptor, at)
        write_all(descriptor, unsaved.states, at)
        mirror.length = at + len(unsaved.states)
        if unsaved.marks or unsaved.cut_marks < len(mirror.mark_ends):
            self._write_marks(mirror, unsaved)

    def _write_marks(self, mirror: Mirror, unsaved: Unsaved) -> None:
        del mirror.mark_ends[unsaved.cut_marks :], mirror.mark_places[unsaved.cut_marks :]
        at = mirror.mark_ends[-1] if mirror.mark_ends else 0
        descriptor = os.open(self._path(mirror, "marks"), os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            os.ftruncate(descriptor, at)
            data = b"".join(map(framed, unsaved.marks))
            write_all(descriptor, data, at)
        finally:
            os.close(descriptor)
        for mark in unsaved.marks:
            at += MARK_FRAME.size + len(mark.point)
            mirror.mark_ends.append(at)
            mirror.mark_places.append(mark.at)

    def _write_anew(self, vehicle: str, before: Mirror, seat: Seat, unsaved: Unsaved) -> None:
        """A new pair of files; the head then points to it, and the old pair goes."""
        self._forget_file(before)
        mirror = Mirror(before.stem, history=before.history, generation=before.generation + 1, base=unsaved.base)
        for kind in ("states", "marks"):
            self._path(mirror, kind).unlink(missing_ok=True)
        try:
            self._write_on(mirror, unsaved)
            self._write_head(mirror, seat)
        except OSError:
            self._forget_file(mirror)
            raise
        self._mirrors[vehicle] = mirror
        for kind in ("states", "marks"):
            self._path(before, kind).unlink(missing_ok=True)

    def _write_head(self, mirror: Mirror, seat: Seat) -> None:
        head = {
            "format": FORMAT,
            "version": __version__,
            "shape": SHAPE,
            "vehicle": seat.request.vehicle,
            "token_sha256": seat.digest,
            "generation": mirror.generation,
            "base": mirror.base,
            "request": b64encode(pack(seat.request)).decode(),
        }
        path = self.folder / f"{mirror.stem}.head"
        new = path.with_suffix(".head-new")
        descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            write_all(descriptor, json.dumps(head, indent=1).encode(), 0)
        finally:
            os.close(descriptor)
        new.replace(path)
        mirror.request, mirror.digest = seat.request, seat.digest

    def _remove(self, vehicle: str, mirror: Mirror) -> None:
        """The head first: without it the others mean nothing."""
        self._forget_file(mirror)
        (self.folder / f"{mirror.stem}.head").unlink(missing_ok=True)
        for kind in ("states", "marks"):
            self._path(mirror, kind).unlink(missing_ok=True)
        del self._mirrors[vehicle]

    def _restored(self, path: Path) -> str:
        """One session, from its files to the registry."""
        head = json.loads(path.read_bytes())
        if head["format"] != FORMAT or head["shape"] != SHAPE:
            raise ValueError(f"written by version {head.get('version')}, whose sessions this one cannot read")
        vehicle, request = str(head["vehicle"]), b64decode(head["request"])
        mirror = Mirror(stem_of(vehicle), generation=head["generation"], base=head["base"])
        states = self._path(mirror, "states").read_bytes() if self._path(mirror, "states").exists() else b""
        marks, ends = marks_of(_bytes_of(self._path(mirror, "marks")))
        mirror.mark_ends, mirror.mark_places = array("Q", ends), array("Q", (mark.at for mark in marks))
        history, lost = History(self._registry.history_bytes), False
        history.older = self._reader(mirror)
        history.take_up(mirror.base, states, marks)
        if marks and marks[-1].at > history.end:  # a mark is a whole session, with or without the states before it
            lost = True
            history.take_up(marks[-1].at, b"", marks)
            history.save_anew()
        if states and not marks and next(history.states_from(mirror.base), None) is None:
            raise ValueError("nothing whole is left of it")
        end = history.end
        self._registry.restore(request, head["token_sha256"], history)
        if lost or history.end < end:
            self._registry.seats[vehicle].note = LOST
            _log.warning("%s: %s", vehicle, LOST, extra={"vehicle": vehicle})
        seat = self._registry.seats[vehicle]
        mirror.request, mirror.digest, mirror.history, mirror.length = seat.request, seat.digest, history, len(states)
        self._mirrors[vehicle] = mirror
        return vehicle

    def _sweep(self) -> None:
        """Take away what a kill left between two steps: files that no head means."""
        means = {f"{m.stem}.{m.generation}" for m in self._mirrors.values()}
        for path in [*self.folder.glob("*.states"), *self.folder.glob("*.marks"), *self.folder.glob("*.head-new")]:
            if OURS.fullmatch(path.name) and path.name.rpartition(".")[0] not in means:
                with suppress(OSError):
                    path.unlink()

    def _states_file(self, mirror: Mirror) -> int:
        descriptor = self._files.get(mirror.stem)
        if descriptor is None:
            descriptor = os.open(self._path(mirror, "states"), os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
            self._files[mirror.stem] = descriptor
            if len(self._files) > OPEN_FILES:
                os.close(self._files.popitem(last=False)[1])
        else:
            self._files.move_to_end(mirror.stem)
        return descriptor

    def _forget_file(self, mirror: Mirror) -> None:
        descriptor = self._files.pop(mirror.stem, None)
        if descriptor is not None:
            os.close(descriptor)

    def _reader(self, mirror: Mirror) -> MirrorReader:
        return MirrorReader(mirror, self._path(mirror, "states"), self._path(mirror, "marks"), marks_of)

    def _path(self, mirror: Mirror, kind: str) -> Path:
        return self.folder / f"{mirror.stem}.{mirror.generation}.{kind}"


def stem_of(vehicle: str) -> str:
    """A file name for a vehicle, its own also where names differ in case alone or are special to the system."""
    return f"{vehicle.replace('.', '_')}-{sha256(vehicle.encode()).hexdigest()[:12]}"


def framed(mark: Mark) -> bytes:
    """A mark as it stands in its file."""
    return MARK_FRAME.pack(len(mark.point), crc32(mark.point), mark.time_s, mark.at) + mark.point


def marks_of(data: bytes) -> tuple[list[Mark], list[int]]:
    """The whole marks of a file, up to the first damaged one, and the place after each."""
    marks: list[Mark] = []
    ends: list[int] = []
    here = 0
    while here + MARK_FRAME.size <= len(data):
        length, check, time_s, at = MARK_FRAME.unpack_from(data, here)
        here += MARK_FRAME.size
        point = data[here : here + length]
        if len(point) < length or crc32(point) != check:
            break
        here += length
        marks.append(Mark(time_s, at, point))
        ends.append(here)
    return marks, ends


def write_all(descriptor: int, data: bytes, at: int) -> None:
    """Write at a place of a file, whole.

    Raises:
        OSError: the file takes no more.
    """
    left = memoryview(data)
    while left:
        count = os.pwrite(descriptor, left, at)
        left, at = left[count:], at + count


def _bytes_of(path: Path) -> bytes:
    return path.read_bytes() if path.exists() else b""


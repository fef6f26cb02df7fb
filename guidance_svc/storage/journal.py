"""Keeps every session on disk as it flies, so that it comes back after the service was stopped or killed.

Not taken from the recording: that holds no tokens, may be switched off, and says what was said, not what guidance
had come to think; flying an hour of it again takes longer than a burn can wait. A session here is a set of three
files (`journal_files.py`): a head, states, and marks: the session itself at intervals.

A file in the folder `forget` asks that a session be given up (`forgetting.py`): who may write there may do that.
The others are written at the end of every batch before its replies go out, states first, so that every answered state
is there after a kill of the process. When a set is replaced, the old one goes only once the new one is on the disk
itself (`durable.py`). A loss of power may cost what the operating system had not written yet: the session is then what
it was some seconds earlier.
"""

from __future__ import annotations

import logging
import os
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final, Protocol

from guidance_svc.errors import ConfigError, SessionFault
from guidance_svc.session.history import Unsaved
from guidance_svc.session.packing import pack
from guidance_svc.session.registry import Registry, Seat
from guidance_svc.storage.durable import Syncing
from guidance_svc.storage.folder_lock import lock_folder
from guidance_svc.storage.journal_files import MARK_FRAME, Damage, Head, frame_mark, head_bytes, seed_of, stem_of
from guidance_svc.storage.journal_reader import Mirror, MirrorReader
from guidance_svc.storage.journal_reading import (
    Found,
    Headless,
    Restored,
    asked_to_forget,
    set_aside,
    sets_in,
)
from guidance_svc.systems import BINARY, open_to_others, write_at
from guidance_svc.systems import replace as replace_file

OPEN_FILES: Final = 128  # of states; the others are opened again when they are written to
TRY_AGAIN_S: Final = 10.0  # after a failed write
ASKED_EVERY_S: Final = 1.0  # how often the folder `forget` is looked into
LOST: Final = "the last states on disk were damaged; the session goes on from the last whole ones"
BEGUN_ANEW: Final = (
    "the session that this vehicle had could not be read from the disk after the service was started; its files are "
    "set aside in the journal's folder, with the reason, and this is a new session"
)

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
        """Nothing: this one keeps nothing."""

    def close(self) -> None:
        """Nothing: this one keeps nothing."""


class FolderJournal:
    """All sessions of a registry, in one folder that no other service uses.

    Args:
        folder: made if it is not there, for its owner alone.
        clock_s: any clock that rises; says when a failed write is tried again.
        give_up: ends a vehicle's session, with the reason; asked for through the folder `forget`.
        syncing: makes files last; its own thread if none is given.

    `state` is "ok", or "stopped: why" while the folder cannot be written to; guidance goes on meanwhile.

    Raises:
        ConfigError: the folder cannot be used, or another service uses it.
    """

    def __init__(
        self,
        folder: Path,
        registry: Registry,
        clock_s: Callable[[], float],
        give_up: Callable[[str, str], None],
        syncing: Syncing | None = None,
    ) -> None:
        self.folder = folder
        self.state = "ok"
        self._registry = registry
        self._give_up = give_up
        self._clock_s = clock_s
        self._again_at_s = 0.0
        self._asked_at_s = 0.0
        self._flights = 0
        self._mirrors: dict[str, Mirror] = {}
        self._files: OrderedDict[str, int] = OrderedDict()
        self._notes: dict[str, str] = {}
        self._syncing = syncing or Syncing()
        registry.note_for = lambda vehicle: self._notes.pop(stem_of(vehicle), "") if self._notes else ""
        try:
            ours = not folder.exists()
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._lock = lock_folder(folder, "journal.folder")
            if not ours and open_to_others(folder):
                _log.warning("others can look into %s, which keeps the sessions; `chmod 700` keeps them out", folder)
        except OSError as error:
            expected = "a folder that can be written to (or --no-journal)"
            raise ConfigError("cannot_keep", "journal.folder", expected, error.strerror or error, str(folder)) from None

    def take_up(self) -> list[str]:
        """Give the registry every session that the folder holds; returns their vehicles.

        Whatever is the matter with the files of one session, they are set aside under other names with the reason
        beside them, and a sentence in the log; the others come back.

        Raises:
            ConfigError: the folder cannot be looked into.
        """
        taken: list[str] = []
        try:
            all_found = sets_in(self.folder)
        except OSError as error:
            expected = "a folder that can be read (or --no-journal)"
            got = error.strerror or error
            raise ConfigError("cannot_keep", "journal.folder", expected, got, str(self.folder)) from None
        for found in all_found:
            self._flights = max(self._flights, found.highest_flight)
            try:
                restored = found.restore(self.folder, self._registry)
            except Exception as error:  # whatever it is: one session must not cost the others
                reason = str(error) if isinstance(error, (ValueError, Damage)) else f"{type(error).__name__}: {error}"
                _log.error(
                    "the session of %s cannot be taken up again, its files are set aside: %s", found.stem, reason
                )
                set_aside(self.folder, found.stem, found.paths, reason)
                if not isinstance(error, Headless):
                    self._notes[found.stem] = BEGUN_ANEW
                continue
            taken.append(restored.head.vehicle)
            self._take_up_files(found, restored)
        return taken

    def _take_up_files(self, found: Found, restored: Restored) -> None:
        """Go on in the files of a session that is back; where they are damaged, in new ones."""
        head, mirror, trouble = restored
        seat = self._registry.seats[head.vehicle]
        history = seat.session.history
        if not trouble:
            self._mirrors[head.vehicle] = mirror
            mirror.request, mirror.digest, mirror.history = seat.request, seat.digest, history
            mirror.before = found.others(head)
            if mirror.before:
                self._replace_later(mirror)
            return
        newest = found.highest_of(head.flight)
        self._mirrors[head.vehicle] = Mirror(found.stem, None, seat.digest, history, head.flight, newest)
        _log.warning("%s: %s", head.vehicle, LOST, extra={"vehicle": head.vehicle})
        seat.note = LOST
        history.save_anew()
        try:
            self._write(head.vehicle, seat)
        except Exception as error:
            self._note_stop(head.vehicle, error)
            return
        set_aside(self.folder, found.stem, found.paths, trouble)

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
        except Exception as error:  # guidance goes on, whatever this is
            self._note_stop(vehicle, error)

    def close(self) -> None:
        """Write what is left and let the folder go."""
        self.sync()
        while self._files:
            with suppress(OSError):
                os.close(self._files.popitem()[1])
        self._syncing.close()
        self._lock.release()

    def _forget_what_is_asked(self) -> None:
        for vehicle in asked_to_forget(self.folder):
            with suppress(SessionFault):
                self._give_up(vehicle, "as who runs the service asked")

    def _note_stop(self, vehicle: str, error: Exception) -> None:
        """Guidance goes on; everything is written anew when there is room again."""
        self._again_at_s = self._clock_s() + TRY_AGAIN_S
        self._registry.touched.add(vehicle)
        seat = self._registry.seats.get(vehicle)
        if seat is not None:
            seat.session.history.save_anew()
        told = f"{getattr(error, 'strerror', None) or error or type(error).__name__}"
        if self.state == "ok":
            trace = None if isinstance(error, (OSError, MemoryError)) else error
            text = "sessions are no longer kept on disk, guidance goes on: %s"
            _log.error(text, error if isinstance(error, OSError) else told, extra={"vehicle": vehicle}, exc_info=trace)
        self.state = f"stopped: {told}"

    def _write(self, vehicle: str, seat: Seat | None) -> None:
        mirror = self._mirrors.get(vehicle)
        if seat is None or not seat.session.begun:  # a session without a state is nothing to come back to
            if mirror is not None:
                self._remove(vehicle, mirror)
            return
        if mirror is None:
            mirror = self._mirrors[vehicle] = Mirror(stem_of(vehicle))
        history = seat.session.history
        if not mirror.is_of(seat):
            history.save_anew()
        appended = history.take_appended()
        if appended:  # nearly always
            write_all(self._states_file(mirror), appended, mirror.length)
            mirror.length += len(appended)
            return
        unsaved = history.take_unsaved()
        if unsaved is not None and unsaved.whole:
            self._write_anew(vehicle, mirror, seat, unsaved)
            history.older = MirrorReader(self.folder, self._mirrors[vehicle])
        elif unsaved is not None:
            self._write_on(mirror, unsaved)

    def _write_on(self, mirror: Mirror, unsaved: Unsaved) -> None:
        """States first: a mark says nothing without those before it."""
        if unsaved.cut_marks < len(mirror.mark_ends):  # before the states: none of them may stand among new ones
            self._write_marks(mirror, replace(unsaved, marks=()))
        descriptor = self._states_file(mirror)
        at = unsaved.cut_at - mirror.base
        if at < mirror.length:
            if at < mirror.promised and mirror.before:  # else those would be taken for more than this set
                mirror.promised = at
                self._write_head(mirror)
            os.ftruncate(descriptor, at)
            mirror.length = at
        write_all(descriptor, unsaved.states, at)
        mirror.length = at + len(unsaved.states)
        if unsaved.marks:
            self._write_marks(mirror, unsaved)

    def _write_marks(self, mirror: Mirror, unsaved: Unsaved) -> None:
        del mirror.mark_ends[unsaved.cut_marks :], mirror.mark_places[unsaved.cut_marks :]
        at = mirror.mark_ends[-1] if mirror.mark_ends else 0
        seed = seed_of(mirror.stem, mirror.flight, mirror.generation)
        branch = mirror.history.branch if mirror.history else 0
        descriptor = os.open(self._path(mirror, "marks"), os.O_WRONLY | os.O_CREAT | BINARY, 0o600)
        try:
            os.ftruncate(descriptor, at)
            data = b"".join(frame_mark(mark, seed, branch) for mark in unsaved.marks)
            write_all(descriptor, data, at)
        finally:
            os.close(descriptor)
        for mark in unsaved.marks:
            at += MARK_FRAME.size + len(mark.point)
            mirror.mark_ends.append(at)
            mirror.mark_places.append(mark.at)

    def _write_anew(self, vehicle: str, before: Mirror, seat: Seat, unsaved: Unsaved) -> None:
        """A new set of files; the old one goes once that is on the disk."""
        self._forget_file(before)
        mirror = Mirror(before.stem, seat.request, seat.digest, seat.session.history, base=unsaved.base)
        if before.flight and before.history is mirror.history:
            mirror.flight, mirror.generation = before.flight, before.generation + 1
        else:
            self._flights += 1
            mirror.flight, mirror.generation = self._flights, 1
        self._take_away(mirror)  # what a try that failed left
        try:
            self._write_on(mirror, unsaved)
            mirror.promised = mirror.length
            self._write_head(mirror)
        except BaseException:
            self._forget_file(mirror)
            with suppress(OSError):
                self._take_away(mirror)
            raise
        mirror.before = [*before.before, *self._set_of(before)] if before.request is not None else before.before
        self._mirrors[vehicle] = mirror
        self._replace_later(mirror)

    def _write_head(self, mirror: Mirror) -> None:
        """In one step: a head is the old one or the new one."""
        assert mirror.request is not None
        head = Head(mirror.request.vehicle, mirror.digest, mirror.flight, mirror.generation, mirror.base,
                    mirror.promised, pack(mirror.request))  # fmt: skip
        path = self._path(mirror, "head")
        new = path.with_suffix(".head-new")
        descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | BINARY, 0o600)
        try:
            write_all(descriptor, head_bytes(head), 0)
        finally:
            os.close(descriptor)
        replace_file(new, path)

    def _replace_later(self, mirror: Mirror) -> None:
        """Have the set written to the disk; then those before it go."""
        kinds = ("states", "marks", "head") if mirror.mark_ends else ("states", "head")
        keep = [*(self._path(mirror, kind) for kind in kinds), self.folder]
        self._syncing.later(keep, mirror.before, partial(setattr, mirror, "before", []))

    def _remove(self, vehicle: str, mirror: Mirror) -> None:
        """Older sets first, so that none comes back; heads first, for without them the others mean nothing."""
        self._forget_file(mirror)
        for path in sorted(mirror.before, key=lambda path: not path.name.endswith(".head")):
            path.unlink(missing_ok=True)
        self._take_away(mirror)
        del self._mirrors[vehicle]
        self._syncing.later([self.folder])

    def _take_away(self, mirror: Mirror) -> None:
        for path in self._set_of(mirror):
            path.unlink(missing_ok=True)
        self._path(mirror, "head-new").unlink(missing_ok=True)

    def _set_of(self, mirror: Mirror) -> list[Path]:
        return [self._path(mirror, kind) for kind in ("head", "states", "marks")]

    def _states_file(self, mirror: Mirror) -> int:
        descriptor = self._files.get(mirror.stem)
        if descriptor is None:
            descriptor = os.open(self._path(mirror, "states"), os.O_WRONLY | os.O_CREAT | BINARY, 0o600)
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

    def _path(self, mirror: Mirror, kind: str) -> Path:
        return mirror.path(self.folder, kind)


def write_all(descriptor: int, data: bytes, at: int) -> None:
    """Write at a place of a file, whole.

    Raises:
        OSError: the file takes no more.
    """
    count = write_at(descriptor, data, at) if data else 0
    left, at = memoryview(data)[count:], at + count
    while left:
        count = write_at(descriptor, left, at)
        left, at = left[count:], at + count

"""The recording of a service run: parts of bounded size, each of which can be read and played by itself.

A disk that fails never stops guidance: the recording stops, says so once, and begins anew when the disk is back.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any, Final

from pydantic_core import to_json

from guidance_svc.errors import RecordingError
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.framing import SUFFIX
from guidance_svc.storage.housekeeping import Finishing, remove_oldest
from guidance_svc.storage.recorder import NOT_RECORDED, OK, OPEN_KEY, Aside, McapRecorder, Request
from guidance_svc.systems import is_in_use

IN_PLACE_BYTES: Final = 4 << 20  # 0.15 s of compacting, of the second that stopping may take; measured
HEAD_SHARE: Final = 4  # a part is at least four times its head, or a thousand sessions would be nothing but heads
LOOK_EVERY_NS: Final = 1_000_000_000  # whether the file is still there: a stat a second, not one a batch
RETRY_EVERY_NS: Final = 5_000_000_000  # a disk that fills is not emptied in less; a try costs a file's making

_log = logging.getLogger(__name__)


def no_sessions() -> list[dict[str, str]]:
    """The list of open sessions of a recorder that has none."""
    return []


@dataclass(frozen=True, slots=True)
class Storage:
    """Where recordings go and how much of them is kept.

    Args:
        rotate_bytes: a part ends with the batch that reaches this, and four times what stands at its head.
        keep_bytes: of all recordings of the folder; the oldest go first. 0: none ever goes.
    """

    folder: Path
    rotate_bytes: int = 1 << 28
    keep_bytes: int = 0


class RotatingRecorder:
    """A recorder that goes on in a new file when one is full, gone, or could not be written.

    Args:
        storage: the folder, which is made where it is missing.
        clock_ns: time since 1970 that only rises, ns (`clocks.steady_ns`); names the files and times the tries.
        about: version, settings and the like, kept in every part.
        sessions_now: what the open sessions are at this moment, each with its "vehicle"; asked between two batches.

    Raises:
        RecordingError: no recording can be made there.
    """

    def __init__(
        self,
        storage: Storage,
        clock_ns: Callable[[], int],
        about: Mapping[str, str],
        sessions_now: Callable[[], list[dict[str, str]]] = no_sessions,
    ) -> None:
        self._storage = storage
        self._clock_ns = clock_ns
        self._about = dict(about)
        self._sessions_now = sessions_now
        self._plans: dict[str, Mapping[str, Any]] = {}
        self._opens: dict[str, str] = {}
        self._before = ""
        self._missed = 0
        self._full_bytes = storage.rotate_bytes
        self._trouble = ""
        self._next_look_ns = clock_ns() + LOOK_EVERY_NS
        self._finishing = Finishing()
        self._finishing.start([storage.folder])  # what a killed service left there
        self._part: McapRecorder | None = self._first_part()
        self._remove_oldest()

    @property
    def path(self) -> Path | None:
        """The file that is being written."""
        return None if self._part is None else self._part.path

    @property
    def state(self) -> str:
        """Why recording has stopped, or "ok"."""
        return self._trouble or OK

    def plan(self, name: str, table: Mapping[str, Any]) -> None:
        """Keep a flight plan as it is used under this name, in this part and those to come."""
        self._plans[name] = table
        if self._part is not None:
            self._part.plan(name, table)

    def exchange(self, link: int, vehicle: str | None, request: Request, reply: dict[str, Any]) -> None:
        """Keep an accepted message and its reply."""
        if isinstance(request, dict) and request["type"] == "open" and vehicle is not None:
            self._opens[vehicle] = to_json({**request, "resume": NOT_RECORDED}).decode()
        self._keep(McapRecorder.exchange, link, vehicle, request, reply)

    def refusal(self, link: int, vehicle: str | None, payload: bytes, reply: dict[str, Any]) -> None:
        """Keep a refused message and its fault."""
        self._keep(McapRecorder.refusal, link, vehicle, payload, reply)

    def aside(self, link: int, vehicle: str, what: Aside) -> None:
        """Keep what befell a session without a message of its script."""
        self._keep(McapRecorder.aside, link, vehicle, what)

    def _keep(self, write: Callable[..., None], *what: object) -> None:
        """Write to the part, if there is one; one that has lost a record for want of memory is not gone on with."""
        if self._part is None:
            self._missed += 1
            return
        try:
            write(self._part, *what)
        except MemoryError:
            self._part.abandon()
            self._part, self._missed = None, self._missed + 1
            self._stop("no memory")

    def flush(self) -> None:
        """Hand everything to the operating system; between two batches, so a full part ends here."""
        part = self._part
        try:
            if part is not None:
                part.flush()
                if part.state != OK:
                    self._stop(part.state)
                elif part.size >= self._full_bytes:
                    self._rotate(part)
            now_ns = self._clock_ns()
            if now_ns >= self._next_look_ns:
                self._look(now_ns)
        except Exception:  # guidance goes on, whatever this is
            _log.exception("the recorder met a fault of its own")
            for left in {part, self._part} - {None}:
                left.abandon()  # type: ignore[union-attr]
            self._part = None
            self._stop("a fault of the recorder itself, told in the log")

    def close(self) -> None:
        """Finish the last part; a small one is compacted here, a large one by a process that outlives this one."""
        part, self._part = self._part, None
        if part is None:
            self._finishing.start([], last=True)
            return
        part.close()
        if part.state != OK:
            _log.error("recording %s has lost its end: %s", part.path, part.state)
        elif part.size > IN_PLACE_BYTES:
            self._finishing.start([part.path], last=True)
            return
        else:
            try:
                compact(part.path)
            except (OSError, RecordingError) as error:
                if isinstance(error, OSError) and is_in_use(error):
                    self._finishing.start([part.path], last=True)  # once its readers have let it go
                    return
                _log.error("recording %s stays uncompressed: %s", part.path, error)
        self._finishing.start([], last=True)

    def _first_part(self) -> McapRecorder:
        folder = self._storage.folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return self._new_part()
        except OSError as error:
            expected = "a folder that can be written to (--record or recording.folder), or --no-record"
            raise RecordingError("cannot_record", "", expected, _reason(error), str(folder)) from None

    def _new_part(self) -> McapRecorder:
        """A file with all that is in use at its head; none stays behind where that does not fit.

        Raises:
            OSError: it cannot be made.
        """
        about = {**self._about, **({"after": self._before} if self._before else {})}
        if self._missed:
            about["missed_before"] = str(self._missed)
        part = _make_part(self._paths(), self._clock_ns, about)
        for name, table in self._plans.items():
            part.plan(name, table)
        for session in self._open_sessions():
            part.session(session)
        part.flush()
        if part.state != OK:
            part.close()
            part.path.unlink(missing_ok=True)
            raise OSError(None, part.state)
        self._before, self._missed = part.path.name, 0
        self._full_bytes = max(self._storage.rotate_bytes, HEAD_SHARE * part.size)
        return part

    def _open_sessions(self) -> list[dict[str, str]]:
        """Each with the `open` that this run has heard of it; a fault of theirs must not cost the recording."""
        try:
            tables = self._sessions_now()
        except Exception:
            _log.exception("the open sessions could not be recorded")
            return []
        opens = {table["vehicle"]: self._opens.get(table["vehicle"]) for table in tables}
        self._opens = {vehicle: text for vehicle, text in opens.items() if text is not None}
        return [
            {**table, OPEN_KEY: self._opens[table["vehicle"]]} if table["vehicle"] in self._opens else table
            for table in tables
        ]

    def _paths(self) -> Iterator[Path]:
        start = time.strftime("%Y-%m-%dT%H%M%SZ", time.gmtime(self._clock_ns() // 1_000_000_000))
        for n in count(1):
            yield self._storage.folder / f"{start}{'' if n == 1 else f'-{n}'}{SUFFIX}"

    def _rotate(self, part: McapRecorder) -> None:
        self._part = None
        part.close()
        if not self._begin():
            return
        _log.info("recording goes on in %s", self.path)
        self._finishing.start([part.path])
        self._remove_oldest()

    def _begin(self) -> bool:
        """Go on in a new part, or stop."""
        missed = self._missed
        try:
            self._part = self._new_part()
        except OSError as error:
            self._stop(_reason(error))
            return False
        if self._trouble:
            self._trouble = ""
            self._finishing.start([self._storage.folder])
            _log.warning("recording goes on in %s; %d messages in between are not recorded", self.path, missed)
        return True

    def _stop(self, reason: str) -> None:
        """Write no more for a while; told once."""
        if not self._trouble:
            _log.error("recording stopped, guidance goes on: %s: %s", self._storage.folder, reason)
        self._trouble = reason
        if self._part is not None:
            self._part.close()
            self._part = None
        self._next_look_ns = self._clock_ns() + RETRY_EVERY_NS

    def _look(self, now_ns: int) -> None:
        """Now and then: try again, or see that the file is still there."""
        self._next_look_ns = now_ns + LOOK_EVERY_NS
        if self._part is not None and self._part.is_there():
            return
        if self._part is not None:
            self._stop(f"{self._part.path.name} is gone")
        try:
            self._storage.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            self._stop(_reason(error))
            return
        self._begin()

    def _remove_oldest(self) -> None:
        if self._storage.keep_bytes and self._part is not None:
            remove_oldest(self._storage.folder, self._storage.keep_bytes, self._part.path)


def _make_part(paths: Iterator[Path], clock_ns: Callable[[], int], about: Mapping[str, str]) -> McapRecorder:
    """A part under the first free name."""
    while True:
        try:
            return McapRecorder(next(paths), clock_ns, about)
        except FileExistsError:
            continue


def _reason(error: OSError) -> str:
    """What is in the way, in words."""
    if isinstance(error, (FileExistsError, NotADirectoryError)):
        return "it, or a folder above it, is a file"
    return error.strerror or str(error)

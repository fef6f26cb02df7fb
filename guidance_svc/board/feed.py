"""The board's only state: the tail of a recording, what was heard of each vehicle, and what has been shown."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from guidance_svc.board.heard import Heard, fault_text
from guidance_svc.board.shown import Travel, moment_values
from guidance_svc.board.story import Story
from guidance_svc.board.tail import Tail
from guidance_svc.domain import Site
from guidance_svc.errors import GuidanceError
from guidance_svc.files.config_files import Library
from guidance_svc.playback.course import Course, Exchange, Happening, Session
from guidance_svc.playback.recordings import MISSHAPEN, Entries
from guidance_svc.playback.setting import Setting, setting_of
from guidance_svc.storage.framing import Damaged, Record

STEP_S: Final = 0.2  # of vehicle time between two moments of a past flight, and of wall time between two looks
ROUNDING_S: Final = 1e-6  # of times that a script adds up
BATCH_RECORDS: Final = 20_000  # of the past between two chances for others to run: 0.1 s


@dataclass(slots=True)
class _Shown:
    """What was last shown of a vehicle, and what that needs."""

    setting: Setting | None = None
    session: Session | None = None
    travel: Travel = field(default_factory=Travel)
    time_s: float | None = None
    phase: bytes = b""
    text: bytes = b"{}"
    version: int = 0


class Feed:
    """Reads on, and tells what is new.

    Args:
        path: of the recording.
        library: for names in plans that came inline.
        live: whether the recording is being written: then only the newest of each look is decoded, else the past
            is shown in steps of STEP_S of vehicle time.

    Raises:
        RecordingError: the file cannot be opened.
    """

    def __init__(self, path: Path, library: Library, live: bool) -> None:
        self.tail = Tail(path)
        self.course = Course()
        self.last_refusal = ""
        self.story = Story()
        self.version = 0
        self.live = live
        self.caught_up = False
        self._damage = ""
        self._entries = Entries()
        self._heard: dict[str, Heard] = {}
        self._library = library
        self._shown: dict[str, _Shown] = {}
        self._sites: dict[str, Site] = {}  # by body: the first that a plan of this recording names
        self._file = path
        self._records: Iterator[Record] | None = None  # a pass that was left in the middle goes on there

    def look(self, limit: int | None = None) -> bool:
        """Take what has been written since the last look.

        Args:
            limit: records to take at most, so that others can run in between.

        Returns:
            Whether there may be more right now.

        Raises:
            RecordingError: this is no recording.
        """
        step_through = not (self.live and self.caught_up)
        if self._records is None:
            self._records = self.tail.poll()
        for taken, record in enumerate(self._records, 1):
            if self.tail.path != self._file:
                self._file, self._entries = self.tail.path, Entries()
                self._hear(self.course.end_file())
            heard = self._hear(self._happenings(record))
            if heard is not None and step_through and self._due(heard):
                self._show(heard)
            if limit is not None and taken >= limit:
                return True
        self._records = None
        if not self.live:
            self._hear(self.course.end_file())
        fresh = [heard for heard in self._heard.values() if heard.fresh]
        for heard in fresh:  # all sites before the first downrange
            self._known(heard)
        for heard in fresh:
            self._show(heard)
        self.caught_up = True
        return False

    def since(self, version: int) -> list[bytes]:
        """The newest moment of every vehicle that has changed since a version, as JSON."""
        return [one.text for one in self._shown.values() if one.version > version]

    def now(self) -> dict[str, Any]:
        """What is to be told beside the vehicles."""
        return {
            "wall_s": self._wall_s(self.course.last_ns),
            "began_ns": self.course.first_ns,
            "refused": self.course.strangers,
            "last_refusal": self.last_refusal,
            "recording": self.tail.path.name,
            "ended": self.tail.ended,
            "remark": self.remark(),
        }

    def remark(self) -> str:
        """What is wrong with the recording, in words; "" where nothing is."""
        if self.tail.damage:
            return f"the recording is {self.tail.damage}; shown up to there"
        if self._damage:
            return f"the recording is {self._damage}; shown all the same"
        if not self.live and self.caught_up and not self.tail.ended:
            return "the recording is cut short; shown up to its last whole message"
        return ""

    def _wall_s(self, wall_ns: int) -> float:
        return (wall_ns - (self.course.first_ns or wall_ns)) / 1e9

    def _happenings(self, record: Record) -> tuple[Happening, ...]:
        """What a record completes; one that no recorder writes must not stop the board."""
        try:
            entry = self._entries.entry(record)
            return () if entry is None else self.course.take(entry)
        except Damaged as damage:
            self._damage = self._damage or str(damage)
        except (*MISSHAPEN, RecursionError) as error:
            self._damage = self._damage or f"damaged at byte {record.at} ({type(error).__name__} {error})"
        return ()

    def _hear(self, happenings: tuple[Happening, ...]) -> Heard | None:
        """The vehicle that there is something new to show of."""
        found = None
        for happening in happenings:
            exchange = happening if isinstance(happening, Exchange) else None
            session = exchange.session if exchange else self.course.sessions.get(happening.vehicle)
            if session is None:
                self.last_refusal = fault_text(exchange) if exchange else self.last_refusal
                continue
            heard = self._heard.get(session.vehicle)
            if heard is None or heard.session is not session:
                heard = self._heard[session.vehicle] = Heard(session)
            if exchange is None:
                heard.fresh = heard.fresh or bool(session.ended)
            else:
                heard.take(exchange)
            found = heard if heard.fresh else found
        return found

    def _due(self, heard: Heard) -> bool:
        """Whether a moment of the past is worth showing: a step on, back, or something else than more of the same."""
        one = self._shown.get(heard.session.vehicle)
        if one is None or one.time_s is None or heard.command is None:
            return True
        gone = heard.time_s - one.time_s
        return gone >= STEP_S * self.story.spacing - ROUNDING_S or gone < 0.0 or heard.phase != one.phase

    def _show(self, heard: Heard) -> None:
        """Decode the newest pair and keep it."""
        heard.fresh = False
        one = self._known(heard)
        try:
            moment = moment_values(heard, one.setting, one.travel)
        except (GuidanceError, ValueError, KeyError, TypeError, ArithmeticError):
            return  # a pair that the service does not write
        wall_s = self._wall_s(heard.wall_ns or self.course.last_ns)
        moment["wall_s"] = round(wall_s, 3)
        self.version += 1
        one.time_s, one.phase, one.version = heard.time_s, heard.phase, self.version
        spaced = self.live and self.caught_up and self.story.spacing > 1
        apart_s = STEP_S * self.story.spacing - ROUNDING_S if spaced else 0.0
        one.text = self.story.add(heard.session.vehicle, self._wall_s(self.course.last_ns), moment, apart_s)

    def _known(self, heard: Heard) -> _Shown:
        """What is kept of a vehicle, with what it flies and where its downrange counts from."""
        one = self._shown.setdefault(heard.session.vehicle, _Shown())
        if one.session is not heard.session:
            one.session, one.travel, one.setting = heard.session, Travel(), None
            with suppress(GuidanceError):  # the recording does not tell it
                one.setting = setting_of(heard.session, self._library)
        if one.setting is not None:
            plan = one.setting.plan
            if plan.site is not None:
                self._sites.setdefault(plan.body.name, plan.site)
            one.travel.origin = self._sites.get(plan.body.name)
        return one

"""The board's only state: the tail of a recording, what was heard of each vehicle, and what has been shown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from guidance_svc.board.setting import Setting, setting_of
from guidance_svc.board.shown import Travel, shown
from guidance_svc.board.story import Story
from guidance_svc.board.tail import Tail
from guidance_svc.board.walk import Heard, Walk
from guidance_svc.domain import Site
from guidance_svc.errors import GuidanceError
from guidance_svc.files.config_files import Library
from guidance_svc.storage.framing import Record

STEP_S: Final = 0.2  # of vehicle time between two moments of a past flight, and of wall time between two looks
ROUNDING_S: Final = 1e-6  # of times that a script adds up
BATCH_RECORDS: Final = 20_000  # of the past between two chances for others to run: 0.1 s


@dataclass(slots=True)
class _Shown:
    """What was last shown of a vehicle, and what that needs."""

    setting: Setting | None = None
    opened: int = -1
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
        self.walk = Walk()
        self.story = Story()
        self.version = 0
        self.live = live
        self.caught_up = False
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
                self._file = self.tail.path
                self.walk.new_part()
            heard = self.walk.take(record)
            if heard is not None and step_through and self._due(heard):
                self._show(heard)
            if limit is not None and taken >= limit:
                return True
        self._records = None
        for heard in self.walk.vehicles.values():  # all sites before the first downrange
            if heard.fresh:
                self._known(heard)
        for heard in self.walk.vehicles.values():
            if heard.fresh:
                self._show(heard)
        self.caught_up = True
        return False

    def since(self, version: int) -> list[bytes]:
        """The newest moment of every vehicle that has changed since a version, as JSON."""
        return [one.text for one in self._shown.values() if one.version > version]

    def now(self) -> dict[str, Any]:
        """What is to be told beside the vehicles."""
        return {
            "wall_s": self._wall_s(self.walk.last_wall_ns),
            "began_ns": self.walk.first_wall_ns,
            "refused": self.walk.refused,
            "last_refusal": self.walk.last_refusal,
            "recording": self.tail.path.name,
            "ended": self.tail.ended,
            "remark": self.remark(),
        }

    def remark(self) -> str:
        """What is wrong with the recording, in words; "" where nothing is."""
        if self.tail.damage:
            return f"the recording is {self.tail.damage}; shown up to there"
        if not self.live and self.caught_up and not self.tail.ended:
            return "the recording is cut short; shown up to its last whole message"
        return ""

    def _wall_s(self, wall_ns: int) -> float:
        return (wall_ns - (self.walk.first_wall_ns or wall_ns)) / 1e9

    def _due(self, heard: Heard) -> bool:
        """Whether a moment of the past is worth showing: a step on, back, or something else than more of the same."""
        one = self._shown.get(heard.vehicle)
        if one is None or one.time_s is None or heard.command is None:
            return True
        gone = heard.time_s - one.time_s
        return gone >= STEP_S * self.story.spacing - ROUNDING_S or gone < 0.0 or heard.phase != one.phase

    def _show(self, heard: Heard) -> None:
        """Decode the newest pair and keep it."""
        heard.fresh = False
        one = self._known(heard)
        try:
            moment = shown(heard, one.setting, one.travel)
        except (GuidanceError, ValueError, KeyError, TypeError, ArithmeticError):
            return  # a pair that the service does not write
        wall_s = self._wall_s(heard.wall_ns or self.walk.last_wall_ns)
        moment["wall_s"] = round(wall_s, 3)
        self.version += 1
        one.time_s, one.phase, one.version = heard.time_s, heard.phase, self.version
        spaced = self.live and self.caught_up and self.story.spacing > 1
        apart_s = STEP_S * self.story.spacing - ROUNDING_S if spaced else 0.0
        one.text = self.story.add(heard.vehicle, self._wall_s(self.walk.last_wall_ns), moment, apart_s)

    def _known(self, heard: Heard) -> _Shown:
        """What is kept of a vehicle, with what it flies and where its downrange counts from."""
        one = self._shown.setdefault(heard.vehicle, _Shown())
        if one.opened != heard.flights:
            one.opened, one.travel, one.setting = heard.flights, Travel(), None
        if one.setting is None:
            one.setting = setting_of(heard, self.walk, self._library)
        if one.setting is not None:
            plan = one.setting.plan
            if plan.site is not None:
                self._sites.setdefault(plan.body.name, plan.site)
            one.travel.origin = self._sites.get(plan.body.name)
        return one

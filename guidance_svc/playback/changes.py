"""What another flight plan would have changed in a recorded flight."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from guidance_svc.errors import MessageFault
from guidance_svc.playback.comparing import heading_difference_deg
from guidance_svc.playback.course import Course, Exchange
from guidance_svc.playback.recordings import MISSHAPEN, RecordingReader
from guidance_svc.playback.replay import Answering, Played, Player, quiet_desk


class Announced(NamedTuple):
    """The first announcement of an event that counts: in the reply to which state, for when, at which vehicle time."""

    seq: int
    at_s: float
    time_s: float


@dataclass(slots=True)
class VehicleChange:
    """What another flight plan changes for one vehicle; the states are those of the recorded flight.

    Args:
        commands: that were compared; of a state that was sent again, once.
        events: each event's first announcement as recorded and as replayed; None where it did not come.
        cutoff_at_s: the last one announced, recorded and replayed.
        pitch_deg, heading_deg: largest difference, and the vehicle time of the largest pitch difference.
        faults: replies that are faults now and were commands then.
    """

    commands: int = 0
    events: dict[str, list[Announced | None]] = field(default_factory=dict)
    cutoff_at_s: list[float | None] = field(default_factory=lambda: [None, None])
    pitch_deg: float = 0.0
    pitch_at_s: float | None = None
    heading_deg: float = 0.0
    faults: int = 0

    def add(self, played: Played) -> None:
        """Take the two replies to a state."""
        exchange, recorded, replayed = played.exchange, played.recorded, played.replayed
        if recorded is None or exchange.kind != "state" or exchange.repeat:
            return
        if exchange.reload:
            self._undo(recorded["time_s"])
        self.commands += 1
        self._note(0, recorded)
        if replayed["type"] != "command":
            self.faults += 1
            return
        self._note(1, replayed)
        pitch = abs(recorded["pitch_deg"] - replayed["pitch_deg"])
        if pitch > self.pitch_deg:
            self.pitch_deg, self.pitch_at_s = pitch, recorded["time_s"]
        heading = heading_difference_deg(recorded["heading_deg"], replayed["heading_deg"])
        self.heading_deg = max(self.heading_deg, heading)

    def _note(self, side: int, command: dict[str, Any]) -> None:
        if command["cutoff_at_s"] is not None:
            self.cutoff_at_s[side] = command["cutoff_at_s"]
        event = command["event"]
        if event is not None:
            pair = self.events.setdefault(event["id"], [None, None])
            if pair[side] is None:
                pair[side] = Announced(command["seq"], event["at_s"], command["time_s"])

    def _undo(self, from_s: float) -> None:
        """Forget the announcements that a reload undid."""
        for name, pair in list(self.events.items()):
            self.events[name] = [None if one is None or one.time_s >= from_s else one for one in pair]
            if self.events[name] == [None, None]:
                del self.events[name]


def replay_with_plan(
    path: Path, service: Answering, vehicle: str, plan: dict[str, Any], tell: Callable[[str], None] = lambda text: None
) -> dict[str, VehicleChange]:
    """Play a recording with another flight plan for one vehicle; what changes, by vehicle.

    Args:
        tell: gets a sentence on what of the recording is missing, if something is.

    Raises:
        RecordingError: it cannot be read.
        MessageFault: the service refuses the plan.
        ConfigError: the service does not answer.
    """
    changes: dict[str, VehicleChange] = {}
    reader = RecordingReader(path)
    with quiet_desk():
        for played in Player([reader], service, {vehicle: plan}).exchanges():
            if played.recorded is None:
                continue
            now = played.replayed
            if played.exchange.kind == "open" and now["type"] == "fault":
                raise MessageFault(now["code"], now["field"], now["expected"], now["got"])
            try:
                changes.setdefault(played.exchange.request.vehicle, VehicleChange()).add(played)
            except MISSHAPEN as error:
                reader.means_nothing("a reply", error)
                break
    if reader.remark():
        tell(reader.remark())
    return changes


def vehicles_in(path: Path) -> list[str]:
    """The vehicles that were opened in a recording.

    Raises:
        RecordingError: it cannot be read.
    """
    happenings = Course().read(RecordingReader(path))
    return sorted({e.session.vehicle for e in happenings if isinstance(e, Exchange) and e.kind == "open" and e.session})

"""What another flight plan would have changed in a recorded flight."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from guidance_svc.errors import MessageFault, RecordingError
from guidance_svc.playback.comparing import heading_difference_deg
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.playback.replay import MISSHAPEN, Answering, Player, damage_text, quiet_desk


@dataclass(slots=True)
class VehicleChange:
    """What another flight plan changes for one vehicle; the states are those of the recorded flight.

    Args:
        events: each event's name with (seq, at_s) as recorded and as replayed; None where it did not come.
        cutoff_at_s: the last one announced, recorded and replayed.
        pitch_deg, heading_deg: largest difference, and the vehicle time of the largest pitch difference.
        faults: replies that are faults now and were commands then.
    """

    commands: int = 0
    events: dict[str, list[tuple[int, float] | None]] = field(default_factory=dict)
    cutoff_at_s: list[float | None] = field(default_factory=lambda: [None, None])
    pitch_deg: float = 0.0
    pitch_at_s: float | None = None
    heading_deg: float = 0.0
    faults: int = 0

    def add(self, recorded: dict[str, Any], replayed: dict[str, Any]) -> None:
        """Take one pair of replies to the same state."""
        if recorded["type"] != "command":
            return
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
                pair[side] = (command["seq"], event["at_s"])


def replay_with_plan(path: Path, service: Answering, vehicle: str, plan: dict[str, Any]) -> dict[str, VehicleChange]:
    """Play a recording with another flight plan for one vehicle; what changes, by vehicle.

    Raises:
        RecordingError: it cannot be read.
        MessageFault: the service refuses the plan.
        ConfigError: the service does not answer.
    """
    changes: dict[str, VehicleChange] = {}
    reader = RecordingReader(path)
    with quiet_desk():
        for exchange in Player(reader, service, {vehicle: plan}).exchanges():
            if exchange.recorded is None:
                continue
            was, now = exchange.recorded, exchange.replayed
            if was.get("type") == "opened" and now["type"] == "fault":
                raise MessageFault(now["code"], now["field"], now["expected"], now["got"])
            try:
                changes.setdefault(exchange.vehicle, VehicleChange()).add(was, now)
            except MISSHAPEN as error:
                got = damage_text(reader, error)
                raise RecordingError("damaged_recording", "", "whole replies", got, str(path)) from None
    return changes


def vehicles_in(path: Path) -> list[str]:
    """The vehicles that were opened in a recording.

    Raises:
        RecordingError: it cannot be read.
    """
    entries = RecordingReader(path).entries()
    return sorted({e.vehicle for e in entries if isinstance(e, RecordedMessage) and e.type == "opened"})

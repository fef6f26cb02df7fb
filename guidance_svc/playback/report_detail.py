"""What guidance believed in a recorded flight, by playing the recording again with detail on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from guidance_svc.playback.recordings import RecordedMessage, RecordedSession, RecordingReader, readers
from guidance_svc.playback.replay import Answering, Player
from guidance_svc.playback.report_reading import Progress, Recording, detail_of


class DetailedReader(RecordingReader):
    """All files of a recording, one after the other, in which every script asked for detail."""

    def __init__(self, files: Sequence[Path]) -> None:
        super().__init__(files[0])
        self._files = files

    def entries(self) -> Iterator[Any]:
        """As `RecordingReader.entries`."""
        known: set[str] = set()
        for reader in readers(self._files):
            for entry in reader.entries():
                if isinstance(entry, RecordedSession) and entry.vehicle in known:
                    continue  # the service has it from the file before
                if isinstance(entry, RecordedSession | RecordedMessage):
                    known.add(entry.vehicle)
                yield self._asking(entry)

    def _asking(self, entry: Any) -> Any:
        if isinstance(entry, RecordedMessage) and entry.type == "open":
            return replace(entry, message={**entry.message, "detail": True})
        return entry


def add_detail(recording: Recording, service: Answering, progress: Progress = lambda what, done, of: None) -> None:
    """Play the recording to a fresh service with detail on, and keep what its replies say behind the commands.

    Replies are repeatable, so this is what guidance believed in the flight; `different` counts the replies whose
    pointing or cutoff differ all the same (another version of the service), 1e-9 apart.

    Raises:
        RecordingError: it cannot be read.
    """
    total, place = sum(recording.answered.values()), dict.fromkeys(recording.answered, 0)
    for exchange in Player(DetailedReader(recording.files), service).exchanges():
        if exchange.request.get("type") != "state" or exchange.vehicle not in place or exchange.recorded is None:
            continue
        if exchange.recorded["type"] != "command":
            continue
        said = recording.asked.get(exchange.vehicle, {}).get(place[exchange.vehicle])
        place[exchange.vehicle] += 1
        if recording.replayed % 500 == 0:
            progress("playing again", recording.replayed, total)
        recording.replayed += 1
        if exchange.replayed["type"] != "command" or not the_same(exchange.recorded, exchange.replayed):
            recording.different += 1
        if said is not None and said["detail"] is None and exchange.replayed.get("detail"):
            said["detail"] = detail_of(exchange.replayed["detail"])


def the_same(said: Mapping[str, Any], replayed: Mapping[str, Any]) -> bool:
    """Whether two replies ask for the same."""
    ends = said["cutoff_at_s"], replayed["cutoff_at_s"]
    close = ends[0] == ends[1] or (None not in ends and abs(ends[0] - ends[1]) < 1e-6)
    return close and all(abs(a - b) < 1e-9 for a, b in zip(said["pointing"], replayed["pointing"], strict=True))


def needs_detail(recording: Recording) -> bool:
    """Whether any reply was recorded without the numbers behind it."""
    return any(said["detail"] is None for replies in recording.asked.values() for said in replies.values())

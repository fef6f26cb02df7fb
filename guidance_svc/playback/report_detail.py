"""What guidance believed in a recorded flight, by playing the recording again with detail on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from guidance_svc.playback.recordings import readers
from guidance_svc.playback.replay import Answering, Player
from guidance_svc.playback.report_reading import Progress, Recording, detail_of


def add_detail(recording: Recording, service: Answering, progress: Progress = lambda what, done, of: None) -> None:
    """Play the recording to a fresh service with detail on, and keep what its replies say behind the commands.

    Replies are repeatable, so this is what guidance believed in the flight; `different` counts the replies whose
    pointing or cutoff differ all the same (another version of the service), 1e-9 apart.

    Raises:
        RecordingError: it cannot be read.
    """
    for played in Player(readers(recording.files), service, detail=True).exchanges():
        recorded, replayed = played.recorded, played.replayed
        if recorded is None or played.exchange.kind != "state":
            continue
        if recording.replayed % 500 == 0:
            progress("playing again", recording.replayed, recording.answered)
        recording.replayed += 1
        if replayed["type"] != "command" or not the_same(recorded, replayed):
            recording.different += 1
        said = recording.asked.get(played.exchange.number)
        if said is not None and said["detail"] is None and replayed.get("detail"):
            said["detail"] = detail_of(replayed["detail"])


def the_same(said: Mapping[str, Any], replayed: Mapping[str, Any]) -> bool:
    """Whether two replies ask for the same."""
    ends = said["cutoff_at_s"], replayed["cutoff_at_s"]
    close = ends[0] == ends[1] or (None not in ends and abs(ends[0] - ends[1]) < 1e-6)
    return close and all(abs(a - b) < 1e-9 for a, b in zip(said["pointing"], replayed["pointing"], strict=True))


def needs_detail(recording: Recording) -> bool:
    """Whether any reply was recorded without the numbers behind it."""
    return any(said["detail"] is None for said in recording.asked.values())

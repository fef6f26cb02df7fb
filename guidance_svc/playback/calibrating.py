"""Calibration of recordings: the last flight of each vehicle that burned, and a vehicle file of what it showed."""

from __future__ import annotations

import logging
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from guidance_svc.errors import ConfigError, GuidanceError, RecordingError
from guidance_svc.laws.plan_model import flight_plan_model
from guidance_svc.playback.recordings import MISSHAPEN
from guidance_svc.playback.report_reading import Kept, read_recording
from guidance_svc.playback.setting import Setting, setting_of
from guidance_svc.playback.tracks import burning, track_of
from guidance_svc.report.calibration import calibrate
from guidance_svc.report.calibration_text import Calibrated, vehicle_file
from guidance_svc.report.track import Track
from guidance_svc.wire.plans import VehicleModel, parse_table

WANTED = "states of a burn of a few seconds, several a second"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Burned:
    """What is calibrated of one vehicle.

    Args:
        planned: its vehicle as its flight plan's table had it.
    """

    setting: Setting
    planned: dict[str, Any]
    kept: Kept


def calibrate_recording(
    path: Path, vehicle: str | None = None, tell: Callable[[str], None] = _log.warning
) -> list[Calibrated]:
    """As `calibrate_recordings`, of one recording and those that go on where it ends."""
    return calibrate_recordings([path], vehicle, tell)


def calibrate_recordings(
    paths: Sequence[Path], vehicle: str | None = None, tell: Callable[[str], None] = _log.warning
) -> list[Calibrated]:
    """The figures of one vehicle, or of all that burned: of the last flight of each in which it burned.

    Args:
        paths: recordings, in the order in which they were made; parts of one count as one.
        tell: gets a sentence on what of the recordings is missing or not counted, if something is.

    Raises:
        RecordingError: no recording, or no burn in it.
        ConfigError: no vehicle of that name in it.
    """
    flights = read_flights(paths, tell)
    if vehicle is not None and vehicle not in flights:
        raise ConfigError("unknown_name", "--vehicle", f"one of {', '.join(flights) or 'none'}", vehicle)
    chosen = {vehicle: flights[vehicle]} if vehicle is not None else flights
    found = []
    for name, flown in chosen.items():
        count, known = len(flown.kept.states), flown.setting.plan.vehicle
        if count > 1:
            stages, missed = calibrate(_whole_track(paths[0], flown), known)
            found.append(Calibrated(name, known, flown.planned, stages, missed, count))
    if not any(one.stages for one in found):
        reasons = [text for one in found for text in one.missed]
        states = sum(len(flown.kept.states) for flown in chosen.values())
        got = "; ".join(reasons) or f"{states} states, none with the engine on"
        raise RecordingError("nothing_to_calibrate", "", WANTED, got, str(paths[0]))
    return found


def read_flights(paths: Sequence[Path], tell: Callable[[str], None]) -> dict[str, Burned]:
    """Every vehicle with the states of its last flight that burned, each with its reply, up to the first damage.

    What a reloaded save undid, states that were sent again, and earlier flights are left out, and said.

    Raises:
        RecordingError: no recording, nothing whole in it, or a flight plan is missing or does not hold.
    """
    recording = read_recording(paths[0], others=paths[1:], most_states=None)
    if recording.remarks and not recording.sessions:
        raise RecordingError("nothing_to_calibrate", "", WANTED, "; ".join(recording.remarks), str(paths[0]))
    for remark in recording.remarks:
        tell(remark)
    flights: dict[str, Burned] = {}
    for name in dict.fromkeys(kept.vehicle for kept in recording.sessions):
        sessions = [kept for kept in recording.sessions if kept.vehicle == name]
        burned = [kept for kept in sessions if _shows_burn(kept)]
        last = (burned or sessions)[-1]
        if len(burned) > 1:
            tell(f"{name}: {len(burned)} flights with a burn; only the last one is used")
        reloads = last.session.reloads
        if reloads:
            undone_s = sum(reached_s - back_s for reached_s, back_s in reloads)
            tell(f"{name}: {undone_s:.1f} s that were flown again after {len(reloads)} reloads are not counted")
        flights[name] = _burned_session(paths[0], last)
    return flights


def _shows_burn(kept: Kept) -> bool:
    """Whether any state shows the engine on."""
    before = [None, *kept.commands]
    return any(burning(state, command) for state, command in zip(kept.states, before, strict=False))


def _burned_session(path: Path, kept: Kept) -> Burned:
    """One session with what it flew with."""
    try:
        setting = setting_of(kept.session)
    except GuidanceError as error:
        expected = f"the flight plan that {kept.vehicle} flew, with body and vehicle"
        raise RecordingError("no_plan", kept.vehicle, expected, error.sentence(), str(path)) from None
    model = parse_table(flight_plan_model(), kept.session.plan).vehicle
    return Burned(setting, {} if isinstance(model, str) else model.model_dump(), kept)


def _whole_track(path: Path, flown: Burned) -> Track:
    """The arrays, where every reply has its fields; changed bytes may have taken one away."""
    try:
        return track_of(flown.setting, flown.kept.states, flown.kept.commands)
    except MISSHAPEN as error:
        got = f"{type(error).__name__} {error}"
        raise RecordingError("damaged_recording", flown.kept.vehicle, "whole replies", got, str(path)) from None


def write_vehicle_file(one: Calibrated, path: Path) -> None:
    """The figures as a vehicle file; a file that is there is kept.

    Raises:
        ConfigError: the path exists or cannot be written, or the figures make no vehicle.
    """
    text = vehicle_file(one)
    parse_table(VehicleModel, tomllib.loads(text), str(path))
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise ConfigError("file_exists", "--out", "a path where no file is yet", str(path)) from None
    except OSError as error:
        raise ConfigError("cannot_write", "--out", "a path that can be written", error.strerror, str(path)) from None

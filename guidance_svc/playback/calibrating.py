"""Calibration of a recording: its states as arrays in the inertial frame, vehicle by vehicle."""

from __future__ import annotations

import logging
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import nan
from pathlib import Path
from typing import Any

import numpy as np

from guidance_svc.core.frames import direction_to_bci, state_to_bci
from guidance_svc.domain import Body, Boost, Frame, Insertion, Vec, Vehicle, VehicleState
from guidance_svc.errors import ConfigError, RecordingError
from guidance_svc.playback.replay import MISSHAPEN
from guidance_svc.playback.report_reading import Session, read_recording
from guidance_svc.report.calibration import calibrate
from guidance_svc.report.calibration_text import Calibrated, vehicle_file
from guidance_svc.report.track import Ints, Track, throttle_as_set
from guidance_svc.wire.messages import FrameModel
from guidance_svc.wire.parse import parse_frame
from guidance_svc.wire.plans import FlightPlanModel, VehicleModel, parse_table

NOWHERE = (nan, nan, nan)
WANTED = "states of a burn of a few seconds, several a second"
DROPPED_FRAC = 0.5  # of a stage's dry mass, lost between two states: the stage is gone

_log = logging.getLogger(__name__)


@dataclass
class StatesFlown:
    """What the pass through a recording has collected of one vehicle."""

    known: Vehicle
    planned: dict[str, Any]
    frame: Frame
    body: Body
    first_stage: int = 0
    states: list[VehicleState] = field(default_factory=list)
    commands: list[dict[str, Any] | None] = field(default_factory=list)


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
        if len(flown.states) > 1:
            stages, missed = calibrate(_whole_track(paths[0], name, flown), flown.known)
            found.append(Calibrated(name, flown.known, flown.planned, stages, missed, len(flown.states)))
    if not any(one.stages for one in found):
        reasons = [text for one in found for text in one.missed]
        got = "; ".join(reasons) or f"{sum(len(f.states) for f in chosen.values())} states, none with the engine on"
        raise RecordingError("nothing_to_calibrate", "", WANTED, got, str(paths[0]))
    return found


def read_flights(paths: Sequence[Path], tell: Callable[[str], None]) -> dict[str, StatesFlown]:
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
    flights: dict[str, StatesFlown] = {}
    for name in dict.fromkeys(session.vehicle for session in recording.sessions):
        sessions = [session for session in recording.sessions if session.vehicle == name]
        burned = [session for session in sessions if _burned(session)]
        last = (burned or sessions)[-1]
        if len(burned) > 1:
            tell(f"{name}: {len(burned)} flights with a burn; only the last one is used")
        if last.reloads:
            undone_s = sum(reached_s - back_s for reached_s, back_s in last.reloads)
            tell(f"{name}: {undone_s:.1f} s that were flown again after {len(last.reloads)} reloads are not counted")
        flights[name] = _flown(paths[0], last, recording.plans)
    return flights


def _burned(session: Session) -> bool:
    """Whether any state shows the engine on."""
    before = [None, *session.commands[:-1]]
    try:
        return any(_burning(state, command) for state, command in zip(session.states, before, strict=True))
    except MISSHAPEN:
        return False


def _flown(path: Path, session: Session, plans: dict[str, dict[str, Any]]) -> StatesFlown:
    """One session with the plan and frame that it was opened with."""
    message = dict(session.opened)
    table = message.pop("table", None)
    if table is not None:
        message["plan"] = table
    flown = _opened(path, session.vehicle, message, plans)
    flown.states, flown.commands = session.states, session.commands
    return flown


def _whole_track(path: Path, vehicle: str, flown: StatesFlown) -> Track:
    """The arrays, where every reply has its fields; changed bytes may have taken one away."""
    try:
        return track_of(flown)
    except MISSHAPEN as error:
        got = f"{type(error).__name__} {error}"
        raise RecordingError("damaged_recording", vehicle, "whole replies", got, str(path)) from None


def _opened(path: Path, vehicle: str, message: dict[str, Any], plans: dict[str, dict[str, Any]]) -> StatesFlown:
    wanted = message.get("plan")
    table = plans.get(wanted) if isinstance(wanted, str) else wanted
    try:
        plan = parse_table(FlightPlanModel, table)
        if isinstance(plan.body, str) or isinstance(plan.vehicle, str):
            raise ConfigError("names_only", "plan", "body and vehicle as tables", "names")
        frame = parse_frame(parse_table(FrameModel, message.get("frame", {})))
        planned = plan.vehicle.model_dump()
        body = plan.body.to_domain(plan.gravity)
        return StatesFlown(plan.vehicle.to_domain(vehicle), planned, frame, body, _first_stage(plan))
    except ConfigError as error:
        expected = f"the flight plan that {vehicle} flew, with body and vehicle"
        raise RecordingError("no_plan", vehicle, expected, error.sentence(), str(path)) from None


def _first_stage(plan: FlightPlanModel) -> int:
    """Index of the stage that burns first: 0 with a boost, else that of the insertion."""
    phases = [phase.to_domain() for phase in plan.phases or ()]
    if any(isinstance(phase, Boost) for phase in phases):
        return 0
    return next((phase.first_stage for phase in phases if isinstance(phase, Insertion)), 0)


def track_of(flown: StatesFlown) -> Track:
    """The arrays; what the script did not tell is taken from the command before."""
    states, body, frame = flown.states, flown.body, flown.frame
    told = [state_to_bci(state, frame, body) for state in states]
    before = [None, *flown.commands[:-1]]
    after = flown.commands
    cutoffs = [nan if c is None or c["cutoff_at_s"] is None else c["cutoff_at_s"] for c in after]
    burning = np.array([_burning(s, c) for s, c in zip(states, before, strict=True)])
    throttle = np.array([_throttle(s, c) for s, c in zip(states, before, strict=True)])
    return Track(
        times_s=np.array([s.time_s for s in states]),
        positions_m=np.array([p for p, _ in told]),
        velocities_m_s=np.array([v for _, v in told]),
        masses_kg=np.array([s.mass_kg for s in states]),
        pointing=np.array([_pointing(s, c, frame, body) for s, c in zip(states, before, strict=True)]),
        throttle_frac=throttle_as_set(throttle, burning),
        engine_on=burning,
        stage=_stages(flown),
        thrust_n=np.array([nan if s.thrust_n is None else s.thrust_n for s in states]),
        cutoff_at_s=np.array(cutoffs, dtype=float),
        ignite_at_s=np.array([_ignition(c) for c in after], dtype=float),
        body=body,
    )


def _stages(flown: StatesFlown) -> Ints:
    """The burning stage as told; where it is not, one more whenever most of a stage's dry mass goes at once."""
    index = flown.first_stage
    found: list[int] = []
    mass_kg = flown.states[0].mass_kg
    for state in flown.states:
        dry_kg = flown.known.stages[min(index, len(flown.known.stages) - 1)].dry_mass_kg
        if mass_kg - state.mass_kg > DROPPED_FRAC * dry_kg and _too_fast(flown, mass_kg - state.mass_kg, len(found)):
            index = min(index + 1, len(flown.known.stages) - 1)
        mass_kg = state.mass_kg
        found.append(index if state.stage is None else state.stage)
    return np.array(found, dtype=np.int64)


def _too_fast(flown: StatesFlown, lost_kg: float, i: int) -> bool:
    """Whether a loss of mass before state i is more than any engine of the vehicle burns in that time."""
    gap_s = flown.states[i].time_s - flown.states[i - 1].time_s if i > 0 else 0.0
    return lost_kg > 2.0 * max(stage.mass_flow_kg_s for stage in flown.known.stages) * max(gap_s, 0.0)


def _pointing(state: VehicleState, command: dict[str, Any] | None, frame: Frame, body: Body) -> Vec:
    vector = state.pointing_script
    if vector is None and command is not None:
        x, y, z = command["pointing"]
        vector = (x, y, z)
    return NOWHERE if vector is None else direction_to_bci(vector, frame, body, state.time_s)


def _throttle(state: VehicleState, command: dict[str, Any] | None) -> float:
    if state.throttle_frac is not None:
        return state.throttle_frac
    return 1.0 if command is None else float(command["throttle"])


def _burning(state: VehicleState, command: dict[str, Any] | None) -> bool:
    if state.engine_on is not None:
        return state.engine_on
    if state.thrust_n is not None:
        return state.thrust_n > 0.0
    if state.throttle_frac is not None:
        return state.throttle_frac > 0.0
    return command is not None and bool(command["engine_on"])


def _ignition(command: dict[str, Any] | None) -> float:
    event = None if command is None else command["event"]
    return float(event["at_s"]) if event is not None and event["name"] in ("ignite", "circularize") else nan


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

"""One pass over a recording for its report: sessions told apart, repeats and what reloads undid taken out."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from guidance_svc.adapters.recorder import NO_VEHICLE, OPEN_KEY
from guidance_svc.adapters.recordings import RecordedMessage, RecordedPlan, RecordedSession, RecordingReader, parts
from guidance_svc.domain import VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.report.flown import SeenEvent
from guidance_svc.wire.parse import parse_state

OPTIONAL = ("thrust_n", "throttle", "pointing", "stage", "engine_on", "propellant_kg")
DETAIL = ("velocity_to_gain_m_s", "propellant_margin_kg", "exhaust_velocity_m_s", "mass_flow_kg_s")
COMMAND = (
    "pitch_deg", "pitch_rate_deg_s", "heading_deg", "throttle", "time_to_cutoff_s", "next_contact_s", "cutoff_at_s",
    "phase", "status", "engine_on", "pointing", "event", "time_s", "seq",
)  # fmt: skip
MISSHAPEN = (KeyError, TypeError, ValueError, AttributeError, IndexError)  # what changed bytes can make of a message
MOST_EXAMPLES = 200  # different warnings or faults kept of one session; a flood of them stays readable
Progress = Callable[[str, int, int], None]  # what is being done, how much of it, of how much (0: unknown)


@dataclass
class Tally:
    """A warning or a fault while it is counted."""

    count: int = 0
    first_s: float | None = None
    last_s: float | None = None

    def add(self, time_s: float | None) -> None:
        """Once more."""
        self.count += 1
        if time_s is not None:
            self.first_s = time_s if self.first_s is None else self.first_s
            self.last_s = time_s


@dataclass
class Session:
    """One session while the recording is read; the lists run in step."""

    vehicle: str
    opened: dict[str, Any]
    states: list[VehicleState] = field(default_factory=list)
    commands: list[dict[str, Any] | None] = field(default_factory=list)
    wall_ns: list[int] = field(default_factory=list)
    told: set[str] = field(default_factory=set)
    links: set[int] = field(default_factory=set)
    events: dict[str, SeenEvent] = field(default_factory=dict)
    warnings: dict[str, Tally] = field(default_factory=dict)
    faults: dict[str, Tally] = field(default_factory=dict)
    reloads: list[tuple[float, float]] = field(default_factory=list)
    resumed: int = 0
    repeats: int = 0
    closed: bool = False
    last_seq: int | None = None
    last_kept: bool = True

    @property
    def now_s(self) -> float | None:
        """Vehicle time of the last state."""
        return self.states[-1].time_s if self.states else None


@dataclass
class Recording:
    """A recording as a report needs it.

    Args:
        asked: every reply to a state, in order, by vehicle, those of thrown-away states too: a replay fills them in.
        strangers: faults before any session.
        plans: as they were used, by name.
        start_ns, end_ns: wall time of the first and the last message.
        files: of the recording, in order: where one grew too long, others follow it.
        remarks: sentences on what is missing or damaged.
    """

    path: Path
    sessions: list[Session] = field(default_factory=list)
    asked: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    strangers: dict[str, Tally] = field(default_factory=dict)
    plans: dict[str, dict[str, Any]] = field(default_factory=dict)
    orphans: dict[str, int] = field(default_factory=dict)
    start_ns: int = 0
    end_ns: int = 0
    files: list[Path] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    about: dict[str, str] = field(default_factory=dict)
    replayed: int = 0
    different: int = 0

    def session(self, vehicle: str) -> Session | None:
        """The last session of a vehicle."""
        return next((s for s in reversed(self.sessions) if s.vehicle == vehicle), None)


def read_recording(path: Path, progress: Progress = lambda what, done, of: None) -> Recording:
    """One pass over a recording.

    Raises:
        RecordingError: it cannot be read.
    """
    recording = Recording(path, files=parts(path))
    for file in recording.files:
        read_part(recording, RecordingReader(file), progress)
    return recording


def read_part(recording: Recording, reader: RecordingReader, progress: Progress) -> None:
    """One file of a recording; what follows a message that no service writes is left out, and said."""
    take = {"open": _open, "opened": _opened, "state": _state, "command": _command, "close": _close, "fault": _fault}
    for count, entry in enumerate(reader.entries()):
        if count % 2000 == 0:
            progress("reading", count, 0)
        if isinstance(entry, RecordedPlan):
            recording.plans[entry.name] = entry.table
        elif isinstance(entry, RecordedSession):
            _begun_before(recording, entry)
        elif isinstance(entry, RecordedMessage):
            recording.start_ns = recording.start_ns or entry.time_ns
            recording.end_ns = entry.time_ns
            try:
                take.get(entry.type, _ignore)(recording, entry)
            except (*MISSHAPEN, GuidanceError) as error:
                what = f"a {entry.type} of {entry.vehicle} in {reader.path.name} ({type(error).__name__}: {error})"
                recording.remarks.append(f"damaged at {what}; what stands before is used")
                break
    recording.about.update(reader.about)
    if reader.remark():
        recording.remarks.append(reader.remark())


def _begun_before(recording: Recording, entry: RecordedSession) -> None:
    """A session that was open when the file began; known already where the file before was read."""
    if recording.session(entry.vehicle) is not None:
        return
    try:
        message = json.loads(entry.table[OPEN_KEY])
        _open(recording, RecordedMessage("in", entry.vehicle, "open", 0, 0, message))
        recording.sessions[-1].links.clear()
    except MISSHAPEN:
        recording.remarks.append(f"how the session of {entry.vehicle} was opened cannot be read")


def _ignore(recording: Recording, entry: RecordedMessage) -> None:
    """Nothing: the bytes of a refused message are known by their fault."""


def _open(recording: Recording, entry: RecordedMessage) -> None:
    """A session begins, unless the reply says that it goes on."""
    plan = entry.message["plan"]
    table = recording.plans.get(plan) if isinstance(plan, str) else plan
    recording.sessions.append(Session(entry.vehicle, {**entry.message, "table": table}, links={entry.link}))


def _opened(recording: Recording, entry: RecordedMessage) -> None:
    new = recording.session(entry.vehicle)
    if new is None or not entry.message.get("resumed"):
        return
    recording.sessions.remove(new)
    before = recording.session(entry.vehicle)
    if before is None or before.closed:  # the recording begins after the session did
        recording.sessions.append(new)
        before = new
    before.links |= new.links
    before.resumed += 1
    before.last_seq = None


def _state(recording: Recording, entry: RecordedMessage) -> None:
    session = recording.session(entry.vehicle)
    if session is None:
        recording.orphans[entry.vehicle] = recording.orphans.get(entry.vehicle, 0) + 1
        return
    state = parse_state(entry.message)
    session.links.add(entry.link)
    session.last_kept = state.seq != session.last_seq
    session.last_seq = state.seq
    if not session.last_kept:
        session.repeats += 1
        return
    if state.seen_event and state.seen_event in session.events:
        known = session.events[state.seen_event]
        session.events[known.id] = replace(known, done_s=known.done_s if known.done_s is not None else state.time_s)
    _go_back(session, state.time_s)
    session.told.update(name for name in OPTIONAL if name in entry.message)
    session.states.append(state)
    session.commands.append(None)
    session.wall_ns.append(entry.time_ns)


def _go_back(session: Session, time_s: float) -> None:
    """Throw away what a reloaded save undid; a state for the same instant replaces the one before."""
    if session.states and time_s < session.states[-1].time_s:
        session.reloads.append((session.states[-1].time_s, time_s))
        session.events = {k: e for k, e in session.events.items() if e.announced_s < time_s}
    while session.states and session.states[-1].time_s >= time_s:
        for line in (session.states, session.commands, session.wall_ns):
            line.pop()


def _command(recording: Recording, entry: RecordedMessage) -> None:
    session = recording.session(entry.vehicle)
    if session is None:
        return
    message = entry.message
    slim = {name: message[name] for name in COMMAND}
    slim["detail"] = detail_of(message["detail"]) if message.get("detail") else None
    recording.asked.setdefault(entry.vehicle, []).append(slim)
    if not session.last_kept or not session.states or session.states[-1].seq != message["seq"]:
        return
    session.commands[-1] = slim
    now_s = float(message["time_s"])
    for text in message["warnings"]:
        _count(session.warnings, text, now_s)
    event = message["event"]
    if event is not None:
        known = session.events.get(event["id"])
        first = known.announced_s if known else now_s
        done = known.done_s if known else None
        session.events[event["id"]] = SeenEvent(event["id"], event["name"], float(event["at_s"]), first, done)


def detail_of(detail: Mapping[str, Any]) -> tuple[float | None, ...]:
    """The numbers of a reply's detail that a report shows: DETAIL, then the predicted apsides."""
    orbit = detail["predicted_orbit"] or {"perigee_altitude_m": None, "apogee_altitude_m": None}
    return (*(detail[name] for name in DETAIL), orbit["perigee_altitude_m"], orbit["apogee_altitude_m"])


def _close(recording: Recording, entry: RecordedMessage) -> None:
    session = recording.session(entry.vehicle)
    if session is not None:
        session.closed = True


def _fault(recording: Recording, entry: RecordedMessage) -> None:
    session = recording.session(entry.vehicle) if entry.vehicle != NO_VEHICLE else None
    text = f"{entry.message['code']}: {entry.message['message']}"
    _count(recording.strangers if session is None else session.faults, text, session.now_s if session else None)


def _count(tallies: dict[str, Tally], text: str, time_s: float | None) -> None:
    if text in tallies or len(tallies) < MOST_EXAMPLES:
        tallies.setdefault(text, Tally()).add(time_s)

"""One pass over a recording for its report: sessions told apart, repeats and what reloads undid taken out."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from guidance_svc.domain import VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.playback.recordings import (
    RecordedMessage,
    RecordedPlan,
    RecordedSession,
    RecordingReader,
    chained,
    readers,
)
from guidance_svc.playback.report_thinning import FIRST_GAP_S, MOST_STATES, kept
from guidance_svc.report.flown import LATE_S, SeenEvent
from guidance_svc.storage.recorder import NO_VEHICLE, OPEN_KEY
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
    late: int = 0
    skipped: int = 0
    thinned: bool = False

    @property
    def now_s(self) -> float | None:
        """Vehicle time of the last state."""
        return self.states[-1].time_s if self.states else None


@dataclass
class Recording:
    """A recording as a report needs it.

    Args:
        asked: replies to the states that are kept, by vehicle and by their number among all its replies: a replay
            fills them in. `answered` is how many there were.
        held: states that are kept; `gap_s` is what coasting ones are apart at least, 0 while all are kept.
        strangers: faults before any session.
        plans: as they were used, by name.
        start_ns, end_ns: wall time of the first and the last message.
        files: of the recording, in order: where one grew too long, others follow it.
        remarks: sentences on what is missing or damaged.
        short: sessions with fewer than two states, once the states have been let go of.
    """

    path: Path
    sessions: list[Session] = field(default_factory=list)
    asked: dict[str, dict[int, dict[str, Any]]] = field(default_factory=dict)
    answered: dict[str, int] = field(default_factory=dict)
    held: int = 0
    states: int = 0
    gap_s: float = 0.0
    most_states: int | None = MOST_STATES
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
    short: tuple[str, ...] = ()

    def session(self, vehicle: str) -> Session | None:
        """The last session of a vehicle."""
        return next((s for s in reversed(self.sessions) if s.vehicle == vehicle), None)


def read_recording(
    path: Path,
    progress: Progress = lambda what, done, of: None,
    others: Sequence[Path] = (),
    most_states: int | None = MOST_STATES,
) -> Recording:
    """One pass over a recording.

    Args:
        others: more files that were recorded after it.
        most_states: to keep of a long recording; None keeps all.

    Raises:
        RecordingError: it cannot be read.
    """
    recording = Recording(path, files=chained([path, *others]), most_states=most_states)
    for reader in readers(recording.files):
        read_part(recording, reader, progress)
    if recording.gap_s > 0.0:
        thin(recording)
        burning_s, coasting_s = 0.125 * recording.gap_s, min(recording.gap_s, 4.0)
        recording.remarks.append(
            f"of the {recording.states:,} states {recording.held:,} are shown, all of those near a change, the others "
            f"{burning_s:g} s apart in burns and {coasting_s:g} s in coasts; `replay` and `calibrate` use every one"
        )
    return recording


def thin(recording: Recording) -> None:
    """Leave out states where nothing changes, as far apart as was found to be enough."""
    for session in recording.sessions:
        stay = kept(session.states, session.commands, recording.gap_s)
        session.thinned = session.thinned or len(stay) < len(session.states)
        if len(stay) == len(session.states):
            continue
        gone = set(range(len(session.states))).difference(stay)
        _no_longer_asked(recording, session, [session.commands[index] for index in gone])
        session.states = [session.states[index] for index in stay]
        session.commands = [session.commands[index] for index in stay]
        session.wall_ns = [session.wall_ns[index] for index in stay]
    recording.held = sum(len(session.states) for session in recording.sessions)


def let_go(recording: Recording) -> None:
    """Free the states and replies, once the flights are made of them: drawing takes as much memory again."""
    recording.short = tuple(f"{s.vehicle} ({len(s.states)})" for s in recording.sessions if len(s.states) < 2)
    recording.asked.clear()
    for session in recording.sessions:
        session.states, session.commands, session.wall_ns = [], [], []


def make_room(recording: Recording, most_states: int) -> None:
    """Have at most half of the states that fit."""
    if recording.gap_s > 0.0:
        thin(recording)  # those that came since
    while recording.held > most_states // 2:
        recording.gap_s = 2.0 * recording.gap_s or FIRST_GAP_S
        thin(recording)
        if recording.gap_s > 1e6:  # sessions of two states each
            recording.most_states = 2 * recording.held
            return


def _no_longer_asked(recording: Recording, session: Session, commands: Sequence[dict[str, Any] | None]) -> None:
    asked = recording.asked.get(session.vehicle, {})
    for command in commands:
        if command is not None:
            asked.pop(command["index"], None)


def read_part(recording: Recording, reader: RecordingReader, progress: Progress) -> None:
    """One file of a recording; what follows a message that no service writes is left out, and said."""
    take = {"open": _open, "opened": _opened, "state": _state, "command": _command, "close": _close, "fault": _fault}
    for count, entry in enumerate(reader.entries()):
        if count % 2000 == 0:
            progress(f"reading {reader.path.name}", reader.at, reader.size)
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
    _go_back(recording, session, state.time_s)
    _link(session, state)
    session.told.update(name for name in OPTIONAL if name in entry.message)
    session.states.append(state)
    session.commands.append(None)
    session.wall_ns.append(entry.time_ns)
    recording.states, recording.held = recording.states + 1, recording.held + 1
    if recording.most_states is not None and recording.held > recording.most_states:
        make_room(recording, recording.most_states)


def _link(session: Session, state: VehicleState) -> None:
    """Count what came late and which numbers were skipped, before any state is left out."""
    if not session.states:
        return
    before, command = session.states[-1], session.commands[-1]
    session.skipped += max(state.seq - before.seq - 1, 0)
    if command is not None and command["next_contact_s"] is not None:
        session.late += state.time_s - before.time_s > command["next_contact_s"] + LATE_S


def _go_back(recording: Recording, session: Session, time_s: float) -> None:
    """Throw away what a reloaded save undid; a state for the same instant replaces the one before."""
    if session.states and time_s < session.states[-1].time_s:
        session.reloads.append((session.states[-1].time_s, time_s))
        session.events = {k: e for k, e in session.events.items() if e.announced_s < time_s}
    while session.states and session.states[-1].time_s >= time_s:
        _no_longer_asked(recording, session, session.commands[-1:])
        recording.held -= 1
        for line in (session.states, session.commands, session.wall_ns):
            line.pop()


def _command(recording: Recording, entry: RecordedMessage) -> None:
    session = recording.session(entry.vehicle)
    if session is None:
        return
    message = entry.message
    slim = {name: message[name] for name in COMMAND}
    slim["detail"] = detail_of(message["detail"]) if message.get("detail") else None
    slim["index"] = index = recording.answered.get(entry.vehicle, 0)
    recording.answered[entry.vehicle] = index + 1
    if not session.last_kept or not session.states or session.states[-1].seq != message["seq"]:
        return
    session.commands[-1] = slim
    recording.asked.setdefault(entry.vehicle, {})[index] = slim
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

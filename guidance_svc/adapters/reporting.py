"""From a recording to the flights of a report: sessions told apart, reloads and repeats out, detail played again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import nan
from pathlib import Path
from typing import Any

import numpy as np

from guidance_svc.adapters.calibrating import StatesFlown, track_of
from guidance_svc.adapters.config_files import Library
from guidance_svc.adapters.recorder import NO_VEHICLE
from guidance_svc.adapters.recordings import RecordedMessage, RecordedPlan, RecordingReader
from guidance_svc.adapters.replay import Answering, Player
from guidance_svc.domain import Boost, FlightPlan, Insertion, VehicleState
from guidance_svc.errors import ConfigError, GuidanceError, RecordingError
from guidance_svc.report.flown import Flown, Link, Replies, Said, SeenEvent
from guidance_svc.wire.messages import FrameModel
from guidance_svc.wire.parse import parse_frame, parse_state
from guidance_svc.wire.plans import parse_table

OPTIONAL = ("thrust_n", "throttle", "pointing", "stage", "engine_on", "propellant_kg")
DETAIL = ("velocity_to_gain_m_s", "propellant_margin_kg", "exhaust_velocity_m_s", "mass_flow_kg_s")
COMMAND = (
    "pitch_deg", "pitch_rate_deg_s", "heading_deg", "throttle", "time_to_cutoff_s", "next_contact_s", "cutoff_at_s",
    "phase", "status", "engine_on", "pointing", "event", "time_s", "seq",
)  # fmt: skip
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
        start_ns: wall time of the first message.
    """

    path: Path
    sessions: list[Session] = field(default_factory=list)
    asked: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    strangers: dict[str, Tally] = field(default_factory=dict)
    plans: dict[str, dict[str, Any]] = field(default_factory=dict)
    orphans: dict[str, int] = field(default_factory=dict)
    start_ns: int = 0
    end_ns: int = 0
    remark: str = ""
    about: dict[str, str] = field(default_factory=dict)
    replayed: int = 0
    different: int = 0

    def session(self, vehicle: str) -> Session | None:
        """The last session of a vehicle."""
        return next((s for s in reversed(self.sessions) if s.vehicle == vehicle), None)


def read_recording(path: Path, progress: Progress = lambda what, done, of: None) -> Recording:
    """One pass over a recording.

    Raises:
        RecordingError: it cannot be read, or holds messages that no service writes.
    """
    recording, reader = Recording(path), RecordingReader(path)
    take = {"open": _open, "opened": _opened, "state": _state, "command": _command, "close": _close, "fault": _fault}
    for count, entry in enumerate(reader.entries()):
        if count % 2000 == 0:
            progress("reading", count, 0)
        if isinstance(entry, RecordedPlan):
            recording.plans[entry.name] = entry.table
        elif isinstance(entry, RecordedMessage):
            recording.start_ns = recording.start_ns or entry.time_ns
            recording.end_ns = entry.time_ns
            try:
                take.get(entry.type, _ignore)(recording, entry)
            except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
                expected, got = f"a {entry.type} as the service writes it", f"{type(error).__name__} {error}"
                raise RecordingError("damaged_recording", entry.vehicle, expected, got, str(path)) from None
    recording.about, recording.remark = reader.about, remark_of(reader)
    return recording


def remark_of(reader: RecordingReader) -> str:
    """What is missing of a recording, after the pass; "" where nothing is."""
    return reader.remark() or ""


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
    slim["detail"] = _detail(message["detail"]) if message.get("detail") else None
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


def _detail(detail: Mapping[str, Any]) -> tuple[float | None, ...]:
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


# --- what guidance believed -------------------------------------------------------------------------------------


class DetailedReader(RecordingReader):
    """The same recording, in which every script asked for detail."""

    def entries(self) -> Iterator[Any]:
        """As `RecordingReader.entries`."""
        for entry in super().entries():
            if isinstance(entry, RecordedMessage) and entry.type == "open":
                entry = replace(entry, message={**entry.message, "detail": True})
            yield entry


def add_detail(recording: Recording, service: Answering, progress: Progress = lambda what, done, of: None) -> None:
    """Play the recording to a fresh service with detail on, and keep what its replies say behind the commands.

    Replies are repeatable, so this is what guidance believed in the flight; `different` counts the replies whose
    pointing or cutoff differ all the same (another version of the service), 1e-9 apart.

    Raises:
        RecordingError: it cannot be read.
    """
    total = sum(len(replies) for replies in recording.asked.values())
    place = dict.fromkeys(recording.asked, 0)
    for exchange in Player(DetailedReader(recording.path), service).exchanges():
        if exchange.request.get("type") != "state" or exchange.vehicle not in place or exchange.recorded is None:
            continue
        if exchange.recorded["type"] != "command" or place[exchange.vehicle] >= len(recording.asked[exchange.vehicle]):
            continue
        said = recording.asked[exchange.vehicle][place[exchange.vehicle]]
        place[exchange.vehicle] += 1
        if recording.replayed % 500 == 0:
            progress("playing again", recording.replayed, total)
        recording.replayed += 1
        if exchange.replayed["type"] != "command" or not the_same(said, exchange.replayed):
            recording.different += 1
        if said["detail"] is None and exchange.replayed.get("detail"):
            said["detail"] = _detail(exchange.replayed["detail"])


def the_same(said: Mapping[str, Any], replayed: Mapping[str, Any]) -> bool:
    """Whether two replies ask for the same."""
    ends = said["cutoff_at_s"], replayed["cutoff_at_s"]
    close = ends[0] == ends[1] or (None not in ends and abs(ends[0] - ends[1]) < 1e-6)
    return close and all(abs(a - b) < 1e-9 for a, b in zip(said["pointing"], replayed["pointing"], strict=True))


def needs_detail(recording: Recording) -> bool:
    """Whether any reply was recorded without the numbers behind it."""
    return any(said["detail"] is None for replies in recording.asked.values() for said in replies)


# --- flights ----------------------------------------------------------------------------------------------------


def flights_of(recording: Recording, vehicle: str | None = None) -> list[Flown]:
    """The sessions with at least two states, of one vehicle or of all, in the order of their first state.

    Raises:
        ConfigError: no vehicle of that name.
        RecordingError: nothing was flown, or the flight plan is missing or does not hold.
    """
    names = sorted({s.vehicle for s in recording.sessions})
    if vehicle is not None and vehicle not in names:
        raise ConfigError("unknown_name", "--vehicle", f"one of {', '.join(names) or 'none'}", vehicle)
    flown = [s for s in recording.sessions if len(s.states) > 1 and vehicle in (None, s.vehicle)]
    if not flown:
        counts = ", ".join(f"{s.vehicle} with {len(s.states)}" for s in recording.sessions) or "no session"
        orphans = sum(recording.orphans.values())
        got = f"{counts}; {orphans} states without an open" if orphans else counts
        raise RecordingError("nothing_flown", "", "a vehicle with at least two states", got, str(recording.path))
    found = []
    for session in flown:
        mine = [s for s in flown if s.vehicle == session.vehicle]
        found.append(flight(recording, session, mine.index(session) + 1, len(mine)))
    return sorted(found, key=lambda one: float(one.wall_s[0]))


def flight(recording: Recording, session: Session, number: int, of: int) -> Flown:
    """One session as a report sees it."""
    opened = session.opened
    table = opened["table"] or recording.plans.get(opened["plan"] if isinstance(opened["plan"], str) else "")
    try:
        if not isinstance(table, dict):
            raise ConfigError("missing_field", "plan", "the flight plan as a table", opened["plan"])
        role = opened["role"]
        plan = Library().plan(table, role)
        frame = parse_frame(parse_table(FrameModel, opened.get("frame", {})))
    except GuidanceError as error:
        expected = f"the flight plan and frame that {session.vehicle} flew with"
        raise RecordingError("no_plan", session.vehicle, expected, error.sentence(), str(recording.path)) from None
    first = 0 if any(isinstance(phase, Boost) for phase in plan.phases) else first_inserting_stage(plan)
    states = StatesFlown(plan.vehicle, {}, frame, plan.body, first, session.states, session.commands)
    return Flown(
        vehicle=session.vehicle, number=number, of=of, role=role, plan=plan, frame=frame, track=track_of(states),
        seqs=np.array([s.seq for s in session.states], dtype=np.int64),
        wall_s=np.array([(ns - recording.start_ns) / 1e9 for ns in session.wall_ns]),
        propellant_kg=np.array([nan if s.propellant_kg is None else s.propellant_kg for s in session.states]),
        replies=replies_of(session.commands), events=tuple(session.events.values()),
        warnings=said(session.warnings), told=frozenset(session.told), notes=tuple(notes_of(session, recording)),
        link=Link(len(session.links), session.resumed, session.repeats, said(session.faults),
                  tuple(session.reloads), session.closed),
    )  # fmt: skip


def first_inserting_stage(plan: FlightPlan) -> int:
    """Index of the stage that burns first in the plan's insertion; 0 without one."""
    return next((phase.first_stage for phase in plan.phases if isinstance(phase, Insertion)), 0)


def replies_of(commands: list[dict[str, Any] | None]) -> Replies:
    """The replies as arrays."""

    def column(name: str) -> Any:
        values = [None if c is None else c[name] for c in commands]
        return np.array([nan if v is None else float(v) for v in values])

    nothing: tuple[float | None, ...] = (None,) * (len(DETAIL) + 2)
    details = [nothing if c is None or c["detail"] is None else c["detail"] for c in commands]
    gain, margin, exhaust, flow, perigee, apogee = (
        np.array([nan if row[k] is None else float(row[k]) for row in details])  # type: ignore[arg-type]
        for k in range(len(nothing))
    )
    return Replies(
        column("pitch_deg"), column("pitch_rate_deg_s"), column("heading_deg"), column("throttle"),
        column("time_to_cutoff_s"), column("next_contact_s"),
        tuple("" if c is None else str(c["phase"]) for c in commands),
        tuple("" if c is None else str(c["status"]) for c in commands),
        gain, perigee, apogee, margin, exhaust, flow,
    )  # fmt: skip


def said(tallies: Mapping[str, Tally]) -> tuple[Said, ...]:
    """Counted texts, the most frequent first."""
    rows = [Said(text, t.count, t.first_s, t.last_s) for text, t in tallies.items()]
    return tuple(sorted(rows, key=lambda row: -row.count))


def notes_of(session: Session, recording: Recording) -> Iterator[str]:
    """What a report of this session has to say about its sources."""
    without = {
        "thrust_n": "Thrust was not told: exhaust velocity, back pressure and mass flow are those of the flight plan.",
        "pointing": "Attitude was not told: the commanded one stands for it, in the losses too.",
        "propellant_kg": "Propellant was not told: it is the mass less the flight plan's dry masses.",
        "throttle": "Throttle was not told: the commanded one stands for it.",
        "stage": "The stage was not told: it follows from the mass.",
        "engine_on": "Whether the engine is on was not told: it follows from thrust, throttle or the command.",
    }
    yield from (text for name, text in without.items() if name not in session.told)
    if not any(c is not None and c["detail"] is not None for c in session.commands):
        yield "What guidance believed was not recorded and not played again; the plots of it are left out."
    elif recording.replayed:
        yield (
            "What guidance believed was not recorded and comes from playing the recording again: replies are "
            f"repeatable, and {recording.replayed - recording.different} of {recording.replayed} came out the same."
        )

"""One pass over a recording for its report: the states that count, their replies, and what was said."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from guidance_svc.domain import VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.table import act_of
from guidance_svc.playback.arrivals import arrival_words
from guidance_svc.playback.course import Course, Exchange, Happening, Session
from guidance_svc.playback.recordings import MISSHAPEN, RecordedSession, RecordingReader, chain_parts, readers
from guidance_svc.playback.report_thinning import FIRST_GAP_S, MOST_STATES, choose_states
from guidance_svc.report.flown import Divert, SeenEvent
from guidance_svc.wire.parse import parse_state

OPTIONAL = ("thrust_n", "throttle", "pointing", "stage", "engine_on", "propellant_kg")
DETAIL = ("velocity_to_gain_m_s", "propellant_margin_kg", "exhaust_velocity_m_s", "mass_flow_kg_s")
COMMAND = (
    "pitch_deg", "pitch_rate_deg_s", "heading_deg", "throttle", "time_to_cutoff_s", "next_contact_s", "cutoff_at_s",
    "phase", "status", "engine_on", "pointing", "event", "time_s", "seq",
)  # fmt: skip
LEFT_OUT = ("engines", "clearance", "decide_at_s")  # of a command: there only where they apply
LANDING = ("contact_in_s", "miss_m", "speed_m_s", "throttle", "margin", "propellant_left_kg")
MOST_EXAMPLES = 200  # different warnings or faults kept of one session; a flood of them stays readable
Progress = Callable[[str, int, int], None]  # what is being done, how much of it, of how much (0: unknown)


@dataclass
class Tally:
    """A warning or a fault while it is counted."""

    count: int = 0
    first_s: float | None = None
    last_s: float | None = None

    def add(self, time_s: float | None) -> None:
        """Count one more, at this vehicle time where it is known."""
        self.count += 1
        if time_s is not None:
            self.first_s = time_s if self.first_s is None else self.first_s
            self.last_s = time_s


@dataclass
class Kept:
    """What is kept of a session; the lists run in step.

    Args:
        session: as the recording tells it.
        told: names of the optional fields that states carried.
    """

    session: Session
    states: list[VehicleState] = field(default_factory=list)
    commands: list[dict[str, Any] | None] = field(default_factory=list)
    wall_ns: list[int] = field(default_factory=list)
    told: set[str] = field(default_factory=set)
    events: dict[str, SeenEvent] = field(default_factory=dict)
    diverts: dict[str, Divert] = field(default_factory=dict)
    warnings: dict[str, Tally] = field(default_factory=dict)
    faults: dict[str, Tally] = field(default_factory=dict)

    @property
    def vehicle(self) -> str:
        """Name of the vehicle, as its `open` gave it."""
        return self.session.vehicle


@dataclass
class Recording:
    """A recording as a report needs it.

    Args:
        kept: of the sessions whose `open` is known, in the order in which they began.
        asked: replies to the states that are kept, by the number of their exchange: a replay fills them in.
        answered: how many replies to states there were.
        held: states that are kept; `gap_s` is what coasting ones are apart at least, 0 while all are kept.
        strangers: faults before any session.
        orphans: states of sessions that were opened before the recording, by vehicle.
        start_ns, end_ns: wall time of the first and the last message.
        files: of the recording, in order: where one grew too long, others follow it.
        remarks: sentences on what is missing or damaged.
        short: sessions with fewer than two states, once the states have been let go of.
        towers: the newest reply to each tower, which has no flight to be drawn.
    """

    path: Path
    kept: dict[Session, Kept] = field(default_factory=dict)
    asked: dict[int, dict[str, Any]] = field(default_factory=dict)
    answered: int = 0
    held: int = 0
    states: int = 0
    gap_s: float = 0.0
    most_states: int | None = MOST_STATES
    strangers: dict[str, Tally] = field(default_factory=dict)
    orphans: dict[str, int] = field(default_factory=dict)
    start_ns: int = 0
    end_ns: int = 0
    files: list[Path] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    about: dict[str, str] = field(default_factory=dict)
    replayed: int = 0
    different: int = 0
    short: tuple[str, ...] = ()
    towers: dict[Session, dict[str, Any]] = field(default_factory=dict)

    @property
    def sessions(self) -> list[Kept]:
        """What is kept, session by session."""
        return list(self.kept.values())

    def of(self, session: Session) -> Kept:
        """What is kept of a session."""
        found = self.kept.get(session)
        if found is None:
            found = self.kept[session] = Kept(session)
        return found


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
    recording, course = Recording(path, files=chain_parts([path, *others]), most_states=most_states), Course()
    for reader in readers(recording.files):
        read_part(recording, course, reader, progress)
    recording.start_ns, recording.end_ns = course.first_ns or 0, course.last_ns
    recording.remarks += [tower_words(session, command) for session, command in recording.towers.items()]
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
        stay = choose_states(session.states, session.commands, recording.gap_s)
        if len(stay) == len(session.states):
            continue
        gone = set(range(len(session.states))).difference(stay)
        _no_longer_asked(recording, [session.commands[index] for index in gone])
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


def _no_longer_asked(recording: Recording, commands: Sequence[dict[str, Any] | None]) -> None:
    for command in commands:
        if command is not None:
            recording.asked.pop(command["number"], None)


def read_part(recording: Recording, course: Course, reader: RecordingReader, progress: Progress) -> None:
    """One file of a recording, up to its first damage."""
    for count, happening in enumerate(course.read(reader)):
        if count % 1000 == 0:
            progress(f"reading {reader.path.name}", reader.at, reader.size)
        try:
            _take(recording, course, happening)
        except (*MISSHAPEN, GuidanceError) as error:
            reader.means_nothing("an exchange", error)
            break
    recording.about.update(reader.about)
    if reader.remark():
        recording.remarks.append(reader.remark())


def is_tower(session: Session | None) -> bool:
    """Whether a session is a tower's; one of which nothing is known is a vehicle's."""
    return session is not None and session.opened is not None and session.opened.get("role") == "tower"


def tower_words(session: Session, command: Mapping[str, Any]) -> str:
    """What a report says of a tower: who came, by its last reply."""
    arrivals = [arrival_words(arrival, command["time_s"]) for arrival in command.get("arrivals", ())]
    return f"{session.vehicle} is a tower, with {session.states} states; its arrivals: {'; '.join(arrivals) or 'none'}"


def _take(recording: Recording, course: Course, happening: Happening) -> None:
    if not isinstance(happening, Exchange):
        session = course.sessions.get(happening.vehicle)
        if session is not None and session.opened is not None and not is_tower(session):
            recording.of(session)
        elif isinstance(happening, RecordedSession):
            recording.remarks.append(f"how the session of {happening.vehicle} was opened cannot be read")
        return
    session = happening.session
    if happening.kind == "refused":
        _note_refusal(recording, happening)
    elif is_tower(session) and session is not None:
        if happening.kind == "state" and happening.reply is not None:
            recording.towers[session] = happening.reply.message
    elif session is None:
        return
    elif session.opened is None:
        recording.orphans[session.vehicle] = recording.orphans.get(session.vehicle, 0) + (not happening.repeat)
    elif happening.kind == "state":
        _state(recording, recording.of(session), happening)
    else:
        recording.of(session)


def _note_refusal(recording: Recording, exchange: Exchange) -> None:
    fault = exchange.reply.message if exchange.reply is not None else {}
    session = exchange.session
    tallies = recording.strangers
    if session is not None and session.opened is not None and not is_tower(session):
        tallies = recording.of(session).faults
    _count(tallies, f"{fault['code']}: {fault['message']}", session.time_s if session else None)


def _state(recording: Recording, flown: Kept, exchange: Exchange) -> None:
    recording.answered += exchange.reply is not None
    if exchange.repeat:
        return
    message = exchange.request.message
    state = parse_state(message)
    if exchange.undone_from_s is not None:
        _undo(recording, flown, exchange.undone_from_s)
    if exchange.reload:
        _undo_events(flown, state.time_s)
    known = flown.events.get(state.seen_event or "")
    if known is not None and known.done_s is None:
        flown.events[known.id] = replace(known, done_s=state.time_s)
    command = _slim(exchange)
    flown.told.update(name for name in OPTIONAL if name in message)
    flown.states.append(state)
    flown.commands.append(command)
    flown.wall_ns.append(exchange.request.time_ns)
    recording.states, recording.held = recording.states + 1, recording.held + 1
    if command is not None and exchange.reply is not None:
        recording.asked[exchange.number] = command
        _note_reply(flown, exchange.reply.message)
    if recording.most_states is not None and recording.held > recording.most_states:
        make_room(recording, recording.most_states)


def _undo(recording: Recording, flown: Kept, from_s: float) -> None:
    """Throw away what no longer counts."""
    while flown.states and flown.states[-1].time_s >= from_s:
        _no_longer_asked(recording, flown.commands[-1:])
        recording.held -= 1
        for line in (flown.states, flown.commands, flown.wall_ns):
            line.pop()


def _undo_events(flown: Kept, from_s: float) -> None:
    flown.events = {
        name: event if event.done_s is None or event.done_s < from_s else replace(event, done_s=None)
        for name, event in flown.events.items()
        if event.announced_s < from_s
    }


def _slim(exchange: Exchange) -> dict[str, Any] | None:
    """What of a reply is kept."""
    if exchange.reply is None:
        return None
    message = exchange.reply.message
    slim = {name: message[name] for name in COMMAND} | {name: message.get(name) for name in LEFT_OUT}
    slim["detail"] = detail_of(message["detail"]) if message.get("detail") else None
    slim["number"] = exchange.number
    return slim


def _note_reply(flown: Kept, message: Mapping[str, Any]) -> None:
    """The warnings and the event of a reply."""
    now_s = float(message["time_s"])
    for text in message["warnings"]:
        _count(flown.warnings, text, now_s)
    for told in (message.get("detail") or {}).get("divert") or ():
        note_divert(flown, told, now_s)
    event = message["event"]
    if event is not None:
        known = flown.events.get(event["id"])
        first = known.announced_s if known else now_s
        done = known.done_s if known else None
        flown.events[event["id"]] = SeenEvent(
            event["id"], event["name"], float(event["at_s"]), first, done, act_of(event["name"])
        )


def note_divert(flown: Kept, told: Mapping[str, Any], now_s: float) -> None:
    """What a reply says of another site."""
    before = flown.diverts.get(told["site"]) or Divert(told["site"])
    flown.diverts[before.site] = before.later(now_s, told["in_reach"], told["decide_at_s"], told["extra_kg"])


def detail_of(detail: Mapping[str, Any]) -> tuple[float | None, ...]:
    """The numbers of a reply's detail that a report shows: DETAIL, the predicted apsides, LANDING, and how far inside
    its reach the site is."""
    orbit = detail["predicted_orbit"] or {"perigee_altitude_m": None, "apogee_altitude_m": None}
    landing, reach = detail.get("landing") or {}, detail.get("reach") or {}
    return (
        *(detail[name] for name in DETAIL), orbit["perigee_altitude_m"], orbit["apogee_altitude_m"],
        *(landing.get(name) for name in LANDING), reach.get("inside_m"),
    )  # fmt: skip


def _count(tallies: dict[str, Tally], text: str, time_s: float | None) -> None:
    if text in tallies or len(tallies) < MOST_EXAMPLES:
        tallies.setdefault(text, Tally()).add(time_s)

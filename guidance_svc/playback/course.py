"""What happened in a recording: entries in, exchanges out, each with its session. Replay, report, calibrate, what
another plan changes and the board stand on this one reading, of a finished recording or of one that grows.

The rules (tests/replay/test_one_reader.py holds cases):

- Pair: a reply stands right after its request, in the same file. A request that anything else follows, or nothing, is
  unanswered: it was sent, and counts as sent.
- Session: begins with an `open` whose reply is `opened` and not `resumed`; ends when it is closed or given up. A
  vehicle has one at a time: an `open` that is answered before it ended begins the next. An `open` without its reply
  begins none.
- Plan: in the form that it had when the session was opened.
- Resumed: the session goes on. Where it is not known here it begins with this `open`; the recording began after it.
- Head of a file: a session that stood open there goes on; one that is not known here begins with the `open` that the
  head tells, if it tells it.
- A state of a vehicle without a known session is of one that was opened before the recording: `opened` is None. The
  board shows what its replies say; report and calibrate count its states and leave them out.
- Repeat: the `seq` of the state before. Right after a resume the script may count from anywhere: then only the very
  same message is one. A repeat is counted and is nothing else; it has the first one's reply.
- Reload: a state at an earlier vehicle time than the one before. All states of the session from that time on are
  undone, with their replies, the events that they announced and what they acknowledged. A state for the very time of
  the one before takes its place in the flight; it is no reload and undoes no event.
- Flown is what is not undone. The connection's figures (states, repeats, numbers skipped, late states, refusals,
  warnings) count what was sent, undone or not; so does the comparison of replies, in `replay` and with another plan.
- Late: over LATE_S later, by the vehicle's clock, than the reply before allowed. Skipped: numbers left out between a
  state and the one sent before, of scripts of which at least half of the steps are one; a resume makes no step.
- Refused: a message that was answered with a fault changes nothing. It is the vehicle's whose connection sent it, or
  nobody's where no session of that vehicle is known.
- Damage: bytes that no recorder writes, and a message that lacks what is said here. What stands before is used and the
  place is told; readers that play or count end the file there, the board tells it and shows what comes after.
- Files: parts, and further files in the order given, are one recording.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from json import loads
from typing import Any

from guidance_svc.playback.recordings import (
    MISSHAPEN,
    Entry,
    RecordedMessage,
    RecordedPlan,
    RecordedSession,
    RecordingReader,
)
from guidance_svc.report.flown import LATE_S
from guidance_svc.storage.recorder import ASIDES, NO_VEHICLE, OPEN_KEY

FILE_STEP = 1 << 32  # between the numbers of the first exchanges of two files


@dataclass(slots=True, eq=False)
class Session:
    """One session of a vehicle: how it was opened, and what its connection was like.

    Args:
        begun: how many sessions of the vehicle have begun in the recording, with this one.
        opened: its `open`; None where the recording does not tell it.
        plan: its flight plan as a table; None where the recording does not tell it.
        answer: the newest `opened`.
        states: answered or not, repeats not counted.
        reloads: (vehicle time reached, vehicle time gone back to).
        ended: "closed" by its script, "given_up" by the service, or "".
        seq, time_s, reply: of the newest state that was no repeat.
    """

    vehicle: str
    begun: int = 0
    opened: dict[str, Any] | None = None
    plan: dict[str, Any] | None = None
    answer: dict[str, Any] = field(default_factory=dict)
    links: set[int] = field(default_factory=set)
    states: int = 0
    repeats: int = 0
    faults: int = 0
    resumed: int = 0
    late: int = 0
    reloads: list[tuple[float, float]] = field(default_factory=list)
    ended: str = ""
    seq: int | None = None
    time_s: float | None = None
    request: RecordedMessage | None = None
    reply: RecordedMessage | None = None
    _anywhere: bool = False
    _steps: int = 0
    _ones: int = 0
    _left_out: int = 0

    @property
    def skipped(self) -> int:
        """Numbers left out, where the script counts by one."""
        return self._left_out if 2 * self._ones >= self._steps else 0

    def resume(self) -> None:
        """A script has shown its token."""
        self.resumed += 1
        self._anywhere = True

    def take(self, exchange: Exchange) -> None:
        """The next state, whose `repeat` and `undone_from_s` are found."""
        request = exchange.request
        seq, time_s = request.number("seq"), request.number("time_s")
        if seq is None or time_s is None:
            raise KeyError("seq or time_s")
        self.links.add(request.link)
        if seq == self.seq and (not self._anywhere or request == self.request):
            self.repeats += 1
            exchange.repeat = True
            return
        if self.seq is not None and self.time_s is not None:
            self._step(seq - self.seq)
            if time_s <= self.time_s:
                exchange.undone_from_s = time_s
            if time_s < self.time_s:
                exchange.reload = True
                self.reloads.append((self.time_s, time_s))
            elif self.reply is not None:
                allowed_s = self.reply.number("next_contact_s")
                self.late += allowed_s is not None and time_s - self.time_s > allowed_s + LATE_S
        self.states += 1
        self.seq, self.time_s, self.request, self.reply = seq, time_s, request, exchange.reply
        self._anywhere = False

    def _step(self, step: int) -> None:
        if not self._anywhere:
            self._steps += 1
            self._ones += step == 1
            self._left_out += max(step - 1, 0)


@dataclass(slots=True, eq=False)
class Exchange:
    """A message and its reply.

    Args:
        reply: None where the recording has none.
        session: that it belongs to; None where it belongs to none that is known.
        number: within the recording, rising; every pass over the same files gives the same.
        repeat: whether it is the state before, sent again.
        undone_from_s: the states of the session from this vehicle time on no longer count; None: all go on counting.
        reload: whether that is because vehicle time went back.
    """

    request: RecordedMessage
    reply: RecordedMessage | None
    session: Session | None
    number: int
    repeat: bool = False
    undone_from_s: float | None = None
    reload: bool = False

    @property
    def vehicle(self) -> str:
        """Whose connection it came over; "unknown" where it commanded none."""
        return self.request.vehicle

    @property
    def kind(self) -> str:
        """The request's type; "refused" for every message that was answered with a fault."""
        return "refused" if self.reply is not None and self.reply.type == "fault" else self.request.type


Happening = Exchange | RecordedSession | RecordedMessage  # the last: what befell a session without a message


class Course:
    """One pass over the entries of a recording, in constant memory but for one `Session` a vehicle.

    `plans` are the flight plans by name as they were last, `sessions` the newest of each vehicle, `strangers` counts
    refusals that are nobody's, `first_ns` and `last_ns` are the wall times of the first and the newest message.
    """

    def __init__(self) -> None:
        self.plans: dict[str, dict[str, Any]] = {}
        self.sessions: dict[str, Session] = {}
        self.strangers = 0
        self.first_ns: int | None = None
        self.last_ns = 0
        self._waiting: RecordedMessage | None = None
        self._number = 0

    def read(self, reader: RecordingReader) -> Iterator[Happening]:
        """All of one file, up to the first damage.

        Raises:
            RecordingError: it cannot be read.
        """
        for entry in reader.entries():
            try:
                yield from self.take(entry)
            except MISSHAPEN as error:
                reader.means_nothing(_what(entry), error)
                break
        yield from self.end_file()

    def take(self, entry: Entry) -> tuple[Happening, ...]:
        """What an entry completes: an exchange, a session that is new and was open when the file began, an aside.

        Raises:
            MISSHAPEN: it can be read and means nothing.
        """
        if isinstance(entry, RecordedMessage):
            self.first_ns = entry.time_ns if self.first_ns is None else self.first_ns
            self.last_ns = entry.time_ns
            if entry.direction == "out":
                request, self._waiting = self._waiting, None
                return () if request is None else (self._exchange(request, entry),)
            before = self._give_up_unanswered()
            if entry.type in ASIDES:
                self._aside(entry)
                return (*before, entry)
            self._waiting = entry
            return before
        if isinstance(entry, RecordedPlan):
            self.plans[entry.name] = entry.table
        elif self._begun_before(entry):
            return (entry,)
        return ()

    def end_file(self) -> tuple[Happening, ...]:
        """A file has come to its end: what it still waits for does not come, and the next one counts anew."""
        left = self._give_up_unanswered()
        self._number = (self._number // FILE_STEP + 1) * FILE_STEP
        return left

    def _give_up_unanswered(self) -> tuple[Happening, ...]:
        request, self._waiting = self._waiting, None
        return () if request is None else (self._exchange(request, None),)

    def _exchange(self, request: RecordedMessage, reply: RecordedMessage | None) -> Exchange:
        session = self.sessions.get(request.vehicle) if request.vehicle != NO_VEHICLE else None
        exchange = Exchange(request, reply, session, self._number)
        self._number += 1
        kind = exchange.kind
        if kind == "state":
            if session is None or session.ended:
                exchange.session = session = self._begin(request.vehicle, None)
            session.take(exchange)
        elif kind == "refused":
            self.strangers += session is None
            if session is not None:
                session.faults += 1
        elif kind == "open" and reply is not None:
            exchange.session = self._open_session(request, reply.message)
        elif kind == "close" and reply is not None and session is not None:
            session.ended = "closed"
        return exchange

    def _open_session(self, request: RecordedMessage, answer: dict[str, Any]) -> Session:
        session, resumed = self.sessions.get(request.vehicle), bool(answer.get("resumed"))
        if not resumed or session is None or session.ended or session.opened is None:
            session = self._begin(request.vehicle, request.message)
            session.begun += not resumed
        if resumed:
            session.resume()
        session.links.add(request.link)
        session.answer = answer
        return session

    def _begin(self, vehicle: str, opened: dict[str, Any] | None) -> Session:
        before = self.sessions.get(vehicle)
        plan = None if opened is None else opened["plan"]
        table = self.plans.get(plan) if isinstance(plan, str) else plan
        self.sessions[vehicle] = session = Session(vehicle, before.begun if before else 0, opened, table)
        return session

    def _begun_before(self, entry: RecordedSession) -> bool:
        """Whether a session that was open when the file began is new here."""
        known = self.sessions.get(entry.vehicle)
        if known is not None and not known.ended and known.opened is not None:
            return False
        self._begin(entry.vehicle, _open_of(entry.table))
        return True

    def _aside(self, entry: RecordedMessage) -> None:
        session = self.sessions.get(entry.vehicle)
        if entry.type == "given_up" and session is not None:
            session.ended = "given_up"


def _open_of(table: Mapping[str, str]) -> dict[str, Any] | None:
    """The `open` that the head of a file tells of a session; None where it cannot be read."""
    try:
        opened: dict[str, Any] = loads(table[OPEN_KEY])
        opened["plan"]
    except (*MISSHAPEN, RecursionError):
        return None
    return opened


def _what(entry: Entry) -> str:
    """An entry in a sentence."""
    return f"a {entry.type} of {entry.vehicle}" if isinstance(entry, RecordedMessage) else "the head of the file"

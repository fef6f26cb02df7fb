"""All sessions, keyed by the vehicle's name; who may command which."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from hashlib import sha256
from hmac import compare_digest

from guidance_svc.domain import Command, FlightPlan, OpenRequest, VehicleState
from guidance_svc.errors import SessionFault
from guidance_svc.session.budget import HISTORY_MEMORY_BYTES, Budget
from guidance_svc.session.clocks import Clocks, Heard, clock_warnings, meeting_of, with_heard
from guidance_svc.session.describe import phase_sentences, plan_warnings
from guidance_svc.session.history import History
from guidance_svc.session.packing import shape, unpack
from guidance_svc.session.session import HISTORY_BYTES, Point, Session

DISPLACED_LIMIT = 10_000  # connections that lost their session to another; the oldest are forgotten
TAKEN = (
    "the token of the session of {}, which the client keeps in its token file; without it, "
    "`close` from the script that has it, or `guidance-svc forget {}` from who runs the service"
)
OLD_PLAN = (
    "the flight plan {} has changed since this flight began; the flight goes on with the plan that it began with "
    "(close and open to take the new one)"
)


@dataclass(frozen=True, slots=True)
class Opened:
    """Reply to `open`.

    Args:
        token: shows later that the script may command this vehicle.
        resumed: whether an earlier session goes on.
        phases: one sentence a phase, what the service will do.
        plan: that is flown; on resuming, the one that the flight began with.
        warnings: what the script's author should know, in sentences.
        made_way: vehicle whose session was given up for this one: it had never had a state.
    """

    token: str
    resumed: bool
    phases: tuple[str, ...]
    plan: FlightPlan
    warnings: tuple[str, ...] = ()
    made_way: str = ""


@dataclass(slots=True)
class Seat:
    """One vehicle: its session, what it was opened with, the connection that commands it.

    Args:
        digest: SHA-256 of the token, hexadecimal; the token itself is not kept.
        request: without token.
        link: None while no connection commands it.
        flown: whether that connection has sent a state.
        note: what the script is told when it resumes, once.
    """

    session: Session
    digest: str
    request: OpenRequest
    link: Hashable | None
    flown: bool = False
    note: str = ""


class Registry:
    """Sessions by vehicle, connections by link. One connection commands one vehicle.

    Args:
        make_token: returns a new unguessable text each time; given from outside so that this stays repeatable.
        session_limit: vehicles at once.
        history_bytes: of past states, each session, in memory and journal together.
        memory_bytes: of the histories of all sessions together, in memory.

    `touched` names the vehicles whose session changed since it was last emptied: what a journal has to write.
    `played` is what the next state of a vehicle has heard, by a recording, whatever the others have said.
    `note_for` says what a script whose session begins should know of an earlier one that was lost; empty for nothing.
    """

    def __init__(
        self,
        make_token: Callable[[], str],
        session_limit: int = 1000,
        history_bytes: int = HISTORY_BYTES,
        memory_bytes: int = HISTORY_MEMORY_BYTES,
    ) -> None:
        self.make_token = make_token
        self.session_limit = session_limit
        self.history_bytes = history_bytes
        self.budget = Budget(memory_bytes)
        self.seats: dict[str, Seat] = {}
        self.vehicles: dict[Hashable, str] = {}
        self.displaced: dict[Hashable, str] = {}
        self.due: dict[str, Session] = {}
        self.clocks = Clocks()
        self.played: dict[str, Heard | None] = {}
        self.touched: set[str] = set()
        self.note_for: Callable[[str], str] = lambda vehicle: ""
        session_shape()  # what cannot be kept is found when the program starts

    def open(self, link: Hashable, request: OpenRequest) -> Opened:
        """Begin a session, or go on with one whose token is shown.

        With the token and the same plan and frame the session goes on; with another plan it begins anew under
        the same token. A named plan whose file has changed is the same plan: the flight goes on as it began.
        Until its first state a session belongs to whoever opened it last: the reply to the first `open` may be lost.

        Raises:
            SessionFault: vehicle_taken, wrong_token, link_in_use, session_limit, site_taken.
        """
        bound = self.vehicles.get(link)
        if bound is not None and bound != request.vehicle:
            raise SessionFault("link_in_use", "vehicle", f"{bound}, or another connection", request.vehicle)
        self.require_free_site(request)
        seat, shown = self.seats.get(request.vehicle), request.resume
        if seat is None:
            return self.seat_anew(link, request, self.make_token())
        if shown is None and not seat.session.begun:
            return self.seat_anew(link, request, self.make_token())
        if shown is None:
            raise SessionFault("vehicle_taken", "resume", TAKEN.format(*[request.vehicle] * 2), "nothing")
        if not compare_digest(digest_of(shown), seat.digest):
            raise SessionFault("wrong_token", "resume", f"the token of the session of {request.vehicle}", "another")
        if not same_flight(request, seat.request):
            return self.seat_anew(link, request, shown)
        changed = request.plan != seat.request.plan
        seat.request = replace(seat.request, detail=request.detail)
        seat.session.resume(request.detail)
        self.bind(link, request.vehicle)
        plan = seat.request.plan
        said = (*plan_warnings(plan), *self.clock_warnings(seat.request))
        told, seat.note = [seat.note, OLD_PLAN.format(plan.name) if changed else "", *said], ""
        return Opened(shown, True, phase_sentences(plan), plan, tuple(text for text in told if text))

    def seat_anew(self, link: Hashable, request: OpenRequest, token: str) -> Opened:
        """A new session in its seat."""
        before, made_way = self.seats.get(request.vehicle), ""
        if before is None and len(self.seats) >= self.session_limit:
            made_way = self.never_begun()
            if not made_way:
                expected = f"at most {self.session_limit} sessions (limits.sessions)"
                raise SessionFault("session_limit", "vehicle", expected, request.vehicle)
            self.forget(made_way)
        elif before is not None:
            self.clocks.forget(request.vehicle, before.request)
        session = Session(request.plan, request.frame, request.detail, self.history_bytes)
        seat = Seat(session, digest_of(token), replace(request, resume=None), before.link if before else None)
        self.seats[request.vehicle] = seat
        self.bind(link, request.vehicle)
        note = "" if before else self.note_for(request.vehicle)
        plan, notes = request.plan, (note,) if note else ()
        words = (*notes, *plan_warnings(plan), *self.clock_warnings(request))
        return Opened(token, False, phase_sentences(plan), plan, words, made_way)

    def require_free_site(self, request: OpenRequest) -> None:
        """Refuse a second tower of a site on one clock: vehicles would have two answers.

        Raises:
            SessionFault: site_taken.
        """
        place = meeting_of(request) if request.role == "tower" else None
        if place is None:
            return
        for vehicle, seat in self.seats.items():
            if vehicle != request.vehicle and seat.request.role == "tower" and meeting_of(seat.request) == place:
                expected = f'one tower of {place.site} on clock "{place.clock}": {vehicle} speaks for it'
                raise SessionFault("site_taken", "clock", expected, request.vehicle)

    def clock_warnings(self, request: OpenRequest) -> tuple[str, ...]:
        """What of a session's clock keeps it from hearing the others."""
        others = (seat.request for vehicle, seat in self.seats.items() if vehicle != request.vehicle)
        return clock_warnings(request, others)

    def never_begun(self) -> str:
        """The vehicle whose session is given up first: without any state, and without connection if there is one."""
        idle = [(seat.link is not None, vehicle) for vehicle, seat in self.seats.items() if not seat.session.begun]
        return min(idle, key=lambda one: one[0])[1] if idle else ""  # the oldest of its kind

    def bind(self, link: Hashable, vehicle: str) -> None:
        """The connection commands the vehicle from now on; one that did before is told when it speaks again."""
        seat = self.seats[vehicle]
        if seat.link is not None and seat.link != link:
            self.vehicles.pop(seat.link, None)
            self.displaced[seat.link] = vehicle
            if len(self.displaced) > DISPLACED_LIMIT:
                self.displaced.pop(next(iter(self.displaced)))
        seat.link, seat.flown = link, False
        self.vehicles[link] = vehicle
        self.displaced.pop(link, None)
        self.touched.add(vehicle)

    def restore(self, request: bytes, digest: str, history: History, note: str = "") -> str:
        """Take up a session from what a journal or a recording kept; its script has to resume it. Returns the vehicle.

        Raises:
            ValueError: it cannot be read; nothing is changed.
        """
        opened = unpack(OpenRequest, request)
        session = Session(opened.plan, opened.frame, opened.detail, self.history_bytes)
        session.take_up(history)
        self.seats[opened.vehicle] = Seat(session, digest, opened, None, note=note)
        self.clocks.note(opened.vehicle, opened, session.says())
        self.touched.add(opened.vehicle)
        self.grown(session.history.held_bytes)
        return opened.vehicle

    def grown(self, by_bytes: int) -> None:
        """The history of a session has grown; the largest make room where there is none."""
        if self.budget.spend(by_bytes):
            self.budget.make_room(seat.session.history for seat in self.seats.values())

    def hear(self, link: Hashable, state: VehicleState) -> VehicleState:
        """The state of the connection's vehicle with what others on its clock have said; a replay has that recorded."""
        vehicle = self.vehicles.get(link)
        if vehicle is None or not self.seats[vehicle].request.clock:
            return state
        request = self.seats[vehicle].request
        if vehicle in self.played:
            return with_heard(state, self.played.pop(vehicle))
        return with_heard(state, self.clocks.heard(vehicle, request, state.time_s))

    def state(self, link: Hashable, state: VehicleState) -> Command:
        """The command for one state, with what its vehicle has heard, of the vehicle that this connection commands.

        Raises:
            SessionFault: no_session, taken_over, old_seq, unknown_event.
            MessageFault: a physically impossible state.
        """
        vehicle = self.require_vehicle(link, "state")
        seat = self.seats[vehicle]
        seat.flown, session = True, seat.session
        held_bytes, before = session.history.held_bytes, session.point
        command = session.state(state)
        self.touched.add(vehicle)
        self.grown(session.history.held_bytes - held_bytes)
        if session.point is not None and session.point.due is not None:
            self.due[vehicle] = session
        if seat.request.clock and session.point is not before:  # a repeat says nothing new
            self.clocks.note(vehicle, seat.request, session.says())
        return command

    def require_vehicle(self, link: Hashable, what: str) -> str:
        """The vehicle that the connection commands.

        Raises:
            SessionFault: no_session, taken_over.
        """
        vehicle = self.vehicles.get(link)
        if vehicle is not None:
            return vehicle
        if link in self.displaced:
            expected = f"one script for {self.displaced[link]}: another connection showed the token and commands it now"
            raise SessionFault("taken_over", "type", expected, what)
        raise SessionFault("no_session", "type", f"open before {what} (with resume after a reconnect)", what)

    def close(self, link: Hashable) -> str:
        """End the session of this connection; returns the vehicle's name.

        Raises:
            SessionFault: no_session, taken_over.
        """
        vehicle = self.require_vehicle(link, "close")
        self.forget(vehicle)
        return vehicle

    def forget(self, vehicle: str) -> None:
        """End a session, whoever commands it.

        Raises:
            SessionFault: no_session.
        """
        seat = self.seats.pop(vehicle, None)
        if seat is None:
            raise SessionFault("no_session", "vehicle", "a vehicle that has a session", vehicle)
        self.vehicles.pop(seat.link, None)
        self.clocks.part(vehicle, seat.request)
        self.due.pop(vehicle, None)
        self.touched.add(vehicle)

    def drop_link(self, link: Hashable) -> str | None:
        """A connection is gone; its session waits for the token.

        The messages of a script's dead connection may come after those of its next one: an `open` among them must
        not cost the script its vehicle. So a connection that never sent a state gives back what it took.

        Returns the vehicle whose session went back.
        """
        vehicle = self.vehicles.pop(link, None)
        self.displaced.pop(link, None)
        if vehicle is None:
            return None
        seat = self.seats[vehicle]
        seat.link = None
        if seat.flown:
            return None
        before = next((other for other, lost in reversed(self.displaced.items()) if lost == vehicle), None)
        if before is None:
            return None
        self.bind(before, vehicle)
        return vehicle

    def plan_of(self, vehicle: str, name: str) -> FlightPlan | None:
        """The plan of that name that the vehicle's flight began with, whatever has become of its file."""
        seat = self.seats.get(vehicle)
        return seat.request.plan if seat and seat.request.named and seat.request.plan.name == name else None

    def vehicle_of(self, link: Hashable) -> str | None:
        """The vehicle that a connection commands."""
        return self.vehicles.get(link)

    def has_flown(self, link: Hashable) -> bool:
        """Whether a connection commands a vehicle that has had a state."""
        vehicle = self.vehicles.get(link)
        return vehicle is not None and self.seats[vehicle].session.begun

    def pending(self) -> bool:
        """Whether major cycles are waiting."""
        return bool(self.due)

    def next_link(self) -> Hashable | None:
        """The connection whose vehicle's major cycle `work` runs next."""
        seat = self.seats.get(next(iter(self.due), ""))
        return seat.link if seat else None

    def work(self) -> None:
        """Run the major cycle that has waited longest; called after the replies have gone out, while `pending`.

        Whatever it raises, that cycle no longer waits.
        """
        if self.due:
            self.due.pop(next(iter(self.due))).work()


def session_shape() -> str:
    """Names the form of what `Registry.restore` takes; it changes with the program and with the laws of the table.

    Raises:
        TypeError: a law remembers something that cannot be kept.
    """
    return shape(OpenRequest, Point, VehicleState)


def digest_of(token: str) -> str:
    """What is kept of a token."""
    return sha256(token.encode()).hexdigest()


def same_flight(asked: OpenRequest, seat: OpenRequest) -> bool:
    """Whether the flight goes on: same role, frame, clock and plan; a named plan is the same whatever its file says."""
    plans = asked.plan == seat.plan or (asked.named and seat.named and asked.plan.name == seat.plan.name)
    return plans and (asked.frame, asked.role, asked.clock) == (seat.frame, seat.role, seat.clock)

"""All sessions, keyed by the vehicle's name; who may command which."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from hmac import compare_digest

from guidance_svc.domain import Command, OpenRequest, VehicleState
from guidance_svc.errors import SessionFault
from guidance_svc.session.describe import phase_sentences
from guidance_svc.session.session import Session

TAKEN = (
    "the token of the session of {}, which the client keeps in its token file; without it, "
    "`close` from the script that has it, or restart the service"
)


@dataclass(frozen=True, slots=True)
class Opened:
    """Reply to `open`.

    Args:
        token: shows later that the script may command this vehicle.
        resumed: whether an earlier session goes on.
        phases: one sentence a phase, what the service will do.
    """

    token: str
    resumed: bool
    phases: tuple[str, ...]


@dataclass(slots=True)
class Seat:
    """One vehicle: its session, its token, the connection that commands it."""

    session: Session
    token: str
    request: OpenRequest
    link: Hashable


class Registry:
    """Sessions by vehicle, connections by link. One connection commands one vehicle.

    Args:
        make_token: returns a new unguessable text each time; given from outside so that this stays repeatable.
        session_limit: vehicles at once.
    """

    def __init__(self, make_token: Callable[[], str], session_limit: int = 1000) -> None:
        self.make_token = make_token
        self.session_limit = session_limit
        self.seats: dict[str, Seat] = {}
        self.vehicles: dict[Hashable, str] = {}
        self.due: dict[str, Session] = {}

    def open(self, link: Hashable, request: OpenRequest) -> Opened:
        """Begin a session, or go on with one whose token is shown.

        With the token and the same plan and frame the session goes on; with another plan it begins anew under
        the same token.

        Raises:
            SessionFault: vehicle_taken, wrong_token, link_in_use, session_limit.
        """
        bound = self.vehicles.get(link)
        if bound is not None and bound != request.vehicle:
            raise SessionFault("link_in_use", "vehicle", f"{bound}, or another connection", request.vehicle)
        seat = self.seats.get(request.vehicle)
        if seat is None:
            return self.seated(link, request, self.make_token())
        if request.resume is None:
            raise SessionFault("vehicle_taken", "resume", TAKEN.format(request.vehicle), "nothing")
        if not compare_digest(request.resume.encode(), seat.token.encode()):
            raise SessionFault("wrong_token", "resume", f"the token of the session of {request.vehicle}", "another")
        self.vehicles.pop(seat.link, None)
        if (request.plan, request.frame, request.role) != (seat.request.plan, seat.request.frame, seat.request.role):
            return self.seated(link, request, seat.token)
        seat.link = link
        self.vehicles[link] = request.vehicle
        seat.session.detail = request.detail
        seat.session.forget_seq()
        return Opened(seat.token, True, phase_sentences(request.plan))

    def seated(self, link: Hashable, request: OpenRequest, token: str) -> Opened:
        """A new session in its seat."""
        if request.vehicle not in self.seats and len(self.seats) >= self.session_limit:
            raise SessionFault("session_limit", "vehicle", f"at most {self.session_limit} sessions", request.vehicle)
        session = Session(request.plan, request.frame, request.detail)
        self.seats[request.vehicle] = Seat(session, token, request, link)
        self.vehicles[link] = request.vehicle
        return Opened(token, False, phase_sentences(request.plan))

    def state(self, link: Hashable, state: VehicleState) -> Command:
        """The command for one state of the vehicle that this connection commands.

        Raises:
            SessionFault: no_session, old_seq.
            MessageFault: a physically impossible state.
        """
        vehicle = self.vehicles.get(link)
        if vehicle is None:
            raise SessionFault("no_session", "type", "open before state (with resume after a reconnect)", "state")
        session = self.seats[vehicle].session
        command = session.state(state)
        if session.point is not None and session.point.due is not None:
            self.due[vehicle] = session
        return command

    def close(self, link: Hashable) -> str:
        """End the session of this connection; returns the vehicle's name.

        Raises:
            SessionFault: no_session.
        """
        vehicle = self.vehicles.pop(link, None)
        if vehicle is None:
            raise SessionFault("no_session", "type", "open before close", "close")
        del self.seats[vehicle]
        self.due.pop(vehicle, None)
        return vehicle

    def drop_link(self, link: Hashable) -> None:
        """A connection is gone; its session waits for the token."""
        self.vehicles.pop(link, None)

    def vehicle_of(self, link: Hashable) -> str | None:
        """The vehicle that a connection commands."""
        return self.vehicles.get(link)

    def pending(self) -> bool:
        """Whether major cycles are waiting."""
        return bool(self.due)

    def work(self) -> None:
        """Run the major cycle that has waited longest; called after the replies have gone out, while `pending`.

        Whatever it raises, that cycle no longer waits.
        """
        if self.due:
            self.due.pop(next(iter(self.due))).work()

"""Bytes in, bytes out: decode, check, ask the session layer, encode, record. No sockets, no clock."""

from __future__ import annotations

import logging
from collections.abc import Callable, Hashable
from itertools import islice
from typing import Any, Final, Protocol

from guidance_svc.domain import Command, FlightPlan, OpenRequest, VehicleState
from guidance_svc.errors import ConfigError, GuidanceError, MessageFault
from guidance_svc.files.config_files import Library
from guidance_svc.service.access import Access
from guidance_svc.service.health import Health
from guidance_svc.session.clocks import heard_in
from guidance_svc.session.first_state import SAYS as FIRST_STATE
from guidance_svc.storage.recorder import NoRecorder, Recorder
from guidance_svc.wire.codec import MESSAGE_LIMIT_BYTES, Encoding, decode, encode, encoding_of
from guidance_svc.wire.heard import note_heard
from guidance_svc.wire.messages import OpenMessage
from guidance_svc.wire.parse import message_type, parse_close, parse_frame, parse_health, parse_open, parse_state
from guidance_svc.wire.quick import StateBody, encode_command, read_state
from guidance_svc.wire.replies import closed_message, command_message, fault_message, opened_message

LINKS_LOOKED_AT: Final = 64  # at once, for one to forget
LINK_LIMIT: Final = 10_000  # ZeroMQ does not tell when a peer is gone for good; the oldest are forgotten
OUTSIDE: Final = "the service itself"  # in place of a connection

_log = logging.getLogger(__name__)


class OpenedSession(Protocol):
    """What the session layer answers to an `open`."""

    @property
    def token(self) -> str:
        """Key of the session."""

    @property
    def resumed(self) -> bool:
        """Whether it was there before."""

    @property
    def phases(self) -> tuple[str, ...]:
        """One sentence a phase."""

    @property
    def plan(self) -> FlightPlan:
        """The plan that this session flies."""

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the script's author should know."""

    @property
    def made_way(self) -> str:
        """The vehicle whose session, without any state, was given up for it."""


class Sessions(Protocol):
    """What the desk needs of the session layer; every method may raise a GuidanceError, which becomes a fault."""

    def open(self, link: Hashable, request: OpenRequest) -> OpenedSession:
        """Begin or resume a session over a connection."""

    def hear(self, link: Hashable, state: VehicleState) -> VehicleState:
        """The state with what others on the clock of this link's vehicle have told it."""

    def state(self, link: Hashable, state: VehicleState) -> Command:
        """Answer one state of the vehicle that this link has."""

    def close(self, link: Hashable) -> str:
        """End the connection's session; its vehicle's name."""

    def drop_link(self, link: Hashable) -> str | None:
        """The connection is gone, its session stays; the vehicle, if that went back to an earlier connection."""

    def plan_of(self, vehicle: str, name: str) -> FlightPlan | None:
        """The plan of that name that a flight began with."""

    def forget(self, vehicle: str) -> None:
        """Give a session up; its connection, if there is one, has none any more."""

    def pending(self) -> bool:
        """Whether guidance solutions wait to be worked out."""

    def next_link(self) -> Hashable | None:
        """The connection for which `work` works next."""

    def work(self) -> None:
        """Work out what waits."""

    def vehicle_of(self, link: Hashable) -> str | None:
        """The vehicle that a connection commands."""

    def has_flown(self, link: Hashable) -> bool:
        """Whether a connection commands a vehicle that has had a state."""


class Desk:
    """Answers every message, whatever it is; one vehicle's message never disturbs another's session.

    Args:
        sessions: the session layer.
        library: bodies, vehicles and flight plans by name.
        recorder: gets every message in and out.
        limit_bytes: longest message.
        access: which script may command which vehicles; None: every one.
        health: told of what passes, and asked by `health` messages.
    """

    def __init__(
        self,
        sessions: Sessions,
        library: Library,
        recorder: Recorder | None = None,
        limit_bytes: int = MESSAGE_LIMIT_BYTES,
        access: Access | None = None,
        health: Health | None = None,
    ) -> None:
        self._sessions = sessions
        self._library = library
        self._recorder: Recorder = recorder or NoRecorder()
        self._limit_bytes = limit_bytes
        self._access = access
        self.health = health or Health(lambda: 0.0)
        self._numbers: dict[Hashable, int] = {}
        self._faults: dict[Hashable, int] = {}
        self._doubted: set[Hashable] = set()
        self._next_number = 1
        self._handlers: dict[str, Callable[[Hashable, dict[str, Any]], dict[str, Any]]] = {
            "state": self._state,
            "open": self._open,
            "close": self._close,
            "health": self._health,
        }

    def receive(self, link: Hashable, payload: bytes, encoding: Encoding | None = None) -> bytes:
        """The reply to one message.

        Args:
            link: the connection.
            payload: one frame or line.
            encoding: of the line, where it has only one; None means that of the payload.
        """
        json_lines, encoding = encoding == "json", encoding or encoding_of(payload)
        vehicle = self._sessions.vehicle_of(link)
        message: dict[str, Any] | StateBody = {}
        try:
            quick = read_state(payload, encoding) if len(payload) <= self._limit_bytes else None
            if quick is not None:
                message = quick.body
                reply = self._command(link, quick.state, message)
            else:
                message = decode(payload, self._limit_bytes, json_lines)
                reply = self._handlers[message_type(message)](link, message)
            kind = reply["type"]
            answer = encode_command(reply, encoding) if kind == "command" else encode(reply, encoding)
        except GuidanceError as error:
            return self._refuse(link, vehicle, payload, encoding, error, message)
        except Exception as error:
            _log.exception("a message of %s met a fault of the service itself", vehicle or "a new connection")
            internal = GuidanceError("internal_error", "", "no fault of the service; see its log", type(error).__name__)
            return self._refuse(link, vehicle, payload, encoding, internal, message)
        named = vehicle or self._sessions.vehicle_of(link)
        if kind == "health":  # not recorded: a scraper would fill the recording, and no flight depends on it
            return answer
        if kind == "closed":
            self.health.note_end(reply["vehicle"])
        elif named is not None:
            self.health.note_message(named, reply if kind == "command" else None)
        self._keep(self._recorder.exchange, link, named, message, reply)
        return answer

    def refuse(self, link: Hashable, payload: bytes, fault: MessageFault, encoding: Encoding | None = None) -> bytes:
        """The fault for bytes that the transport itself does not accept; recorded like any other."""
        return self._refuse(link, self._sessions.vehicle_of(link), payload, encoding or encoding_of(payload), fault, {})

    def expire(self, longer_than_s: float) -> None:
        """Give up the sessions of vehicles that have been silent for longer, in real time."""
        for vehicle in self.health.silent(longer_than_s):
            self.give_up(vehicle, f"no message for {longer_than_s:g} s (limits.idle_expiry_s)")
            self.health.counts["expired_sessions"] += 1

    def give_up(self, vehicle: str, why: str) -> None:
        """End a session that its script does not end.

        Raises:
            SessionFault: no_session.
        """
        self._sessions.forget(vehicle)
        self._note_end(vehicle, why)

    def commands(self, link: Hashable) -> bool:
        """Whether a connection commands a vehicle."""
        return self._sessions.vehicle_of(link) is not None

    def has_flown(self, link: Hashable) -> bool:
        """Whether a connection commands a vehicle that has had a state: its first solution is behind it."""
        return self._sessions.has_flown(link)

    def _note_end(self, vehicle: str, why: str) -> None:
        self.health.note_end(vehicle)
        _log.warning("%s: its session is given up: %s", vehicle, why, extra={"vehicle": vehicle})
        self._keep(self._recorder.aside, OUTSIDE, vehicle, "given_up")

    def drop(self, link: Hashable) -> None:
        """The connection is gone; its session stays."""
        vehicle = self._sessions.drop_link(link)
        if vehicle is not None:
            self._keep(self._recorder.aside, link, vehicle, "link_gone")
        self._numbers.pop(link, None)
        self._faults.pop(link, None)
        self._doubted.discard(link)

    def _open(self, link: Hashable, message: dict[str, Any]) -> dict[str, Any]:
        request = parse_open(message)
        if self._access is not None:
            self._access.check(link, request.vehicle)
        frame = parse_frame(request.frame)
        try:
            plan = self._library.plan(request.plan, request.role)
            table = self._library.inlined(request.plan)
        except ConfigError as error:
            flown = self._sessions.plan_of(request.vehicle, str(request.plan))
            if flown is None or error.code != "unknown_name":
                raise _plan_fault(request, error) from None
            plan, table = flown, None  # its file is gone, its flight is not
        named = isinstance(request.plan, str)
        asked = OpenRequest(
            request.vehicle, request.role, plan, frame, request.resume, request.detail, named, request.clock or ""
        )
        opened = self._sessions.open(link, asked)
        if opened.made_way:
            self._note_end(opened.made_way, "it never had a state, and another needs its place (limits.sessions)")
        if isinstance(request.plan, str) and table is not None:
            self._recorder.plan(request.plan, table)
        done = "resumed" if opened.resumed else "opened"
        _log.info("%s %s: flight plan %s", request.vehicle, done, plan.name, extra={"vehicle": request.vehicle})
        return opened_message(
            request.vehicle, opened.plan, opened.token, opened.resumed, opened.phases, opened.warnings
        )

    def _state(self, link: Hashable, message: dict[str, Any]) -> dict[str, Any]:
        return self._command(link, parse_state(message), message)

    def _command(self, link: Hashable, state: VehicleState, message: dict[str, Any] | StateBody) -> dict[str, Any]:
        state = self._sessions.hear(link, state)
        command = self._sessions.state(link, state)
        heard = heard_in(state)
        if heard is not None:
            note_heard(message, heard)
        if command.warnings and link not in self._doubted:
            self._tell_doubts(link, command)
        return command_message(command)

    def _tell_doubts(self, link: Hashable, command: Command) -> None:
        """Log once a connection what does not fit between a flight's first state and its plan."""
        vehicle = self._sessions.vehicle_of(link)
        for text in command.warnings:
            if text.startswith(FIRST_STATE):
                _log.warning("%s: %s", vehicle, text, extra={"vehicle": vehicle, "seq": command.seq})
                self._doubted.add(link)

    def _close(self, link: Hashable, message: dict[str, Any]) -> dict[str, Any]:
        parse_close(message)
        vehicle = self._sessions.close(link)
        _log.info("%s closed", vehicle, extra={"vehicle": vehicle})
        return closed_message(vehicle)

    def _health(self, link: Hashable, message: dict[str, Any]) -> dict[str, Any]:
        parse_health(message)
        return self.health_for(link)

    def health_for(self, link: Hashable) -> dict[str, Any]:
        """The `health` reply, with the sessions that a connection may see."""
        access = self._access
        if access is None:
            return self.health.report()
        return self.health.report(lambda vehicle: access.may_see(link, vehicle))

    def _refuse(
        self,
        link: Hashable,
        vehicle: str | None,
        payload: bytes,
        encoding: Encoding,
        error: GuidanceError,
        message: dict[str, Any] | StateBody,
    ) -> bytes:
        seq = message.seq if isinstance(message, StateBody) else message.get("seq")
        known = isinstance(seq, int) and not isinstance(seq, bool) and 0 <= seq <= 2**53
        reply = fault_message(error, seq if known else None)
        self.health.fault(error.code)
        self._tell(link, vehicle, error, reply["seq"])
        self._keep(self._recorder.refusal, link, vehicle, payload, reply)
        return encode(reply, encoding)

    def _tell(self, link: Hashable, vehicle: str | None, error: GuidanceError, seq: int | None) -> None:
        """Log a connection's faults 1, 2, 4, 8, ...: a script that floods does not flood the log."""
        count = self._faults[link] = self._faults.get(link, 0) + 1
        if count & (count - 1) == 0:
            whose, extra = vehicle or "a connection without session", {"vehicle": vehicle, "seq": seq}
            _log.warning("fault %d of %s: %s", count, whose, error, extra=extra)

    def _keep(self, keep: Callable[..., None], link: Hashable, *what: object) -> None:
        """Record; a recorder's own fault must not cost a script its reply."""
        try:
            keep(self._number(link), *what)
        except Exception:
            _log.exception("a message could not be recorded")

    def _number(self, link: Hashable) -> int:
        """A small number for a connection; the recording never holds routing ids."""
        number = self._numbers.get(link)
        if number is None:
            number = self._numbers[link] = self._next_number
            self._next_number += 1
            if len(self._numbers) > LINK_LIMIT:
                self._forget_one()
        return number

    def _forget_one(self) -> None:
        """Forget the oldest connection that commands no vehicle; one that does goes to the end of the queue."""
        for link in list(islice(self._numbers, LINKS_LOOKED_AT)):
            if self._sessions.vehicle_of(link) is None:
                return self.drop(link)
            self._numbers[link] = self._numbers.pop(link)
        return None


def _plan_fault(request: OpenMessage, error: ConfigError) -> MessageFault:
    """A plan's error under the path it has in the `open` message."""
    unknown = error.code == "unknown_name" and error.field == "plan"
    field = "plan" if unknown else f"plan.{error.field}"
    code = "unknown_plan" if unknown else error.code
    return MessageFault(code, field, error.expected, error.got)

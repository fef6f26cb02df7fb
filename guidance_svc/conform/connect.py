"""The other way round: a reference client that flies a simulated vehicle against a running service and checks it."""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import Callable, Iterator
from contextlib import suppress
from math import pi, radians
from typing import Any, Final, Protocol

import msgpack
import zmq
from pydantic import TypeAdapter, ValidationError

from guidance_svc.conform.record import Check, Run, failed, not_seen, passed
from guidance_svc.conform.vehicle import Witnessed
from guidance_svc.core.frames import pitch_and_heading, triad
from guidance_svc.core.kepler import orbit_report
from guidance_svc.domain import FlightPlan, Role
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.laws.plan_rules import require_vehicle
from guidance_svc.laws.table import EVENTS, LAWS, is_over
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.service.addresses import host_and_port, zmq_endpoint
from guidance_svc.session.reply import OWN_RAD
from guidance_svc.wire.messages import ClosedMessage, CommandMessage, FaultMessage, OpenedMessage

Message = dict[str, Any]

REPLY_S: Final = 10.0  # real time; a service answers in milliseconds
MOST_STATES: Final = 20_000
STEP_S: Final = 0.1
ORBIT_M: Final = 25e3  # a circular burn moves the apogee by 10 km (J2), a lesser orbit than the plan's by more
ANGLE_RAD: Final = 1e-6
FIELDS: Final = ("time_s", "position_m", "velocity_m_s", "mass_kg", "stage", "engine_on", "throttle", "thrust_n",
                 "pointing")  # fmt: skip
SHAPES: Final[dict[str, TypeAdapter[Any]]] = {
    "opened": TypeAdapter(OpenedMessage), "command": TypeAdapter(CommandMessage),
    "closed": TypeAdapter(ClosedMessage), "fault": TypeAdapter(FaultMessage),
}  # fmt: skip


class NotOpened(Exception):
    """There is no session to go on with."""


class Line(Protocol):
    """A connection to a service."""

    def ask(self, message: Message | bytes) -> Message:
        """Send a message and wait for its reply."""

    def close(self) -> None:
        """Close the connection to the server."""


class JsonLine:
    """Over TCP, JSON lines."""

    def __init__(self, address: tuple[str, int]) -> None:
        self._socket = socket.create_connection(address, REPLY_S)
        self._file = self._socket.makefile("rb")

    def ask(self, message: Message | bytes) -> Message:
        """As `Line` has it."""
        self._socket.sendall((message if isinstance(message, bytes) else json.dumps(message).encode()) + b"\n")
        if not (line := self._file.readline()):
            raise ConnectionError("the service hung up")
        reply: Message = json.loads(line)
        return reply

    def close(self) -> None:
        """As `Line` has it."""
        self._file.close()
        self._socket.close()


class ZmqLine:
    """A link over ZeroMQ, in MessagePack."""

    def __init__(self, endpoint: str) -> None:
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.DEALER)
        for option, value in ((zmq.LINGER, 0), (zmq.RCVTIMEO, int(REPLY_S * 1e3))):
            self._socket.setsockopt(option, value)
        self._socket.connect(endpoint)

    def ask(self, message: Message | bytes) -> Message:
        """As `Line` has it."""
        self._socket.send(message if isinstance(message, bytes) else msgpack.packb(message))
        try:
            raw = self._socket.recv()
        except zmq.Again:
            raise TimeoutError(f"no reply in {REPLY_S:g} s") from None
        reply: Message = json.loads(raw) if raw[:1] == b"{" else msgpack.unpackb(raw)
        return reply

    def close(self) -> None:
        """As `Line` has it."""
        self._socket.close(0)
        self._context.term()


def line_to(address: str) -> Callable[[], Line]:
    """Makes connections: tcp://HOST:PORT is ZeroMQ, HOST:PORT is JSON lines.

    Raises:
        ConfigError: a malformed address.
    """
    if address.startswith("tcp://"):
        endpoint = zmq_endpoint(address, "--connect")
        return lambda: ZmqLine(endpoint)
    where = host_and_port(address, "--connect")
    return lambda: JsonLine(where)


class Client:
    """The reference client.

    Args:
        connect: makes a connection.
        library, plan: the plan is sent whole, so the service need not have it.

    The vehicle has another name in each run: what a failed run left open does not stand in the way of the next.
    """

    def __init__(self, connect: Callable[[], Line], library: Library, plan: str, role: Role) -> None:
        self.plan: FlightPlan = library.plan(plan, role)
        require_vehicle(self.plan, "--plan")
        self.connect, self.line = connect, connect()
        self.vehicle = Witnessed(self.plan, Run())
        self.seq = 0
        self.opening: Message = {
            "type": "open", "protocol": 1, "vehicle": f"conform-{self.vehicle.name[:40]}-{secrets.token_hex(3)}",
            "role": role, "plan": library.inlined(plan),
        }  # fmt: skip

    def state(self) -> Message:
        """Fly on to the next state and return it as a message."""
        self.seq += 1
        told = self.vehicle.craft.telemetry()
        return {"type": "state", "seq": self.seq} | {name: told[name] for name in FIELDS}

    def obey(self, command: Message) -> None:
        """Fly on as told."""
        obey(self.vehicle.craft, command, STEP_S)


def check_service(library: Library, plan: str, role: Role, address: str) -> Iterator[Check]:
    """Play the protocol and one flight to a running service.

    Raises:
        ConfigError: the service cannot be reached, or the address is malformed.
    """
    try:
        client = Client(line_to(address), library, plan, role)
    except OSError as error:
        raise ConfigError("no_reply", "--connect", "a running service", f"{address}: {error}") from None
    try:
        yield from opening_checks(client)
        yield from state_checks(client)
        yield from flight_checks(client)
    except NotOpened:
        return
    except (OSError, ValueError, KeyError, TypeError) as error:
        yield failed("answers", "one reply answers each message", f"{type(error).__name__}: {error}",
                     "answer every message with one JSON object a line, or one frame")  # fmt: skip
    finally:
        with suppress(OSError, ValueError):
            client.line.ask({"type": "close"})
        client.line.close()


def article(word: str) -> str:
    """The indefinite one: "an opened", "a fault"."""
    return "an" if word[0] in "aeiou" else "a"


def check_shape(name: str, reply: Message, wanted: str) -> Check:
    """Whether a reply is of the wanted kind and has that kind's fields."""
    words = f"the reply is {article(wanted)} {wanted} with all its fields"
    if reply.get("type") != wanted:
        return failed(name, words, f"it is {reply.get('type')!r}: {reply.get('message', '')}", f"reply with {wanted}")
    try:
        SHAPES[wanted].validate_python(reply, strict=True)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        return failed(name, words, f"{where}: {first['msg']}", f"see {wanted} in PROTOCOL.md")
    if (odd := unknown_word(reply)) is not None:
        return failed(name, words, odd, f"see {wanted} in PROTOCOL.md")
    return passed(name, words, "it is")


def unknown_word(reply: Message) -> str | None:
    """A phase or an event that no law has, in words; the fields of the reply are whole."""
    phase, event = reply.get("phase"), reply.get("event")
    if phase is not None and phase not in LAWS:
        return f"phase: expected one of {', '.join(LAWS)}"
    if event is not None and event["name"] not in EVENTS:
        return f"event.name: expected one of {', '.join(EVENTS)}"
    return None


def check_refusal(name: str, reply: Message, code: str) -> Check:
    """Whether a reply is the fault with this code."""
    words = f"it is refused with the fault {code}"
    if reply.get("type") == "fault" and reply.get("code") == code:
        return check_shape(name, reply, "fault")
    return failed(name, words, f"{reply.get('type')} {reply.get('code', '')}".strip(), f"reply with fault {code}")


def opening_checks(client: Client) -> Iterator[Check]:
    """Before the first state."""
    yield check_refusal("state_before_open", client.line.ask(client.state()), "no_session")
    opened = client.line.ask(client.opening)
    yield check_shape("opened", opened, "opened")
    if opened.get("type") != "opened":
        raise NotOpened
    client.line.ask(client.state())  # until its first state a session belongs to whoever opened it last
    other = client.connect()
    try:
        yield check_refusal("taken", other.ask(client.opening), "vehicle_taken")
        yield check_refusal("wrong_token", other.ask(client.opening | {"resume": "not-the-token"}), "wrong_token")
    finally:
        other.close()
    client.opening["resume"] = opened["token"]


def state_checks(client: Client) -> Iterator[Check]:
    """The rules of seq, time and faults."""
    first = client.state()
    told = client.line.ask(first)
    yield check_shape("command", told, "command")
    yield same("same_seq", "the same seq again gets the same reply", told, client.line.ask(first))
    yield check_refusal("bad_value", client.line.ask(client.state() | {"mass_kg": -1.0}), "bad_value")
    yield check_refusal("unknown_field", client.line.ask(client.state() | {"mass": 1.0}), "unknown_field")
    yield check_refusal("garbage", client.line.ask(b"{nonsense"), "garbage")
    yield same("after_faults", "faults change nothing", *(without_seq(client.line.ask(client.state())) for _ in "ab"))
    yield check_refusal("old_seq", client.line.ask(first), "old_seq")
    client.line.close()
    client.line = client.connect()
    opened = client.line.ask(client.opening)
    yield check_shape("resumed", opened, "opened")
    if opened.get("resumed") is not True:
        yield failed("resumes", "the token takes the session up again", "resumed is not true", "keep the session")


def without_seq(reply: Message) -> Message:
    """A command without what must differ."""
    return {k: v for k, v in reply.items() if k != "seq"}


def same(name: str, words: str, one: Message, other: Message) -> Check:
    """Whether two replies are equal."""
    parts = [key for key in one.keys() | other.keys() if one.get(key) != other.get(key)]
    if not parts:
        return passed(name, words, "it is the same")
    return failed(name, words, f"different: {', '.join(sorted(parts))}", "answer by the state and nothing else")


def flight_checks(client: Client) -> Iterator[Check]:
    """Fly to the end of the plan."""
    words, worst, command = "the plan is flown to its end", 0.0, Message()
    for _ in range(MOST_STATES):
        command = client.line.ask(client.state())
        if command.get("type") != "command":
            yield failed("flies", words, str(command.get("message", command)), "answer good states with commands")
            return
        worst = max(worst, pitch_gap_rad(client, command))
        if is_over(command["phase"], command["status"]):
            break
        client.obey(command)
    yield check_shape("last_command", command, "command")
    yield angles_check(worst)
    done = f"phase {command['phase']}, status {command['status']}"
    yield (passed if command["status"] == "complete" else failed_flight)("flies", words, done)
    yield orbit_check(client)
    yield check_shape("closed", client.line.ask({"type": "close"}), "closed")


def failed_flight(name: str, words: str, seen: str) -> Check:
    """A flight that did not come to its end."""
    return failed(name, words, seen, "compare the commands with those of this service, state by state")


def pitch_gap_rad(client: Client, command: Message) -> float:
    """Difference of pitch_deg from the pitch of pointing (inertial frame, geocentric vertical), rad.

    Near the vertical, where the heading is a held one and the pitch goes with it, nothing is compared.
    """
    x, y, z = command["pointing"]
    local = triad(client.vehicle.craft.state.position_m, "geocentric", client.plan.body)
    pitch = pitch_and_heading((x, y, z), local)[0]
    return abs(pitch - radians(float(command["pitch_deg"]))) if 0.5 * pi - abs(pitch) >= OWN_RAD else 0.0


def angles_check(worst_rad: float) -> Check:
    """Whether the reply's pointing and its pitch and heading say the same."""
    words = "pointing and pitch_deg say the same"
    if worst_rad < ANGLE_RAD:
        return passed("angles", words, f"to {worst_rad:.1e} rad")
    return failed("angles", words, f"up to {worst_rad:.2g} rad apart", "see Frames in PROTOCOL.md")


def orbit_check(client: Client) -> Check:
    """The end of a flight that circularises, or the reached target."""
    words, target, state = "the vehicle ends in the orbit of the plan", client.plan.target, client.vehicle.craft.state
    if target is None:
        return not_seen("orbit", words, "the plan has no target")
    orbit = orbit_report(state.position_m, state.velocity_m_s, client.plan.body)
    apogee = target.apogee_radius_m - client.plan.body.radius_m
    off = abs(orbit.apogee_altitude_m - apogee)
    seen = f"apogee {orbit.apogee_altitude_m / 1e3:z.2f} km, the plan says {apogee / 1e3:z.2f} km"
    if off < ORBIT_M:
        return passed("orbit", words, seen)
    return failed("orbit", words, seen, "compare the commands with those of this service, state by state")

"""Talk to the guidance service over plain TCP with the standard library alone. Copy this one file next to your script.

The same class and calls as guidance_client.py; the address is that of the service's JSON-lines port.
For simulation and teaching only; do not connect it to a real vehicle.

The loop of a flight script; `vehicle` stands for your simulator:

    from guidance_client_stdlib import GuidanceClient, cutoff_now
    client = GuidanceClient("tcp://127.0.0.1:5771")
    client.open(vehicle="Bargeman", role="tanker", plan="bargeman_to_lagoon", frame={"motion": "inertial"})
    phase = ""
    while phase != "orbit":
        command = client.exchange(vehicle.read_state())      # time_s, position_m, velocity_m_s, mass_kg
        vehicle.point(command["pointing"])
        vehicle.set_engine(command["engine_on"] and not cutoff_now(command, vehicle.time_s()), command["throttle"])
        phase = command["phase"]

Cut the engine at `cutoff_at_s` on the vehicle's own clock, not when a reply happens to arrive: give that time to your
simulator if it takes one, or ask an Autocut in every tick between two replies. PROTOCOL.md says what each field means.
"""

from __future__ import annotations

import json
import socket
import time
from typing import Any

PROTOCOL = 1
ROUNDING_S = 1e-6  # two clock readings nearer than this are one


class Fault(Exception):  # noqa: N818 - the word of the protocol
    """The service refused a message; its session is as it was before.

    Attributes: code (stable, branch on it), field (path of the offending field), expected, got.
    """

    def __init__(self, fault: dict[str, Any]) -> None:
        self.code = str(fault.get("code", ""))
        self.field = str(fault.get("field", ""))
        self.expected = str(fault.get("expected", ""))
        self.got = str(fault.get("got", ""))
        text = f"{self.field}: {self.code}; expected {self.expected}; got {self.got}"
        super().__init__(str(fault.get("message") or text))


def cutoff_now(command: dict[str, Any], time_s: float, tick_s: float = 0.0) -> bool:
    """Whether the engine must be off at `time_s` of the vehicle's clock.

    With `tick_s`, the length of your simulator's tick, the answer turns true at the tick nearest to the cutoff.
    """
    at_s = command.get("cutoff_at_s")
    return at_s is not None and time_s + 0.5 * tick_s + ROUNDING_S >= at_s


class Autocut:
    """Remembers the latest `cutoff_at_s`, for a script that looks at its engine between two replies."""

    def __init__(self, tick_s: float = 0.0) -> None:
        self.tick_s = tick_s
        self.command: dict[str, Any] = {}

    def update(self, command: dict[str, Any]) -> None:
        """Take note of a new command; call it after each exchange."""
        self.command = command

    def due(self, time_s: float) -> bool:
        """True from the cutoff on, on the vehicle's own clock."""
        return cutoff_now(self.command, time_s, self.tick_s)


class GuidanceClient:
    """One vehicle's line to the service.

    Args:
        address: of the service's JSON-lines port, "tcp://host:port".
        timeout_s: real time to wait for a reply before asking again.
        tries: how often to ask; each new try opens a new connection and takes the session up again by its token.
    """

    def __init__(self, address: str, timeout_s: float = 5.0, tries: int = 3) -> None:
        self.address, self.timeout_s, self.tries = address, timeout_s, tries
        self.token: str | None = None
        self.seq = 0
        self.done_event: str | None = None
        self._open_message: dict[str, Any] = {}
        self._connect()

    def open(
        self,
        vehicle: str,
        role: str,
        plan: str | dict[str, Any],
        frame: dict[str, Any] | None = None,
        resume: str | None = None,
        detail: bool = False,
    ) -> dict[str, Any]:
        """Open the vehicle's session, or take one up again with `resume`. Returns `opened`: read it."""
        self._open_message = {
            "type": "open", "protocol": PROTOCOL, "vehicle": vehicle, "role": role, "plan": plan,
            "frame": frame or {}, "detail": detail,
        }  # fmt: skip
        self.token = resume
        opened = self._ask(self._greeting(), "opened")
        self.token = opened["token"]
        return opened

    def exchange(self, state: dict[str, Any]) -> dict[str, Any]:
        """Send a state, return the command that answers it. `seq` and `seen_event` are filled in for you."""
        self.seq = max(self.seq + 1, state.get("seq", 0))
        message = {**state, "type": "state", "seq": self.seq}
        if self.done_event and "seen_event" not in message:
            message["seen_event"] = self.done_event
        return self._ask(message, "command")

    def done(self, event: dict[str, Any]) -> None:
        """Say that an event was carried out; the next states carry its id, and the service stops repeating it."""
        self.done_event = event["id"]

    def close(self) -> None:
        """End the session and the connection."""
        self._ask({"type": "close"}, "closed")
        self.hang_up()

    def _greeting(self) -> dict[str, Any]:
        return {**self._open_message, "resume": self.token} if self.token else self._open_message

    def _ask(self, message: dict[str, Any], wanted: str) -> dict[str, Any]:
        for attempt in range(self.tries):
            try:
                if attempt:
                    self.hang_up()
                    self._connect()
                    if wanted != "opened" and self.token:
                        self._once(self._greeting(), "opened")
                return self._once(message, wanted)
            except (TimeoutError, ConnectionError):
                continue
        waited = f"{self.tries} tries of {self.timeout_s} s"
        raise TimeoutError(f"no answer from {self.address} in {waited}: is the service up?")

    def _once(self, message: dict[str, Any], wanted: str) -> dict[str, Any]:
        self._send(message)
        until = time.monotonic() + self.timeout_s
        while True:
            reply = self._receive(until)
            if reply.get("seq") not in (None, message.get("seq")):
                continue  # the late answer to an earlier state
            if reply.get("type") == "fault":
                raise Fault(reply)
            if reply.get("type") == wanted:
                return reply

    def _connect(self) -> None:
        self._socket: socket.socket | None = None
        self._unread = b""

    def hang_up(self) -> None:
        """Close the connection and leave the session open in the service."""
        if self._socket is not None:
            self._socket.close()
        self._connect()

    def _send(self, message: dict[str, Any]) -> None:
        if self._socket is None:
            host, _, port = self.address.removeprefix("tcp://").rpartition(":")
            self._socket = socket.create_connection((host, int(port)), timeout=self.timeout_s)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.sendall(json.dumps(message).encode() + b"\n")

    def _receive(self, until: float) -> dict[str, Any]:
        assert self._socket is not None
        while b"\n" not in self._unread:
            self._socket.settimeout(max(1e-3, until - time.monotonic()))
            chunk = self._socket.recv(65536)
            if not chunk:
                raise ConnectionError(f"{self.address} hung up")
            self._unread += chunk
        line, self._unread = self._unread.split(b"\n", 1)
        reply: dict[str, Any] = json.loads(line)
        return reply

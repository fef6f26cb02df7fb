"""Talk to the guidance service over ZeroMQ. Copy this one file next to your script.

Needs: pip install pyzmq msgpack. (No packages at all? Copy guidance_client_stdlib.py instead: same class, same calls.)
For simulation and teaching only; do not connect it to a real vehicle.

README.md has the loop of a flight script: open once, then exchange a state for a command, again and again.

Cut the engine at `cutoff_at_s` on the vehicle's own clock, not when a reply happens to arrive: give that time to your
simulator if it takes one, or ask an Autocut in every tick between two replies. PROTOCOL.md says what each field means.
"""

from __future__ import annotations

import json
import os
import time
import warnings
from typing import Any

import msgpack
import zmq

PROTOCOL = 1
ROUNDING_S = 1e-6  # two clock readings nearer than this are one


class Fault(Exception):
    """The service refused a message. Attributes: code (stable, branch on it), field (its path), expected, got."""

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
        address: of the service's ZeroMQ socket, "tcp://host:port".
        timeout_s: real time to wait for a reply before asking again.
        tries: how often to ask; each new try opens a new connection and takes the session up again by its token.
        token_file: keeps the token (readable by you alone): a script started again goes on; one file a vehicle.

    Attributes: token; resumed (False when the session began anew; in mid-flight a warning says so too).
    """

    def __init__(self, address: str, timeout_s: float = 5.0, tries: int = 3, token_file: str | None = None) -> None:
        self.address, self.timeout_s, self.tries, self.token_file = address, timeout_s, tries, token_file
        self.token: str | None = None
        self.resumed: bool | None = None
        self.seq = 0
        self.done_event: str | None = None
        self._time_s = float("-inf")
        self._open_message: dict[str, Any] = {}
        self._greeted = False
        self._socket: zmq.Socket[bytes] | None = None

    def open(
        self, vehicle: str, role: str, plan: str | dict[str, Any], frame: dict[str, Any] | None = None,
        resume: str | None = None, detail: bool = False,
    ) -> dict[str, Any]:  # fmt: skip
        """Open the vehicle's session, or take one up again with `resume`. Returns `opened`: read it."""
        self._open_message = {
            "type": "open", "protocol": PROTOCOL, "vehicle": vehicle, "role": role, "plan": plan,
            "frame": frame or {}, "detail": detail,
        }  # fmt: skip
        self.token, self._greeted = resume or self._stored(), False
        return self._ask({}, "opened")

    def exchange(self, state: dict[str, Any]) -> dict[str, Any]:
        """Send a state, return the command that answers it. `seq` and `seen_event` are filled in for you."""
        self.seq = max(self.seq + 1, state.get("seq", 0))
        if isinstance(time_s := state.get("time_s"), (int, float)):
            if time_s < self._time_s:
                self.done_event = None  # a save was reloaded: what was done after it is undone
            self._time_s = time_s
        message = {**state, "type": "state", "seq": self.seq}
        if self.done_event and "seen_event" not in message:
            message["seen_event"] = self.done_event
        return self._ask(message, "command")

    def done(self, event: dict[str, Any]) -> None:
        """Say that an event was carried out; the next states carry its id, and the service stops repeating it."""
        self.done_event = event["id"]

    def close(self) -> None:
        """End the session and the connection; the token is of no more use, and its file is removed."""
        self._ask({"type": "close"}, "closed")
        self.hang_up()
        self._open_message, self.token = {}, None
        if self.token_file and os.path.exists(self.token_file):
            os.remove(self.token_file)

    def _ask(self, message: dict[str, Any], wanted: str) -> dict[str, Any]:
        for left in reversed(range(self.tries)):
            try:
                if self._open_message and not self._greeted:
                    opened = self._greet(message)
                    if wanted == "opened":
                        return opened
                return self._once(message, wanted)
            except (TimeoutError, ConnectionError):
                self.hang_up()
            except Fault as fault:  # a service that was started again behind the same socket knows no session
                if fault.code == "no_session":
                    self.hang_up()
                if fault.code != "no_session" or not (left and self._open_message):
                    raise
        raise TimeoutError(f"no answer from {self.address} in {self.tries} x {self.timeout_s} s: is the service up?")

    def _greet(self, message: dict[str, Any]) -> dict[str, Any]:
        shown = self.token
        opened = self._once({**self._open_message, **({"resume": shown} if shown else {})}, "opened")
        self.token, self.resumed, self._greeted = opened["token"], opened["resumed"], True
        if self.token_file and self.token != self._stored():
            with os.fdopen(os.open(self.token_file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
                os.chmod(self.token_file, 0o600)
                file.write(self.token)
        if not self.resumed:
            self.done_event = None
            message.pop("seen_event", None)  # the new session never announced that event
            if shown:
                warnings.warn("the service has no memory of this flight: its session began anew", stacklevel=4)
        return opened

    def _stored(self) -> str | None:
        if self.token_file and os.path.exists(self.token_file):
            with open(self.token_file, encoding="utf-8") as file:
                return file.read().strip() or None
        return None

    def _once(self, message: dict[str, Any], wanted: str) -> dict[str, Any]:
        until = time.monotonic() + self.timeout_s
        self._send(message, until)
        while True:
            reply = self._receive(until)
            if reply.get("seq") not in (None, message.get("seq")):
                continue  # the late answer to an earlier state
            if reply.get("type") == "fault":
                raise Fault(reply)
            if reply.get("type") == wanted:
                return reply

    def hang_up(self) -> None:
        """Close the connection and leave the session open in the service; the next exchange takes it up again."""
        if self._socket is not None:
            self._socket.close()
        self._socket, self._greeted = None, False

    def _send(self, message: dict[str, Any], until: float) -> None:
        if self._socket is None:
            self._socket = zmq.Context.instance().socket(zmq.DEALER)
            self._socket.setsockopt(zmq.LINGER, 0)
            self._socket.connect(self.address)
        self._socket.send(msgpack.packb(message))

    def _receive(self, until: float) -> dict[str, Any]:
        assert self._socket is not None
        if not self._socket.poll(max(0, int((until - time.monotonic()) * 1000))):
            raise TimeoutError(f"no answer from {self.address}")
        raw = self._socket.recv()
        reply: dict[str, Any] = json.loads(raw) if raw[:1] == b"{" else msgpack.unpackb(raw)
        return reply

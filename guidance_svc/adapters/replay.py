"""Plays the messages of a recording to a service again and compares the replies."""

from __future__ import annotations

from base64 import b64decode
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import zmq

from guidance_svc.adapters.comparing import Difference, first_difference, heading_difference_deg
from guidance_svc.adapters.desk import Desk, Sessions
from guidance_svc.adapters.recorder import NO_VEHICLE, NOT_RECORDED
from guidance_svc.adapters.recordings import RecordedMessage, RecordedPlan, RecordingReader
from guidance_svc.errors import ConfigError, MessageFault, RecordingError
from guidance_svc.wire.codec import decode, encode, encoding_of

REPLY_TIMEOUT_MS = 10_000  # a live service answers in a millisecond; this one is not there


class Answering(Protocol):
    """A service that messages can be played to."""

    def ask(self, link: int, payload: bytes) -> bytes:
        """The reply to one message over connection number `link`."""

    def close(self) -> None:
        """Done with it."""


class InProcess:
    """A fresh service in this process."""

    def __init__(self, desk: Desk, sessions: Sessions) -> None:
        self._desk = desk
        self._sessions = sessions

    def ask(self, link: int, payload: bytes) -> bytes:
        """As `Answering.ask`; deferred guidance is worked out after each message."""
        reply = self._desk.receive(("replay", link), payload)
        while self._sessions.pending():
            self._sessions.work()
        return reply

    def close(self) -> None:
        """Nothing to close."""


class OverSocket:
    """A running service, one DEALER a recorded connection."""

    def __init__(self, endpoint: str) -> None:
        self._endpoint = endpoint
        self._context = zmq.Context()
        self._sockets: dict[int, zmq.Socket[bytes]] = {}

    def ask(self, link: int, payload: bytes) -> bytes:
        """As `Answering.ask`.

        Raises:
            ConfigError: no reply came.
        """
        if link not in self._sockets:
            sock = self._context.socket(zmq.DEALER)
            sock.setsockopt(zmq.LINGER, 0)
            sock.setsockopt(zmq.RCVTIMEO, REPLY_TIMEOUT_MS)
            sock.setsockopt(zmq.SNDTIMEO, REPLY_TIMEOUT_MS)
            sock.connect(self._endpoint)
            self._sockets[link] = sock
        try:
            self._sockets[link].send(payload)
            reply: bytes = self._sockets[link].recv()
        except zmq.Again:
            expected = f"a reply within {REPLY_TIMEOUT_MS / 1000:g} s"
            raise ConfigError("no_reply", "connect", expected, self._endpoint) from None
        return reply

    def close(self) -> None:
        """Close the sockets."""
        for sock in self._sockets.values():
            sock.close(0)
        self._context.term()


@dataclass(frozen=True, slots=True)
class Exchange:
    """One message of a recording, its recorded reply and the one it got now.

    Args:
        recorded: None where the recording ends before it.
    """

    vehicle: str
    request: dict[str, Any]
    recorded: dict[str, Any] | None
    replayed: dict[str, Any]


@dataclass(slots=True)
class Player:
    """Plays one recording.

    Args:
        reader: of the recording.
        service: to play to.
        plans: flight plans to use instead of the recorded ones, by vehicle.

    `skipped` counts the refused messages that the recording holds only in part.
    """

    reader: RecordingReader
    service: Answering
    plans: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    skipped: int = 0
    _tokens: dict[str, str] = field(default_factory=dict)
    _recorded_plans: dict[str, dict[str, Any]] = field(default_factory=dict)

    def exchanges(self) -> Iterator[Exchange]:
        """Every message played and answered, in the recorded order.

        Raises:
            RecordingError: the recording cannot be read.
            ConfigError: the service does not answer.
        """
        for request, recorded in self._pairs():
            payload = self._payload(request)
            if payload is None:
                self.skipped += 1
                continue
            replayed = decode(self.service.ask(request.link, payload), limit_bytes=1 << 24)
            if replayed.get("type") == "opened":
                self._tokens[replayed["vehicle"]] = replayed["token"]
            vehicle = request.vehicle if recorded is None or request.vehicle != NO_VEHICLE else recorded.vehicle
            yield Exchange(vehicle, request.message, None if recorded is None else recorded.message, replayed)

    def _pairs(self) -> Iterator[tuple[RecordedMessage, RecordedMessage | None]]:
        """Each message in with the one out that the recorder wrote right after it."""
        waiting: RecordedMessage | None = None
        for entry in self.reader.entries():
            if isinstance(entry, RecordedPlan):
                self._recorded_plans[entry.name] = entry.table
            elif entry.direction == "in":
                waiting = entry
            elif waiting is not None:
                yield waiting, entry
                waiting = None
        if waiting is not None:
            yield waiting, None

    def _payload(self, request: RecordedMessage) -> bytes | None:
        if request.type == "refused":
            return self._refused(b64decode(request.message["payload_base64"])) if request.message["whole"] else None
        return encode(self._open(request.message) if request.type == "open" else request.message, "msgpack")

    def _refused(self, payload: bytes) -> bytes:
        """The bytes as they came; in a refused `open` the name of a recorded plan is replaced by the plan."""
        try:
            message = decode(payload)
        except MessageFault:
            return payload
        plan = message.get("plan")
        if message.get("type") == "open" and isinstance(plan, str) and plan in self._recorded_plans:
            return encode({**message, "plan": self._recorded_plans[plan]}, encoding_of(payload))
        return payload

    def _open(self, message: dict[str, Any]) -> dict[str, Any]:
        """The recorded `open` with the plan as it was then, or the other plan, and a token that holds now."""
        vehicle, plan = message["vehicle"], message["plan"]
        recorded = self._recorded_plans.get(plan, plan) if isinstance(plan, str) else plan
        message = {**message, "plan": self.plans.get(vehicle, recorded)}
        if message.get("resume") == NOT_RECORDED:
            message["resume"] = self._tokens.get(vehicle, NOT_RECORDED)
        return message


@dataclass(frozen=True, slots=True)
class Mismatch:
    """The first reply that differs, and where it stands in the flight."""

    vehicle: str
    seq: int | None
    time_s: float | None
    difference: Difference

    def sentence(self) -> str:
        """For the terminal."""
        where = f"{self.vehicle}, seq {self.seq}, vehicle time {self.time_s} s"
        found = self.difference
        return f"{where}: {found.field}: recorded {found.recorded!r}, replayed {found.replayed!r}"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Outcome of a replay.

    Args:
        compared: replies that were compared, up to and with the mismatch.
        cut: whether the recording's end is missing.
    """

    compared: int
    skipped: int
    cut: bool
    mismatch: Mismatch | None


def replay(path: Path, service: Answering) -> Verdict:
    """Play a recording and stop at the first reply that differs.

    Raises:
        RecordingError: it cannot be read, or holds no exchange.
        ConfigError: the service does not answer.
    """
    player = Player(RecordingReader(path), service)
    compared = 0
    for exchange in player.exchanges():
        if exchange.recorded is None:
            continue
        compared += 1
        difference = first_difference(exchange.recorded, exchange.replayed)
        if difference is not None:
            request = exchange.request
            mismatch = Mismatch(exchange.vehicle, request.get("seq"), request.get("time_s"), difference)
            return Verdict(compared, player.skipped, player.reader.cut, mismatch)
    if compared == 0:
        raise RecordingError("nothing_to_replay", "", "at least one message with its reply", "none", str(path))
    return Verdict(compared, player.skipped, player.reader.cut, None)


@dataclass(slots=True)
class VehicleChange:
    """What another flight plan changes for one vehicle; the states are those of the recorded flight.

    Args:
        events: each event's name with (seq, at_s) as recorded and as replayed; None where it did not come.
        cutoff_at_s: the last one announced, recorded and replayed.
        pitch_deg, heading_deg: largest difference, and the vehicle time of the largest pitch difference.
        faults: replies that are faults now and were commands then.
    """

    commands: int = 0
    events: dict[str, list[tuple[int, float] | None]] = field(default_factory=dict)
    cutoff_at_s: list[float | None] = field(default_factory=lambda: [None, None])
    pitch_deg: float = 0.0
    pitch_at_s: float | None = None
    heading_deg: float = 0.0
    faults: int = 0

    def add(self, recorded: dict[str, Any], replayed: dict[str, Any]) -> None:
        """Take one pair of replies to the same state."""
        if recorded["type"] != "command":
            return
        self.commands += 1
        self._note(0, recorded)
        if replayed["type"] != "command":
            self.faults += 1
            return
        self._note(1, replayed)
        pitch = abs(recorded["pitch_deg"] - replayed["pitch_deg"])
        if pitch > self.pitch_deg:
            self.pitch_deg, self.pitch_at_s = pitch, recorded["time_s"]
        heading = heading_difference_deg(recorded["heading_deg"], replayed["heading_deg"])
        self.heading_deg = max(self.heading_deg, heading)

    def _note(self, side: int, command: dict[str, Any]) -> None:
        if command["cutoff_at_s"] is not None:
            self.cutoff_at_s[side] = command["cutoff_at_s"]
        event = command["event"]
        if event is not None:
            pair = self.events.setdefault(event["id"], [None, None])
            if pair[side] is None:
                pair[side] = (command["seq"], event["at_s"])


def replay_with_plan(path: Path, service: Answering, vehicle: str, plan: dict[str, Any]) -> dict[str, VehicleChange]:
    """Play a recording with another flight plan for one vehicle; what changes, by vehicle.

    Raises:
        RecordingError: it cannot be read.
        MessageFault: the service refuses the plan.
        ConfigError: the service does not answer.
    """
    changes: dict[str, VehicleChange] = {}
    for exchange in Player(RecordingReader(path), service, {vehicle: plan}).exchanges():
        if exchange.recorded is None:
            continue
        was, now = exchange.recorded, exchange.replayed
        if was["type"] == "opened" and now["type"] == "fault":
            raise MessageFault(now["code"], now["field"], now["expected"], now["got"])
        changes.setdefault(exchange.vehicle, VehicleChange()).add(was, now)
    return changes


def vehicles_in(path: Path) -> list[str]:
    """The vehicles that were opened in a recording.

    Raises:
        RecordingError: it cannot be read.
    """
    entries = RecordingReader(path).entries()
    return sorted({e.vehicle for e in entries if isinstance(e, RecordedMessage) and e.type == "opened"})

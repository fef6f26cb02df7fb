"""Plays the messages of a recording to a service again and compares the replies."""

from __future__ import annotations

import logging
from base64 import b64decode
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import zmq

from guidance_svc.errors import ConfigError, MessageFault, RecordingError, SessionFault
from guidance_svc.playback.comparing import Difference, first_difference
from guidance_svc.playback.course import Course, Exchange
from guidance_svc.playback.recordings import MISSHAPEN, RecordedMessage, RecordedSession, RecordingReader
from guidance_svc.service.desk import Desk, Sessions
from guidance_svc.service.keeping import RecordedSessions
from guidance_svc.storage.recorder import NOT_RECORDED
from guidance_svc.wire.codec import decode, encode, encoding_of

REPLY_TIMEOUT_MS = 10_000  # a live service answers in a millisecond; this one is not there


class Answering(Protocol):
    """A service that messages can be played to."""

    def ask(self, link: int, payload: bytes) -> bytes:
        """The reply to one message over connection number `link`."""

    def restore(self, table: Mapping[str, str]) -> str:
        """Take up a session that was open when the recording began; the token that it has now."""

    def hear(self, vehicle: str, heard: Mapping[str, Any] | None) -> None:
        """The vehicle's next state has heard this from others on its clock; None for nothing."""

    def bind(self, link: int, vehicle: str) -> None:
        """Connection number `link` commands a restored session's vehicle."""

    def aside(self, link: int, vehicle: str, what: str) -> None:
        """What befell a session without a message: connection `link` gone, or the session given up."""

    def close(self) -> None:
        """Give back what it holds; it is asked nothing more."""


class InProcess:
    """A fresh service in this process.

    Args:
        restorer: of sessions that were open when a recording began.
    """

    def __init__(self, desk: Desk, sessions: Sessions, restorer: RecordedSessions | None = None) -> None:
        self._desk = desk
        self._sessions = sessions
        self._restorer = restorer

    def restore(self, table: Mapping[str, str]) -> str:
        """As `Answering.restore`.

        Raises:
            RecordingError: it cannot be read.
        """
        try:
            if self._restorer is None:
                raise ValueError("none here")
            return self._restorer.restore(table)
        except ValueError as error:
            expected = "a session as this version writes it"
            raise RecordingError("cannot_restore", table.get("vehicle", ""), expected, error) from None

    def hear(self, vehicle: str, heard: Mapping[str, Any] | None) -> None:
        """As `Answering.hear`.

        Raises:
            ValueError: no recorder writes that.
        """
        if self._restorer is not None:
            self._restorer.hear(vehicle, heard)

    def bind(self, link: int, vehicle: str) -> None:
        """As `Answering.bind`: the link commands the vehicle."""
        if self._restorer is not None:
            self._restorer.bind(("replay", link), vehicle)

    def aside(self, link: int, vehicle: str, what: str) -> None:
        """As `Answering.aside`: the link is gone, or the session given up."""
        if what == "link_gone":
            self._desk.drop(("replay", link))
        else:
            with suppress(SessionFault):
                self._desk.give_up(vehicle, "as recorded")

    def ask(self, link: int, payload: bytes) -> bytes:
        """As `Answering.ask`; deferred guidance is worked out after each message."""
        reply = self._desk.receive(("replay", link), payload)
        while self._sessions.pending():
            self._sessions.work()
        return reply

    def close(self) -> None:
        """Nothing to close: all is in this process."""


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

    def restore(self, table: Mapping[str, str]) -> str:
        """Not possible from outside.

        Raises:
            ConfigError: always.
        """
        expected = "a recording that begins without open sessions; or leave --connect out"
        raise ConfigError("begins_in_flight", "--connect", expected, f"a session of {table.get('vehicle')}")

    def hear(self, vehicle: str, heard: Mapping[str, Any] | None) -> None:
        """Nothing: the sessions of the running service tell each other, in the same order."""

    def bind(self, link: int, vehicle: str) -> None:
        """Nothing: nothing was restored."""

    def aside(self, link: int, vehicle: str, what: str) -> None:
        """A connection that is gone is closed; a session cannot be given up from here."""
        sock = self._sockets.pop(link, None) if what == "link_gone" else None
        if sock is not None:
            sock.close()

    def close(self) -> None:
        """Close the sockets; what the service still sends is lost."""
        for sock in self._sockets.values():
            sock.close(0)
        self._context.term()


@dataclass(frozen=True, slots=True)
class Played:
    """One exchange of a recording and the reply that its message got now."""

    exchange: Exchange
    replayed: dict[str, Any]

    @property
    def recorded(self) -> dict[str, Any] | None:
        """The reply as recorded; None where the recording has none."""
        reply = self.exchange.reply
        return None if reply is None else reply.message


class Player:
    """Plays one recording, of one file or several.

    Args:
        files: readers of it, in order.
        service: to play to.
        plans: flight plans to use instead of the recorded ones, by vehicle.
        detail: whether every script is to have asked for detail.

    `skipped` counts the refused messages that the recording holds only in part, `reader` is the present file's.
    """

    def __init__(
        self,
        files: Iterable[RecordingReader],
        service: Answering,
        plans: Mapping[str, dict[str, Any]] | None = None,
        detail: bool = False,
    ) -> None:
        self.skipped = 0
        self.reader = RecordingReader(Path())
        self._files = files
        self._service = service
        self._plans = plans or {}
        self._detail = detail
        self._course = Course()
        self._tokens: dict[str, str] = {}
        self._restored: set[str] = set()

    def exchanges(self) -> Iterator[Played]:
        """Every message played and answered, in the recorded order, up to the first damage of each file.

        Raises:
            RecordingError: the recording cannot be read.
            ConfigError: the service does not answer.
        """
        for reader in self._files:
            self.reader = reader
            for happening in self._course.read(reader):
                if isinstance(happening, RecordedSession):
                    self._tokens[happening.vehicle] = self._service.restore(happening.table)
                    self._restored.add(happening.vehicle)
                elif isinstance(happening, RecordedMessage):
                    self._service.aside(happening.link, happening.vehicle, happening.type)
                else:
                    try:
                        payload = self._payload(happening.request)
                        if happening.request.type == "state":
                            self._service.hear(happening.vehicle, happening.request.heard)
                    except MISSHAPEN as error:
                        reader.means_nothing(f"a {happening.request.type}", error)
                        break
                    if payload is None:
                        self.skipped += 1
                    else:
                        yield Played(happening, self._ask(happening.request, payload))

    def _ask(self, request: RecordedMessage, payload: bytes) -> dict[str, Any]:
        """The reply now.

        The first message, other than `open`, that names a restored vehicle comes over the link that commands it.
        """
        if request.vehicle in self._restored and request.type != "open":
            self._restored.discard(request.vehicle)
            self._service.bind(request.link, request.vehicle)
        replayed = decode(self._service.ask(request.link, payload), limit_bytes=1 << 24)
        if replayed.get("type") == "opened":
            self._tokens[replayed["vehicle"]] = replayed["token"]
            self._restored.discard(replayed["vehicle"])
        return replayed

    def _payload(self, request: RecordedMessage) -> bytes | None:
        if request.type == "refused":
            return self._with_plan(b64decode(request.message["payload_base64"])) if request.message["whole"] else None
        return encode(self._open(request.message) if request.type == "open" else request.message, "msgpack")

    def _with_plan(self, payload: bytes) -> bytes:
        """The bytes as they came; in a refused `open` the name of a recorded plan is replaced by the plan."""
        try:
            message = decode(payload)
        except MessageFault:
            return payload
        plan = message.get("plan")
        if message.get("type") == "open" and isinstance(plan, str) and plan in self._course.plans:
            return encode({**message, "plan": self._course.plans[plan]}, encoding_of(payload))
        return payload

    def _open(self, message: dict[str, Any]) -> dict[str, Any]:
        """The recorded `open` with the plan as it was then, or the other plan, and a token that holds now."""
        vehicle, plan = message["vehicle"], message["plan"]
        recorded = self._course.plans.get(plan, plan) if isinstance(plan, str) else plan
        message = {**message, "plan": self._plans.get(vehicle, recorded)}
        if self._detail:
            message["detail"] = True
        if message.get("resume") == NOT_RECORDED:
            message["resume"] = self._tokens.get(vehicle, NOT_RECORDED)
        return message


def watch_nothing(reader: RecordingReader) -> None:
    """For a replay whose progress nobody looks at."""


@dataclass(frozen=True, slots=True)
class Mismatch:
    """The first reply that differs, and where it stands in the flight."""

    vehicle: str
    seq: int | None
    time_s: float | None
    difference: Difference

    def sentence(self) -> str:
        """The outcome in one sentence for the terminal."""
        where = f"{self.vehicle}, seq {self.seq}, vehicle time {self.time_s} s"
        found = self.difference
        return f"{where}: {found.field}: recorded {found.recorded!r}, replayed {found.replayed!r}"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Outcome of a replay.

    Args:
        compared: replies that were compared, up to and with the mismatch.
        remark: what of the recording is missing, as a sentence; "" where nothing is.
    """

    compared: int
    skipped: int
    remark: str
    mismatch: Mismatch | None

    @property
    def cut(self) -> bool:
        """Whether something is missing."""
        return bool(self.remark)


def replay(path: Path, service: Answering, watch: Callable[[RecordingReader], None] = watch_nothing) -> Verdict:
    """Play a recording and stop at the first reply that differs.

    Args:
        watch: told after each reply how far the reader is.

    Raises:
        RecordingError: it cannot be read, or holds no exchange.
        ConfigError: the service does not answer.
    """
    player = Player([RecordingReader(path)], service)
    compared = 0
    with quiet_desk():
        for played in player.exchanges():
            watch(player.reader)
            if played.recorded is None:
                continue
            compared += 1
            difference = first_difference(played.recorded, played.replayed)
            if difference is not None:
                request = played.exchange.request
                where = request.vehicle, request.message.get("seq"), request.message.get("time_s")
                mismatch = Mismatch(*where, difference)
                return Verdict(compared, player.skipped, player.reader.remark(), mismatch)
    if compared == 0:
        got = player.reader.remark() or "none"
        raise RecordingError("nothing_to_replay", "", "at least one message with its reply", got, str(path))
    return Verdict(compared, player.skipped, player.reader.remark(), None)


@contextmanager
def quiet_desk() -> Iterator[None]:
    """The desk's log without what it says of recorded flights: their faults were told when they happened."""
    log = logging.getLogger(Desk.__module__)
    log.addFilter(_is_error)
    try:
        yield
    finally:
        log.removeFilter(_is_error)


def _is_error(record: logging.LogRecord) -> bool:
    return record.levelno >= logging.ERROR

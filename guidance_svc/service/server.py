"""One poll loop for all transports: drain, answer, write the recording, send, then work out guidance."""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Callable, Hashable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final

import zmq

from guidance_svc.errors import ConfigError, MessageFault
from guidance_svc.files.settings import Addresses, Limits
from guidance_svc.service.access import Access, Link
from guidance_svc.service.addresses import host_and_port, zmq_endpoint
from guidance_svc.service.desk import Desk, Sessions
from guidance_svc.service.laps import Laps
from guidance_svc.service.line_port import PAUSE_S, LinePort, too_fast
from guidance_svc.service.pace import STRANGERS, Pace, PaceKeeper
from guidance_svc.service.pieces import Pieces
from guidance_svc.service.router import Request, Router
from guidance_svc.service.waiting import Waiting
from guidance_svc.storage.recorder import Recorder

IDLE_MS: Final = 1000  # nothing depends on it: every cause to act wakes the poller
GUARD_S: Final = 0.05  # how often ZeroMQ connections are looked at: 65 MB of a message that never ends, at most
DROPPED_A_TURN: Final = 32  # messages of floods; 3 us each
EXPIRY_S: Final = 60.0  # how often silent sessions are looked for

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Ready:
    """Where the service listens, ports resolved; tcp is "none" where it is turned off."""

    zmq: str
    tcp: str


class Server:
    """The sockets and their loop.

    Args:
        desk: answers messages.
        sessions: whose deferred work is done after the replies of a batch have gone out.
        recorder: flushed before the replies of a batch go out, so that what was answered is recorded.
        access: keys and the list of scripts; None lets all of loopback in.
        clock_s: any clock that only goes forward; for pace, expiry and reply times, never for guidance.

    Raises:
        ConfigError: an address is malformed, taken, or not loopback and without keys.
    """

    def __init__(
        self,
        desk: Desk,
        sessions: Sessions,
        recorder: Recorder,
        addresses: Addresses,
        limits: Limits,
        access: Access | None = None,
        clock_s: Callable[[], float] = time.perf_counter,
    ) -> None:
        endpoint = zmq_endpoint(addresses.zmq, with_keys=access is not None)
        tcp_address = host_and_port(addresses.tcp) if addresses.tcp else None
        self._desk, self._sessions, self._recorder = desk, sessions, recorder
        self._limits, self._clock_s = limits, clock_s
        self._pace = PaceKeeper(
            limits.unanswered_per_second, limits.batch_per_connection, 1e-6 * limits.batch_us_per_connection, clock_s
        )
        self._waiting, self._pieces, self._laps = Waiting(limits.zmq_unread_messages), Pieces(), Laps(clock_s)
        self._poller = zmq.Poller()
        self._router = Router(endpoint, limits, access)
        try:
            self._port = None if tcp_address is None else self._line_port(tcp_address)
        except ConfigError:
            self._router.close()
            raise
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._stopping = False
        self._guard_at_s = self._expire_at_s = clock_s()
        self._turned_away = 0
        self._tcp_first = self._all_held = False
        for source in (*self._router.sources(), self._wake_read):
            self._poller.register(source, zmq.POLLIN)
        self._count_for_health()
        self.ready = Ready(self._router.endpoint, "none" if self._port is None else self._port.address)

    def _line_port(self, address: tuple[str, int]) -> LinePort:
        return LinePort(address, self._desk, self._limits, self._poller, self._pace, self._pieces, self._clock_s)

    def _count_for_health(self) -> None:
        router, port = self._router, self._port
        self._desk.health.gauges.update(
            dropped_replies=lambda: router.dropped_replies,
            too_fast=lambda: self._pace.dropped,
            refused_connections=lambda: self._turned_away + router.peers.cut + (port.turned_away if port else 0),
            refused_handshakes=lambda: router.peers.refused_handshakes,
            zmq_connections=lambda: len(router.peers),
            tcp_connections=lambda: len(port) if port else 0,
        )

    def run(self, on_ready: Callable[[Ready], None] | None = None) -> None:
        """Serve until `stop`; closes every socket on the way out, whatever happens."""
        try:
            if on_ready is not None:
                on_ready(self.ready)
            while not self._stopping:
                self._turn()
        finally:
            self.close()

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler or another thread."""
        self._stopping = True
        self._pace.stop()
        with suppress(OSError):
            self._wake_write.send(b"x")

    @property
    def wake_descriptor(self) -> int:
        """A byte written here has the loop look whether it is to stop; for `signal.set_wakeup_fd`."""
        return self._wake_write.fileno()

    def _turn(self) -> None:
        """One round: wait, take what has come, answer at most a batch, record, send, and do one piece of what waits."""
        ready = dict(self._poller.poll(self._patience_ms()))
        self._pace.begin_turn()
        self._router.answer_handshakes(ready, self._desk.commands)
        if self._router.socket in ready:
            self._take_zmq()
        with self._pieces.begin_turn(self._sessions.pending()):
            replies = self._answer(ready)
        self._recorder.flush()
        for request, reply in replies:
            if not self._router.send(request.envelope, reply):
                self._desk.drop(request.link)
                self._pace.forget(request.link)
        if self._port is not None:
            self._port.flush()
        if self._pieces.cycle() and self._sessions.pending():
            self._work()
        self._look_after()

    def _patience_ms(self) -> int:
        """How long the loop may wait for something to come."""
        port = self._port
        if self._sessions.pending() or (self._waiting and not self._all_held) or (port is not None and port.waiting()):
            return 0
        if self._waiting or (port is not None and port.paused):
            return int(1000 * PAUSE_S)
        return int(1000 * GUARD_S) if len(self._router.peers) else IDLE_MS

    def _take_zmq(self) -> None:
        """Take the messages that have come, until one connection has had its share of them.

        libzmq hands them out in turn: by then it has shown what the others had. A vehicle that flies and has as many
        waiting as a turn answers has had its share as well: what else it sent stays where it is.
        """
        waiting, pace, dropped = self._waiting, self._pace, 0
        for request in self._router.arrivals():
            link = request.link
            room = link not in waiting or (waiting.has_room(link) and not pace.owes(self._payer(link)))
            verdict = pace.arrived(link) if room else pace.beyond_held(link)
            if verdict is Pace.DROP:
                self._desk.health.dropped()
                dropped += 1
                if dropped >= DROPPED_A_TURN:
                    break
                continue
            waiting.add(request, too_fast(self._limits) if verdict is Pace.REFUSE else request.fault())
            if verdict is Pace.ANSWER and (pace.had_share(link) or self._has_enough(link)):
                break

    def _has_enough(self, link: Link) -> bool:
        """Whether a vehicle that flies has as many messages waiting as a turn answers."""
        return self._waiting.count(link) >= self._limits.batch_per_connection and self._desk.has_flown(link)

    def _answer(self, ready: dict[Any, int]) -> list[tuple[Request, bytes]]:
        """What both transports have; who comes first changes from turn to turn."""
        port, replies = self._port, list[tuple[Request, bytes]]()
        self._tcp_first = not self._tcp_first
        if port is not None and self._tcp_first:
            port.answer(ready)
        if self._waiting:
            self._pace.begin_part()
            self._answer_zmq(replies)
        if port is not None and not self._tcp_first:
            port.answer(ready)
        return replies

    def _answer_zmq(self, replies: list[tuple[Request, bytes]]) -> None:
        """Answer vehicles that fly, then as much of the others as a turn may have of them; replies go to the list."""
        newcomers, pieces, pace = list[Link](), self._pieces, self._pace
        most, self._all_held = self._limits.batch_messages, True
        self._laps.begin()
        for link in self._waiting.links():
            flown = self._desk.has_flown(link)
            if pace.owes(link if flown else self._payer(link)):
                continue
            self._all_held = False
            if not flown:
                newcomers.append(link)
                continue
            if pace.full() or pieces.enough() or len(replies) >= most:
                break
            while not self._answer_one(link, link, replies) and link in self._waiting and len(replies) < most:
                pass
        for link in newcomers:
            if pace.full() or not pieces.newcomer():
                break
            self._answer_one(link, self._payer(link), replies)
            pieces.answered_newcomer()

    def _answer_one(self, link: Link, payer: Hashable, replies: list[tuple[Request, bytes]]) -> bool:
        """Answer the next message of a connection; whether it has had its part of this turn."""
        health = self._desk.health
        refused = health.refused
        waits = self._waiting.take(link)
        replies.append((waits.request, self._reply(*waits)))
        lap = self._laps.lap()
        health.took(lap.real_s)
        return self._pace.took(link, lap.work_s, health.refused > refused, payer)

    def _payer(self, link: Hashable) -> Hashable:
        """Who is charged for what a connection costs."""
        return link if self._desk.commands(link) else STRANGERS

    def _reply(self, request: Request, fault: MessageFault | None) -> bytes:
        """The reply to one message."""
        link = request.link
        if fault is None and self._sessions.vehicle_of(link) is None and self._router.full():
            self._turned_away += 1
            expected = f"at most {self._limits.zmq_connections} connections at once (limits.zmq_connections)"
            fault = MessageFault("too_many_connections", "", expected)
        if fault is not None:
            return self._desk.refuse(link, request.payload, fault)
        return self._desk.receive(link, request.payload)

    def _look_after(self) -> None:
        """What is done now and then."""
        now_s = self._clock_s()
        if now_s >= self._guard_at_s:
            self._guard_at_s = now_s + GUARD_S
            self._router.peers.guard()
        if now_s >= self._expire_at_s:
            self._expire_at_s = now_s + min(EXPIRY_S, self._limits.idle_expiry_s)
            self._desk.expire(self._limits.idle_expiry_s)

    def _work(self) -> None:
        link = self._sessions.next_link()
        self._laps.begin()
        try:
            self._sessions.work()
        except Exception:
            _log.exception("deferred guidance work met a fault of the service itself")
        self._pace.worked(link, self._laps.lap().work_s)

    def close(self) -> None:
        """Close every socket; `run` does so on its way out."""
        if self._port is not None:
            self._port.close()
        for sock in (self._wake_read, self._wake_write):
            sock.close()
        self._router.close()

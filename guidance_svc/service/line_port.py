"""The TCP port of JSON lines: takes connections, answers their lines in turn, tells or closes who does not belong."""

from __future__ import annotations

import errno
import logging
import socket
from collections.abc import Callable, Hashable
from contextlib import suppress
from typing import Any, Final

import zmq

from guidance_svc.errors import ConfigError, MessageFault
from guidance_svc.files.settings import Limits
from guidance_svc.service.desk import Desk
from guidance_svc.service.laps import Laps
from guidance_svc.service.lines import LineConnection
from guidance_svc.service.metrics import http_answer, http_refusal
from guidance_svc.service.pace import STRANGERS, Pace, PaceKeeper
from guidance_svc.service.pieces import Pieces
from guidance_svc.systems import own_port
from guidance_svc.wire.codec import encode
from guidance_svc.wire.replies import fault_message

LISTEN_BACKLOG: Final = 128
PAUSE_S: Final = 0.01  # a connection that sends too fast is not read for so long
DEAF_S: Final = 1.0  # no connection is taken for so long after a failure that would come again at once
GONE_PEER: Final = frozenset({errno.ECONNABORTED, errno.EPROTO, errno.EINTR})  # accept(2): that peer's own trouble

_log = logging.getLogger(__name__)


class LinePort:
    """The listener and its connections.

    Args:
        address: loopback, checked before.
        poller: of the loop; the port registers what it waits for.
        pace, pieces: of the turn, shared with the other transport.
        clock_s: any clock that only goes forward.

    Raises:
        ConfigError: the address is taken.
    """

    def __init__(
        self,
        address: tuple[str, int],
        desk: Desk,
        limits: Limits,
        poller: zmq.Poller,
        pace: PaceKeeper,
        pieces: Pieces,
        clock_s: Callable[[], float],
    ) -> None:
        self._listener = _listen(address)
        self._desk, self._limits, self._poller, self._pace = desk, limits, poller, pace
        self._pieces, self._clock_s, self._laps = pieces, clock_s, Laps(clock_s)
        self._connections: dict[int, LineConnection] = {}
        self._count = 0
        self._deaf_until_s: float | None = None
        self.turned_away = 0
        self.paused: dict[int, float] = {}
        """Connections that are not read now, and until when."""
        poller.register(self._listener, zmq.POLLIN)

    def __len__(self) -> int:
        """How many connections there are now."""
        return len(self._connections)

    @property
    def address(self) -> str:
        """Where it listens, HOST:PORT."""
        host, port = self._listener.getsockname()
        return f"{host}:{port}"

    def waiting(self) -> bool:
        """Whether lines wait that have been read."""
        return any(connection.lines for fd, connection in self._connections.items() if fd not in self.paused)

    def answer(self, ready: dict[Any, int]) -> None:
        """Take new connections, and answer what has come; the turn's limits leave the rest for the next one.

        Vehicles that fly come first. Whoever was answered goes to the end of the order.
        """
        self._listen_again()
        if self._listener.fileno() in ready:
            self._accept()
        if not self._connections:
            return
        for fd in [fd for fd, until_s in self.paused.items() if self._clock_s() >= until_s]:
            del self.paused[fd]
        flown, newcomers = self._read(ready)
        left = self._limits.batch_messages
        self._pace.begin_part()
        for connection in flown:
            if left <= 0 or self._pace.full() or self._pieces.enough():
                break
            left -= self._answer_some(connection, left)
            self._goes_last(connection)
        for connection in newcomers:
            if self._pace.full() or not self._pieces.newcomer():
                break
            if self._answer_some(connection, 1):
                self._pieces.answered_newcomer()
            self._goes_last(connection)

    def _read(self, ready: dict[Any, int]) -> tuple[list[LineConnection], list[LineConnection]]:
        """Read what has come: the connections that have something to answer, of vehicles that fly, and others."""
        flown, newcomers = list[LineConnection](), list[LineConnection]()
        for fd, connection in self._connections.items():
            if fd in self.paused:
                continue
            if ready.get(fd, 0) & (zmq.POLLIN | zmq.POLLERR) and connection.wants_read:
                connection.read()
            if connection.wants_answer:
                (flown if self._desk.has_flown(connection.link) else newcomers).append(connection)
        return flown, newcomers

    def _goes_last(self, connection: LineConnection) -> None:
        if not connection.closed:
            fd = connection.sock.fileno()
            self._connections[fd] = self._connections.pop(fd)

    def _listen_again(self) -> None:
        """Take connections again a while after that failed."""
        if self._deaf_until_s is not None and self._clock_s() >= self._deaf_until_s:
            self._poller.register(self._listener, zmq.POLLIN)
            self._deaf_until_s = None

    def flush(self) -> None:
        """Send replies, drop closed connections, and wait for what each needs."""
        for fd, connection in list(self._connections.items()):
            connection.flush()
            if connection.closed:
                if fd in self._poller:
                    self._poller.unregister(fd)
                del self._connections[fd]
                self.paused.pop(fd, None)
                self._pace.forget(connection.link)
                self._desk.drop(connection.link)
                self._poller.register(self._listener, zmq.POLLIN)
                continue
            reading = zmq.POLLIN if connection.wants_read and fd not in self.paused else 0
            self._poller.register(fd, reading | (zmq.POLLOUT if connection.wants_write else 0))  # 0 takes it out

    def close(self) -> None:
        """Close everything at once."""
        for connection in self._connections.values():
            connection.close()
        self._connections.clear()
        self._listener.close()

    def _answer_some(self, connection: LineConnection, left: int) -> int:
        """Answer a few lines of one connection; how many."""
        many = 0
        self._laps.begin()
        while connection.lines and many < left:
            pace = self._pace.judge(connection.link, self._payer(connection))
            if pace is Pace.HOLD:
                self.paused[connection.sock.fileno()] = self._clock_s() + PAUSE_S
                break
            many += 1
            if self._answer_line(connection, connection.lines.popleft(), pace):
                break
        if connection.asks_metrics:
            own = connection.own_name
            connection.send(http_answer(self._desk.health_for(connection.link)) if own else http_refusal(), b"")
            connection.finish()
        if connection.foreign is not None:
            connection.send(self._desk.receive(connection.link, connection.foreign, "json"))
            connection.finish()
        start = connection.too_long
        if start is not None and not connection.lines:
            limit = self._limits.message_bytes
            fault = MessageFault("message_too_long", "", f"lines of at most {limit} bytes (limits.message_bytes)")
            connection.send(self._desk.refuse(connection.link, start, fault, "json"))
            connection.finish()
        return many

    def _payer(self, connection: LineConnection) -> Hashable:
        """Who is charged for what a connection costs."""
        return connection.link if self._desk.commands(connection.link) else STRANGERS

    def _answer_line(self, connection: LineConnection, line: bytes, pace: Pace) -> bool:
        """Answer one line; whether the connection has had its part of this turn."""
        refused, payer = self._desk.health.refused, self._payer(connection)
        if pace is Pace.ANSWER:
            connection.send(self._desk.receive(connection.link, line, "json"))
        elif pace is Pace.REFUSE:
            connection.send(self._desk.refuse(connection.link, line, too_fast(self._limits), "json"))
        if pace is not Pace.ANSWER:  # the rest of what was read goes with it
            dropped = len(connection.lines) + (pace is Pace.DROP)
            self._pace.dropped += len(connection.lines)
            self._desk.health.dropped(dropped)
            connection.lines.clear()
            self.paused[connection.sock.fileno()] = self._clock_s() + PAUSE_S
        if pace is Pace.DROP:
            return True
        lap = self._laps.lap()
        self._desk.health.took(lap.real_s)
        return self._pace.took(connection.link, lap.work_s, self._desk.health.refused > refused, payer)

    def _accept(self) -> None:
        """Take new connections; beyond the limit each is told so and closed."""
        for _ in range(LISTEN_BACKLOG):
            try:
                sock, _ = self._listener.accept()
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno in GONE_PEER:
                    continue
                _log.warning("a connection could not be accepted: %s", error)
                self._poller.unregister(self._listener)  # for a while, or the loop spins: out of files, most likely
                self._deaf_until_s = self._clock_s() + DEAF_S
                return
            if len(self._connections) >= self._limits.tcp_connections and not self._make_room():
                self.turned_away += 1
                _turn_away(sock, self._limits.tcp_connections)
                continue
            self._count += 1
            self._connections[sock.fileno()] = LineConnection(sock, self._count, self._limits)
            self._poller.register(sock.fileno(), zmq.POLLIN)


    def _make_room(self) -> bool:
        """Close the oldest connection that commands no vehicle, if there is one; first those without a whole line."""
        idle = [one for one in self._connections.values() if not (one.closed or self._desk.commands(one.link))]
        if not idle:
            return False
        min(idle, key=lambda one: (one.spoke, one.number)).close()
        self.flush()
        return True


def too_fast(limits: Limits) -> MessageFault:
    """Why a message of a flood is not answered; told once a second."""
    most = limits.unanswered_per_second
    return MessageFault(
        "too_fast",
        "",
        f"at most {most} messages a second without waiting for their replies (limits.unanswered_per_second)",
        "more; the rest stays unanswered",
    )


def _listen(address: tuple[str, int]) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        own_port(sock)
        sock.bind(address)
        sock.listen(LISTEN_BACKLOG)
        sock.setblocking(False)
    except OSError as error:
        sock.close()
        where = f"{address[0]}:{address[1]}"
        raise ConfigError("cannot_listen", "addresses.tcp", "a free address", f"{where}: {error.strerror}") from None
    return sock


def _turn_away(sock: socket.socket, limit: int) -> None:
    expected = f"at most {limit} connections at once (limits.tcp_connections)"
    with sock, suppress(OSError):
        sock.setblocking(False)
        sock.send(encode(fault_message(MessageFault("too_many_connections", "", expected)), "json") + b"\n")

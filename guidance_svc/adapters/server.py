"""One poll loop for all transports: drain, answer, write the recording, send, then work out guidance."""

from __future__ import annotations

import errno
import logging
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import zmq

from guidance_svc.adapters.addresses import host_and_port, zmq_endpoint
from guidance_svc.adapters.desk import Desk, Sessions
from guidance_svc.adapters.lines import LineConnection
from guidance_svc.adapters.recorder import Recorder
from guidance_svc.adapters.router import Router
from guidance_svc.adapters.settings import Addresses, Limits
from guidance_svc.errors import ConfigError, MessageFault
from guidance_svc.wire.codec import encode
from guidance_svc.wire.replies import fault_message

IDLE_MS: Final = 1000  # nothing depends on it: every cause to act wakes the poller
LISTEN_BACKLOG: Final = 128
GONE_PEER: Final = frozenset({errno.ECONNABORTED, errno.EPROTO, errno.EINTR})  # accept(2): that peer's own trouble

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Ready:
    """Where the service listens, ports resolved."""

    zmq: str
    tcp: str


class Server:
    """The sockets and their loop.

    Args:
        desk: answers messages.
        sessions: whose deferred work is done after the replies of a batch have gone out.
        recorder: flushed before the replies of a batch go out, so that what was answered is recorded.

    Raises:
        ConfigError: an address is not loopback, malformed or taken.
    """

    def __init__(
        self, desk: Desk, sessions: Sessions, recorder: Recorder, addresses: Addresses, limits: Limits
    ) -> None:
        endpoint, tcp_address = zmq_endpoint(addresses.zmq), host_and_port(addresses.tcp)
        self._desk = desk
        self._sessions = sessions
        self._recorder = recorder
        self._limits = limits
        self._router = Router(endpoint, limits)
        try:
            self._listener = _listen(tcp_address)
        except ConfigError:
            self._router.close()
            raise
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._connections: dict[int, LineConnection] = {}
        self._connection_count = 0
        self._stopping = False
        self._deaf_until_s: float | None = None
        self._poller = zmq.Poller()
        for source in (self._router.socket, self._listener, self._wake_read):
            self._poller.register(source, zmq.POLLIN)
        host, port = self._listener.getsockname()
        self.ready = Ready(self._router.endpoint, f"{host}:{port}")

    def run(self, on_ready: Callable[[Ready], None] | None = None) -> None:
        """Serve until `stop`; closes every socket on the way out, whatever happens."""
        try:
            if on_ready is not None:
                on_ready(self.ready)
            while not self._stopping:
                self._turn()
        finally:
            self._close()

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler or another thread."""
        self._stopping = True
        with suppress(OSError):
            self._wake_write.send(b"x")

    def _turn(self) -> None:
        """One round: wait, take at most a batch, answer, record, send, and one piece of deferred work."""
        waiting = self._sessions.pending() or any(c.lines for c in self._connections.values())
        ready = dict(self._poller.poll(0 if waiting else IDLE_MS))
        if self._deaf_until_s is not None and time.monotonic() >= self._deaf_until_s:
            self._poller.register(self._listener, zmq.POLLIN)
            self._deaf_until_s = None
        replies = self._answer_zmq() if self._router.socket in ready else []
        if self._listener.fileno() in ready:
            self._accept()
        if self._connections:
            self._answer_lines(ready)
        self._recorder.flush()
        for envelope, reply in replies:
            self._router.send(envelope, reply)
        if self._connections:
            self._flush_lines()
        if self._sessions.pending():
            self._work()

    def _answer_zmq(self) -> list[tuple[tuple[bytes, ...], bytes]]:
        replies = []
        for _ in range(self._limits.batch_messages):
            request = self._router.receive()
            if request is None:
                break
            link = ("zmq", request.envelope[0])
            fault = request.fault()
            if fault is None:
                reply = self._desk.receive(link, request.payload)
            else:
                reply = self._desk.refuse(link, request.payload, fault)
            replies.append((request.envelope, reply))
        return replies

    def _answer_lines(self, ready: dict[object, int]) -> None:
        for fd, connection in list(self._connections.items()):
            if ready.get(fd, 0) & (zmq.POLLIN | zmq.POLLERR) and connection.wants_read:
                connection.read()
            for _ in range(min(len(connection.lines), self._limits.batch_messages)):
                connection.send(self._desk.receive(connection.link, connection.lines.popleft(), "json"))
            start = connection.too_long
            if start is not None and not connection.lines:
                fault = MessageFault("message_too_long", "", f"lines of at most {self._limits.message_bytes} bytes")
                connection.send(self._desk.refuse(connection.link, start, fault, "json"))
                connection.finish()

    def _flush_lines(self) -> None:
        for fd, connection in list(self._connections.items()):
            connection.flush()
            if connection.closed:
                if fd in self._poller:
                    self._poller.unregister(fd)
                del self._connections[fd]
                self._desk.drop(connection.link)
                self._poller.register(self._listener, zmq.POLLIN)
                continue
            reading = zmq.POLLIN if connection.wants_read else 0
            self._poller.register(fd, reading | (zmq.POLLOUT if connection.wants_write else 0))  # 0 takes it out

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
                self._deaf_until_s = time.monotonic() + IDLE_MS / 1000.0
                return
            if len(self._connections) >= self._limits.tcp_connections:
                _turn_away(sock, self._limits.tcp_connections)
                continue
            self._connection_count += 1
            connection = LineConnection(sock, self._connection_count, self._limits)
            self._connections[sock.fileno()] = connection
            self._poller.register(sock.fileno(), zmq.POLLIN)

    def _work(self) -> None:
        try:
            self._sessions.work()
        except Exception:
            _log.exception("deferred guidance work met a fault of the service itself")

    def _close(self) -> None:
        for connection in self._connections.values():
            connection.close()
        self._connections.clear()
        for sock in (self._listener, self._wake_read, self._wake_write):
            sock.close()
        self._router.close()


def _listen(address: tuple[str, int]) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(address)
        sock.listen(LISTEN_BACKLOG)
        sock.setblocking(False)
    except OSError as error:
        sock.close()
        where = f"{address[0]}:{address[1]}"
        raise ConfigError("cannot_listen", "addresses.tcp", "a free address", f"{where}: {error.strerror}") from None
    return sock


def _turn_away(sock: socket.socket, limit: int) -> None:
    fault = MessageFault("too_many_connections", "", f"at most {limit} connections at once")
    with sock, suppress(OSError):
        sock.setblocking(False)
        sock.send(encode(fault_message(fault), "json") + b"\n")

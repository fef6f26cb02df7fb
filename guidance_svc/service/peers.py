"""The ZeroMQ connections as the operating system sees them: counted, and cut where one fills the memory.

libzmq keeps the frames of a message that never ends without any limit (4.3.5, measured: 1.3 GB/s), and shows
nothing of it. It does tell of each connection's file descriptor; what has come over it is asked of the kernel.
"""

from __future__ import annotations

import logging
import socket
import struct
from collections.abc import Callable, Hashable
from contextlib import suppress
from typing import Any, Final

import zmq

from guidance_svc.service.access import Link
from guidance_svc.systems import RESET, bytes_received

ENDPOINT: Final = "inproc://guidance.peers"
EVENTS_A_TURN: Final = 256
NO_DESCRIPTOR: Final = -1
REFUSED: Final = (
    zmq.EVENT_HANDSHAKE_FAILED_AUTH | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL | zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
)
EVENT_HEAD: Final = struct.Struct("=HI")  # zmq_socket_monitor(3): event, value

_log = logging.getLogger(__name__)


class Peers:
    """Watches a bound ROUTER's connections.

    Which connection a message came over is asked of libzmq for the first message of a peer (`spoke`), and for every
    message while a connection is under suspicion: since its last account more has come over it than half of the limit.
    One that then sends a whole message is cleared; one that sends as much as the limit without any is cut.

    Args:
        router: not bound yet.
        unfinished_bytes: the limit, what may come over a connection without a whole message among it.
    """

    def __init__(self, context: zmq.Context[Any], router: zmq.Socket[bytes], unfinished_bytes: int) -> None:
        router.monitor(ENDPOINT, zmq.EVENT_ACCEPTED | zmq.EVENT_DISCONNECTED | REFUSED)
        self.socket = context.socket(zmq.PAIR)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.setsockopt(zmq.RCVHWM, 0)  # libzmq's own thread would wait for us at a limit
        self.socket.connect(ENDPOINT)
        self.refused_handshakes = 0
        self.cut = 0
        self.suspects: set[int] = set()
        """Descriptors of connections that may be in the middle of a message that never ends."""
        self.known: dict[Hashable, Link] = {}
        """Links by their routing ids, while the connections are there that they spoke from."""
        self._limit = unfinished_bytes
        self._marks: dict[int, int] = {}
        self._spoke: set[int] = set()
        self._links: dict[int, set[Link]] = {}
        self._borrowed: dict[int, socket.socket] = {}

    def __len__(self) -> int:
        """Connections now, those at their handshake included."""
        return len(self._marks)

    def spoke(self, descriptor: int, link: Link) -> None:
        """A whole message was read from this connection, or from one before it that had the same descriptor.

        What a connection sent is read after it has been cut, too, when another one may have its descriptor already:
        so a descriptor has all links that spoke from it.
        """
        self._spoke.add(descriptor)
        self._links.setdefault(descriptor, set()).add(link)
        if descriptor != NO_DESCRIPTOR:
            self.known[link.peer] = link

    def make_room(self, most: int, commands: Callable[[Link], bool]) -> None:
        """End connections that command no vehicle while there are more than `most`: first those without a message.

        The newest one stays: it has had no time to say anything.
        """
        idle = [one for one in list(self._marks)[:-1] if not any(map(commands, self._links.get(one, ())))]
        idle.sort(key=lambda one: one in self._links)  # and the oldest before the others
        for descriptor in idle[: max(0, len(self._marks) - most)]:
            self.shut(descriptor, "it commands no vehicle, and another needs its place (limits.zmq_connections)")

    def listen(self) -> None:
        """Take what libzmq tells of connections."""
        for _ in range(EVENTS_A_TURN):
            try:
                head, _ = self.socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                return
            event, value = EVENT_HEAD.unpack(head)
            if event == zmq.EVENT_ACCEPTED:
                self._marks[value] = 0
            elif event == zmq.EVENT_DISCONNECTED:
                self._forget(value)
            else:
                self.refused_handshakes += 1
                if self.refused_handshakes & (self.refused_handshakes - 1) == 0:
                    _log.warning("%d handshakes refused or never finished", self.refused_handshakes)

    def guard(self) -> None:
        """Cut every connection that sends and sends without a whole message; call a few times a second."""
        for descriptor, mark in list(self._marks.items()):
            received = self._bytes_received(descriptor)
            if descriptor in self._spoke:
                self._marks[descriptor] = received
                self.suspects.discard(descriptor)
            elif descriptor in self.suspects:
                if received - mark > self._limit:
                    self.shut(descriptor, f"{received - mark} bytes without a whole message (limits.unfinished_bytes)")
            elif received - mark > self._limit // 2:
                self._marks[descriptor] = received
                self.suspects.add(descriptor)
        self._spoke.clear()

    def shut(self, descriptor: int, why: str) -> None:
        """End a connection; libzmq notices and frees it."""
        if descriptor not in self._marks:
            return
        self.cut += 1
        if self.cut & (self.cut - 1) == 0:
            _log.warning("a ZeroMQ connection was cut, %d so far: %s", self.cut, why)
        sock = self._borrow(descriptor)
        if sock is not None:
            with suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)  # or the peer is left waiting
                sock.shutdown(socket.SHUT_RDWR)
        self._forget(descriptor)

    def _forget(self, descriptor: int) -> None:
        """The connection is gone, or will be."""
        self._marks.pop(descriptor, None)
        self._spoke.discard(descriptor)
        self.suspects.discard(descriptor)
        for link in self._links.pop(descriptor, ()):
            self.known.pop(link.peer, None)
        sock = self._borrowed.pop(descriptor, None)
        if sock is not None:
            sock.detach()

    def _bytes_received(self, descriptor: int) -> int:
        """Bytes that have come over a connection since its beginning; 0 where the system does not say."""
        sock = self._borrow(descriptor)
        return 0 if sock is None else bytes_received(sock)

    def _borrow(self, descriptor: int) -> socket.socket | None:
        """libzmq's own socket, which must never be closed here; None where it is gone.

        Kept as long as the connection: it is asked twenty times a second. Family and type are given: asking the system
        for them takes four calls.
        """
        sock = self._borrowed.get(descriptor)
        if sock is None:
            try:
                sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM, 0, fileno=descriptor)
            except OSError:
                return None
            self._borrowed[descriptor] = sock
        return sock

    def close(self) -> None:
        """Stop watching; connections stay as they are."""
        for descriptor in list(self._marks):
            self._forget(descriptor)
        self.socket.close(0)

"""Plain TCP, one JSON object a line: connections that never block, with a limit on everything a peer can grow."""

from __future__ import annotations

import logging
import re
import socket
from collections import deque
from typing import Final

from guidance_svc.files.settings import Limits
from guidance_svc.service.access import Link
from guidance_svc.systems import keep_alive

READ_BYTES: Final = 65536  # one system call a turn and connection, so that no script starves another

KEEPALIVE_TRIES: Final = 3

METRICS: Final = re.compile(rb"GET /metrics(\?\S*)? HTTP/1\.[0-9]")
HOST: Final = re.compile(rb"^host[ \t]*:[ \t]*([^\r\n]*?)[ \t]*\r?$", re.IGNORECASE | re.MULTILINE)

_log = logging.getLogger(__name__)


class LineConnection:
    """One script's connection.

    Args:
        sock: taken over; set to not block.
        number: of the connection, for the link and the log; rises.
    """

    def __init__(self, sock: socket.socket, number: int, limits: Limits) -> None:
        sock.setblocking(False)
        keep_alive(sock, max(1, limits.heartbeat_ms // 1000), KEEPALIVE_TRIES)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.sock = sock
        self.number = number
        self.link = Link("tcp", number)
        self.lines: deque[bytes] = deque()
        self.closed = False
        self.spoke = False
        """Whether a whole line has come."""
        self.asks_metrics = False
        self.foreign: bytes | None = None
        """The first line, where it does not begin an object: a web page must not post orders in a request's body."""
        self._fresh = True
        self._limits = limits
        self._partial = bytearray()
        self._outgoing = bytearray()
        self._no_more = False

    @property
    def wants_read(self) -> bool:
        """False while lines wait: a flood stays in the peer's own buffers."""
        return not self._no_more and not self.lines

    @property
    def wants_answer(self) -> bool:
        """Whether there is a line, or the end of what can be read, to answer."""
        return bool(self.lines) or self.asks_metrics or self.foreign is not None or self.too_long is not None

    @property
    def wants_write(self) -> bool:
        """Whether replies wait for the peer to read."""
        return bool(self._outgoing)

    @property
    def own_name(self) -> bool:
        """Whether an HTTP request asks for this very address, or says no name: a browser always says one."""
        host, port = self.sock.getsockname()[:2]
        own = {f"{name}:{port}".encode() for name in (host, "localhost", f"[{host}]")}
        return all(name.lower() in own for name in HOST.findall(bytes(self._partial)))

    @property
    def too_long(self) -> bytes | None:
        """The beginning of a line beyond the limit; nothing after it is read."""
        return bytes(self._partial) if len(self._partial) > self._limits.message_bytes else None

    def read(self) -> None:
        """Take what has come and split it into lines; blank ones are left out."""
        try:
            data = self.sock.recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            self.close()
            return
        if not data:  # the peer may still read; a half line is no message
            self._no_more = True
        self._partial += data
        if self._fresh and not self._take_greeting():
            return
        if b"\n" in data:
            *whole, rest = bytes(self._partial).split(b"\n")
            self.lines.extend(line for line in map(bytes.strip, whole) if line)
            self.spoke = True
            self._partial = bytearray(rest)

    def _take_greeting(self) -> bool:
        """Look at the first line that is not blank; whether it belongs to a script."""
        if self._partial[:1].isspace():
            self._partial = self._partial.lstrip()
        if self._partial[:1] == b"{" or b"\n" not in self._partial:
            self._fresh = self._partial[:1] != b"{"
            return not self._fresh
        first = bytes(self._partial.partition(b"\n")[0]).strip()
        if METRICS.fullmatch(first) is None:
            self.foreign = first
        elif self._no_more or b"\n\n" in self._partial.replace(b"\r", b""):  # the request is whole
            self.asks_metrics = True
        return False

    def finish(self) -> None:
        """Read no more; close when the replies are out."""
        self.asks_metrics, self.foreign = False, None
        self._no_more = True
        self._partial.clear()

    def send(self, reply: bytes, end: bytes = b"\n") -> None:
        """Queue one reply behind those that have not gone out."""
        self._outgoing += reply
        self._outgoing += end

    def flush(self) -> None:
        """Send what the peer takes now; close a peer that is gone, is done, or does not read."""
        try:
            while self._outgoing and not self.closed:
                del self._outgoing[: self.sock.send(self._outgoing)]
        except BlockingIOError:
            if len(self._outgoing) > self._limits.tcp_unsent_bytes:
                _log.warning("connection %d does not read its replies: closed", self.number)
                self.close()
        except OSError:
            self.close()
        if self._no_more and not self.lines and not self._outgoing:
            self.close()

    def close(self) -> None:
        """Close at once; what was not sent is lost."""
        self.closed = True
        self.lines.clear()
        self._outgoing.clear()
        self.sock.close()

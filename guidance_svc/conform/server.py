"""Sockets of the conformance kit: both transports, one poll loop, one script at a time is enough for it."""

from __future__ import annotations

import socket
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import zmq

from guidance_svc.conform.trials import Reference
from guidance_svc.errors import ConfigError
from guidance_svc.service.addresses import host_and_port, zmq_endpoint

READ_BYTES: Final = 65536
LONGEST_LINE_BYTES: Final = 65536
HOLD_S: Final = 0.3  # a reply held back: less than a client's usual patience, long enough for others to lose step
LONGEST_SILENCE_S: Final = 3600.0  # real time that a script may be silent because its last command allowed it
FIRST_WORD_S: Final = 60.0  # for a script to be started by hand
AFTER_CLOSE_S: Final = 0.2  # for a second vehicle to be opened after a close


@dataclass(slots=True)
class Line:
    """A TCP connection that carries one message a line."""

    sock: socket.socket
    link: tuple[str, int]
    partial: bytes = b""
    lines: deque[bytes] = field(default_factory=deque)


class ConformingServer:
    """Listens like the service, plays the reference, ends when the script is done.

    Args:
        zmq_address, tcp_address: loopback; port 0 takes any free one.
        patience_s: real time to wait for a script that is silent, on top of the silence that it was allowed.

    Raises:
        ConfigError: an address is malformed, taken or not loopback.
    """

    def __init__(self, reference: Reference, zmq_address: str, tcp_address: str, patience_s: float) -> None:
        endpoint, address = zmq_endpoint(zmq_address, "--zmq"), host_and_port(tcp_address)
        self._reference, self._patience_s = reference, patience_s
        self._context = zmq.Context()
        self._router = self._context.socket(zmq.ROUTER)
        self._router.setsockopt(zmq.LINGER, 500)
        self._lines: dict[int, Line] = {}
        self._count = 0
        self._waiting: deque[list[bytes]] = deque()
        self._held: tuple[float, Callable[[], object]] | None = None
        try:
            self._router.bind(endpoint)
            self._listener = socket.create_server(address)
        except (zmq.ZMQError, OSError) as error:
            self._router.close(0)
            self._context.term()
            free = "free addresses (stop `guidance-svc serve`, or give --zmq and --tcp)"
            raise ConfigError("cannot_listen", "--zmq, --tcp", free, str(error)) from None
        self._listener.setblocking(False)
        self._poller = zmq.Poller()
        self._poller.register(self._router, zmq.POLLIN)
        self._poller.register(self._listener, zmq.POLLIN)
        host, port = self._listener.getsockname()[:2]
        self.zmq, self.tcp = self._router.getsockopt_string(zmq.LAST_ENDPOINT), f"{host}:{port}"
        self.stopped: Callable[[], bool] = lambda: False

    def serve(self) -> None:
        """Answer until the script has closed its session, or is silent for too long; says in `run.ended` which."""
        run = self._reference.run
        try:
            heard_at_s = time.monotonic()
            while not self.stopped():
                if self._turn():
                    heard_at_s = time.monotonic()
                elif time.monotonic() - heard_at_s > self._allowed_s():
                    break
        finally:
            types = [one.reply.get("type") for one in run.heard]
            run.ended = "nobody" if not types else "closed" if types[-1] == "closed" else "silent"
            self._close()

    def _allowed_s(self) -> float:
        """Silence that ends the run."""
        heard = self._reference.run.heard
        if not heard:
            return max(self._patience_s, FIRST_WORD_S)
        last = heard[-1]
        if last.reply.get("type") == "closed":
            return AFTER_CLOSE_S
        allowed = 0.0 if last.trial == "dropped" else float(last.reply.get("next_contact_s", 0.0))
        return self._patience_s + min(allowed, LONGEST_SILENCE_S)

    def _turn(self) -> bool:
        """One round; whether anything was heard."""
        ready = dict(self._poller.poll(10 if self._held else 100))
        if self._listener.fileno() in ready:
            self._accept()
        heard = False
        if self._router in ready:
            self._waiting.append(self._router.recv_multipart())
            heard = True
        for fd, line in list(self._lines.items()):
            if fd in ready:
                heard = True
                if not self._read(line):
                    self._drop(fd, line)
        self._release()
        while self._waiting and self._held is None:
            self._answer_zmq(self._waiting.popleft())
        for fd, line in list(self._lines.items()):
            self._answer_line(fd, line)
        return heard

    def _answer_zmq(self, frames: list[bytes]) -> None:
        *envelope, payload = frames
        answer = self._reference.receive(("zmq", envelope[0]), payload, None, False)
        if answer.reply is not None:
            self._send_or_hold(partial(self._router.send_multipart, [*envelope, answer.reply]), answer.hold)

    def _answer_line(self, fd: int, line: Line) -> None:
        while line.lines and self._held is None and self._lines.get(fd) is line:
            answer = self._reference.receive(line.link, line.lines.popleft(), "json", True)
            if answer.hang_up:
                self._drop(fd, line)
            elif answer.reply is not None:
                self._send_or_hold(partial(self._send, fd, line, answer.reply), answer.hold)

    def _send_or_hold(self, send: Callable[[], object], hold: bool) -> None:
        if hold:
            self._held = (time.monotonic() + HOLD_S, send)
        else:
            send()

    def _release(self) -> None:
        """Send the reply that was held back, when its time has come; say how much the script said meanwhile."""
        if self._held is not None and time.monotonic() >= self._held[0]:
            self._reference.came_early(len(self._waiting) + sum(len(line.lines) for line in self._lines.values()))
            send, self._held = self._held[1], None
            send()

    def _read(self, line: Line) -> bool:
        """Take what has come; False when the script hung up."""
        try:
            data = line.sock.recv(READ_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            return False
        *whole, line.partial = (line.partial + data).split(b"\n")
        line.lines.extend(text.strip() for text in whole if text.strip())
        return bool(data) and len(line.partial) <= LONGEST_LINE_BYTES

    def _send(self, fd: int, line: Line, reply: bytes) -> None:
        """Send; a script that is gone, or does not read for a while, is hung up on."""
        if self._lines.get(fd) is not line:  # gone, and its number perhaps taken by another
            return
        line.sock.settimeout(self._patience_s)
        try:
            line.sock.sendall(reply + b"\n")
            line.sock.setblocking(False)
        except OSError:
            self._drop(fd, line)

    def _accept(self) -> None:
        with suppress(BlockingIOError, ConnectionError):
            sock, _ = self._listener.accept()
            sock.setblocking(False)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._count += 1
            self._lines[sock.fileno()] = Line(sock, ("tcp", self._count))
            self._poller.register(sock.fileno(), zmq.POLLIN)

    def _drop(self, fd: int, line: Line) -> None:
        self._poller.unregister(fd)
        del self._lines[fd]
        line.sock.close()
        self._reference.gone(line.link)

    def _close(self) -> None:
        for line in self._lines.values():
            line.sock.close()
        self._listener.close()
        self._router.close()
        self._context.term()

"""The part of the fuzz run that goes to a served process: frames over ZeroMQ, lines over TCP, whole and torn."""

from __future__ import annotations

import socket
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any, Final

import zmq

from guidance_svc.wire.codec import MESSAGE_LIMIT_BYTES, Encoding, encode
from tests.robustness.fuzz import HONEST_EVERY, Honest, Tally
from tests.robustness.judge import BadReply, read
from tests.robustness.mutations import damaged, mutation
from tests.robustness.process import Dealers, Served, connect_tcp, served
from tests.robustness.world import honest_flight, opening

HONEST_AFTER: Final = 20  # honest messages after the flips
LINES_AT_ONCE: Final = 20  # messages over one TCP connection
GREETING: Final = b"\xff" + bytes(8) + b"\x7f\x03\x01" + b"NULL".ljust(20, b"\0") + bytes(32)
READY: Final = b"\x04\x19\x05READY\x0bSocket-Type\x00\x00\x00\x06DEALER"
"""What a DEALER says first: ZMTP 3.1, rfc.zeromq.org/spec/37, sections 3.2 to 3.4."""


def over_sockets(
    seed: int,
    count: int,
    watch: Callable[[], None] = lambda: None,
    folder: Path | None = None,
    flips: tuple[int, int] | None = None,
) -> Tally:
    """So many bad messages to a process of its own, most of them over ZeroMQ.

    Args:
        flips: bits of every so manieth byte of a message of each kind to flip, over both transports, before them.

    Raises:
        BadReply: a reply that must not be, a missing one, a disturbed honest script, a fault in the service's log.
    """
    honest_flight()  # flown before the clock of a message runs
    if folder is None:
        with tempfile.TemporaryDirectory() as made:
            return over_sockets(seed, count, watch, Path(made), flips)
    with served(folder, "--no-record") as service:
        run = OverSockets(seed, service)
        try:
            if flips is not None:
                run.flip(*flips)
            run.run(count, watch)
        finally:
            run.dealers.close()
        if service.trouble():
            raise BadReply(f"in the service's log: {service.trouble()[:5]}")
    return run.tally


class OverSockets:
    """The run against a served process."""

    def __init__(self, seed: int, service: Served) -> None:
        self.draw, self.service, self.tally, self.dealers = Random(seed), service, Tally(), Dealers()
        self.good = self.dealers.connect(service.zmq)
        self.honest = Honest(self._ask_honest)
        self.bad = self.dealers.connect(service.zmq)
        self.sent = 0

    def run(self, count: int, watch: Callable[[], None]) -> None:
        """Both transports in turn, the honest script in between."""
        warm = False
        while self.sent < count:
            before = self.sent
            began = time.perf_counter()
            part = self.draw.random()
            payload = self._frames() if part < 0.85 else self._lines() if part < 0.95 else self._raw()
            took = time.perf_counter() - began
            if took > self.tally.longest_s:
                self.tally.longest_s, self.tally.slowest = took, payload
            for _ in range(self.sent - before):
                watch()
            if self.sent // HONEST_EVERY != before // HONEST_EVERY:
                self._honest()
            if not warm and self.sent >= count // 10:
                warm, self.tally.warm_mb = True, self.service.resident_mb()
        self.tally.end_mb = self.service.resident_mb()

    def flip(self, bits: int, every: int = 1) -> None:
        """Flip bits of every so manieth byte of an open, a state, a question for health and a close.

        Messages over ZeroMQ get one reply each; lines, of which a flip can make two or none, one each.

        Raises:
            BadReply: another count or kind of reply, an honest script disturbed, a service that is gone.
        """
        kinds = [opening("flipped"), honest_flight().messages[0], {"type": "health"}, {"type": "close"}]
        for message in kinds:
            self._flipped_frames(message, list(self._flips(encode(message, "msgpack"), bits, every)))
            lines = list(self._flips(encode(message, "json"), bits, every))
            for first in range(0, len(lines), LINES_AT_ONCE):
                self._flipped_lines(message, lines[first : first + LINES_AT_ONCE])
                self._honest()
        for _ in range(HONEST_AFTER):
            self._honest()
        if read(self._asked({"type": "health"}), as_json=False)["type"] != "health":
            raise BadReply("no health after the flips")

    def _flips(self, good: bytes, bits: int, every: int) -> Iterator[bytes]:
        for at in range(self.draw.randrange(every), len(good), every):
            for bit in self.draw.sample(range(8), bits):
                yield good[:at] + bytes((good[at] ^ 1 << bit,)) + good[at + 1 :]

    def _flipped_frames(self, message: dict[str, Any], payloads: list[bytes]) -> None:
        """Over ZeroMQ, from a script that has a session where the message needs one, and gives it back."""
        for number, payload in enumerate(payloads):
            if message["type"] in ("state", "close"):
                self._asked(opening("flipped"))  # refused where it has one
            self.bad.send(payload)
            self._count(self.bad.recv(), as_json=payload[:1] == b"{")
            self.sent += 1
            if message["type"] == "open":
                self._asked({"type": "close"})
            if number % HONEST_EVERY == 0:
                self._honest()
        self._asked({"type": "close"})

    def _flipped_lines(self, message: dict[str, Any], payloads: list[bytes]) -> None:
        """Over one TCP connection: a good line, the flipped ones, a close; each line that is not blank is answered.

        A connection whose first line is no JSON is closed, so the first is good; it opens where a session is needed.
        """
        first = {"type": "health"} if message["type"] == "open" else opening(f"flipped-{self.sent}")
        data = b"".join(line + b"\n" for line in [encode(first, "json"), *payloads, encode({"type": "close"}, "json")])
        expected = sum(1 for line in data.split(b"\n") if line.strip())
        with connect_tcp(self.service.tcp) as sock:
            self._push(sock, data)
            replies = self._read_to_end(sock)
        if len(replies) != expected:
            raise BadReply(f"{len(replies)} replies to {expected} lines: {data[:300]!r}")
        for reply in replies:
            self._count(reply, as_json=True)
        self.sent += len(payloads)

    def _asked(self, message: dict[str, Any]) -> bytes:
        self.bad.send(encode(message, "msgpack"))
        return self.bad.recv()

    def _honest(self) -> None:
        self.honest.next()
        self.tally.honest += 1

    def _ask_honest(self, payload: bytes) -> bytes:
        self.good.send(payload)
        return self.good.recv()

    def _message(self, encoding: Encoding | None = None) -> bytes:
        flight = honest_flight()
        good = opening("bad") if self.draw.random() < 0.2 else self.draw.choice(flight.messages[:500])
        return mutation(good, self.draw, encoding)

    def _count(self, reply: bytes, as_json: bool) -> None:
        message = read(reply, as_json)
        self.tally.codes[message["code"] if message["type"] == "fault" else message["type"]] += 1

    def _frames(self) -> bytes:
        """One ZeroMQ message: mostly one frame, now and then several, or an empty one in front."""
        payload = self._message()
        if len(payload) > MESSAGE_LIMIT_BYTES:  # the transport ends such a connection: by a socket that it may end
            return self._over_long(payload)
        shape = self.draw.random()
        if shape < 0.03:
            frames = [payload] + [self._message()[:1000] for _ in range(self.draw.choice((1, 2, 50)))]
        elif shape < 0.06:
            frames = [b"", payload]
        elif shape < 0.08:
            frames = [b""] * self.draw.choice((1, 2, 3))
        else:
            frames = [payload]
        self.bad.send_multipart(frames)
        *envelope, reply = self.bad.recv_multipart()
        if envelope not in ([], [b""]):
            raise BadReply(f"{len(envelope)} frames before the reply to {payload[:100]!r}")
        asked = frames[1] if not frames[0] and len(frames) > 1 else frames[0]
        self._count(reply, as_json=asked[:1] == b"{")
        self.sent += 1
        if self.draw.random() < 0.01:  # a script that comes anew; what it flew stays
            self.bad.close()
            self.bad = self.dealers.connect(self.service.zmq)
        return payload

    def _over_long(self, payload: bytes) -> bytes:
        sock = self.dealers.connect(self.service.zmq, RECONNECT_IVL=-1)
        monitor = sock.get_monitor_socket(zmq.EVENT_DISCONNECTED)
        monitor.setsockopt(zmq.RCVTIMEO, self.bad.getsockopt(zmq.RCVTIMEO))
        sock.send(payload)
        monitor.recv_multipart()  # raises Again when the connection is not ended
        sock.disable_monitor()
        monitor.close()
        sock.close()
        self.tally.codes["connection closed"] += 1
        self.sent += 1
        return payload

    def _raw(self) -> bytes:
        """Bytes on the ZeroMQ port that are no ZeroMQ, or begin like it and go wrong; what comes back is libzmq's."""
        frames = b"".join(self._wire_frame() for _ in range(self.draw.randint(1, 5)))
        starts = (b"", b"GET / HTTP/1.1\r\n\r\n", GREETING[: self.draw.randrange(64)], GREETING, GREETING + READY)
        data = self.draw.choice(starts) + frames
        if self.draw.random() < 0.3:
            data = damaged(data, self.draw)
        host, port = self.service.zmq.removeprefix("tcp://").split(":")
        with connect_tcp((host, int(port))) as sock:
            self._push(sock, data)
            if self.draw.random() < 0.5:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.tally.codes["raw bytes"] += 1
        self.sent += 1
        return data

    def _wire_frame(self) -> bytes:
        """One frame as it stands on the wire: flags, length true or not, body."""
        body, flags = self._message()[:2000], self.draw.choice((0, 1, 2, 3, 4, 6, 0x80, 0xFF))
        length = self.draw.choice((len(body), len(body), len(body), 0, 255, 2**16, 2**31, 2**63, 2**64 - 1))
        if flags & 2:
            return bytes((flags,)) + struct.pack(">Q", length) + body
        return bytes((flags, length & 0xFF)) + body

    def _lines(self) -> bytes:
        """A few lines over one connection, in pieces of any length; then an end of any kind."""
        payloads = [self._message("json") for _ in range(self.draw.randint(1, LINES_AT_ONCE))]
        ends = (b"\n", b"\r\n", b"\n\n", b"\x00\n", b" \n")
        data = b"".join(payload + self.draw.choice(ends) for payload in payloads)
        if self.draw.random() < 0.2:
            data = data[:-3]  # the last line without its end is no message
        *whole, rest = data.split(b"\n")
        expected = sum(1 for line in whole if line.strip()) + (len(rest) > MESSAGE_LIMIT_BYTES)
        with connect_tcp(self.service.tcp) as sock:
            if self.draw.random() < 0.1:  # gone without a word, replies unread
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                self._push(sock, data)
                self.sent += len(payloads)
                self.tally.codes["gone without a word"] += len(payloads)
                return data
            self._push(sock, data)
            replies = self._read_to_end(sock)
        if len(replies) > expected:
            raise BadReply(f"{len(replies)} replies to {expected} lines: {data[:300]!r}")
        for reply in replies:
            self._count(reply, as_json=True)
        self.tally.codes["connection closed"] += max(0, expected - len(replies))
        self.sent += len(payloads)
        return data

    def _push(self, sock: socket.socket, data: bytes) -> None:
        """Send in pieces; a service that has closed already is no error here."""
        at = 0
        try:
            while at < len(data):
                size = self.draw.choice((1, 7, 100, 5000, len(data)))
                sock.sendall(data[at : at + size])
                at += size
        except ConnectionError:
            pass

    def _read_to_end(self, sock: socket.socket) -> list[bytes]:
        """Half-close, then every reply to the end of the connection.

        Raises:
            TimeoutError: the service keeps the connection open.
        """
        received = bytearray()
        try:
            sock.shutdown(socket.SHUT_WR)
            while piece := sock.recv(65536):
                received += piece
        except (ConnectionError, OSError) as problem:
            if isinstance(problem, TimeoutError):
                raise
        *whole, _ = bytes(received).split(b"\n")  # a reply cut by a reset is none
        return whole

"""A neighbour that misbehaves, in a process of its own, until it is ended.

    python -m tests.bench.neighbour KIND ZMQ_ENDPOINT TCP_ADDRESS STATES
"""

from __future__ import annotations

import json
import os
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgpack
import zmq

from tests.bench.states import opening

GREETING = b"\xff" + bytes(8) + b"\x7f\x03\x00" + b"NULL".ljust(20, b"\0") + bytes(32)  # ZMTP 3.0, RFC 23
READY = b"\x04\x1c\x05READY\x0bSocket-Type\x00\x00\x00\x06DEALER"


def dealer(endpoint: str) -> zmq.Socket[bytes]:
    """Connected, with a session of its own."""
    sock = zmq.Context.instance().socket(zmq.DEALER)
    sock.setsockopt(zmq.LINGER, 0)
    sock.connect(endpoint)
    sock.send(opening(f"neighbour-{os.getpid()}"))
    sock.recv()
    return sock


def spin(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Use a core and nothing else: what the machine itself costs."""
    while True:
        for state in states:
            msgpack.unpackb(state)


def flood(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Send states as fast as they go, and read the replies."""
    sock = dealer(endpoint)
    while True:
        for state in states:
            sock.send(state)
            with suppress(zmq.Again):
                while True:
                    sock.recv(zmq.NOBLOCK)


def deaf(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Send states as fast as they go, and never read."""
    sock = dealer(endpoint)
    while True:
        for state in states:
            sock.send(state)


def garbage(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Send what is no message."""
    sock = dealer(endpoint)
    while True:
        sock.send(b"\xc1" * 300)


def plans(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Open a session with a plan again and again: the dearest message there is."""
    sock = dealer(endpoint)
    opened = msgpack.unpackb(opening(f"neighbour-{os.getpid()}"))
    sock.send(msgpack.packb({"type": "close"}))
    sock.recv()
    sock.send(msgpack.packb(opened))
    message = msgpack.packb({**opened, "resume": msgpack.unpackb(sock.recv())["token"]})
    while True:
        sock.send(message)
        with suppress(zmq.Again):
            while True:
                sock.recv(zmq.NOBLOCK)


def costly(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Open a session with a plan again and again, waiting for each reply."""
    sock = dealer(endpoint)
    opened = msgpack.unpackb(opening(f"neighbour-{os.getpid()}"))
    sock.send(msgpack.packb({"type": "close"}))
    sock.recv()
    sock.send(msgpack.packb(opened))
    message = msgpack.packb({**opened, "resume": msgpack.unpackb(sock.recv())["token"]})
    while True:
        sock.send(message)
        sock.recv()


def lines(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Send JSON lines as fast as they go, and never read."""
    host, port = tcp.split(":")
    heap = b"".join(json.dumps(msgpack.unpackb(state)).encode() + b"\n" for state in states[:500])
    while True:
        with socket.create_connection((host, int(port))) as sock, suppress(OSError):
            while True:
                sock.sendall(heap)


def endless(endpoint: str, tcp: str, states: list[bytes]) -> None:
    """Begin a message of many frames that never ends; when cut off, begin again."""
    host, port = endpoint.removeprefix("tcp://").split(":")
    frame = b"\x03" + (60_000).to_bytes(8, "big") + bytes(60_000)
    while True:
        with suppress(OSError), socket.create_connection((host, int(port))) as sock:
            sock.sendall(GREETING)
            sock.recv(64)
            sock.sendall(READY)
            while True:
                sock.sendall(frame)


KINDS: dict[str, Callable[[str, str, list[bytes]], Any]] = {
    one.__name__: one for one in (spin, flood, deaf, garbage, plans, costly, lines, endless)
}


def main() -> None:
    """Misbehave."""
    kind, endpoint, tcp, states = sys.argv[1:]
    print("begun", flush=True)
    KINDS[kind](endpoint, tcp, msgpack.unpackb(Path(states).read_bytes()))


if __name__ == "__main__":
    main()

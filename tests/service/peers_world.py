"""Peers that do not behave: raw ZMTP, a proxy that keeps what passes, keys in files."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import zmq
import zmq.auth
from service_world import WAIT_S, Running, ask_line

from guidance_svc.files.settings import AccessSettings
from guidance_svc.service.access import Access, load_access
from guidance_svc.service.key_files import make_keys

GREETING = b"\xff" + bytes(8) + b"\x7f" + b"\x03\x00" + b"NULL".ljust(20, b"\0") + b"\0" + bytes(31)
"""ZMTP 3.0 (RFC 23): signature, version, mechanism, as-server, filler; 64 bytes."""


def command(name: bytes, body: bytes) -> bytes:
    """A short command frame of RFC 23."""
    inner = bytes([len(name)]) + name + body
    return bytes([4, len(inner)]) + inner


def property_(name: bytes, value: bytes) -> bytes:
    """A property of a READY command, RFC 23."""
    return bytes([len(name)]) + name + len(value).to_bytes(4, "big") + value


READY = command(b"READY", property_(b"Socket-Type", b"DEALER") + property_(b"Identity", b""))


def frame(payload: bytes, more: bool) -> bytes:
    """A long message frame of RFC 23."""
    return bytes([3 if more else 2]) + len(payload).to_bytes(8, "big") + payload


def connect(address: str) -> socket.socket:
    """A plain TCP connection to ``[tcp://]HOST:PORT``."""
    host, port = address.removeprefix("tcp://").split(":")
    return socket.create_connection((host, int(port)), WAIT_S)


def raw_dealer(address: str) -> socket.socket:
    """A connection that has shaken hands by hand, without keys."""
    sock = connect(address)
    sock.sendall(GREETING)
    take(sock, 64)
    sock.sendall(READY)
    head = take(sock, 2)
    take(sock, head[1])
    return sock


def take(sock: socket.socket, count: int) -> bytes:
    """So many bytes; fewer when the peer closes."""
    data = b""
    while len(data) < count and (piece := sock.recv(count - len(data))):
        data += piece
    return data


def closed_by_peer(sock: socket.socket) -> bool:
    """Wait until the peer closes, whatever it says before; False when it does not within WAIT_S."""
    sock.settimeout(WAIT_S)
    try:
        while sock.recv(65536):
            pass
    except TimeoutError:
        return False
    except OSError:
        return True
    return True


def access_for(folder: Path, **vehicles: list[str]) -> Access:
    """Keys of the service and of each script named, in files as `guidance-svc keys` makes them."""
    for script in vehicles:
        make_keys(folder, script)
    scripts = {name: {"public_key_file": f"{name}.key", "vehicles": allowed} for name, allowed in vehicles.items()}
    access = load_access(AccessSettings.model_validate({"keys": str(folder), "scripts": scripts}))
    assert access is not None
    return access


def curve(folder: Path, script: str) -> dict[str, bytes]:
    """Socket options of a script with its key."""
    public, secret = zmq.auth.load_certificate(folder / f"{script}.key_secret")
    server, _ = zmq.auth.load_certificate(folder / "service.key")
    return {"CURVE_PUBLICKEY": public, "CURVE_SECRETKEY": secret or b"", "CURVE_SERVERKEY": server}


def stranger(folder: Path) -> dict[str, bytes]:
    """Socket options of a peer with a key of its own that nobody knows."""
    public, secret = zmq.curve_keypair()
    server, _ = zmq.auth.load_certificate(folder / "service.key")
    return {"CURVE_PUBLICKEY": public, "CURVE_SECRETKEY": secret, "CURVE_SERVERKEY": server}


def ask_lines(server: Running) -> dict[str, Any]:
    """The health of a server, over JSON lines."""
    with connect(server.server.ready.tcp) as sock:
        return ask_line(sock, {"type": "health"})


def until(holds: Callable[[], bool], tries: int = 20_000) -> bool:
    """Ask again and again, each time an exchange with the server; whether it came to hold."""
    return any(holds() for _ in range(tries))


class Proxy:
    """Passes one TCP connection on to an address, and keeps what the client sent."""

    def __init__(self, address: str) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(WAIT_S)
        self.endpoint = f"tcp://127.0.0.1:{self._listener.getsockname()[1]}"
        self.sent = bytearray()
        self._address = address
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        client, _ = self._listener.accept()
        with client, connect(self._address) as server:
            back = threading.Thread(target=_pump, args=(server, client, bytearray()))
            back.start()
            _pump(client, server, self.sent)
            back.join(WAIT_S)

    def close(self) -> None:
        """After the client has closed its side."""
        self._thread.join(WAIT_S)
        self._listener.close()
        assert not self._thread.is_alive()


def _pump(source: socket.socket, target: socket.socket, kept: bytearray) -> None:
    try:
        while piece := source.recv(65536):
            kept += piece
            target.sendall(piece)
        target.shutdown(socket.SHUT_WR)
    except OSError:
        return

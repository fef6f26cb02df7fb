"""Answers libzmq's question at each CURVE handshake, whether this key may connect (RFC 27), in the loop itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import zmq

from guidance_svc.service.access import Access

ENDPOINT: Final = "inproc://zeromq.zap.01"  # fixed by RFC 27
DOMAIN: Final = b"guidance"
HANDSHAKES_A_TURN: Final = 64  # 10 us each

VERSION: Final = b"1.0"


class Gate:
    """The REP socket that libzmq asks; bind it before the ROUTER.

    Args:
        full: whether there are as many connections as the limit allows.
    """

    def __init__(self, context: zmq.Context[Any], access: Access, full: Callable[[], bool]) -> None:
        self.socket = context.socket(zmq.REP)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.bind(ENDPOINT)
        self._access = access
        self._full = full

    def answer(self) -> None:
        """Answer the handshakes that wait, at most a batch of them."""
        for _ in range(HANDSHAKES_A_TURN):
            try:
                frames = self.socket.recv_multipart(zmq.NOBLOCK)
            except zmq.Again:
                return
            self.socket.send_multipart(self._verdict(frames), zmq.NOBLOCK)

    def close(self) -> None:
        """Close without waiting for what is still to be sent."""
        self.socket.close(0)

    def _verdict(self, frames: list[bytes]) -> list[bytes]:
        """Version, request id, status, reason, user, metadata."""
        if len(frames) != 7 or frames[0] != VERSION or frames[5] != b"CURVE":
            return [VERSION, frames[1] if len(frames) > 1 else b"", b"400", b"only CURVE", b"", b""]
        _, request, _, address, _, _, key = frames
        script = self._access.script_with(key, address.decode("ascii", "replace"))
        if script is None:
            return [VERSION, request, b"400", b"unknown key", b"", b""]
        if self._full():
            return [VERSION, request, b"400", b"too many connections (limits.zmq_connections)", b"", b""]
        return [VERSION, request, b"200", b"OK", script.name.encode(), b""]

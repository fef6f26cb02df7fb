"""The ZeroMQ ROUTER: one message, one frame, either encoding, never blocking."""

from __future__ import annotations

import ctypes
import logging
import os
from typing import Final, NamedTuple

import zmq

from guidance_svc.adapters.settings import Limits
from guidance_svc.errors import ConfigError, MessageFault

_log = logging.getLogger(__name__)
_SEEDED: list[int] = []
_WAIT_NOT: Final = zmq.NOBLOCK


class Request(NamedTuple):
    """One message from a script.

    Args:
        envelope: frames that go before the reply: routing id, and the empty frame of a REQ socket.
        extra_frames: how many frames beyond the one; such a message is refused.
    """

    envelope: tuple[bytes, ...]
    payload: bytes
    extra_frames: int

    def fault(self) -> MessageFault | None:
        """Why the transport itself refuses the message.

        libzmq's own routing ids have 5 bytes, the first of them 0. A peer that chooses its id could later be
        followed by another one with the same id, who would command the vehicle without its token.
        """
        routing_id = self.envelope[0]
        if len(routing_id) != 5 or routing_id[0] != 0:
            return MessageFault("chosen_routing_id", "", "a socket without a routing id of its own", "one with")
        if self.extra_frames:
            return MessageFault("multipart", "", "one frame", f"{1 + self.extra_frames} frames")
        return None


def seed_routing_ids() -> None:
    """Make the automatic routing ids unpredictable; call before the first context of the process.

    libzmq draws the first id from C's rand(), unseeded the same in every process, and counts up from there. A
    peer may choose its own id; one that takes the next id to come makes libzmq abort the process (4.3.5).
    """
    if not _SEEDED:
        seed = int.from_bytes(os.urandom(4), "little")
        ctypes.CDLL(None).srand(ctypes.c_uint(seed))
        _SEEDED.append(1)


class Router:
    """The bound socket.

    Args:
        endpoint: checked before (``addresses.zmq_endpoint``); port 0 takes any free one.

    Raises:
        ConfigError: the address is taken or cannot be bound.
    """

    def __init__(self, endpoint: str, limits: Limits) -> None:
        seed_routing_ids()
        self._context = zmq.Context()
        self.socket = self._context.socket(zmq.ROUTER)
        options = {
            zmq.LINGER: 0,
            zmq.MAXMSGSIZE: limits.message_bytes,  # per frame; a peer beyond it is disconnected
            zmq.SNDHWM: limits.zmq_queue_messages,
            zmq.RCVHWM: limits.zmq_queue_messages,
            zmq.HANDSHAKE_IVL: limits.handshake_ms,
            zmq.HEARTBEAT_IVL: limits.heartbeat_ms,
            zmq.ROUTER_MANDATORY: 1,  # a reply to nobody is an error to count, not silence
        }  # ROUTER_HANDOVER stays off: with it, a peer takes over another's id
        for option, value in options.items():
            self.socket.setsockopt(option, value)
        try:
            self.socket.bind(endpoint)
        except zmq.ZMQError as error:
            self.close()
            raise ConfigError("cannot_listen", "addresses.zmq", "a free address", f"{endpoint}: {error}") from None
        self.endpoint = self.socket.getsockopt_string(zmq.LAST_ENDPOINT)
        self.dropped_replies = 0

    def receive(self) -> Request | None:
        """The next message, or None when there is none now."""
        try:
            routing_id = self.socket.recv(_WAIT_NOT)
        except zmq.Again:
            return None
        envelope: tuple[bytes, ...] = (routing_id,)
        payload, more = self._next_frame()
        if more and not payload:
            envelope = (routing_id, b"")
            payload, more = self._next_frame()
        extra = 0
        while more:
            _, more = self._next_frame()
            extra += 1
        return Request(envelope, payload, extra)

    def send(self, envelope: tuple[bytes, ...], reply: bytes) -> None:
        """Send a reply; one that its script cannot take now is dropped, the script may ask again."""
        try:
            self.socket.send_multipart((*envelope, reply), _WAIT_NOT)
        except zmq.ZMQError as error:  # EHOSTUNREACH: gone; EAGAIN: does not read
            if error.errno not in (zmq.EHOSTUNREACH, zmq.EAGAIN):
                raise
            self.dropped_replies += 1
            if self.dropped_replies & (self.dropped_replies - 1) == 0:  # 1, 2, 4, 8, ...: a flood stays readable
                _log.warning("%d replies dropped: scripts gone or not reading", self.dropped_replies)

    def close(self) -> None:
        """Close without lingering."""
        self.socket.close(0)
        self._context.term()

    def _next_frame(self) -> tuple[bytes, bool]:
        payload: bytes = self.socket.recv(_WAIT_NOT)
        return payload, bool(self.socket.getsockopt(zmq.RCVMORE))

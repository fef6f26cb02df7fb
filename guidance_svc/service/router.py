"""The ZeroMQ ROUTER: one message, one frame, either encoding, never blocking."""

from __future__ import annotations

import logging
from collections.abc import Callable, Container, Iterator
from typing import Final, NamedTuple

import zmq

from guidance_svc.errors import ConfigError, MessageFault
from guidance_svc.files.settings import Limits
from guidance_svc.service.access import Access, Link
from guidance_svc.service.gate import DOMAIN, Gate
from guidance_svc.service.lines import KEEPALIVE_TRIES
from guidance_svc.service.peers import NO_DESCRIPTOR, Peers
from guidance_svc.service.routing_ids import scatter_routing_ids, seed_routing_ids
from guidance_svc.systems import WINDOWS

_log = logging.getLogger(__name__)
_WAIT_NOT: Final = int(zmq.NOBLOCK)  # plain numbers: an operation on an enum's member costs as much as a call of libzmq
_MORE_FOLLOWS: Final = int(zmq.NOBLOCK | zmq.SNDMORE)
_EVENTS: Final = int(zmq.EVENTS)
_IN: Final = int(zmq.POLLIN)
NOBODY: Final = "?"  # no name of a script; cannot happen while libzmq asks at each handshake


class Request(NamedTuple):
    """One message from a script.

    Args:
        envelope: frames that go before the reply: routing id, and the empty frame of a REQ socket.
        extra_frames: how many frames beyond the one; such a message is refused.
        link: the connection that it came over; another script's with the same routing id is another.
    """

    envelope: tuple[bytes, ...]
    payload: bytes
    extra_frames: int
    link: Link

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


def keep_alive_options(every_ms: int) -> dict[int, int]:
    """Have the system find out that a peer has vanished, as on the TCP port; ZeroMQ's own heartbeats stay off.

    With them libzmq (4.3.5) aborts the process, "!_io_error", where one is due on a connection that has failed while
    its input was stopped at the high-water mark: the script of an overloaded service need only go.

    Not on Windows the one for a peer that owes an acknowledgement: where the system does not have it (Wine 8), libzmq
    turns every connection away.
    """
    every_s = max(1, every_ms // 1000)
    options = {
        int(zmq.TCP_KEEPALIVE): 1,
        int(zmq.TCP_KEEPALIVE_IDLE): every_s,
        int(zmq.TCP_KEEPALIVE_INTVL): every_s,
        int(zmq.TCP_KEEPALIVE_CNT): KEEPALIVE_TRIES,
    }
    return options if WINDOWS else options | {int(zmq.TCP_MAXRT): (1 + KEEPALIVE_TRIES) * every_ms}


class Router:
    """The bound socket.

    Args:
        endpoint: checked before (``addresses.zmq_endpoint``); port 0 takes any free one.
        access: keys, and who may connect; None lets everybody in.

    Raises:
        ConfigError: the address is taken or cannot be bound.
    """

    def __init__(self, endpoint: str, limits: Limits, access: Access | None = None) -> None:
        seed_routing_ids()
        self._limits = limits
        self._context = zmq.Context()
        self.socket = self._context.socket(zmq.ROUTER)
        self._receive, self._send = self.socket.recv, self.socket.send
        self.peers = Peers(self._context, self.socket, limits.unfinished_bytes)
        self.gate = None if access is None else Gate(self._context, access, self.full)
        self._keyed = access is not None
        self._set_options(limits, access)
        scatter_routing_ids(self._context, self.socket)
        try:
            self.socket.bind(endpoint)
        except zmq.ZMQError as error:
            self.close()
            raise ConfigError("cannot_listen", "addresses.zmq", "a free address", f"{endpoint}: {error}") from None
        self.endpoint = self.socket.getsockopt_string(zmq.LAST_ENDPOINT)
        self.dropped_replies = 0

    def _set_options(self, limits: Limits, access: Access | None) -> None:
        options: dict[int, int | bytes] = {
            zmq.LINGER: 0,
            zmq.MAXMSGSIZE: limits.message_bytes,  # per frame; a peer beyond it is disconnected
            zmq.SNDHWM: limits.zmq_queue_messages,
            zmq.RCVHWM: limits.zmq_unread_messages,
            zmq.HANDSHAKE_IVL: limits.handshake_ms,
            **keep_alive_options(limits.heartbeat_ms),
            zmq.ROUTER_MANDATORY: 1,  # a reply to nobody is an error to count, not silence
        }  # ROUTER_HANDOVER stays off: with it, a peer takes over another's id
        if access is not None:
            options[zmq.CURVE_SERVER] = 1
            options[zmq.CURVE_PUBLICKEY] = access.pair.public
            options[zmq.CURVE_SECRETKEY] = access.pair.secret
            options[zmq.ZAP_DOMAIN] = DOMAIN
        for option, value in options.items():
            self.socket.setsockopt(option, value)

    def sources(self) -> tuple[zmq.Socket[bytes], ...]:
        """What the loop waits for."""
        gate = () if self.gate is None else (self.gate.socket,)
        return (self.socket, self.peers.socket, *gate)

    def answer_handshakes(self, ready: Container[object], commands: Callable[[Link], bool]) -> None:
        """Take note of connections that came and went, make room for new ones, and answer who asks to come in.

        Args:
            commands: whether a connection commands a vehicle.
        """
        if self.peers.socket in ready:
            self.peers.listen()
            if self.full():
                self.peers.make_room(self._limits.zmq_connections, commands)
        if self.gate is not None and self.gate.socket in ready:
            self.gate.answer()

    def full(self) -> bool:
        """Whether there are more connections than the limit allows."""
        return len(self.peers) > self._limits.zmq_connections

    def arrivals(self) -> Iterator[Request]:
        """The messages that have come, as long as the caller takes them; there is one, as the poller said.

        Whether there is a second one is asked for, which costs a third of looking for it in vain: a script that waits
        for its replies is mostly alone.
        """
        request = self.receive()
        if request is None:
            return
        yield request
        if self.has_more():
            yield from iter(self.receive, None)

    def receive(self) -> Request | None:
        """The next message, or None when there is none now."""
        try:
            routing_id: bytes = self._receive(_WAIT_NOT)
        except zmq.Again:
            return None
        frame: zmq.Frame = self._receive(_WAIT_NOT, copy=False)
        peers = self.peers
        link = None if self._keyed or peers.suspects else peers.known.get(routing_id)
        if link is None:
            descriptor, script = self._sender(frame)
            link = Link("zmq", routing_id, script)
            peers.spoke(descriptor, link)
        if frame.more:
            return self._receive_rest(routing_id, link, frame)
        return Request((routing_id,), frame.bytes, 0, link)

    def has_more(self) -> bool:
        """Whether another message has come."""
        return bool(int(self.socket.getsockopt(_EVENTS)) & _IN)

    def _receive_rest(self, routing_id: bytes, link: Link, frame: zmq.Frame) -> Request:
        """The message whose first frame is this one: of a REQ socket, or in several frames."""
        envelope: tuple[bytes, ...] = (routing_id,)
        descriptor, _ = self._sender(frame)
        if not frame.bytes:
            envelope = (*envelope, b"")
            frame = self._receive(_WAIT_NOT, copy=False)
        payload, extra = frame.bytes, 0
        while frame.more:
            frame = self._receive(_WAIT_NOT, copy=False)
            extra += 1
        if extra > self._limits.message_frames:
            self.peers.shut(descriptor, f"a message of {extra + 1} frames (limits.message_frames)")
        return Request(envelope, payload, extra, link)

    def send(self, envelope: tuple[bytes, ...], reply: bytes) -> bool:
        """Send a reply; one that its script cannot take now is dropped, the script may ask again.

        Returns False where the connection is gone.
        """
        try:
            for frame in envelope:
                self._send(frame, _MORE_FOLLOWS)
            self._send(reply, _WAIT_NOT)
            return True
        except zmq.ZMQError as error:  # EHOSTUNREACH: gone; EAGAIN: does not read
            if error.errno not in (zmq.EHOSTUNREACH, zmq.EAGAIN):
                raise
            self.dropped_replies += 1
            if self.dropped_replies & (self.dropped_replies - 1) == 0:  # 1, 2, 4, 8, ...: a flood stays readable
                _log.warning("%d replies dropped: scripts gone or not reading", self.dropped_replies)
            return error.errno != zmq.EHOSTUNREACH

    def close(self) -> None:
        """Close without waiting for what is still to be sent."""
        self.socket.close(0)
        self.peers.close()
        if self.gate is not None:
            self.gate.close()
        self._context.term()

    def _sender(self, frame: zmq.Frame) -> tuple[int, str]:
        """Descriptor of the connection, and whose key it showed; peers of ZMTP 1 and 2 come without either."""
        try:
            descriptor = int(frame.get(zmq.SRCFD))
        except zmq.ZMQError:
            descriptor = NO_DESCRIPTOR
        if not self._keyed:
            return descriptor, ""
        try:
            return descriptor, str(frame.get("User-Id"))
        except zmq.ZMQError:
            return descriptor, NOBODY

"""Makes the routing ids that libzmq gives to peers unpredictable.

libzmq (4.3.5) draws the first id of a ROUTER from C's rand(), unseeded the same in every process, and counts up from
there. A peer may choose its own id; one that takes the next id to come makes libzmq abort the process.

Where rand() can be seeded (Linux, macOS), it is, before the first context: 32 random bits. The wheels of pyzmq for
Windows carry a C library that cannot be reached, and its rand() gives 15 bits. There the counter itself is set: it is
found in the ROUTER's own memory as the one number that follows the ids of peers of ours, then written, and the id of
the next peer must be the number written.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from typing import Any, Final

import zmq

from guidance_svc.systems import read_memory, seed_rand, write_memory

ENDPOINT: Final = "inproc://guidance.ids"
OBJECT_BYTES: Final = 8192  # of libzmq's router_t; 4.3.5 has about 1,700
LOOKS: Final = 3  # peers that the counter must follow
ID_BYTES: Final = 5  # 0, then the counter: router_t::identify_peer
WAIT_MS: Final = 5000

Read = Callable[[int, int], bytes]
Write = Callable[[int, bytes], bool]

_log = logging.getLogger(__name__)
_seeded: list[bool] = []


def seed_routing_ids() -> None:
    """Seed what libzmq draws the first id from; call before the first context of the process."""
    if not _seeded:
        _seeded.append(seed_rand(int.from_bytes(os.urandom(4), "little")))


def scatter_routing_ids(context: zmq.Context[Any], router: zmq.Socket[bytes]) -> None:
    """Set a new ROUTER's counter to a random number where seeding does not reach libzmq.

    Call after its options are set (4.3.5 dies of a high-water mark set while a peer goes), before it is bound.
    """
    if _seeded and _seeded[0]:
        return
    if not set_counter(context, router, int.from_bytes(os.urandom(4), "little"), read_memory, write_memory):
        _log.warning("another program on this machine could guess the next ZeroMQ routing id and stop the service")


def set_counter(context: zmq.Context[Any], router: zmq.Socket[bytes], number: int, read: Read, write: Write) -> bool:
    """Have the next peer's automatic id be `number`, modulo 2^32; whether that was done and seen.

    Args:
        router: with no peer yet, not bound; it has none afterwards either.
        read: so many bytes of this process's memory at an address; fewer where they cannot be read.
        write: bytes into it; whether they are written.
    """
    router.bind(ENDPOINT)
    try:
        places = None
        for _ in range(LOOKS):
            after = (_next_id(context, router) + 1) % 2**32
            memory = read(router.underlying, OBJECT_BYTES)
            found = {at for at in range(0, len(memory) - 3, 4) if memory[at : at + 4] == after.to_bytes(4, "little")}
            places = found if places is None else places & found
        if places is None or len(places) != 1:
            return False
        before = (number - 1) % 2**32  # one peer more sees it work
        if not write(router.underlying + places.pop(), before.to_bytes(4, "little")):
            return False
        return _next_id(context, router) == before
    except zmq.ZMQError:
        return False
    finally:
        router.unbind(ENDPOINT)


def _next_id(context: zmq.Context[Any], router: zmq.Socket[bytes]) -> int:
    """The counter's part of the id that a peer inside this process gets."""
    peer = context.socket(zmq.DEALER)
    try:
        peer.setsockopt(zmq.LINGER, 0)
        peer.connect(ENDPOINT)
        peer.send(b"")
        if not router.poll(WAIT_MS):
            raise zmq.Again
        routing_id = router.recv_multipart(zmq.NOBLOCK)[0]
        return int.from_bytes(routing_id[1:ID_BYTES], "big")
    finally:
        peer.close()

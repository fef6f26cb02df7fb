"""What has come over ZeroMQ and has no reply yet: the messages of each connection in their order.

libzmq hands messages out connection by connection and shows none before it is taken. So all are taken first, and the
loop chooses among them: a running vehicle's state need not wait behind the first solutions of a hundred others.
"""

from __future__ import annotations

from collections import deque
from typing import Final, NamedTuple

from guidance_svc.errors import MessageFault
from guidance_svc.service.access import Link
from guidance_svc.service.router import Request

MOST_BYTES: Final = 16 << 20  # of messages behind the first of their connections, which a script sent without waiting


class Waits(NamedTuple):
    """One message that waits for its reply; `fault` is that reply where it is known already."""

    request: Request
    fault: MessageFault | None


class Waiting:
    """The messages by connection, connections in the order in which they get their turn.

    Args:
        most_each: messages of one connection.
    """

    def __init__(self, most_each: int) -> None:
        self._most_each = most_each
        self._queues: dict[Link, deque[Waits]] = {}
        self._bytes = 0

    def __len__(self) -> int:
        """How many connections have messages that wait."""
        return len(self._queues)

    def __contains__(self, link: Link) -> bool:
        """Whether a connection has any."""
        return link in self._queues

    def count(self, link: Link) -> int:
        """How many a connection has."""
        return len(self._queues.get(link, ()))

    def links(self) -> list[Link]:
        """Connections with messages; whose turn comes first stands first."""
        return list(self._queues)

    def has_room(self, link: Link) -> bool:
        """Whether a connection may have one more; its first always has room."""
        queue = self._queues.get(link)
        return queue is None or (len(queue) < self._most_each and self._bytes < MOST_BYTES)

    def add(self, request: Request, fault: MessageFault | None) -> None:
        """One that has come."""
        queue = self._queues.get(request.link)
        if queue is None:
            self._queues[request.link] = deque((Waits(request, fault),))
        else:
            queue.append(Waits(request, fault))
            self._bytes += len(request.payload)

    def take(self, link: Link) -> Waits:
        """The next one of a connection, which then goes to the end of the order.

        Raises:
            KeyError: it has none.
        """
        queue = self._queues.pop(link)
        taken = queue.popleft()
        if queue:
            self._queues[link] = queue
            self._bytes -= len(queue[0].request.payload)
        return taken

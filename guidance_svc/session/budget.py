"""One limit on the memory that the histories of all sessions take together."""

from __future__ import annotations

from collections.abc import Iterable
from heapq import heapify, heappop, heappush
from typing import Final

from guidance_svc.session.history import History

HISTORY_MEMORY_BYTES: Final = 268_435_456  # 20 vehicles with all of their 8 MiB; 500 with the last 50 s at 50 Hz
ROOM_FRAC: Final = 0.125  # of the limit, made at a time
OVER_FRAC: Final = 0.0625  # of it, how far apart two tries are when nothing more can be given back


class Budget:
    """Counts what histories grow by; at the limit the largest ones give memory back first.

    Args:
        limit_bytes: of states, marks and what goes with them; the last mark of a session and the states after it
            stay whatever the limit is: 5 to 30 kB a session.
    """

    def __init__(self, limit_bytes: int = HISTORY_MEMORY_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self._free_bytes = limit_bytes

    def spend(self, grown_bytes: int) -> bool:
        """Count growth; whether room has to be made now."""
        self._free_bytes -= grown_bytes
        return self._free_bytes < 0

    def make_room(self, histories: Iterable[History]) -> None:
        """The largest give back a quarter each, in turn, until an eighth of the limit is free.

        Args:
            histories: all there are; they are counted anew.
        """
        sizes = [(-history.held_bytes, index, history) for index, history in enumerate(histories)]
        total, goal = -sum(size for size, _, _ in sizes), (1.0 - ROOM_FRAC) * self.limit_bytes
        heapify(sizes)
        while sizes and total > goal:
            _, index, history = heappop(sizes)
            freed = history.shed()
            total -= freed
            if freed > 0:
                heappush(sizes, (-history.held_bytes, index, history))
        self._free_bytes = max(self.limit_bytes - total, int(OVER_FRAC * self.limit_bytes))

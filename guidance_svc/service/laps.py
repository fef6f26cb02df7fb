"""What each of the things done one after another took, with one reading of each clock between two of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from guidance_svc import systems

work_clock_s = systems.work_clock_s
"""Of the loop's own processor time: what else runs on the machine is held against nobody."""


class Lap(NamedTuple):
    """Seconds of real time and of processor time."""

    real_s: float
    work_s: float


class Laps:
    """A stopwatch for both.

    Args:
        clock_s: any clock that only goes forward.
    """

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self._clock_s = clock_s
        self.begin()

    def begin(self) -> None:
        """The next lap begins now."""
        self._real_s, self._work_s = self._clock_s(), work_clock_s()

    def lap(self) -> Lap:
        """What has passed since the lap began; the next one begins."""
        real_s, work_s = self._real_s, self._work_s
        self.begin()
        return Lap(self._real_s - real_s, self._work_s - work_s)

"""What each of the things that are done one after another took."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from guidance_svc import systems
from guidance_svc.service.pace import TOKEN_S

work_clock_s = systems.work_clock_s
"""Of the loop's own processor time: what else runs on the machine is held against nobody."""


class Lap(NamedTuple):
    """Seconds of real time and of processor time."""

    real_s: float
    work_s: float


class Laps:
    """A stopwatch for both.

    Reading the processor's clock is a system call, which costs more than the rest of what is counted here. So a lap of
    less real time than `TOKEN_S`, for which nobody pays, counts that as its processor time, which cannot be more.

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
        began_s, self._real_s = self._real_s, self._clock_s()
        real_s = self._real_s - began_s
        if 0.0 < real_s < TOKEN_S:
            self._work_s += real_s
            return Lap(real_s, real_s)
        began_s, self._work_s = self._work_s, work_clock_s()
        return Lap(real_s, max(0.0, self._work_s - began_s))

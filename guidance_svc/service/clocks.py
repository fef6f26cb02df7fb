"""The wall's time as it was when this process began, and what a clock that nobody sets says has passed since."""

from __future__ import annotations

import time
from typing import Final

_OFFSET_NS: Final = time.time_ns() - time.monotonic_ns()


def steady_ns() -> int:
    """Nanoseconds since 1970 that only rise: a wall clock that is set back or on during a run changes nothing.

    For names and log times of recordings, for what is tried again after a while, and for what is compared with them.
    """
    return _OFFSET_NS + time.monotonic_ns()

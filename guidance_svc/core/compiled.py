"""Two decorators: compile a kernel or a part of kernels where the extra `fast` is there; else it stays plain Python."""

from __future__ import annotations

from collections.abc import Callable, Iterable, MutableSequence, Sequence
from importlib.util import find_spec
from typing import Any, TypeVar, cast

import numpy as np

F = TypeVar("F", bound=Callable[..., object])

HAVE_NUMBA = find_spec("numba") is not None


def kernel(function: F) -> F:
    """The same function, compiled on first call when numba is there.

    Kept on disk only where a folder was set before this import: numba does not see changes in the modules that a
    kernel calls, so the folder must be one of these very sources (`__main__`). Strict floating point, so that both
    forms differ by rounding only.
    """
    if not HAVE_NUMBA:
        return function
    from numba import config, njit

    on_disk = bool(getattr(config, "CACHE_DIR", ""))
    return cast(F, njit(fastmath=False, cache=on_disk)(function))


def part(function: F) -> F:
    """The same function, compiled into the kernels that call it; called from Python it runs as it is.

    For what only kernels call: no way in from Python has to be compiled, which for named tuples takes longer than the
    function itself. And for a few products and sums, which take less time than crossing into compiled code.
    """
    if not HAVE_NUMBA:
        return function
    from numba.extending import register_jitable

    return cast(F, register_jitable(function))


def column(numbers: Iterable[float]) -> MutableSequence[float]:
    """Numbers as a kernel takes a sequence of any length: an array for compiled code, a list for Python."""
    if HAVE_NUMBA:
        return cast(MutableSequence[float], np.array(numbers, dtype=np.float64))
    return list(numbers)


def table(rows: Iterable[Sequence[float]]) -> Any:
    """Rows of equal length as a kernel takes them: an array of two dimensions for compiled code, a tuple for Python."""
    return np.array(tuple(rows), dtype=np.float64) if HAVE_NUMBA else tuple(rows)

"""Two decorators: compile a kernel or a part of kernels where the extra `fast` is there; else it stays plain Python."""

from __future__ import annotations

from collections.abc import Callable, Iterable, MutableSequence, Sequence
from importlib.util import find_spec
from typing import Any, TypeVar, cast

import numpy as np

T = TypeVar("T")
F = TypeVar("F", bound=Callable[..., object])

HAVE_NUMBA = find_spec("numba") is not None
KEPT: list[object] = []  # compiled parts: numba's table of global names holds no reference to them


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
    return cast(F, njit(fastmath=False, cache=on_disk, no_cfunc_wrapper=True)(function))


def part(function: F) -> F:
    """The same function, compiled into the kernels that call it; called from Python it runs as it is.

    For what only kernels call: no way in from Python has to be compiled, which for named tuples takes longer than the
    function itself. And for a few products and sums, which take less time than crossing into compiled code.

    Kernels know it as a function that is compiled already. As an overload (numba's `register_jitable`) it is compiled
    twice, for the kernels and for the other parts: their compiler flags differ by the way in from Python.
    """
    if not HAVE_NUMBA:
        return function
    from numba import njit, types
    from numba.core.typing.templates import infer_global

    compiled = njit(no_cpython_wrapper=True, no_cfunc_wrapper=True)(function)
    infer_global(function, types.Dispatcher(compiled))
    KEPT.append(compiled)
    return function


def keep_last(items: tuple[T, ...], item: T, count: int) -> tuple[T, ...]:
    """The last so many of some items and one more, which is the last of them; 1 or more.

    Compiled code, in which the length of a tuple cannot vary, holds the items in a list, which is not changed either.
    """
    return (*items, item)[-count:]


if HAVE_NUMBA:
    from numba.extending import overload

    @overload(keep_last)  # type: ignore[untyped-decorator]
    def keep_last_of_list(items: list[T], item: T, count: int) -> Callable[[list[T], T, int], list[T]]:
        """The same for a list, in compiled code."""

        def kept_last(items: list[T], item: T, count: int) -> list[T]:
            out = items[max(len(items) + 1 - count, 0) :]
            out.append(item)
            return out

        return kept_last


def column(numbers: Iterable[float]) -> MutableSequence[float]:
    """Numbers as a kernel takes a sequence of any length: an array for compiled code, a list for Python."""
    if HAVE_NUMBA:
        return cast(MutableSequence[float], np.array(numbers, dtype=np.float64))
    return list(numbers)


def table(rows: Iterable[Sequence[float]]) -> Any:
    """Rows of equal length as a kernel takes them: an array of two dimensions for compiled code, a tuple for Python."""
    return np.array(tuple(rows), dtype=np.float64) if HAVE_NUMBA else tuple(rows)

"""The search for a lesser target: a piece in each major cycle, always from the state at which it began."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from guidance_svc.core.tape import Unfinished, played_back
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.memory import LesserSearch, Memory

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Found(Generic[T]):
    """What a finished search ends in; None where it found nothing."""

    what: T | None


def searched(
    memory: Memory, search: LesserSearch, find: Callable[[LesserSearch], T | None]
) -> tuple[Memory, Found[T] | None]:
    """One piece of a search; None while it is not finished.

    Args:
        search: as it stands.
        find: the whole search, asking for its solutions through `core.tape`; an error, or more computing than a major
            cycle may do, ends it with nothing found.
    """
    with played_back(search.solutions) as tape:
        try:
            found = find(search)
        except Unfinished:
            return replace(memory, lesser_search=replace(search, solutions=tuple(tape.solutions))), None
        except (GuidanceError, ArithmeticError, ValueError):
            found = None
    return replace(memory, lesser_search=None), Found(found)

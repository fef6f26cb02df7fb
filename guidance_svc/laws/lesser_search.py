"""The search for a lesser target: a piece in each major cycle, always from the state at which it began."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from guidance_svc.core.tape import Unfinished, play_back
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.insertion_memory import LesserSearch

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Found(Generic[T]):
    """What a finished search ends in; None where it found nothing."""

    what: T | None


def search_lesser(
    search: LesserSearch, find: Callable[[LesserSearch], T | None]
) -> tuple[LesserSearch | None, Found[T] | None]:
    """One piece of a search: what is left of it, None at its end; and what it found, None before its end.

    Args:
        search: as it stands.
        find: the whole search, asking for its solutions through `core.tape`; an error, or more computing than a major
            cycle may do, ends it with nothing found.
    """
    with play_back(search.solutions) as tape:
        try:
            found = find(search)
        except Unfinished:
            return search._replace(solutions=tuple(tape.solutions)), None
        except (GuidanceError, ArithmeticError, ValueError):
            found = None
    return None, Found(found)

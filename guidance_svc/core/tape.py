"""A long search done a piece at a time: what it solved before is played back, so that it goes on where it stopped.

A search is a pure function that asks for one solution after another through `solved_once`. Called again with the
solutions of its earlier pieces, it takes the same way for nothing and goes on from there. It needs no form of its
own that could be stopped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field

from guidance_svc.core.effort import steps_left, steps_spent
from guidance_svc.core.steering import Steering

PIECE_STEPS = 700  # integrator steps after which no further solution is begun; one takes 340 to 1000
WHOLE_STEPS = 1300  # that must be left for a solution: one cut short would lead the search astray


class Unfinished(Exception):
    """This piece of the search is over; no error: it goes on later."""


@dataclass(slots=True)
class Tape:
    """Solutions of a search, old and new, in order.

    Args:
        solutions: so far.
        at: how many of them the search has asked for.
        fresh: how many were solved in this piece.
        begun: steps counted when this piece began.
    """

    solutions: list[Steering]
    at: int = 0
    fresh: int = 0
    begun: int = field(default_factory=steps_spent)


_present: ContextVar[Tape | None] = ContextVar("tape", default=None)


@contextmanager
def play_back(solutions: tuple[Steering, ...]) -> Iterator[Tape]:
    """Give a search inside what it solved before.

    Raises:
        Unfinished: from the search, when its piece is over; the tape then holds what the next piece begins with.
    """
    tape = Tape(list(solutions))
    token = _present.set(tape)
    try:
        yield tape
    finally:
        _present.reset(token)


def solve_once(solve: Callable[[], Steering]) -> Steering:
    """A solution from the tape, or a new one, where enough of the budget is left for all of it.

    Raises:
        Unfinished: this piece is over.
    """
    tape = _present.get()
    if tape is None:
        return solve()
    if tape.at == len(tape.solutions):
        if steps_left() < WHOLE_STEPS or (tape.fresh and steps_spent() - tape.begun >= PIECE_STEPS):
            raise Unfinished
        tape.solutions.append(solve())
        tape.fresh += 1
    tape.at += 1
    return tape.solutions[tape.at - 1]

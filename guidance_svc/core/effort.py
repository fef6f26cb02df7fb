"""How much one message may make the service compute, counted in integrator steps and never in seconds.

Every loop whose length a state or a plan decides counts its steps here. Past what the caller allows, `BudgetSpent`
ends the computation. The count does not depend on the machine, so that replies do not either. Outside of `allowed`
(planners, tests) nothing is bounded.
"""

from __future__ import annotations

from contextvars import ContextVar, Token
from typing import Final

from guidance_svc.errors import BudgetSpent

SOLUTION_STEPS = 7  # one small least-squares solution takes as long as so many integrator steps
ROTATION_STEPS = 1  # two rows of a small matrix turned against each other
UNBOUNDED = 1 << 62  # an allowance that only counts
CALL_STEPS = 1  # what one more arc costs besides its steps


class Effort:
    """An allowance, in integrator steps of 13 us without compiled kernels, and what has been spent of it.

    `with allowed(limit) as effort` bounds what is computed inside; an allowance inside another one counts in both. A
    class of its own, because three begin with every state: a generator's context takes twice as long.

    Raises:
        BudgetSpent: from whatever spends more.
    """

    __slots__ = ("_before", "_token", "limit", "spent")

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.spent = 0
        self._before: Effort | None = None
        self._token: Token[Effort | None] | None = None

    def __enter__(self) -> Effort:
        self._before = _present.get()
        self._token = _present.set(self)
        return self

    def __exit__(self, *_: object) -> None:
        if self._token is not None:
            _present.reset(self._token)
        if self._before is not None:
            self._before.spent += self.spent


allowed: Final = Effort
_present: ContextVar[Effort | None] = ContextVar("effort", default=None)


def spend(steps: int) -> None:
    """Count steps that are about to be taken.

    Raises:
        BudgetSpent: they are more than the allowance has left.
    """
    effort = _present.get()
    if effort is None:
        return
    effort.spent += steps
    if effort.spent > effort.limit:
        expected = f"at most {effort.limit} steps of computing for one message"
        raise BudgetSpent("budget_spent", "", expected, f"{effort.spent} steps")


def steps_spent() -> int:
    """Steps counted so far; 0 where nothing is bounded, so that differences say what was spent in between."""
    effort = _present.get()
    return 0 if effort is None else effort.spent


def steps_left() -> int:
    """Steps that may still be taken."""
    effort = _present.get()
    return UNBOUNDED if effort is None else effort.limit - effort.spent

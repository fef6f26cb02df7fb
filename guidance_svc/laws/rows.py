"""What a law consists of: the shape of a row of the phase table."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Generic, TypeVar

from guidance_svc.domain import Command, FlightPlan, Phase, Said
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order, Own
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.signs import EventKind
from guidance_svc.wire.plans import PhaseModel

Kind = TypeVar("Kind", bound=Phase)

Enter = Callable[[Flight, Burn | None, Navigation, FlightPlan, Kind], Memory[Own]]
Change = Callable[[Memory[Own], Navigation, FlightPlan, Kind], Memory[Own]]
Test = Callable[[Memory[Own], Navigation, FlightPlan, Kind], bool]
Fly = Callable[[Memory[Own], Navigation, FlightPlan, Kind], Order]
Count = Callable[[Memory[Own], Navigation, FlightPlan, Kind], Numbers]
Say = Callable[[Memory[Own], Navigation, FlightPlan, Kind, Command], Said | None]
Figures = Iterable[tuple[str, float | None]]


def keep_memory(memory: Memory[Own], now: Navigation, plan: FlightPlan, phase: object) -> Memory[Own]:
    """The memory as it is: this law takes nothing from a state, or solves nothing."""
    return memory


def never(memory: Memory[Own], now: Navigation, plan: FlightPlan, phase: object) -> bool:
    """False: this law does not end by itself, or has nothing to solve."""
    return False


def nothing_left(own: object) -> None:
    """None: this law leaves no burn to the next phase."""
    return None


def as_it_is(own: Own) -> Own:
    """What the law remembers, where an attempt that failed is not counted."""
    return own


def no_figures(own: object) -> Figures:
    """No numbers: this law's major cycle makes none."""
    return ()


def no_numbers(memory: Memory[Own], now: Navigation, plan: FlightPlan, phase: object) -> Numbers:
    """Nothing stands behind this order but the orbit."""
    return Numbers()


def nothing_said(
    memory: Memory[Own], now: Navigation, plan: FlightPlan, phase: object, command: Command
) -> None:
    """None: the other sessions on the clock hear nothing of this law."""
    return None


def nothing_refused(phase: object, plan: FlightPlan, at: str) -> None:
    """Nothing that the model of the keys lets through is refused."""


@dataclass(frozen=True, slots=True)
class LawRow(Generic[Kind, Own]):
    """One row of the phase table.

    Args:
        kind: of its phase in a plan; names the law.
        own: type of what it remembers.
        sentence: what one phase does, for `opened`.
        events: that it asks for, and `drop_cover` where the cover may go while it flies.
        enter: once, when the phase begins; takes what the phase before has left.
        order: what it wants at this state.
        follow: on every state, before `done`.
        done: whether the next phase begins with this state.
        leave: the burn that it leaves to the next phase.
        due: whether `solve` should run for this state.
        overdue: whether it must run before the reply.
        solve: the major cycle; may run after the reply has gone out.
        failed: counts a major cycle that came to nothing.
        figures: numbers that a major cycle must not leave infinite or undefined, with their names.
        numbers: what stands behind the order, for scripts that ask for detail.
        says: what the other sessions on its clock hear after a reply; it must not depend on whether the major cycle
            after that reply has run.
        model: of its phase's keys; None where no plan may name it and only the session puts it in.
        check: refuses a phase that contradicts itself or the plan; takes its key in the plan, raises ConfigError.
        successors, predecessors: names of laws that may come next and before, where those do not name this one.
        first, last: whether a plan may begin and end with it.
        ended_by: what its end is, in a word.
        is_verdict: its status is the flight's verdict, on which a script closes.
    """

    kind: type[Kind]
    own: type[Own]
    sentence: Callable[[Kind, FlightPlan], str]
    events: tuple[EventKind, ...]
    enter: Enter[Kind, Own]
    order: Fly[Own, Kind]
    follow: Change[Own, Kind] = keep_memory
    done: Test[Own, Kind] = never
    leave: Callable[[Own], Burn | None] = nothing_left
    due: Test[Own, Kind] = never
    overdue: Test[Own, Kind] = never
    solve: Change[Own, Kind] = keep_memory
    failed: Callable[[Own], Own] = as_it_is
    figures: Callable[[Own], Figures] = no_figures
    numbers: Count[Own, Kind] = no_numbers
    says: Say[Own, Kind] = nothing_said
    model: type[PhaseModel] | None = None
    check: Callable[[Kind, FlightPlan, str], None] = nothing_refused
    successors: tuple[str, ...] = ()
    predecessors: tuple[str, ...] = ()
    first: bool = True
    last: bool = True
    ended_by: str = ""
    is_verdict: bool = False

    @property
    def name(self) -> str:
        """Of the law, as plans and replies have it."""
        return self.kind.law

"""The phase table: for every law, what happens on entering, on each state, in a major cycle, and when it ends.

    hold --release--> boost --separation--> insertion --cutoff--> coast --ignition--> circularize --cutoff--> orbit
                                            insertion --cutoff--> coast --ignition--> raise --cutoff--> coast ...

The plan may leave phases out; the order is the plan's. Behind an insertion that may coast stand a coast and a "raise"
(`with_detours`), both skipped when the insertion goes straight to the target.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from guidance_svc.domain import Coast, FlightPlan, Insertion, Law, Phase, Raise
from guidance_svc.laws import ascent, insertion, orbit
from guidance_svc.laws.memory import Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation

Change = Callable[[Memory, Navigation, FlightPlan, Any], Memory]
Test = Callable[[Memory, Navigation, FlightPlan, Any], bool]
Fly = Callable[[Memory, Navigation, FlightPlan, Any], Order]
Count = Callable[[Memory, Navigation, FlightPlan, Any], Numbers]


def with_detours(plan: FlightPlan) -> FlightPlan:
    """The plan with a coast and a burn at apoapsis behind every insertion that may coast."""
    phases: list[Phase] = []
    for phase in plan.phases:
        phases += [phase, Coast(), Raise()] if isinstance(phase, Insertion) and phase.may_coast else [phase]
    return replace(plan, phases=tuple(phases))


def unchanged(memory: Memory, now: Navigation, plan: FlightPlan, phase: Phase) -> Memory:
    """Nothing to remember."""
    return memory


def never(memory: Memory, now: Navigation, plan: FlightPlan, phase: Phase) -> bool:
    """No."""
    return False


def major_cycle_due(memory: Memory, now: Navigation, plan: FlightPlan, phase: Phase) -> bool:
    """Whether the guidance equations should be solved anew from this state."""
    if memory.law is None or memory.solved_at_s is None or memory.attempts > 0:
        return True
    if memory.search is not None or memory.lesser_search is not None:
        return True
    return now.time_s - memory.solved_at_s >= plan.major_cycle_s


def no_numbers(memory: Memory, now: Navigation, plan: FlightPlan, phase: Phase) -> Numbers:
    """Nothing stands behind this order but the orbit."""
    return Numbers()


@dataclass(frozen=True, slots=True)
class LawRow:
    """One row of the phase table.

    Args:
        enter: once, when the phase begins.
        follow: on every state, before `done`.
        done: whether the next phase begins with this state.
        fly: the order for this state.
        due: whether `solve` should run for this state.
        solve: the major cycle; may run after the reply has gone out.
        numbers: what stands behind the order, for scripts that ask for detail.
    """

    fly: Fly
    enter: Change = unchanged
    follow: Change = unchanged
    done: Test = never
    due: Test = never
    solve: Change = unchanged
    numbers: Count = no_numbers


LAWS: dict[Law, LawRow] = {
    "hold": LawRow(ascent.hold_fly, ascent.hold_enter, done=ascent.hold_done),
    "boost": LawRow(ascent.boost_fly, ascent.boost_enter, ascent.boost_follow, ascent.boost_done),
    "insertion": LawRow(
        insertion.insertion_fly, insertion.insertion_enter, insertion.insertion_follow, insertion.insertion_done,
        major_cycle_due, insertion.insertion_solve, insertion.insertion_numbers,
    ),
    "coast": LawRow(
        orbit.coast_fly, orbit.coast_enter, done=orbit.coast_done, due=orbit.coast_due, solve=orbit.coast_solve,
        numbers=orbit.coast_numbers,
    ),
    "circularize": LawRow(
        orbit.circularize_fly, orbit.circularize_enter, orbit.circularize_follow, orbit.circularize_done,
        major_cycle_due, orbit.circularize_solve, orbit.circularize_numbers,
    ),
    "raise": LawRow(
        orbit.circularize_fly, orbit.circularize_enter, orbit.circularize_follow, orbit.circularize_done,
        major_cycle_due, orbit.circularize_solve, orbit.circularize_numbers,
    ),
    "orbit": LawRow(orbit.orbit_fly, orbit.orbit_enter),
}  # fmt: skip

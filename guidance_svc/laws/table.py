"""The phase table: for every law, what happens on entering, on each state, in a major cycle, and when it ends.

    hold --release--> boost --separation--> insertion --cutoff--> coast --ignition--> circularize --cutoff--> orbit
                                            insertion --cutoff--> coast --ignition--> raise --cutoff--> coast ...

The plan may leave phases out; the order is the plan's. Behind an insertion that may coast stand a coast and a "raise"
(`with_detours`), both skipped when the insertion goes straight to the target.
"""

from __future__ import annotations

from dataclasses import replace
from types import NoneType
from typing import cast

from guidance_svc.domain import Boost, Circularize, Coast, FlightPlan, Hold, Insertion, Orbit, Phase, Raise
from guidance_svc.laws import boost, circularize, coast, hold, insertion, orbit
from guidance_svc.laws.burning import burn_figures, note_burn_failure
from guidance_svc.laws.cover import DROP_COVER
from guidance_svc.laws.insertion_memory import InsertionMemory
from guidance_svc.laws.memory import Burn, Own
from guidance_svc.laws.rows import Kind, LawRow
from guidance_svc.laws.signs import CIRCULARIZE, COAST, CUTOFF, IGNITE, ORBIT, RELEASE, SEPARATE, EventKind

LAWS: dict[str, LawRow[Phase, object]] = {}
EVENTS: dict[str, EventKind] = {DROP_COVER.name: DROP_COVER}


def with_detours(plan: FlightPlan) -> FlightPlan:
    """The plan with a coast and a burn at apoapsis behind every insertion that may coast."""
    phases: list[Phase] = []
    for phase in plan.phases:
        phases += [phase, Coast(), Raise()] if isinstance(phase, Insertion) and phase.may_coast else [phase]
    return replace(plan, phases=tuple(phases))


def register(name: str, row: LawRow[Kind, Own]) -> None:
    """Take a law into the table; its functions get only phases and memories of their own kinds from then on."""
    EVENTS.update({kind.name: kind for kind in row.events})
    LAWS[name] = cast("LawRow[Phase, object]", row)


def memories() -> tuple[type, ...]:
    """The types of what the laws remember."""
    return tuple(dict.fromkeys(row.own for row in LAWS.values()))


register("hold", LawRow(Hold, NoneType, hold.sentence, (IGNITE, RELEASE), hold.enter, hold.order, done=hold.done))
register(
    "boost",
    LawRow(
        Boost,
        boost.BoostMemory,
        boost.sentence,
        (IGNITE, RELEASE, CUTOFF, SEPARATE),
        boost.enter,
        boost.order,
        boost.follow,
        boost.done,
    ),
)
register(
    "insertion",
    LawRow(
        Insertion,
        InsertionMemory,
        insertion.sentence,
        (SEPARATE, IGNITE, CUTOFF),
        insertion.enter,
        insertion.order,
        insertion.follow,
        insertion.done,
        insertion.leave,
        insertion.due,
        insertion.overdue,
        insertion.solve,
        insertion.note_failure,
        insertion.figures,
        insertion.numbers,
    ),
)
register(
    "coast",
    LawRow(
        Coast,
        Burn,
        coast.sentence,
        (COAST, IGNITE, CIRCULARIZE),
        coast.enter,
        coast.order,
        done=coast.done,
        leave=coast.leave,
        due=coast.due,
        overdue=coast.overdue,
        solve=coast.solve,
        failed=note_burn_failure,
        figures=burn_figures,
        numbers=coast.numbers,
    ),
)
register(
    "circularize",
    LawRow(
        Circularize,
        Burn,
        circularize.sentence,
        (CUTOFF,),
        circularize.enter,
        circularize.order,
        circularize.follow,
        circularize.done,
        circularize.leave,
        circularize.due,
        circularize.overdue,
        circularize.solve,
        note_burn_failure,
        burn_figures,
        circularize.numbers,
    ),
)
register(
    "raise",
    LawRow(
        Raise,
        Burn,
        circularize.sentence,
        (CUTOFF,),
        circularize.enter,
        circularize.order,
        circularize.follow,
        circularize.done,
        circularize.leave,
        circularize.due,
        circularize.overdue,
        circularize.solve,
        note_burn_failure,
        burn_figures,
        circularize.numbers,
    ),
)
register(
    "orbit", LawRow(Orbit, orbit.OrbitMemory, orbit.sentence, (ORBIT,), orbit.enter, orbit.order, numbers=orbit.numbers)
)

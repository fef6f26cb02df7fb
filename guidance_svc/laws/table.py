"""The phase table: the only list of laws. What is known of a law's name, or of an event's, is asked here."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import cast, get_args

from guidance_svc.domain import Act, Aim, Coast, FlightPlan, Insertion, Phase, Raise
from guidance_svc.laws import (
    boost,
    boostback,
    circularize,
    coast,
    descent,
    entry_burn,
    fall,
    hold,
    insertion,
    orbit,
    receive,
)
from guidance_svc.laws.memory import Own
from guidance_svc.laws.rows import Kind, LawRow
from guidance_svc.laws.signs import EventKind

LAWS: dict[str, LawRow[Phase, object]] = {}
EVENTS: dict[str, EventKind] = {}


def register(row: LawRow[Kind, Own]) -> None:
    """Take a law into the table; its functions get only phases and memories of their own kinds from then on.

    Raises:
        ValueError: two laws, kinds of event or types that are kept, of one name; or a model that names another law.
    """
    if row.name in LAWS:
        raise ValueError(f"two laws named {row.name}")
    for kind in row.events:
        if EVENTS.get(kind.name, kind) is not kind:
            raise ValueError(f"two kinds of event named {kind.name}")
    for kept, other in product((row.kind, row.own), (*kinds(), *memories())):
        if kept.__name__ == other.__name__ and kept is not other:
            raise ValueError(f"two types that are kept named {kept.__name__}")
    if row.model is not None and get_args(row.model.model_fields["law"].annotation) != (row.name,):
        raise ValueError(f"the model of {row.name} names another law")
    EVENTS.update({kind.name: kind for kind in row.events})
    LAWS[row.name] = cast("LawRow[Phase, object]", row)


def memories() -> tuple[type, ...]:
    """The types of what the laws remember."""
    return tuple(dict.fromkeys(row.own for row in LAWS.values()))


def kinds() -> tuple[type[Phase], ...]:
    """The types of the laws' phases."""
    return tuple(row.kind for row in LAWS.values())


register(hold.ROW)
register(boost.ROW)
register(insertion.ROW)
register(coast.ROW)
register(circularize.RAISE_ROW)
register(circularize.ROW)
register(orbit.ROW)
register(boostback.ROW)
register(fall.ROW)
register(entry_burn.ROW)
register(descent.ROW)
register(receive.ROW)


def with_detours(plan: FlightPlan) -> FlightPlan:
    """The plan with a coast and a burn at apoapsis behind every insertion that may coast.

    Both are skipped when the insertion goes straight to the target.
    """
    phases: list[Phase] = []
    for phase in plan.phases:
        phases += [phase, Coast(), Raise()] if isinstance(phase, Insertion) and phase.may_coast else [phase]
    return replace(plan, phases=tuple(phases))


def is_over(phase: str, status: str) -> bool:
    """Whether a reply with this phase and status is the flight's last word, on which a script closes."""
    return status == "complete" or (phase in LAWS and LAWS[phase].is_verdict)


def aim_of(phase: str) -> Aim:
    """What the burn of a phase ends in; nothing for a phase that no law has, as in another version's recording."""
    return LAWS[phase].kind.aims if phase in LAWS else ""


def is_from_ground(phase: str) -> bool:
    """Whether a phase is on the pad or in the air above it."""
    return phase in LAWS and LAWS[phase].kind.from_ground


def is_powered(phase: str) -> bool:
    """Whether a phase flies a burn."""
    return phase in LAWS and LAWS[phase].kind.powered


def asks_of(event: str) -> str:
    """What a script is to do at an event of this name, in words; empty for nothing."""
    return EVENTS[event].asks if event in EVENTS else ""


def act_of(event: str) -> Act | None:
    """What a vehicle does at an event of this name; None for nothing."""
    return EVENTS[event].act if event in EVENTS else None


def word_for(event: str) -> str:
    """An event of this name as it is shown to people."""
    return (EVENTS[event].word if event in EVENTS else "") or event.replace("_", " ")

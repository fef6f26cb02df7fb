"""The phase table is whole, plans keep to the order that its laws allow, and flights walk it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from guidance_svc.domain import FlightPlan, Insertion, Phase
from guidance_svc.errors import ConfigError
from guidance_svc.laws.plan_rules import check_order, may_follow
from guidance_svc.laws.signs import IGNITE, EventKind
from guidance_svc.laws.table import EVENTS, LAWS, register, with_detours
from guidance_svc.session.describe import phase_sentences
from tests.closed_loop.optimum_cases import insertion_case
from tests.session.exchange import CLIMB, LATE, climb_flight, flown, late_flight


def test_the_table_names_each_law_as_its_phases_do_and_its_models_only_those_that_plans_may_name() -> None:
    assert all(name == row.kind.law and isinstance(row.kind(), Phase) for name, row in LAWS.items())
    named = [row.model for row in LAWS.values() if row.model is not None]
    assert [row.name for row in LAWS.values() if row.model is None] == ["raise"]
    for model, row in zip(named, [row for row in LAWS.values() if row.model is not None], strict=True):
        assert type(model.model_validate({"law": row.name}).to_domain()) is row.kind


def test_every_law_that_may_come_next_or_before_is_one_of_the_table() -> None:
    assert {law for row in LAWS.values() for law in (*row.successors, *row.predecessors)} <= set(LAWS)


def test_a_second_law_or_kind_of_event_of_one_name_is_refused() -> None:
    with pytest.raises(ValueError, match="two laws named coast"):
        register(LAWS["coast"])
    other = replace(LAWS["coast"], kind=Elsewhere, model=None, events=(EventKind("ignite"),))
    with pytest.raises(ValueError, match="two kinds of event named ignite"):
        register(other)
    with pytest.raises(ValueError, match="the model of elsewhere names another law"):
        register(replace(other, events=(), model=LAWS["coast"].model))
    with pytest.raises(ValueError, match="two types that are kept named OrbitMemory"):
        register(replace(other, events=(), own=type("OrbitMemory", (), {})))
    assert "elsewhere" not in LAWS
    assert EVENTS["ignite"] is IGNITE


@pytest.mark.parametrize("laws", [
    ("hold", "boost", "insertion", "coast", "circularize", "orbit"), ("insertion", "orbit"), ("hold",), ("coast",),
    ("boost", "coast", "orbit"),
])  # fmt: skip
def test_an_order_that_every_law_allows_is_taken(laws: tuple[str, ...]) -> None:
    check_order(in_order(laws))


@pytest.mark.parametrize(("laws", "field", "expected"), [
    (("insertion", "boost"), "phases.1.law", "after insertion one of coast, orbit"),
    (("hold", "hold"), "phases.1.law", "after hold one of boost, insertion, coast, orbit"),
    (("orbit", "coast"), "phases.1.law", "nothing after orbit"),
    (("insertion", "circularize"), "phases.1.law", "a coast phase before circularize"),
    (("circularize", "orbit"), "phases.0.law", "a coast phase before circularize"),
])  # fmt: skip
def test_an_order_that_a_law_forbids_is_refused_with_what_would_work(
    laws: tuple[str, ...], field: str, expected: str
) -> None:
    with pytest.raises(ConfigError) as refused:
        check_order(in_order(laws))
    assert (refused.value.field, refused.value.expected) == (field, expected)


class Elsewhere(Phase):
    """A phase of a law that nobody has."""

    law = "elsewhere"


def in_order(laws: tuple[str, ...]) -> FlightPlan:
    return replace(CLIMB, phases=tuple(LAWS[law].kind() for law in laws))


def test_what_the_session_puts_behind_an_insertion_that_may_coast_is_an_order_that_the_laws_allow() -> None:
    coasting = replace(CLIMB, phases=(Insertion(may_coast=True), *LATE.phases[1:]))
    laws = [phase.law for phase in with_detours(coasting).phases]
    assert laws[:4] == ["insertion", "coast", "raise", "coast"]
    assert all(after in may_follow(law) for law, after in pairwise(laws))


def visited(exchanges: list) -> list[str]:  # type: ignore[type-arg]
    order: list[str] = []
    for exchange in exchanges:
        if not order or order[-1] != exchange.reply.phase:
            order.append(exchange.reply.phase)
    return order


def test_flights_walk_the_table_in_the_plans_order_and_never_back() -> None:
    assert visited(climb_flight()) == ["hold", "boost", "insertion"]
    assert visited(late_flight()) == ["insertion", "coast", "circularize", "orbit"]


def test_each_phase_is_told_in_one_sentence_in_order() -> None:
    for plan in (CLIMB, LATE):
        sentences = phase_sentences(plan)
        assert [s.split(":")[0] for s in sentences] == [phase.law for phase in plan.phases]
        assert all("\n" not in s and len(s) > 20 for s in sentences)


def test_a_two_stage_insertion_asks_for_separation_ignition_and_cutoff_in_order() -> None:
    plan, world, state = insertion_case("V12")
    exchanges = flown(plan, (world, state), 0.2)
    events: list[tuple[str, str]] = []
    for exchange in exchanges:
        event = exchange.reply.event
        if event is not None and (not events or events[-1][0] != event.id):
            events.append((event.id, event.name))
    assert events == [
        ("0-0-separate", "separate"), ("0-1-ignite", "ignite"), ("0-1-cutoff", "cutoff"), ("1-1-orbit", "orbit"),
    ]  # fmt: skip
    stages = [e.message.stage for e in exchanges]
    assert stages == sorted(stages)  # type: ignore[type-var]
    assert stages[-1] == 1


def test_no_flight_asks_for_more_than_its_laws_say() -> None:
    for exchange in (*climb_flight(), *late_flight()):
        event = exchange.reply.event
        assert event is None or event.name in {kind.name for kind in LAWS[exchange.reply.phase].events}


def test_two_laws_with_an_event_of_one_name_mean_the_same_by_it() -> None:
    for row in LAWS.values():
        assert all(EVENTS[kind.name] is kind for kind in row.events)

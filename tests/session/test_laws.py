"""The phase table is whole, and a flight walks it in the order that its docstring draws."""

from __future__ import annotations

import re
from typing import get_args

import pytest

from guidance_svc.domain import Boost, Circularize, Coast, EventName, Hold, Insertion, Law, Orbit, Phase, Raise
from guidance_svc.laws import table as laws
from guidance_svc.laws.table import EVENTS, LAWS
from guidance_svc.session.describe import phase_sentences
from tests.closed_loop.optimum_cases import insertion_case
from tests.session.exchange import CLIMB, LATE, climb_flight, flown, late_flight


def test_every_law_has_a_row_and_every_row_a_law() -> None:
    assert set(LAWS) == set(get_args(Law))


def test_the_drawing_shows_every_law_in_the_order_of_the_type() -> None:
    way, detour = [line for line in (laws.__doc__ or "").splitlines() if "-->" in line]
    laws_of = [tuple(re.split(r"\s+--[\w ]+-->\s+", line.strip())) for line in (way, detour)]
    assert laws_of[0] == tuple(law for law in get_args(Law) if law != "raise")
    assert laws_of[1] == ("insertion", "coast", "raise", "coast ...")


@pytest.mark.parametrize("phase", [Hold(), Boost(), Insertion(), Coast(), Raise(), Circularize(), Orbit()])
def test_every_phase_names_a_law_of_the_table(phase: Phase) -> None:
    assert isinstance(phase, LAWS[phase.law].kind)


def test_every_phase_of_the_union_is_known() -> None:
    assert {kind().law for kind in get_args(Phase)} == set(LAWS)


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


def test_what_laws_ask_for_is_what_messages_can_say_and_no_flight_asks_for_more() -> None:
    assert set(EVENTS) == set(get_args(EventName))
    for exchange in (*climb_flight(), *late_flight()):
        event = exchange.reply.event
        assert event is None or event.name in {kind.name for kind in LAWS[exchange.reply.phase].events}


def test_two_laws_with_an_event_of_one_name_mean_the_same_by_it() -> None:
    for row in LAWS.values():
        assert all(EVENTS[kind.name] is kind for kind in row.events)

"""What one phase leaves behind, and the next one must not go by."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import pytest

from guidance_svc.core.detour_search import DetourSearch
from guidance_svc.domain import Circularize, Coast, FlightPlan, Frame, Insertion, Orbit, Target, VehicleState
from guidance_svc.laws import coast, insertion
from guidance_svc.laws.insertion_memory import InsertionMemory, LesserSearch, problem_now
from guidance_svc.laws.last_seconds import NO_FINISH
from guidance_svc.laws.memory import Burn, Flight, Memory
from guidance_svc.laws.navigation import navigate
from guidance_svc.laws.reach import SHORT_CYCLES, THROUGH_THE_GROUND, within_reach
from guidance_svc.laws.table import LAWS
from guidance_svc.session import session as session_module
from guidance_svc.session.session import Session
from guidance_svc.sim.telemetry import telemetry
from tests.session.exchange import EARTH, LATE, UPPER, late_start

RADIUS_M = EARTH.radius_m + 250e3
CIRCLE_M_S = sqrt(EARTH.mu_m3_s2 / RADIUS_M)
CIRCLE = Target(RADIUS_M, RADIUS_M, RADIUS_M, CIRCLE_M_S, 0.0, "free", 0.0)


@pytest.mark.parametrize(("missing_m_s", "phase"), [(0.01, "orbit"), (0.05, "orbit"), (0.09, "orbit"), (0.2, "coast")])
def test_a_circle_that_the_coast_finds_met_is_not_burnt_for_at_once(missing_m_s: float, phase: str) -> None:
    # from 0.02 to 0.1 m/s the coast was left out and its burn of some milliseconds lit where the coast would begin
    body = replace(EARTH, j2=0.0)
    plan = FlightPlan("circle", body, UPPER, CIRCLE, (Coast(), Circularize(), Orbit()))
    state = VehicleState(0, 0.0, 9000.0, (RADIUS_M, 0.0, 0.0), (0.0, CIRCLE_M_S - missing_m_s, 0.0), engine_on=False)
    command = Session(plan, Frame()).state(state)
    assert (command.phase, command.engine_on) == (phase, False)


def first_law(plan: FlightPlan, before: Memory[InsertionMemory] | None = None) -> Memory[InsertionMemory]:
    """The memory after the first cycles of an insertion from the late start."""
    world, state = late_start()
    now, phase = navigate(telemetry(state, world, Frame(), 0), plan, Frame()), plan.phases[0]
    assert isinstance(phase, Insertion)
    memory = before or insertion.enter(Flight(), None, now, plan, phase)
    for _ in range(8):
        memory = insertion.solve(memory, now, plan, phase)
        if memory.own.burn.law is not None:
            return memory
    raise AssertionError("no law")


COASTING = replace(
    LATE, target=replace(CIRCLE, perigee_radius_m=RADIUS_M, plane="free"), phases=(Insertion(may_coast=True), Orbit())
)


def test_no_coast_is_looked_for_while_a_lesser_target_is_flown() -> None:
    world, state = late_start()
    now = navigate(telemetry(state, world, Frame(), 0), COASTING, Frame())
    flight, own = insertion.enter(Flight(), None, now, COASTING, Insertion(may_coast=True))
    assert first_law(COASTING).own.search is not None
    lesser = own._replace(burn=own.burn._replace(lesser=COASTING.target, given_up="the apogee"))
    assert first_law(COASTING, Memory(flight, lesser)).own.search is None


def test_a_coast_forgets_the_searches_of_the_burn_before_it() -> None:
    # with one left every state of the phases after it was taken for one that needs a major cycle
    flight, own = first_law(COASTING)
    search, law = own.search, own.burn.law
    assert isinstance(search, DetourSearch)
    assert law is not None
    own = own._replace(lesser_search=LesserSearch(search.problem, law, 4000.0))
    world, state = late_start()
    now = navigate(telemetry(state, world, Frame(), 0), COASTING, Frame())
    plan = replace(LATE, phases=(Coast(), Orbit()))
    after = coast.enter(flight, insertion.leave(own), now, plan, Coast())
    assert isinstance(after.own, Burn)  # which has no searches
    assert not LAWS["coast"].due(Memory(after.flight, after.own), now, plan, Coast())


@pytest.mark.parametrize("what", ["through the ground", "last seconds", "frozen"])
def test_a_search_that_is_not_gone_on_with_is_over(what: str) -> None:
    """It made every state one that needs a major cycle."""
    world, state = late_start()
    now, memory = navigate(telemetry(state, world, Frame(), 0), LATE, Frame()), first_law(LATE)
    flight, own = memory
    law = own.burn.law
    assert law is not None
    search = LesserSearch(problem_now(memory, now, LATE), law, 4000.0)
    burn = own.burn._replace(margin=own.burn.margin._replace(short_cycles=SHORT_CYCLES))
    own = own._replace(lesser_search=search, burn=burn)
    if what == "through the ground":
        short = replace(UPPER, stages=(replace(UPPER.stages[0], reserve_kg=12_000.0),))
        own = own._replace(burn=burn._replace(given_up=THROUGH_THE_GROUND))
        after = within_reach(Memory(flight, own), now, search.problem, replace(LATE, vehicle=short))
    elif what == "last seconds":
        own = own._replace(burn=burn._replace(finish=NO_FINISH._replace(time_s=0.0)))
        after = insertion.solve(Memory(flight, own), now, LATE, Insertion())
    else:
        after = insertion.solve(Memory(flight, own), now._replace(time_s=law.cutoff_s - 1.0), LATE, Insertion())
    assert after.own.lesser_search is None


def test_a_first_reply_without_guidance_says_what_does_not_fit_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    world, state = late_start()
    message = telemetry(state, world, Frame(), 0)._replace(mass_kg=2500.0)  # less than the empty stage
    monkeypatch.setattr(session_module, "REPLY_STEPS", 10)
    first, second = Session(LATE, Frame()).state(message).warnings
    assert first.startswith("first state: mass_kg is 2500")
    assert second.startswith("guidance could not be computed")

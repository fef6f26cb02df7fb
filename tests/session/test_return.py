"""The laws of a return through a session: words, events, refusals, the attitude that thrust waits for."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from typing import Any

import pytest

from guidance_svc.core.vectors import dot
from guidance_svc.domain import Boost, Command, FlightPlan, Frame, Hold, Phase, Site, Vec, VehicleState
from guidance_svc.errors import ConfigError
from guidance_svc.laws.boostback_plan import Boostback
from guidance_svc.laws.entry_plan import EntryBurn, EntryBurnModel
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import navigate
from guidance_svc.laws.plan_rules import check_order, check_phases
from guidance_svc.laws.signs import is_stage_dropped
from guidance_svc.laws.stack import burnout_alone_kg
from guidance_svc.session.describe import phase_sentences
from guidance_svc.session.session import Session
from tests.closed_loop.return_flights import CASES, DRY_KG, landing_phases, plan_home, return_phases, start_of

CASE = CASES["B01"]
PLAN = plan_home(CASE, return_phases(36e3, 60e3))


def with_phase(plan: FlightPlan, i: int, **keys: Any) -> FlightPlan:
    phases = list(plan.phases)
    phases[i] = replace(phases[i], **keys)
    return replace(plan, phases=tuple(phases))


def told(seq: int, time_s: float, pointing: Vec | None, mass_kg: float = 73e3) -> VehicleState:
    """The reference's start, as if it stood still there: only times and attitude matter."""
    position, velocity, _ = start_of(CASE, PLAN.body)
    return VehicleState(seq, time_s, mass_kg, position, velocity, pointing_script=pointing, engine_on=False)


def replies(plan: FlightPlan, pointing: Vec | None, times: list[float]) -> list[Command]:
    session, out = Session(plan, Frame(), detail=True), []
    for k, time_s in enumerate(times):
        out.append(session.state(told(k, time_s, pointing)))
        session.work()
    return out


def test_the_sentences_name_burns_limits_and_places() -> None:
    back, fall, entry, _, _ = phase_sentences(PLAN)
    assert back == (
        "boostback: turn at 30 deg/s, then, 8 s after the begin at the earliest and within 5 deg, burn with 3 engines "
        "at throttle 1; cut when the fall comes down at Mudflat"
    )
    assert fall.endswith("until the burn of the next phase must begin")
    assert entry == (
        "entry_burn: from 36000 m on the way down against the air flow with 3 engines at throttle 1, leaning at most "
        "10 deg towards the contact point; ends when the fall after it stays within 60000 Pa"
    )


def test_the_flip_is_told_ahead_and_then_turned_at_its_rate() -> None:
    _, _, ahead = start_of(CASE, PLAN.body)
    said = replies(PLAN, ahead, [0.0, 0.5, 1.0, 2.0, 3.0])
    assert said[0].event is not None
    assert (said[0].event.name, said[0].event.at_s) == ("flip", 1.0)
    assert dot(said[1].direction, ahead) == pytest.approx(1.0)
    turned = [dot(command.direction, ahead) for command in said[2:]]
    assert turned == pytest.approx([1.0, 0.866, 0.5], abs=1e-3)  # 30 and 60 degrees


def test_no_thrust_before_the_attitude_is_near_enough() -> None:
    """A vehicle that does not turn is not lit, however long the coast is over; one that tells no attitude is."""
    _, _, ahead = start_of(CASE, PLAN.body)
    times = [0.5 * k for k in range(24)]
    stuck, silent = replies(PLAN, ahead, times), replies(PLAN, None, times)
    assert not any(command.engine_on for command in stuck)
    lit = next(command for command in silent if command.engine_on)
    assert lit.time_s >= 8.0
    assert lit.engines == 3


def test_a_return_is_reckoned_without_what_was_carried_and_with_the_reserve() -> None:
    stage = replace(PLAN.vehicle.stages[0], reserve_kg=20e3)
    carrying = replace(PLAN, vehicle=replace(PLAN.vehicle, stages=(stage,), payload_kg=9e4))
    assert burnout_alone_kg(carrying) == DRY_KG
    lander = replace(carrying, phases=carrying.phases[-1:])
    assert burnout_alone_kg(lander) == DRY_KG + 20e3 + 9e4


def test_propellant_that_does_not_reach_is_told_with_its_number() -> None:
    _, _, ahead = start_of(CASE, PLAN.body)
    session = Session(PLAN, Frame(), detail=True)
    command = None
    for k in range(12):
        command = session.state(told(k, 0.5 * k, ahead, mass_kg=50e3))
        session.work()
    assert command is not None
    assert command.status == "short_of_propellant"
    assert command.warnings[0].endswith("kg of propellant are missing at contact")


def refused(plan: FlightPlan) -> ConfigError:
    try:
        check_order(plan)
        check_phases(plan)
    except ConfigError as fault:
        return fault
    pytest.fail("nothing was refused")


@pytest.mark.parametrize(
    ("i", "keys", "field", "expected"),
    [
        (0, {"engines": 2}, "phases.0.engines", "one of 1, 3, 9, the groups of booster's 9 engines"),
        (0, {"throttle_frac": 0.3}, "phases.0.throttle", "at least booster's lowest throttle, 0.55"),
        (2, {"engines": 5}, "phases.2.engines", "one of 1, 3, 9, the groups of booster's 9 engines"),
        (2, {"start_pressure_pa": 7e4}, "phases.2.start_dynamic_pressure_pa",
         "less than max_dynamic_pressure_pa, 60000"),
    ],
)
def test_keys_that_the_vehicle_cannot_keep_are_refused_by_name(
    i: int, keys: dict[str, Any], field: str, expected: str
) -> None:
    fault = refused(with_phase(PLAN, i, **keys))
    assert (fault.field, fault.expected) == (field, expected)


def test_an_entry_burn_without_air_is_refused() -> None:
    bare = replace(PLAN, body=replace(PLAN.body, atmosphere="none", air=()))
    assert refused(bare).expected == "no entry_burn: sphere has no air"


def test_one_start_and_one_limit_of_an_entry_burn_are_needed() -> None:
    for keys, words in (
        ({"start_altitude_m": 3e4, "start_dynamic_pressure_pa": 5e3}, "not both"),
        ({"max_dynamic_pressure_pa": None}, "the burn ends by them"),
    ):
        with pytest.raises(ValueError, match=words):
            EntryBurnModel.model_validate({"law": "entry_burn"} | keys)
    assert EntryBurnModel.model_validate({"law": "entry_burn"}).to_domain() == EntryBurn()


def test_a_return_ends_in_a_descent_and_may_follow_a_boost() -> None:
    home = return_phases(36e3, 60e3)
    down = landing_phases(36e3, 60e3)
    site = Site("Saltmarsh Point", 0.0, 0.0)
    up: tuple[Phase, ...] = (Hold(), Boost())
    for phases in (home, down, (*up, *home), (*up, *down)):
        check_order(replace(PLAN, phases=phases, site=site))
    assert refused(replace(PLAN, phases=home[:2])).expected == "after fall one of entry_burn, descent"
    assert refused(replace(PLAN, phases=home[2:])).expected == "a fall phase before entry_burn"
    assert refused(replace(PLAN, phases=(Boostback(), *down[1:]))).expected == "a fall phase before entry_burn"


def test_a_faster_turn_than_the_vehicle_can_is_not_asked_for() -> None:
    slow = replace(PLAN, vehicle=replace(PLAN.vehicle, attitude_rate_limit_rad_s=radians(10.0)))
    _, _, ahead = start_of(CASE, PLAN.body)
    said = replies(slow, ahead, [0.0, 1.0, 2.0])
    assert dot(said[2].direction, ahead) == pytest.approx(0.985, abs=1e-3)


@pytest.mark.parametrize(("mass_kg", "acknowledged", "dropped"), [
    (120e3 + 44e3, False, False),  # burnt to its reserve, with its load
    (44e3, False, True),  # the same alone
    (130e3, False, False),  # as heavy as its load, and as a booster alone with much propellant: not clear
    (130e3, True, True),
    (300e3, True, False),  # heavier than it can be alone: the acknowledgement is belied
])  # fmt: skip
def test_a_booster_that_comes_back_is_alone_by_its_masses(mass_kg: float, acknowledged: bool, dropped: bool) -> None:
    stage = replace(PLAN.vehicle.stages[0], propellant_kg=200e3, reserve_kg=20e3)
    plan = replace(
        PLAN, vehicle=replace(PLAN.vehicle, stages=(stage,), payload_kg=120e3), phases=(Boost(), *PLAN.phases)
    )
    seen = frozenset({"0-0-separate"} if acknowledged else ())
    now = navigate(told(0, 200.0, None, mass_kg), plan, Frame())
    assert is_stage_dropped(Flight(begun=True, seen=seen), now, plan) is dropped


def test_a_vehicle_that_does_not_come_down_is_told_so_and_stays_within_its_budget() -> None:
    """An orbit at the height of the reference's start."""
    down = replace(PLAN, phases=landing_phases(36e3, 60e3))
    position, _, _ = start_of(CASE, PLAN.body)
    x, y, z = position
    k = 7900.0 / (x * x + y * y) ** 0.5
    command = Session(down, Frame()).state(
        VehicleState(0, 0.0, 73e3, (1.04 * x, 1.04 * y, z), (-k * y, k * x, 0.0), engine_on=False)
    )
    assert command.status == "converging"
    assert "a fall that ends at the contact point" in command.warnings[0]

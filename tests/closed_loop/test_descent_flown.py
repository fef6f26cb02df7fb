"""Landings through a session, flown by the simulator: with air, engines that lag and a turning body; arms and legs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from math import radians

import pytest

from guidance_svc.domain import Command, Frame, Landing, VehicleState
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.rehearsal.disturbances import Disturbances
from guidance_svc.rehearsal.loop import Guide, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.jumps import ignite
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.telemetry import telemetry
from tests.closed_loop.landing_flights import (
    BELOW,
    FALL,
    LANDER,
    MOONLIKE,
    SITE,
    SOFT,
    STAGE,
    VEHICLE,
    Flown,
    Start,
    craft_of,
    deaf,
    flown,
    plan_of,
    without_readings,
)

ARMS = Landing(SITE, "arms", 60.0)
TOWER = Pad(SITE, 60.0, 2.0)
GROUND = Pad(SITE)


def telling(told: Callable[[VehicleState], VehicleState], session: Session) -> Guide:
    """A session that hears what a script tells of each state."""
    ask = in_process(session)

    def answer(message: VehicleState) -> Command:
        return ask(told(message))

    return answer


@pytest.fixture(scope="module")
def caught() -> Flown:
    plan = plan_of(SOFT, ARMS)
    return flown(plan, craft_of(plan, FALL, TOWER))


def test_a_booster_is_caught_by_the_arms(caught: Flown) -> None:
    contact = caught.contact
    assert contact.on == "arms"
    assert contact.miss_m < 0.3
    assert contact.down_m_s == pytest.approx(0.3, abs=0.1)
    assert contact.across_m_s < 0.15
    assert not caught.log.warnings
    assert caught.log.statuses == {"ok", "complete"}


def test_the_contact_is_foretold_within_half_a_second_at_ignition(caught: Flown) -> None:
    lit = next(k for k, command in enumerate(caught.commands) if command.engine_on)
    event = next(c.event for c in caught.commands[lit:] if c.event is not None and c.event.name == "contact")
    assert event.at_s == pytest.approx(caught.contact.time_s, abs=0.5)


def test_a_vehicle_of_three_engines_lands_on_the_middle_one() -> None:
    triple = replace(
        STAGE, thrust_n=2640e3, exit_area_m2=2.2, engine_count=3, groups=(1, 3), ignition_delay_s=0.1
    )
    vehicle = replace(VEHICLE, stages=(triple,))
    plan = plan_of(replace(SOFT, engines=((3, 60.0), (1, 0.0))), Landing(SITE), vehicle)
    done = flown(plan, craft_of(plan, BELOW, GROUND))
    assert done.contact.miss_m < 0.5
    assert done.contact.speed_m_s < 0.5
    counts = [c.engines for c in done.commands if c.engine_on]
    assert list(dict.fromkeys(counts)) == [None, 1]  # all three, then one


@pytest.mark.parametrize("told", [True, False])
def test_an_engine_lost_in_the_burn_is_made_up_for_by_the_others(told: bool) -> None:
    """One of three, half a second after ignition; told by `engines_lit`, or found out by what the vehicle does."""
    triple = replace(
        STAGE, thrust_n=2640e3, exit_area_m2=2.2, engine_count=3, groups=(1, 3), ignition_delay_s=0.1,
        throttle_min_frac=0.4,
    )  # fmt: skip
    vehicle = replace(VEHICLE, stages=(triple,))
    phase = replace(SOFT, planned_frac=0.6, engines=((3, 60.0), (1, 0.0)))
    plan = plan_of(phase, Landing(SITE), vehicle)
    lost = Disturbances(lost_engine=2, engine_loss_at_s=7.5)
    guide = in_process if told else partial(telling, without_readings)
    done = flown(plan, craft_of(plan, BELOW, GROUND), guide, disturbances=lost)
    assert done.contact.miss_m < 0.5
    assert done.contact.speed_m_s < 0.5
    assert not (told and done.log.warnings)


def test_a_vehicle_turned_by_its_engines_lands() -> None:
    """Each turn pushes the centre of mass aside."""
    vehicle = replace(VEHICLE, percussion_m=8.0)
    plan = plan_of(SOFT, Landing(SITE), vehicle)
    done = flown(plan, craft_of(plan, FALL, GROUND))
    assert done.contact.miss_m < 0.5
    assert done.contact.speed_m_s < 0.5


@pytest.mark.parametrize("told", [deaf, without_readings])
def test_a_script_that_tells_less_lands_as_well(told: Callable[[VehicleState], VehicleState]) -> None:
    plan = plan_of(SOFT, Landing(SITE))
    done = flown(plan, craft_of(plan, FALL, GROUND), partial(telling, told), tick_s=0.1)
    assert done.contact.miss_m < 0.5
    assert done.contact.speed_m_s < 0.6


def test_thrust_and_drag_that_differ_from_the_file_are_found_out() -> None:
    true = replace(VEHICLE, drag_area_m2=1.1 * VEHICLE.drag_area_m2, stages=(replace(STAGE, thrust_n=0.97 * 880e3),))
    plan = plan_of(SOFT, Landing(SITE))
    done = flown(plan, craft_of(plan, FALL, GROUND, true))
    assert done.contact.miss_m < 0.5
    assert done.contact.speed_m_s < 0.5



@pytest.mark.parametrize("start", [Start((0.0, 0.0, 50.0), (0.0, 0.0, -10.0), 3000.0),
                                   Start((-500.0, 0.0, 1000.0), (30.0, 0.0, -42.0), 3000.0)])  # fmt: skip
def test_a_burn_that_is_under_way_long_before_it_need_be_is_flown_to_contact(start: Start) -> None:
    plan = plan_of(Descent(0.7, tilt_per_root_m_rad=radians(1.7)), Landing(SITE), LANDER, MOONLIKE)
    craft = craft_of(plan, start, GROUND)
    craft.state = ignite(craft.state, craft.world)
    done = flown(plan, craft, tick_s=0.1)
    assert done.log.statuses == {"ok", "complete"}
    assert all(command.engine_on for command in done.commands if command.status == "ok")
    assert done.contact.miss_m < 0.3
    assert done.contact.speed_m_s < 0.5


def test_an_engine_that_is_off_far_from_the_contact_point_is_no_landing() -> None:
    """A script that tells no contact, and a vehicle that climbs away."""
    plan = plan_of(Descent(0.7), Landing(SITE), LANDER, MOONLIKE)
    session = Session(plan, Frame())
    craft = craft_of(plan, Start((0.0, 0.0, 2000.0), (0.0, 0.0, 2000.0), 3000.0), GROUND)
    for seq in range(4):
        told = deaf(telemetry(craft.state, craft.world, Frame(), seq))
        assert session.state(told._replace(engine_on=seq < 1, time_s=100.0 * seq)).status != "complete"

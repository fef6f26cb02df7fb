"""A vehicle that comes down, flown by the loop: what a command orders of it, what it tells, and what can go wrong.

The guide says what a test wants, by the clock alone. Vehicles are those of tests/sim/falling.py, invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import dist, radians
from typing import Any

import pytest

from guidance_svc.core.frames import triad
from guidance_svc.core.vectors import along, unit
from guidance_svc.domain import Command, Event, Frame, Vec, VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.disturbances import NONE, Disturbances, true_world
from guidance_svc.rehearsal.loop import FlightLog, FlightUnderWay, fly, fly_together, has_landed
from guidance_svc.rehearsal.orders import controls_for
from guidance_svc.rehearsal.speaking import command_of, state_message
from guidance_svc.sim.state import World, lit_count
from guidance_svc.sim.weather import Weather
from guidance_svc.wire.parse import parse_state
from guidance_svc.wire.replies import command_message
from tests.sim.falling import EARTH, TOWER, VEHICLE, WIND, above

PLANNED = World(EARTH, VEHICLE, pad=TOWER)
START = above(2600.0, PLANNED, 250.0, 4.0, -3.0)
UP = START.pointing
LEAN = unit(along(UP, 0.08, triad(START.position_m, "geodetic", EARTH).north))
LIGHT_S, FEWER_S = 5.0, 9.0


def order(message: VehicleState, **changes: Any) -> Command:
    """Fall, three engines from one time on, one from another, upright but for a lean on the way."""
    now_s = message.time_s
    aim = LEAN if 1.0 <= now_s < 4.0 else UP
    said = Command(
        message.seq, now_s, "descent", aim, aim, 0.0, 0.0, 0.0, 0.0, 0.7, now_s >= LIGHT_S, None, None, None, 0.1, "ok",
        engines=3 if now_s < FEWER_S else 1, cut_on_contact=True,
    )  # fmt: skip
    return said._replace(**changes)


def flown(d: Disturbances = NONE, world: World = PLANNED, most_s: float = 40.0, **how: Any) -> FlightLog:
    """Down to the contact."""
    craft = Craft("Sandpiper", true_world(world, d), START)
    return fly(craft, how.pop("guide", order), has_landed, disturbances=d, most_s=most_s, tick_s=0.1, **how)


def test_the_count_of_engines_is_obeyed_and_all_burn_where_none_is_named() -> None:
    counts: dict[float, int] = {}

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        assert message.readings is not None
        assert message.readings.engines_lit == lit_count(log.state, log.world)
        counts[round(message.time_s, 3)] = lit_count(log.state, log.world)

    flown(watch=watch, most_s=10.0)
    assert (counts[4.9], counts[5.4], counts[8.9], counts[9.5]) == (0, 3, 3, 1)
    flown(watch=watch, most_s=7.0, guide=lambda message: order(message, engines=None))
    assert counts[6.5] == 9
    assert controls_for(order(replace_time(9.5)), 9.5)["engines"] == 1
    assert controls_for(order(replace_time(9.5), engines=None), 9.5)["engines"] is None


def replace_time(time_s: float) -> VehicleState:
    return VehicleState(1, time_s, 47e3)


def test_the_engine_is_cut_at_its_contact_and_an_older_command_does_not_light_it_again() -> None:
    log = flown(Disturbances(delay_s=0.3))
    contact = log.state.contact
    assert contact is not None
    assert not log.state.engine_on
    assert log.craft.cut_s == contact.time_s
    burnt = log.state.propellant_kg
    late = order(replace_time(contact.time_s - 0.05))
    log.craft.command(controls_for(late, log.state.time_s, log.craft.cut_s))
    log.craft.fly(1.0)
    assert log.state.propellant_kg == burnt
    left_on = flown(guide=lambda message: order(message, cut_on_contact=False))
    assert left_on.state.engine_on


def test_a_cutoff_that_is_planned_comes_before_the_contact() -> None:
    log = flown(guide=lambda message: order(message, cutoff_at_s=8.0 if message.time_s < 8.0 else None,
                                            engine_on=LIGHT_S <= message.time_s < 8.0))  # fmt: skip
    assert [state.time_s for state, _ in log.at_cutoff] == pytest.approx([8.0])
    assert log.state.contact is not None
    assert log.state.contact.time_s > 8.0


def test_the_contact_is_told_and_stands_in_the_flight_log() -> None:
    lines: list[dict[str, Any]] = []
    told: list[bool | None] = []
    craft = Craft("Sandpiper", PLANNED, START, lambda line: lines.append(dict(line)))
    fly(craft, order, lambda log: log.state.time_s > 25.0, most_s=40.0,
        watch=lambda log, message, command: told.append(message.readings and message.readings.contact))  # fmt: skip
    assert told[0] is False
    assert told[-1] is True
    marks = [line for line in lines if line["mark"] == "contact"]
    assert len(marks) == 1
    assert marks[0]["contact"] is True
    assert craft.state.contact is not None
    assert marks[0]["time_s"] == pytest.approx(craft.state.contact.time_s, abs=1e-9)
    assert "contact" not in Craft("v", replace(PLANNED, pad=None), START).telemetry()


@pytest.mark.parametrize("engines", [0, -1, 1.0, True, "3"])
def test_a_count_that_is_none_is_refused(engines: Any) -> None:
    with pytest.raises(GuidanceError, match=r"controls\.engines"):
        Craft("v", PLANNED, START).command({"engines": engines})


ERRORS: dict[str, tuple[Disturbances, float]] = {  # how far from the undisturbed flight at the contact, at least, m
    "wind": (Disturbances(weather=Weather(WIND)), 5.0),
    "gusts": (Disturbances(weather=Weather(gust_m_s=4.0, seed=3)), 0.5),
    "density": (Disturbances(weather=Weather(density_frac=0.9)), 5.0),
    "drag": (Disturbances(weather=Weather(drag_frac=1.1)), 5.0),
    "thrust": (Disturbances(thrust_frac=1.03), 5.0),
    "exhaust velocity": (Disturbances(exhaust_frac=0.98), 0.2),
    "mass": (Disturbances(dry_mass_frac=1.005), 0.5),
    "ignition": (Disturbances(ignition_s=0.15), 5.0),
    "ignition, early": (Disturbances(ignition_s=-0.15), 5.0),
    "lag": (Disturbances(lag_s=0.3), 5.0),
    "delay": (Disturbances(delay_s=0.1), 1.0),
    "slow attitude": (Disturbances(turn_frac=0.3), 0.05),
    "a lost engine": (Disturbances(lost_engine=1, engine_loss_at_s=7.0), 50.0),
}


def place_at_s(log: FlightLog, at_s: float = 12.0) -> Vec:
    assert log.state.time_s == pytest.approx(at_s)
    return log.state.position_m


@pytest.fixture(scope="module")
def undisturbed() -> Vec:
    return place_at_s(flown(most_s=12.0 - 1e-6))


@pytest.mark.parametrize("name", ERRORS)
def test_each_error_moves_the_flight_and_is_the_same_each_time(name: str, undisturbed: Vec) -> None:
    d, least_m = ERRORS[name]
    ends = [place_at_s(flown(d, most_s=12.0 - 1e-6)) for _ in range(2)]
    assert ends[0] == ends[1]
    assert dist(ends[0], undisturbed) > least_m


def test_arms_that_are_not_where_they_should_be_make_the_miss() -> None:
    here, there = flown().state.contact, flown(Disturbances(arms_north_m=1.0, arms_east_m=-2.0)).state.contact
    assert here is not None
    assert there is not None
    if here.on == there.on == "arms":
        assert there.north_m - here.north_m == pytest.approx(-1.0)
    world = true_world(PLANNED, Disturbances(arms_north_m=1.0, arms_east_m=-2.0))
    assert world.pad is not None
    assert (world.pad.arms_north_m, world.pad.arms_east_m) == (1.0, -2.0)


def test_a_state_of_a_return_and_its_order_cross_the_wire_whole() -> None:
    frame = Frame(axes=("x", "z", "y"))
    world = replace(PLANNED, weather=Weather(WIND, told=True))
    seen: list[VehicleState] = []

    def guide(message: VehicleState) -> Command:
        seen.append(message)
        return order(message)

    fly(Craft("Sandpiper", world, START), guide, has_landed, frame=frame, most_s=3.0)
    for message in seen[::7]:
        again = parse_state(state_message(message))
        assert again.readings is not None
        assert message.readings is not None
        assert again.readings.contact is False
        for ours, theirs in zip(message.readings[2:], again.readings[2:], strict=True):
            assert theirs == pytest.approx(ours, rel=1e-14, abs=1e-15)  # to degrees and back
    said = order(seen[-1])
    back = command_of(command_message(said), Frame(), EARTH)
    assert (back.engines, back.cut_on_contact) == (said.engines, True) == (3, True)
    plain = command_message(said._replace(engines=None, cut_on_contact=False))
    assert not {"engines", "cut_on_contact"} & set(plain)


def test_vehicles_on_one_clock_go_on_in_turn_and_one_let_go_joins() -> None:
    looks: list[tuple[str, float]] = []
    flights: list[FlightUnderWay] = []

    def flight(name: str, craft: Craft, guide: Callable[[VehicleState], Command], until_s: float) -> FlightUnderWay:
        return FlightUnderWay(craft, guide, lambda log: log.state.time_s >= until_s - 1e-6, tick_s=0.1,
                      watch=lambda log, message, command: looks.append((name, message.time_s)))  # fmt: skip

    stage = VEHICLE.stages[0]
    stack = replace(PLANNED, vehicle=replace(VEHICLE, stages=(stage, replace(stage, name="upper"))))
    begin = replace(START, propellant_kg=(20e3, 20e3))
    craft = Craft("lower", stack, begin)
    craft.on_separation = lambda world, state: flights.append(
        flight("upper", Craft("upper", world, state), lambda message: order(message, engine_on=True, engines=3), 3.0)
    )
    parting = Event("0-0-separate", "separate", 1.0)
    flights.append(flight("lower", craft, lambda message: order(message, event=parting, engine_on=False), 3.0))
    flights.append(flight("other", Craft("other", PLANNED, START), order, 2.0))
    fly_together(flights)
    assert [one.log.craft.name for one in flights] == ["lower", "other", "upper"]
    times = [time_s for _, time_s in looks]
    assert times == sorted(times)
    assert min(time_s for name, time_s in looks if name == "upper") == pytest.approx(1.0)
    alone = fly(Craft("other", PLANNED, START), order, lambda log: log.state.time_s >= 2.0 - 1e-6)
    assert alone.state == flights[1].log.state
    lower, upper = flights[0].log.state, flights[2].log.state
    assert upper.time_s == lower.time_s == pytest.approx(3.0)
    assert dist(upper.position_m, lower.position_m) > 10.0


def test_a_lean_that_is_ordered_costs_a_turn_within_the_limits() -> None:
    rates: list[float] = []

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        assert message.readings is not None
        assert message.readings.attitude_rate_script_rad_s is not None
        rates.append(max(abs(part) for part in message.readings.attitude_rate_script_rad_s))

    flown(watch=watch, most_s=8.0)
    assert 0.02 < max(rates) <= radians(15.0)

"""An engine without a throttle that can be cut only on the ticks of a clock still meets the apogee.

The vehicles of the reference optima (tests/reference/build_optimum.py) from half a minute before their cutoff, which
falls anywhere between two ticks. Cut on the nearest tick it misses by up to half a tick's speed, 0.1 to 0.3 m/s: 3.6 km
of apogee a m/s at a 200 km perigee.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from math import degrees, radians

import pytest

from guidance_svc.domain import Command, FlightPlan, Frame
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.disturbances import Disturbances
from guidance_svc.rehearsal.loop import fly, in_phase, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.motion import angle_between_rad
from guidance_svc.sim.state import Controls, SimState, World
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry
from tests.closed_loop.optimum_cases import CASES, circular_case, insertion_case
from tests.closed_loop.outcome import Outcome, circular_outcome, insertion_outcome

TICK_S = 0.02
APOGEE_M = 50.0
TURN_DEG_S = 6.0
LEFT_S = 25.0


@cache
def near_the_end(name: str, left_s: float) -> tuple[FlightPlan, World, SimState]:
    """A case flown in coarse steps until so long before its cutoff."""
    plan, world, state = insertion_case(name)
    session = Session(plan, Frame())
    for seq in range(2000):
        command = session.state(telemetry(state, world, session.frame, seq))
        session.work()
        if command.cutoff_at_s is not None and command.cutoff_at_s < state.time_s + left_s:
            return plan, world, state
        state = step(state, Controls(command.direction), 0.5, world)
    raise AssertionError("no cutoff")


def on_ticks(
    plan: FlightPlan, world: World, state: SimState, phase: float, until: str
) -> tuple[SimState, list[Command]]:
    """Flown on ticks, cut on the nearest; the first tick is shortened to this part of one."""
    session, told = Session(plan, Frame()), list[Command]()
    state = replace(state, pointing=session.state(telemetry(state, world, session.frame, 0)).direction)
    craft = Craft("ticking", world, step(state, Controls(), phase * TICK_S, world))
    log = fly(
        craft, in_process(session), in_phase(until), tick_s=TICK_S, first_seq=1,
        disturbances=Disturbances(cut_on_tick=True), watch=lambda log, message, command: told.append(command),
    )  # fmt: skip
    assert not log.out_of_time
    return log.state, told


def flown(
    name: str, phase: float, turn_deg_s: float = TURN_DEG_S, thrust: float = 1.0, left_s: float = LEFT_S,
    tick_s: float = TICK_S,
) -> tuple[Outcome, list[Command]]:  # fmt: skip
    """The end of a case, its plan telling the ticks; `thrust` is the true engine's over the plan's."""
    plan, world, state = near_the_end(name, left_s)
    vehicle = replace(plan.vehicle, cutoff_tick_s=tick_s, turn_rate_limit_rad_s=radians(turn_deg_s))
    (stage,) = vehicle.stages
    world = replace(world, vehicle=replace(vehicle, stages=(replace(stage, thrust_n=thrust * stage.thrust_n),)))
    state, told = on_ticks(replace(plan, vehicle=vehicle), world, state, phase, "orbit")
    return insertion_outcome(plan, state, 1.0), told


def assert_met(outcome: Outcome) -> None:
    assert abs(outcome.apogee_error_m) < APOGEE_M
    assert abs(outcome.perigee_error_m) < 5.0
    assert outcome.plane_error_deg is None or outcome.plane_error_deg < 1e-4


def fastest_turn_deg_s(told: list[Command], last_s: float = 12.0) -> float:
    """Of the directions ordered while the engine was on, in the last seconds."""
    ends = [c for c in told if c.engine_on and c.cutoff_at_s is not None and c.cutoff_at_s - c.time_s < last_s]
    return max(degrees(angle_between_rad(a.direction, b.direction)) / TICK_S for a, b in pairwise(ends))


@pytest.mark.parametrize(
    ("name", "phase"),
    [("V01", 0.55), ("V01", 0.8)]
    + [pytest.param(name, phase, marks=pytest.mark.slow) for name, phase in (
        ("V01", 0.05), ("V01", 0.3), ("V01", 1.0), ("V08", 0.05), ("V08", 0.3), ("V08", 0.55),
        ("V08", 0.8), ("V08", 1.0))],
)  # fmt: skip
def test_apogee_is_met_on_ticks_whatever_their_phase(name: str, phase: float) -> None:
    outcome, told = flown(name, phase)
    assert_met(outcome)
    assert fastest_turn_deg_s(told) <= TURN_DEG_S


def test_without_the_lean_some_phases_miss_by_more_than_a_kilometre() -> None:
    assert max(abs(flown("V01", phase, tick_s=0.0)[0].apogee_error_m) for phase in (0.55, 0.8)) > 1000.0


@pytest.mark.parametrize("thrust", [0.98, pytest.param(1.01, marks=pytest.mark.slow)])
def test_an_engine_that_is_not_as_told_is_cut_as_well(thrust: float) -> None:
    assert_met(flown("V01", 0.3, thrust=thrust)[0])


@pytest.mark.parametrize("turn_deg_s", [pytest.param(1.0, marks=pytest.mark.slow), 90.0])
def test_a_vehicle_that_turns_slowly_leans_longer(turn_deg_s: float) -> None:
    outcome, told = flown("V01", 0.55, turn_deg_s, left_s=50.0)
    assert_met(outcome)
    assert fastest_turn_deg_s(told, 40.0) <= min(turn_deg_s, 12.0)


def test_a_circular_burn_on_ticks_is_round() -> None:
    plan, world, state = circular_case("C05")
    vehicle = replace(plan.vehicle, cutoff_tick_s=TICK_S, turn_rate_limit_rad_s=radians(TURN_DEG_S))
    end, _ = on_ticks(replace(plan, vehicle=vehicle), replace(world, vehicle=vehicle), state, 0.4, "orbit")
    outcome = circular_outcome(plan, end, CASES["C05"]["target"]["radius_m"], 1.0)
    assert outcome.spread_m < APOGEE_M  # half a tick's speed is 0.2 km here


def test_an_engine_that_throttles_is_trimmed_as_before() -> None:
    plan, world, state = near_the_end("V01", LEFT_S)
    (stage,) = plan.vehicle.stages
    vehicle = replace(plan.vehicle, stages=(replace(stage, throttle_min_frac=0.3),))
    world = replace(world, vehicle=vehicle)
    ends = [
        on_ticks(replace(plan, vehicle=replace(vehicle, cutoff_tick_s=tick)), world, state, 0.3, "orbit")
        for tick in (0.0, TICK_S)
    ]
    assert ends[0] == ends[1]

"""Several engines: which burn, how their thrust follows, how often they can be lit, what happens when one is lost.

Vehicles are invented. Without gravity and air, so that what the engines give is all there is.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guidance_svc.domain import Body, Frame, Stage, Vehicle
from guidance_svc.sim.jumps import without_engine
from guidance_svc.sim.state import Controls, SimState, World, lit_count, mass_kg, split
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry, thrust_n
from tests.sim.falling import ball

NOTHING = Body("nothing", 1e-6, 1.0)
NINE = Stage("nine", 2e4, 3e4, 9e5, 3000.0, 0.0, 0.5, engine_count=9, groups=(1, 3, 9))
LAGGING = replace(NINE, engine_lag_s=0.15)
FLOW_KG_S = 300.0  # 900 kN over 3000 m/s


def ready(stage: Stage, **changes: object) -> tuple[World, SimState]:
    """At rest, engines off, tanks full."""
    world = World(NOTHING, Vehicle("v", (stage,)))
    state = SimState(0.0, (1e6, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (3e4,))
    return world, replace(state, **changes)  # type: ignore[arg-type]


def burnt_kg(state: SimState) -> float:
    return 3e4 - state.propellant_kg[0]


@pytest.mark.parametrize(("asked", "lit"), [(None, 9), (1, 1), (2, 3), (3, 3), (4, 9), (9, 9), (40, 9)])
def test_the_next_larger_group_burns_at_its_share_of_thrust_and_flow(asked: int | None, lit: int) -> None:
    world, state = ready(NINE)
    end = step(state, Controls(engines=asked, throttle_frac=0.8, engine_on=True), 2.0, world)
    assert lit_count(end, world) == lit
    assert burnt_kg(end) == pytest.approx(2.0 * 0.8 * FLOW_KG_S * lit / 9)
    assert thrust_n(end, world) == pytest.approx(9e5 * 0.8 * lit / 9)
    message = telemetry(end, world, Frame(), 1)
    assert message.throttle_frac == 0.8  # of the engines that burn
    assert message.readings is not None
    assert message.readings.engines_lit == lit


def test_without_groups_all_engines_burn_whatever_is_asked() -> None:
    world, state = ready(replace(NINE, groups=()))
    assert lit_count(step(state, Controls(engines=1, engine_on=True), 1.0, world), world) == 9


def test_the_lowest_throttle_of_one_engine_lifts_a_light_vehicle_and_never_hovers() -> None:
    # half of 100 kN under 2.6 t of a moon's 1.62 m/s2: nothing that can be commanded holds the height
    world = World(ball(1.62, 1.7e9), Vehicle("v", (replace(NINE, dry_mass_kg=20e3, groups=(1, 9)),)))
    state = SimState(0.0, (1.7e9 + 100.0, 0.0, 0.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (1e3,))
    end = step(state, Controls(engines=1, throttle_frac=0.0, engine_on=True), 1.0, world)
    assert end.velocity_m_s[0] == pytest.approx(0.5 * 1e5 / 21e3 - 1.62, rel=2e-3)  # 17 kg are burnt meanwhile
    assert end.velocity_m_s[0] > 0.0


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 1.0), st.floats(0.5, 1.0), st.floats(0.011, 0.3))
def test_thrust_follows_the_throttle_with_its_time_constant(lag_s: float, throttle: float, tick_s: float) -> None:
    world, state = ready(replace(NINE, engine_lag_s=lag_s))
    controls = Controls(throttle_frac=throttle, engine_on=True)
    for _ in range(5):
        state, controls = step(state, controls, tick_s, world), Controls()
    span_s = 5.0 * tick_s
    assert state.thrust_frac == pytest.approx(throttle * (1.0 - exp(-span_s / lag_s)), rel=1e-9)
    full_s = throttle * (span_s - lag_s * (1.0 - exp(-span_s / lag_s)))  # the integral of that
    assert burnt_kg(state) == pytest.approx(FLOW_KG_S * full_s, rel=1e-9)
    # thrust over flow is the exhaust velocity all the time, so the speed is Tsiolkovsky's, however the thrust rose
    gain = 3000.0 * log(5e4 / (5e4 - burnt_kg(state)))
    assert state.velocity_m_s[2] == pytest.approx(gain, rel=1e-5)  # integration steps of up to 0.4 time constants


def test_a_stage_whose_thrust_lags_runs_dry_at_nothing_left_and_with_the_rocket_equations_speed() -> None:
    world, state = ready(LAGGING)
    end = step(state, Controls(engine_on=True), 120.0, world)
    assert end.propellant_kg == (0.0,)
    assert not end.engine_on
    assert thrust_n(end, world) == 0.0
    assert end.velocity_m_s[2] == pytest.approx(3000.0 * log(5e4 / 2e4), rel=1e-9)


def test_a_cutoff_leaves_the_tail_off_of_the_thrust_that_there_was_and_no_more() -> None:
    world, state = ready(replace(LAGGING, tail_off_impulse_n_s=9e4))
    lit = step(state, Controls(engines=3, engine_on=True), 3.0, world)
    off = step(lit, Controls(engine_on=False), 1e-6, world)
    assert thrust_n(off, world) == 0.0
    gain = off.velocity_m_s[2] - lit.velocity_m_s[2]
    assert gain == pytest.approx(9e4 / 3.0 / mass_kg(off, world), rel=1e-3)  # 3 of 9, at full thrust to 1e-8
    later = step(off, Controls(), 5.0, world)
    assert later.velocity_m_s == pytest.approx(off.velocity_m_s, abs=1e-12)


def test_engines_beside_those_that_burn_give_thrust_after_the_ignition_delay_and_the_others_all_the_time() -> None:
    world, state = ready(replace(NINE, ignition_delay_s=0.4))
    state = step(state, Controls(engines=1, engine_on=True), 1.0, world)
    assert burnt_kg(state) == pytest.approx(0.6 * FLOW_KG_S / 9)
    more = step(state, Controls(engines=3), 1.0, world)
    assert burnt_kg(more) - burnt_kg(state) == pytest.approx((0.4 + 0.6 * 3) * FLOW_KG_S / 9)
    fewer = step(more, Controls(engines=1), 1.0, world)
    assert burnt_kg(fewer) - burnt_kg(more) == pytest.approx(FLOW_KG_S / 9)


def test_a_delay_that_is_off_by_the_world_is_that_much_longer_or_shorter_and_never_negative() -> None:
    for off_s, without_s in ((0.15, 0.55), (-0.15, 0.25), (-1.0, 0.0)):
        world, state = ready(replace(NINE, ignition_delay_s=0.4))
        end = step(state, Controls(engine_on=True), 1.0, replace(world, ignition_delay_s=off_s))
        assert burnt_kg(end) == pytest.approx((1.0 - without_s) * FLOW_KG_S)


def test_engines_light_as_often_as_they_can_and_then_stay_out() -> None:
    world, state = ready(replace(NINE, ignitions=3))
    for on in (True, False, True, False):
        state = step(state, Controls(engines=1, engine_on=on), 0.5, world)
    state = step(state, Controls(engine_on=True), 0.5, world)
    assert state.lightings == (3,)
    refused = step(state, Controls(engines=3), 0.5, world)
    assert lit_count(refused, world) == 1  # more would be the fourth
    off = step(refused, Controls(engine_on=False), 0.5, world)
    again = step(off, Controls(engine_on=True), 0.5, world)
    assert not again.engine_on
    assert burnt_kg(again) == burnt_kg(off)


def test_a_change_of_count_while_engines_are_being_lit_is_the_same_ignition() -> None:
    world, state = ready(replace(NINE, ignitions=1, ignition_delay_s=0.5))
    state = step(state, Controls(engines=3, engine_on=True), 0.2, world)
    state = step(state, Controls(engines=1), 0.8, world)
    assert state.lightings == (1,)
    assert burnt_kg(state) == pytest.approx(0.5 * FLOW_KG_S / 9)


@pytest.mark.parametrize(("asked", "index", "left"), [(9, 8, 8), (3, 0, 2), (3, 5, 3), (1, 0, 0)])
def test_an_engine_that_is_lost_takes_its_share_at_once_where_it_burnt(asked: int, index: int, left: int) -> None:
    for stage in (NINE, LAGGING):
        world, state = ready(stage)
        state = step(state, Controls(engines=asked, engine_on=True), 3.0, world)
        lost = without_engine(state, world, index)
        assert lit_count(lost, world) == left
        assert thrust_n(lost, world) == pytest.approx(thrust_n(state, world) * left / asked)
        assert without_engine(lost, world, index) == lost
        assert lit_count(step(lost, Controls(engines=9), 1.0, world), world) == 8


def test_the_lower_part_of_a_stack_keeps_what_its_engines_were_told_and_have_lost() -> None:
    upper = replace(NINE, name="upper")
    world = World(NOTHING, Vehicle("stack", (replace(NINE, ignitions=4), replace(upper, ignitions=2))))
    state = SimState(0.0, (1e6, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (3e4, 3e4))
    state = step(state, Controls(engines=3, engine_on=True), 1.0, world)
    (_, low), (_, top) = split(without_engine(state, world, 2), world, 1)
    assert (low.lightings, low.engines, low.lost) == ((1,), 3, (2,))
    assert (top.lightings, top.engines, top.lost) == ((0,), None, ())

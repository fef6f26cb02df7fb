"""An attitude whose turning rate cannot jump, and the side force of engines that gimbal. Vehicles are invented."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, cos, dist, hypot, inf, pi, radians, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guidance_svc.core.vectors import along, cross, dot, norm, sub
from guidance_svc.domain import Body, Frame, Stage, Vehicle
from guidance_svc.sim.state import Controls, SimState, World
from guidance_svc.sim.step import coast, step
from guidance_svc.sim.telemetry import telemetry

NOTHING = Body("nothing", 1e-6, 1.0)
STAGE = Stage("s", 2e4, 3e4, 1.2e6, 3000.0)
RATE, CHANGE = radians(15.0), radians(10.0)
VEHICLE = Vehicle("v", (STAGE,), attitude_rate_limit_rad_s=RATE, attitude_acceleration_limit_rad_s2=CHANGE)
UP = (0.0, 0.0, 1.0)


def start(engine_on: bool = False) -> SimState:
    return SimState(0.0, (1e6, 0.0, 0.0), (0.0, 0.0, 0.0), UP, (3e4,), engine_on=engine_on)


def leaning(angle_rad: float) -> tuple[float, float, float]:
    return (0.6 * sin(angle_rad), 0.8 * sin(angle_rad), cos(angle_rad))


def angle_rad(state: SimState, wanted: tuple[float, float, float]) -> float:
    return atan2(norm(cross(state.pointing, wanted)), dot(state.pointing, wanted))


@settings(max_examples=20, deadline=None)
@given(st.floats(0.01, pi))
def test_a_turn_keeps_both_limits_and_arrives_without_swinging_past(turn_rad: float) -> None:
    world, state, wanted = World(NOTHING, VEHICLE), start(), leaning(turn_rad)
    before, turned = state.turn_rad_s, 0.0
    for _ in range(1500):
        state = step(state, Controls(pointing=wanted), 0.02, world)
        assert norm(state.turn_rad_s) <= RATE * (1.0 + 1e-9)
        assert norm(sub(state.turn_rad_s, before)) <= CHANGE * 0.02 * (1.0 + 1e-6)
        assert norm(state.pointing) == pytest.approx(1.0, abs=1e-14)
        turned = max(turned, angle_rad(state, UP))
        before = state.turn_rad_s
    assert state.pointing == pytest.approx(wanted, abs=1e-12)
    assert state.turn_rad_s == (0.0, 0.0, 0.0)
    assert turned < turn_rad + 0.02 * turn_rad


def test_a_turn_takes_not_much_longer_than_the_limits_ask_for() -> None:
    world, state, wanted = World(NOTHING, VEHICLE), start(), leaning(radians(120.0))
    while angle_rad(state, wanted) > radians(1.0):
        state = step(state, Controls(pointing=wanted), 0.02, world)
    # up to the limit in 1.5 s, down in as long: 120 deg take 8 s + 1.5 s at least
    assert 9.0 < state.time_s < 13.0


def test_a_rate_limit_alone_is_kept_and_told() -> None:
    world = World(NOTHING, replace(VEHICLE, attitude_acceleration_limit_rad_s2=inf, fall_lift_curve=((0.0, 1.0),)))
    state = step(start(), Controls(pointing=leaning(1.0)), 2.0, world)
    assert angle_rad(state, UP) == pytest.approx(2.0 * RATE, abs=1e-12)
    assert norm(state.turn_rad_s) == pytest.approx(RATE)
    there = step(state, Controls(pointing=leaning(1.0)), 3.0, world)
    assert there.turn_rad_s == (0.0, 0.0, 0.0)


def test_the_lower_of_the_two_rate_limits_counts() -> None:
    world = World(NOTHING, replace(VEHICLE, turn_rate_limit_rad_s=radians(5.0)))
    state = step(start(), Controls(pointing=leaning(1.5)), 6.0, world)
    assert norm(state.turn_rad_s) == pytest.approx(radians(5.0), rel=1e-3)


def test_engines_that_gimbal_turn_the_vehicle_about_its_centre_of_percussion() -> None:
    percussion_m, wanted = 12.0, leaning(radians(3.0))
    torque, gimbal = (
        step(start(True), Controls(pointing=wanted), 6.0, World(NOTHING, replace(VEHICLE, percussion_m=p)))
        for p in (0.0, percussion_m)
    )
    assert gimbal.pointing == torque.pointing
    # across the axis the point `percussion_m` up it goes where it would without the side force, which takes some
    # 0.1 m/s from the thrust along the axis: 3 deg of that are the tolerance
    aside = sub(gimbal.position_m, torque.position_m)
    assert aside[:2] == pytest.approx([-percussion_m * part for part in wanted[:2]], abs=0.02)
    assert hypot(*aside[:2]) > 0.6
    assert gimbal.velocity_m_s[:2] == pytest.approx(torque.velocity_m_s[:2], abs=0.01)
    assert -0.2 < gimbal.velocity_m_s[2] - torque.velocity_m_s[2] < -0.01


def test_the_side_force_pushes_first_to_the_side_that_the_nose_does_not_turn_to() -> None:
    world = World(NOTHING, replace(VEHICLE, percussion_m=12.0))
    soon = step(start(True), Controls(pointing=leaning(radians(10.0))), 0.2, world)
    spin = along((0.0, 0.0, 0.0), CHANGE, (0.6, 0.8, 0.0))  # at the limit in these 0.2 s
    assert soon.velocity_m_s[:2] == pytest.approx([-12.0 * 0.2 * part for part in spin[:2]], rel=0.05)
    off = step(start(False), Controls(pointing=leaning(radians(10.0))), 0.2, world)
    assert off.velocity_m_s[:2] == pytest.approx((0.0, 0.0), abs=1e-12)  # engines off: turned by torque


def test_a_long_coast_turns_first_and_goes_on_in_large_steps() -> None:
    world = World(Body("ball", 4e14, 6.4e6), VEHICLE)
    low = replace(start(), position_m=(6.8e6, 0.0, 0.0), velocity_m_s=(0.0, 7600.0, 0.0))
    wanted = leaning(2.0)
    far, ticks = coast(low, 100.0, world, wanted), low
    for _ in range(100):
        ticks = step(ticks, Controls(pointing=wanted), 1.0, world)
    assert far.pointing == wanted
    assert dist(far.position_m, ticks.position_m) < 1e-3


@pytest.mark.parametrize("axes", [("x", "y", "z"), ("x", "z", "y"), ("-x", "y", "z"), ("z", "x", "y")])
def test_the_rate_that_is_told_is_that_of_the_pointing_by_the_usual_cross_product(axes: tuple[str, str, str]) -> None:
    world, frame = World(NOTHING, VEHICLE), Frame(axes=axes)
    state = step(start(), Controls(pointing=leaning(1.0)), 1.0, world)
    later = step(state, Controls(pointing=leaning(1.0)), 1e-4, world)
    now, then = telemetry(state, world, frame, 1), telemetry(later, world, frame, 2)
    assert now.readings is not None
    assert now.readings.attitude_rate_script_rad_s is not None
    assert now.pointing_script is not None
    assert then.pointing_script is not None
    rate = [(b - a) / 1e-4 for a, b in zip(now.pointing_script, then.pointing_script, strict=True)]
    assert cross(now.readings.attitude_rate_script_rad_s, now.pointing_script) == pytest.approx(rate, abs=1e-4)

"""The full kernel over a whole fall and powered stop against scipy's DOP853, on equations written anew (`falling`)."""

from __future__ import annotations

from dataclasses import replace
from math import dist, inf

import numpy as np
import pytest

from guidance_svc.core.frames import ground_velocity
from guidance_svc.core.vectors import add, cross, dot, norm, unit
from guidance_svc.domain import Stage, Vec, Vehicle
from guidance_svc.sim.full_motion import air_velocity
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.state import Controls, SimState, World, mass_kg
from guidance_svc.sim.step import coast, step
from guidance_svc.sim.telemetry import wind_m_s
from guidance_svc.sim.weather import Weather
from tests.sim.falling import EARTH, STAGE, VEHICLE, WIND, Truth, above, ball

RIGID = replace(VEHICLE, attitude_rate_limit_rad_s=inf, attitude_acceleration_limit_rad_s2=inf, percussion_m=0.0)
ROUGH = Weather(WIND, gust_m_s=4.0, seed=11, density_frac=0.9, drag_frac=1.1)
LEAN: Vec = (0.05, -0.04, 0.08)


def test_a_fall_with_three_engines_and_then_one_agrees_with_dop853() -> None:
    world = World(EARTH, RIGID, meridian_at_zero_rad=0.4, weather=ROUGH)
    start = above(15e3, world, 380.0, 20.0, -60.0)
    aim = unit((start.pointing[0] + LEAN[0], start.pointing[1] + LEAN[1], start.pointing[2] + LEAN[2]))
    start = replace(start, pointing=aim)
    truth = Truth(world, aim, np.array(start.position_m), np.array(start.velocity_m_s), mass_kg(start, world))
    state = step(start, Controls(engines=3, throttle_frac=0.8, ignite_at_s=30.0), 34.0, world)
    state = step(state, Controls(engines=1, throttle_frac=0.1, cutoff_at_s=36.0), 4.0, world)
    for until_s, lit, throttle in ((30.2, 0, 1.0), (34.0, 3, 0.8), (36.0, 1, 0.55)):
        truth.lit, truth.throttle_frac = lit, throttle
        truth.fly(until_s)
    truth.lit, truth.frac = 0, 0.0
    truth.fly(38.0)
    # steps of 0.02 s across the kinks of the wind and the curves; gusts of up to 1.6 Hz
    assert dist(state.position_m, truth.place) < 5e-4
    assert dist(state.velocity_m_s, truth.speed) < 5e-5
    assert mass_kg(state, world) == pytest.approx(truth.mass_kg, abs=1e-6)
    still = step(step(start, Controls(), 34.0, replace(world, weather=None)), Controls(), 4.0, world)
    assert dist(still.position_m, state.position_m) > 100.0


def test_with_nothing_to_tell_apart_both_kernels_fly_the_same() -> None:
    stage = Stage("s", 4e3, 60e3, 6e5, 3400.0, 1.5, 0.4)
    vehicle = Vehicle("v", (stage,), 6e3, 12.0, ((0.0, 0.3), (1.2, 0.6)), turn_rate_limit_rad_s=0.05)
    ends = []
    for weather in (None, Weather()):
        world = World(EARTH, vehicle, weather=weather)
        start = above(8e3, world, -300.0, 10.0, 200.0, engine_on=True)
        ends.append(step(start, Controls(pointing=(0.6, 0.0, 0.8), throttle_frac=0.7), 30.0, world))
    assert dist(ends[0].position_m, ends[1].position_m) < 1e-7  # rounding
    assert ends[0].pointing == ends[1].pointing
    assert ends[0].propellant_kg == pytest.approx(ends[1].propellant_kg, abs=1e-8)


def test_lift_turns_the_motion_and_does_no_work() -> None:
    body = ball(1e-12, atmosphere="table", air=((0.0, 1.0, 1.0, 340.0), (9e5, 1.0, 1.0, 340.0)))
    glider = replace(RIGID, drag_curve=((0.0, 0.0),), fall_drag_curve=((0.0, 0.0),))
    world = World(body, glider)
    start = above(9e3, world, 200.0)
    tilted = unit((start.pointing[0] + LEAN[0], start.pointing[1] + LEAN[1], start.pointing[2] + LEAN[2]))
    end = step(replace(start, pointing=tilted), Controls(), 10.0, world)
    assert norm(end.velocity_m_s) == pytest.approx(200.0, rel=1e-9)
    assert dist(end.velocity_m_s, start.velocity_m_s) > 1.0
    lean = [a - dot(tilted, start.pointing) * b for a, b in zip(tilted, start.pointing, strict=True)]
    turned = [b - a for a, b in zip(start.velocity_m_s, end.velocity_m_s, strict=True)]
    assert sum(a * b for a, b in zip(lean, turned, strict=True)) < 0.0  # lifted to the side it does not lean to


def test_a_fall_keeps_energy_and_angular_momentum_where_nothing_but_gravity_acts() -> None:
    world = World(ball(9.8, 6.4e6), RIGID)
    start = above(300e3, world, 50.0, 3000.0, 4000.0)
    end = coast(start, 500.0, world)

    def energy(s: SimState) -> float:
        return 0.5 * dot(s.velocity_m_s, s.velocity_m_s) - world.body.mu_m3_s2 / norm(s.position_m)

    assert energy(end) == pytest.approx(energy(start), rel=1e-10)
    momentum = [cross(s.position_m, s.velocity_m_s) for s in (start, end)]
    assert dist(*momentum) < 1e-10 * norm(momentum[0])


def test_back_pressure_takes_as_much_thrust_as_the_nozzles_that_burn_have_area() -> None:
    gains = []
    for count in (1, 3):
        world = World(EARTH, replace(RIGID, stages=(replace(STAGE, engine_lag_s=0.0, ignition_delay_s=0.0),)))
        start = above(100.0, world)
        fallen = step(start, Controls(), 0.02, world)
        pushed = step(start, Controls(engines=count, engine_on=True), 0.02, world)
        gains.append(dist(pushed.velocity_m_s, fallen.velocity_m_s) / 0.02 * mass_kg(start, world))
    # 0.74 m2 a nozzle at 100117 Pa, 103 m up (U.S. Standard Atmosphere 1976); the mass falls by 1.2e-4 of itself
    each = 880e3 - 0.74 * 100091.0
    assert gains == pytest.approx([each, 3.0 * each], rel=3e-4)


def test_the_same_seed_blows_the_same_and_another_one_does_not() -> None:
    def end(seed: int) -> SimState:
        world = World(EARTH, VEHICLE, weather=replace(ROUGH, seed=seed))
        return step(above(8e3, world, 300.0), Controls(), 5.0, world)

    assert end(11) == end(11)
    assert dist(end(11).position_m, end(12).position_m) > 0.01


@pytest.mark.parametrize("place", [(6.4e6, 0.0, 0.0), (3e6, -4e6, 4e6), (0.0, 0.0, 6.4e6), (0.0, 0.0, -6.4e6)])
def test_the_wind_that_is_told_is_the_one_that_blows(place: Vec) -> None:
    still = SimState(100.0, place, (0.0, 0.0, 0.0), unit(place), (1.0,))
    world = World(EARTH, RIGID, weather=ROUGH)
    ground = ground_velocity(place, EARTH.rotation_rad_s)
    told = wind_m_s(still, world)
    assert 1.0 < norm(told) < 60.0
    assert dot(told, place) == pytest.approx(0.0, abs=1e-6)
    moving = replace(still, velocity_m_s=add(ground, told))
    height_m = height_above_ellipsoid_m(place, EARTH.radius_m, EARTH.flattening)
    air = air_velocity(place, height_m, still.time_s, world.body_numbers, world.figures.winds)
    assert moving.velocity_m_s == pytest.approx(air, abs=1e-9)

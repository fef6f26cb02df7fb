"""Falls, stops and entries of the simulator against published and elementary closed forms, by both of its kernels.

Values: tests/reference/data/next_phase.json and descent_and_rendezvous.json, each with its source. Gravity that is the
same at all heights is that of a ball of 6.4e6 km: 6e-7 less at 2 km. Densities are tables of the body.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, exp, radians, sin

import pytest

from guidance_svc.core.vectors import norm
from guidance_svc.domain import Stage, Vehicle
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.state import Controls, SimState, World
from guidance_svc.sim.step import step
from guidance_svc.sim.weather import Weather
from tests.reference.cases import load, value
from tests.sim.falling import SITE, above, ball

NEXT, DESCENT = load("next_phase"), load("descent_and_rendezvous")
BOTH = pytest.mark.parametrize("weather", [None, Weather()], ids=["plain", "full"])
UNIFORM_M = 2e-3  # what 6e-7 of gravity is over a stop of 2 km
LEVEL = replace(SITE, latitude_rad=0.0, longitude_rad=0.0, altitude_m=0.0)


def exponential(density_kg_m3: float, scale_m: float) -> dict[str, object]:
    """Air of a body whose density falls by the exponential: its table is straight in the logarithm."""
    rows = ((0.0, density_kg_m3, 1e5, 300.0), (9e5, density_kg_m3 * exp(-9e5 / scale_m), 1.0, 300.0))
    return {"atmosphere": "table", "air": rows}


def height_m(state: SimState, world: World) -> float:
    return height_above_ellipsoid_m(state.position_m, world.body.radius_m, 0.0)


@BOTH
def test_a_stop_with_drag_ends_at_rest_on_the_ground(weather: Weather | None) -> None:
    case = NEXT["NX-27"]
    mass, thrust, area = (value(case, "inputs", key) for key in ("mass", "thrust", "cd_area"))
    body = ball(value(case, "inputs", "g"), atmosphere="table", air=((0.0, 1.0, 1.0, 340.0), (9e5, 1.0, 1.0, 340.0)))
    stage = Stage("s", mass - 1.0, 1.0, thrust, 1e12)  # burns nothing: constant mass
    world = World(body, Vehicle("v", (stage,), 0.0, area, ((0.0, 1.0),)), weather=weather)
    start = above(value(case, "outputs", "h_ignition"), world, value(case, "inputs", "v_down"), site=LEVEL)
    end = step(start, Controls(engine_on=True), value(case, "outputs", "t_burn"), world)
    assert height_m(end, world) == pytest.approx(0.0, abs=UNIFORM_M)
    assert norm(end.velocity_m_s) == pytest.approx(0.0, abs=1e-3)


@BOTH
def test_a_long_fall_comes_to_the_terminal_speed(weather: Weather | None) -> None:
    case = NEXT["NX-27"]
    body = ball(value(case, "inputs", "g"), atmosphere="table", air=((0.0, 1.0, 1.0, 340.0), (9e5, 1.0, 1.0, 340.0)))
    mass = value(case, "inputs", "mass")
    area_m2, stage = value(case, "inputs", "cd_area"), Stage("s", mass - 1.0, 1.0, 1.0, 1.0)
    vehicle = Vehicle("v", (stage,), 0.0, area_m2, ((0.0, 1.0),))
    world = World(body, vehicle, weather=weather)
    end = step(above(60e3, world, 100.0, site=LEVEL), Controls(), 200.0, world)
    # 60 km up gravity is 2e-5 less than at the ground, the speed half of that
    assert norm(end.velocity_m_s) == pytest.approx(value(case, "outputs", "terminal_speed"), rel=2e-5)


@pytest.mark.parametrize("name", ["DR-05", "DR-07"])
@BOTH
def test_a_stop_in_vacuum_ends_at_rest_on_the_ground(name: str, weather: Weather | None) -> None:
    case = DESCENT[name]
    gravity, down = value(case, "inputs", "g"), value(case, "inputs", "v_down")
    stage = Stage("s", 14999.0, 1.0, 15e3 * 8.0, 1e12)  # 8 m/s2, constant mass
    if name == "DR-07":
        exhaust = value(case, "inputs", "Isp") * value(case, "inputs", "g0")
        stage = Stage("s", 10e3, 5e3, value(case, "inputs", "F"), exhaust)
    world = World(ball(gravity, 1.7e9), Vehicle("v", (stage,)), weather=weather)
    start = above(value(case, "outputs", "h_ignition"), world, down, site=LEVEL)
    end = step(start, Controls(engine_on=True), value(case, "outputs", "t_burn"), world)
    assert height_m(end, world) == pytest.approx(0.0, abs=UNIFORM_M)
    assert norm(end.velocity_m_s) == pytest.approx(0.0, abs=1e-4)
    if name == "DR-07":
        burnt = start.propellant_kg[0] - end.propellant_kg[0]
        assert burnt == pytest.approx(value(case, "outputs", "fuel"), rel=1e-8)


def test_a_fall_from_where_the_engine_stopped_has_the_speed_of_its_height() -> None:
    case = NEXT["NX-31"]
    vehicle = Vehicle("v", (Stage("s", 1e4, 1.0, 1.0, 1.0),))
    world = World(ball(value(case, "inputs", "g"), 6.4e6), vehicle, pad=Pad(LEVEL))
    end = step(above(value(case, "inputs", "height"), world, site=LEVEL), Controls(), 0.2, world)
    assert end.contact is not None
    # heights are resolved to 1e-9 m there, 4e-8 of this one
    assert end.contact.speed_m_s == pytest.approx(value(case, "outputs", "speed"), rel=1e-6)
    assert end.contact.on == "ground"


@pytest.mark.parametrize("name", ["NX-20", "NX-21"])
@BOTH
def test_a_steep_entry_has_the_peak_of_allen_and_eggers(name: str, weather: Weather | None) -> None:
    """Without gravity, over ground that is flat within 30 m, which is 0.4 % of the scale height."""
    case = NEXT[name]
    air = exponential(value(case, "inputs", "rho0"), value(case, "inputs", "scale_height"))
    ballistic = value(case, "inputs", "ballistic_coefficient")
    vehicle = Vehicle("v", (Stage("s", ballistic - 1.0, 1.0, 1.0, 1.0),), 0.0, 1.0, ((0.0, 1.0),))
    world = World(ball(1e-12, **air), vehicle, weather=weather, step_s=0.01)
    angle, speed = radians(value(case, "inputs", "entry_angle_below_horizontal")), value(case, "inputs", "entry_speed")
    state = above(value(case, "inputs", "start_altitude"), world, speed * sin(angle), 0.0, speed * cos(angle), LEVEL)
    peak_m_s2, at_m, at_m_s, tick_s = 0.0, 0.0, 0.0, 0.01 if name == "NX-20" else 0.1
    while norm(state.velocity_m_s) > 0.4 * speed:
        later = step(state, Controls(), tick_s, world)
        loss_m_s2 = (norm(state.velocity_m_s) - norm(later.velocity_m_s)) / tick_s
        if loss_m_s2 > peak_m_s2:
            peak_m_s2 = loss_m_s2
            at_m = 0.5 * (height_m(state, world) + height_m(later, world))
            at_m_s = 0.5 * (norm(state.velocity_m_s) + norm(later.velocity_m_s))
        state = later
    # what the finite start altitude, the curvature and the mean over a tick change: 5e-4, and one tick of descent
    assert peak_m_s2 == pytest.approx(value(case, "outputs", "max_deceleration"), rel=1e-3)
    tick_m = tick_s * at_m_s * sin(angle)
    assert at_m == pytest.approx(value(case, "outputs", "altitude_of_max_deceleration"), abs=tick_m)
    at = value(case, "outputs", "speed_at_max_deceleration")
    assert at_m_s == pytest.approx(at, abs=1.1 * tick_s * peak_m_s2)


@BOTH
def test_an_entry_from_circular_speed_peaks_where_the_published_model_does(weather: Weather | None) -> None:
    case = NEXT["NX-23"]
    radius_m = value(case, "inputs", "R")
    air = exponential(value(case, "inputs", "rho0"), value(case, "inputs", "scale_height"))
    body = replace(ball(1.0, radius_m, **air), mu_m3_s2=1e9 * value(case, "inputs", "mu"))
    ballistic = value(case, "inputs", "ballistic_coefficient")
    vehicle = Vehicle("v", (Stage("s", ballistic - 1.0, 1.0, 1.0, 1.0),), 0.0, 1.0, ((0.0, 1.0),))
    world = World(body, vehicle, weather=weather, step_s=0.25)
    angle, speed = radians(value(case, "inputs", "angle")), value(case, "inputs", "speed")
    state = above(value(case, "inputs", "altitude"), world, -speed * sin(angle), 0.0, speed * cos(angle), LEVEL)
    most = 0.0
    while height_m(state, world) > 1e3:
        state = step(state, Controls(), 0.25, world)
        density = value(case, "inputs", "rho0") * exp(-height_m(state, world) / value(case, "inputs", "scale_height"))
        most = max(most, 0.5 * density * norm(state.velocity_m_s) ** 2 / ballistic)
    # the peak is 30 s wide: a look each 0.25 s misses at most 1e-5 of it
    assert most == pytest.approx(value(case, "outputs", "max_drag_deceleration"), rel=3e-5)
    assert state.time_s == pytest.approx(value(case, "outputs", "time_to_1_km"), abs=0.3)

"""What no flying can save is refused, and nothing else: the bound is held against real launches. Invented numbers."""

from __future__ import annotations

import doctest
from dataclasses import replace
from math import radians, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from guidance_svc.domain import Body, Boost, FlightPlan, Hold, Insertion, Site, Stage, Vehicle
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.plan import reach_checks
from guidance_svc.plan.checks import check_plan
from guidance_svc.plan.reach_checks import ideal_gain_m_s, least_gain_m_s
from guidance_svc.plan.targets import resolve_target

# WGS-84, as in configs/bodies/earth.toml
EARTH = Body("Earth", 3.986004418e14, 6378137.0, rotation_rad_s=7.292115e-5)
FIRST = Stage("first", 20e3, 300e3, 6e6, 3000.0)
SECOND = Stage("second", 3e3, 60e3, 8e5, 3400.0)
SITE = Site("pad", radians(28.0), 0.0)


def plan(vehicle: Vehicle, apogee_m: float = 460e3, body: Body = EARTH) -> FlightPlan:
    target = resolve_target(body, 200e3, apogee_m, plane="inclination", inclination_rad=radians(30.0))
    return FlightPlan("up", body, vehicle, target, (Hold(), Boost(), Insertion(first_stage=1)), SITE)


def refusal(flight: FlightPlan) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        check_plan(flight)
    return caught.value


def test_the_example_in_the_docstring_holds() -> None:
    result = doctest.testmod(reach_checks)
    assert (result.attempted > 0, result.failed) == (True, 0)


def test_a_sound_plan_passes() -> None:
    check_plan(plan(Vehicle("stack", (FIRST, SECOND), 1000.0)))


@pytest.mark.parametrize("name", sorted(load_library(default_folder()).flights))
def test_every_shipped_plan_passes(name: str) -> None:
    library = load_library(default_folder())
    role = "tower" if library.role_for(name) == "tower" else "tanker"
    assert library.plan(name, role).name == name


def test_too_little_propellant_by_far_is_refused_with_what_would_work() -> None:
    error = refusal(plan(Vehicle("stack", (FIRST, SECOND), 45e3)))
    assert (error.code, error.field) == ("short_of_propellant", "target.apogee_altitude_km")
    assert "they reach none" in error.expected
    assert "460 km" in error.got


def test_a_target_too_high_by_far_is_refused_with_the_height_that_energy_allows() -> None:
    """By hand: ideal gain g and ground speed 410.7 m/s give the energy (g + 410.7)^2 / 2 - mu / R at the surface."""
    vehicle = Vehicle("stack", (FIRST, SECOND), 16e3)
    error = refusal(plan(vehicle, 40e6))
    g = 3000.0 * np.log(399e3 / 99e3) + 3400.0 * np.log(79e3 / 19e3)
    speed = g + 7.292115e-5 * 6378137.0 * np.cos(radians(28.0))
    energy = 0.5 * speed**2 - 3.986004418e14 / 6378137.0
    highest_km = (-0.5 * 3.986004418e14 / energy - 6378137.0) / 1e3
    assert 1000.0 < highest_km < 20e3
    assert f"below {highest_km:.0f} km" in error.expected
    assert f"{g:.0f} m/s" in error.got


def test_the_reserve_is_not_counted_as_propellant() -> None:
    whole = ideal_gain_m_s(Vehicle("stack", (FIRST,), 60e3))
    kept = ideal_gain_m_s(Vehicle("stack", (replace(FIRST, reserve_kg=50e3),), 60e3))
    assert whole == pytest.approx(3000.0 * np.log(380.0 / 80.0), rel=1e-12)
    assert kept == pytest.approx(3000.0 * np.log(380.0 / 130.0), rel=1e-12)


def test_the_bound_lies_below_the_cheapest_impulsive_launch() -> None:
    """The cheapest launch in the textbooks: from rest at the surface, half a Hohmann ellipse, and a kick at the top."""
    mu, r0 = EARTH.mu_m3_s2, EARTH.radius_m
    for height in (1e5, 4.6e5, 2e6, 3.6e7):
        r1 = r0 + height
        first = sqrt(2.0 * mu * r1 / (r0 * (r0 + r1)))
        second = sqrt(mu / r1) - sqrt(2.0 * mu * r0 / (r1 * (r0 + r1)))
        assert least_gain_m_s(EARTH, r1, 0.0) <= first + second
        assert least_gain_m_s(EARTH, r1, 0.0) > 0.7 * (first + second)  # and is no empty bound


@pytest.mark.parametrize("seed", range(10))
def test_no_thrust_history_gains_more_than_the_bound_says(seed: int) -> None:
    """Random thrust directions and sizes, integrated by scipy's DOP853: the energy reached never needs more."""
    draw = np.random.default_rng(seed)
    size, angle, rate = draw.uniform(12.0, 40.0), draw.uniform(1.1, 1.5), draw.uniform(-0.004, 0.002)

    def rates(t: float, y: np.ndarray) -> np.ndarray:
        r = np.hypot(y[0], y[1])
        up, east = np.array([y[0], y[1]]) / r, np.array([-y[1], y[0]]) / r
        pitch = angle + rate * t
        push = size * (np.sin(pitch) * up + np.cos(pitch) * east)
        return np.concatenate([y[2:], push - EARTH.mu_m3_s2 / r**2 * up])

    start = [EARTH.radius_m, 0.0, 0.0, 400.0]
    flown = solve_ivp(rates, (0.0, 300.0), start, method="DOP853", rtol=1e-10, atol=1e-3, dense_output=True)
    checked = 0
    for t in np.linspace(10.0, 300.0, 30):
        x, y, u, v = flown.sol(t)
        r = np.hypot(x, y)
        energy = 0.5 * (u * u + v * v) - EARTH.mu_m3_s2 / r
        if r < EARTH.radius_m or energy >= 0.0:
            break
        checked += 1
        assert least_gain_m_s(EARTH, -0.5 * EARTH.mu_m3_s2 / energy, 400.0) <= size * t + 1e-3
    assert checked > 3


def test_stages_the_wrong_way_round_are_refused_by_name() -> None:
    error = refusal(plan(Vehicle("stack", (SECOND, FIRST), 1000.0)))
    assert (error.code, error.field) == ("stages_swapped", "vehicle.stages.0")
    assert "first, heavier and stronger, before it" in error.expected
    assert error.got == "second"


def test_a_lift_off_straight_into_the_closed_loop_needs_thrust_above_weight() -> None:
    """By hand: 64 t under the invented body's surface gravity."""
    moon = Body("small", 4.9e12, 1.74e6, rotation_rad_s=1e-6)  # 1.618 m/s2
    target = resolve_target(moon, 20e3, 90e3)
    weak = Vehicle("lander", (replace(SECOND, thrust_n=1.0e5),), 1000.0)
    phases = (Hold(), Insertion())
    error = refusal(FlightPlan("up", moon, weak, target, phases, Site("plain", 0.0, 0.0)))
    assert (error.code, error.field) == ("cannot_lift_off", "vehicle.stages.0.thrust_n")
    assert f"{64e3 * 4.9e12 / 1.74e6**2:.0f} N" in error.expected
    strong = Vehicle("lander", (replace(SECOND, thrust_n=1.1e5),), 1000.0)
    check_plan(FlightPlan("up", moon, strong, target, phases, Site("plain", 0.0, 0.0)))


def test_a_plan_without_a_site_is_not_judged_by_its_propellant() -> None:
    upper = Vehicle("upper", (SECOND,), 100e3)
    target = resolve_target(EARTH, 200e3, 36e6)
    check_plan(FlightPlan("up", EARTH, upper, target, (Insertion(),)))
    assert ideal_gain_m_s(upper) < 2e3  # though it gains little indeed

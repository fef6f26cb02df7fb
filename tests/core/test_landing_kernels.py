"""The landing's kernels against closed forms, published values and themselves at finer steps."""

from __future__ import annotations

from math import inf, log, radians, sqrt
from typing import Any

import pytest

from guidance_svc.core.lander import Air, Ground, Lander, Leg, Moment, TiltBound, air_around, legs_of, most_slant
from guidance_svc.core.landing_aim import QUARTIC, Aim, curve_to_rest, quartic
from guidance_svc.core.landing_flight import arrive
from guidance_svc.core.landing_solution import FIRST_ROUNDS, solve_throttle, solve_wait
from guidance_svc.core.landing_tangents import first_tangents
from guidance_svc.domain import Body
from tests.closed_loop.landing_cases import landing_case
from tests.reference.cases import load, value

NO_AIR = air_around(Body("none", 1.0, 1.0), 0.0, 0.0, ((0.0, 0.0),))
DOWN = Aim(QUARTIC, 10.0, (0.0, 0.0), (0.0, 0.0), 1.5)
FREE = TiltBound(0.1, 0.1, 0.0, inf)


PUBLISHED = load("descent_and_rendezvous") | load("next_phase")


def lander(gravity_m_s2: float, legs: list[Leg], air: Air = NO_AIR, lag_s: float = 0.0) -> Lander:
    ground = Ground((0.0, 0.0, -gravity_m_s2), 0.0, (0.0, 0.0, 0.0))
    return Lander(ground, air, legs_of(legs), len(legs), lag_s, 0.1, 1.0, FREE)


def falling(height_m: float, speed_m_s: float, mass_kg: float, given_frac: float = 0.0) -> Moment:
    return Moment(
        (0.0, 0.0, height_m), (0.0, 0.0, -speed_m_s), mass_kg, given_frac, 0, 1.0, 1.0, (0.0, 0.0), (0.0, 0.0)
    )


def values(case: str, side: str) -> dict[str, Any]:
    """Numbers of a published case."""
    found = PUBLISHED[case]
    return {name: value(found, side, name) for name in found[side]}


def test_a_stop_with_mass_loss_is_the_published_closed_form() -> None:
    """DR-07: one burn, late; J. S. Meditch, IEEE Trans. Automatic Control 9 (1964), 233-246, in closed form."""
    given, wanted = values("DR-07", "inputs"), values("DR-07", "outputs")
    flow = given["F"] / (given["Isp"] * given["g0"])
    start = falling(wanted["h_ignition"], given["v_down"], given["m0"])
    end = arrive(lander(given["g"], [Leg(given["F"], flow, 0.0, 0.0, 0.0, 1)]), start, 0.0, 0.0, 1.0, DOWN)
    assert end.position_m[2] == pytest.approx(0.0, abs=0.01)
    assert end.time_s == pytest.approx(wanted["t_burn"], abs=1e-3)
    assert given["m0"] - end.mass_kg == pytest.approx(wanted["fuel"], abs=0.02)


def test_the_quartic_is_klumpps_in_value() -> None:
    """DR-04: A. R. Klumpp, Automatica 10 (1974), 133-146, near the approach phase."""
    given, wanted = values("DR-04", "inputs"), values("DR-04", "outputs")["a_command_total"]
    for k in range(3):
        got = quartic(
            given["r"][k], given["v"][k], given["tgo"], given["r_target"][k], given["v_target"][k], given["a_target"][k]
        )
        assert got == pytest.approx(wanted[k], rel=1e-12)


def test_the_quartics_way_ends_at_rest_upright_over_the_contact_point() -> None:
    x, u, t = 127.0, -18.0, 14.0
    curve = curve_to_rest((x, 0.0), (u, 0.0), t)
    a, b = curve.linear_m_s3[0], curve.square_m_s4[0]
    assert a * t + b * t * t == pytest.approx(quartic(x, u, t), rel=1e-12)
    assert u + a * t**2 / 2 + b * t**3 / 3 == pytest.approx(0.0, abs=1e-12)
    assert x + u * t + a * t**3 / 3 + b * t**4 / 4 == pytest.approx(0.0, abs=1e-10)


def test_the_first_tangents_are_the_energy_optimal_landing() -> None:
    """NX-29: C. N. D'Souza, AIAA 97-3709 (1997): first thrust acceleration along the level axes."""
    given, wanted = values("NX-29", "inputs"), values("NX-29", "outputs")
    for k in (0, 1):
        now, _ = first_tangents(given["r"][k], given["v"][k], wanted["t_go"], 1.0)
        assert now == pytest.approx(wanted["thrust_acceleration"][k], rel=1e-9)


def test_a_stop_with_drag_is_the_closed_form() -> None:
    """NX-27: h = m / (2 k) ln(1 + k v^2 / (T - m g)), k = rho Cd A / 2, constant mass and density (elementary)."""
    given, wanted = values("NX-27", "inputs"), values("NX-27", "outputs")
    mass, area, thrust = given["mass"], given["cd_area"], given["thrust"]
    v, rho, g = given["v_down"], given["rho"], given["g"]
    k = 0.5 * rho * area
    height = mass / (2.0 * k) * log(1.0 + k * v * v / (thrust - mass * g))
    assert height == pytest.approx(wanted["h_ignition"], rel=1e-9)
    even = Body("even", 1.0, 1.0, atmosphere="table", air=((0.0, rho, 1e-20, 340.0), (1e5, rho, 1e-20, 340.0)))
    one = lander(g, [Leg(thrust, 1e-9, 0.0, 0.0, 0.0, 1)], air_around(even, 0.0, area, ((0.0, 1.0),)))
    stop = arrive(one, falling(height, v, mass), 0.0, 0.0, 1.0, DOWN)
    assert stop.position_m[2] == pytest.approx(0.0, abs=0.02)
    assert stop.time_s == pytest.approx(wanted["t_burn"], abs=1e-3)
    lit = solve_wait(one, falling(4000.0, 200.0, mass), DOWN, 0.0, 1.0, 5.0, 0.0, FIRST_ROUNDS)
    assert lit.position_m[2] == pytest.approx(0.0, abs=0.05)
    again = solve_throttle(one, falling(2200.0, v, mass), DOWN, 0.0, 0.9, 0.0, FIRST_ROUNDS)
    assert again.position_m[2] == pytest.approx(0.0, abs=0.05)
    assert 0.8 < again.throttle_frac < 1.0


def test_the_lag_of_the_engine_is_a_state_of_the_prediction() -> None:
    """First order, long after: the speed lacks push times lag, the height push times (lag t - lag^2)."""
    push, lag, flow = 20.0, 0.5, 1e-9
    one = lander(9.0, [Leg(push * 1e3, flow, 0.0, 0.0, 0.0, 1)], lag_s=lag)
    start = falling(5000.0, 100.0, 1e3)
    end = arrive(one, start, 0.0, 0.0, 1.0, DOWN)
    t = end.time_s
    assert -100.0 + (push - 9.0) * t - push * lag == pytest.approx(0.0, abs=3e-3)  # the lag in 7 steps
    height = 5000.0 - 100.0 * t + 0.5 * (push - 9.0) * t * t - push * (lag * t - lag * lag)
    assert end.position_m[2] == pytest.approx(height, abs=0.03)


def test_each_leg_burns_to_its_own_speed() -> None:
    three, one = Leg(3e5, 100.0, 0.0, 60.0, 0.0, 3), Leg(1e5, 33.0, 0.0, 0.5, 0.8, 1)
    end = arrive(lander(9.0, [three, one]), falling(2000.0, 200.0, 5e3), 0.0, 0.0, 1.0, DOWN)
    assert end.velocity_m_s[2] == pytest.approx(-0.5, abs=1e-9)
    first_s = (200.0 - 60.0) / (60.0 - 9.0)
    assert first_s - 0.2 < end.time_s < first_s + 60.0 / (0.8 * 20.0 - 9.0)  # the mass falls by 7 %
    assert end.rise_m_s2 == pytest.approx(0.8 * 1e5 / end.mass_kg - 9.0, rel=1e-4)


def test_thrust_below_the_weight_finds_no_stop_in_a_bounded_number_of_steps() -> None:
    end = arrive(lander(9.0, [Leg(1e3, 0.3, 0.0, 0.0, 0.0, 1)]), falling(2000.0, 200.0, 5e3), 0.0, 0.0, 1.0, DOWN)
    assert not end.stops
    assert end.steps <= 125


def test_the_bound_of_the_lean_closes_and_never_grows_downwards() -> None:
    tilt = TiltBound(radians(1.0), radians(0.05), radians(1.7), 1.0)
    slants = [most_slant(tilt, h) for h in (-1.0, 0.0, 1.0, 50.0, 1e5)]
    assert slants == sorted(slants)
    assert slants[1] == radians(1.0)
    assert slants[3] == pytest.approx(radians(1.0 + 2.5 + 1.7 * sqrt(50.0)))
    assert slants[-1] == 1.0


def test_the_reference_optimum_arrives_where_it_should() -> None:
    """L07 at the optimum's ignition and throttle: 0.5 m lower, for the quartic leans more than the optimum."""
    case = landing_case("L07", 0.0)
    start = Moment(case.position_m, case.velocity_m_s, case.mass_kg, 0.0, 0, 1.0, 1.0, (0.0, 0.0), (0.0, 0.0))
    aim = Aim(QUARTIC, 24.92169983532998, (0.0, 0.0), (0.0, 0.0), 1.5)
    end = arrive(case.lander, start, 7.009090963152454, 0.0, 0.85, aim)
    assert end.position_m[2] == pytest.approx(0.0, abs=0.6)
    assert case.mass_kg - end.mass_kg == pytest.approx(case.propellant_kg, abs=1.5)

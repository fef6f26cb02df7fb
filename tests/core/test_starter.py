"""The first steering law: near enough for Newton, and sensible where there is nothing to go by."""

from __future__ import annotations

from dataclasses import replace
from math import acos, cos, degrees, radians, sin, sqrt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from guidance_svc.core.conditions import target_normal
from guidance_svc.core.starter import (
    circular_guess,
    first_guess,
    flight_direction,
    lofted_guess,
    nearest_normal,
    wanted_normal,
    wanted_target,
)
from guidance_svc.core.steering import Problem, refine
from guidance_svc.core.vectors import cross, dot, norm, unit
from guidance_svc.domain import Target
from tests.closed_loop.optimum_cases import CASES
from tests.core.test_steering import EARTH, problem_of


@pytest.mark.parametrize("name", ["V01", "V06", "V08"])
def test_the_first_law_is_a_few_per_cent_and_degrees_off(name: str) -> None:
    problem = problem_of(name)
    guess = first_guess(problem)
    law = refine(problem, guess, 30)
    assert law.converged
    assert not guess.converged
    # optimum by direct collocation, tests/reference/build_optimum.py
    assert guess.burn_s == pytest.approx(CASES[name]["optimum"]["burn_time_total_s"], rel=0.05)
    assert degrees(acos(dot(unit(guess.steer), unit(law.steer)))) < 10.0


def test_a_vehicle_at_rest_is_taken_to_fly_east() -> None:
    assert flight_direction((6.4e6, 0.0, 0.0), (0.0, 0.0, 0.0)) == (0.0, 1.0, 0.0)
    assert flight_direction((6.4e6, 0.0, 0.0), (900.0, 0.0, 0.0)) == (0.0, 1.0, 0.0)  # straight up


def test_at_the_pole_where_east_means_nothing_there_is_still_a_direction() -> None:
    assert norm(flight_direction((0.0, 0.0, 6.4e6), (0.0, 0.0, 0.0))) == 1.0


def test_flight_direction_is_the_horizontal_part_of_the_velocity() -> None:
    assert flight_direction((6.4e6, 0.0, 0.0), (500.0, 0.0, -30.0)) == (0.0, 0.0, -1.0)


@given(st.floats(-1.4, 1.4), st.floats(0.0, 6.28), st.floats(0.01, 3.13), st.floats(0.0, 6.28))
def test_the_nearest_normal_is_across_the_place_and_has_the_inclination(
    latitude: float, longitude: float, inclination: float, heading: float
) -> None:
    # Spherical trigonometry, Vallado section 6.4.1: cos i = cos(latitude) sin(azimuth), so i >= |latitude|.
    assume(abs(latitude) < inclination - 1e-3)
    assume(abs(latitude) < 3.14159 - inclination - 1e-3)
    up = (cos(latitude) * cos(longitude), cos(latitude) * sin(longitude), sin(latitude))
    east = unit(cross((0.0, 0.0, 1.0), up))
    north = cross(up, east)
    ahead = tuple(cos(heading) * n + sin(heading) * e for n, e in zip(north, east, strict=True))
    normal = nearest_normal(up, cross(up, ahead), inclination)
    assert abs(dot(normal, up)) < 1e-9
    assert acos(max(-1.0, min(1.0, normal[2]))) == pytest.approx(inclination, abs=1e-6)
    assert norm(normal) == pytest.approx(1.0)


def test_of_the_two_planes_through_a_place_the_one_nearer_to_the_flight_is_taken() -> None:
    up = (cos(0.3), 0.0, sin(0.3))
    north_going, south_going = (-sin(0.3), 0.1, cos(0.3)), (sin(0.3), 0.1, -cos(0.3))
    a = nearest_normal(up, unit(cross(up, north_going)), radians(60.0))
    b = nearest_normal(up, unit(cross(up, south_going)), radians(60.0))
    assert cross(a, up)[2] > 0.1
    assert cross(b, up)[2] < -0.1


def test_an_inclination_below_the_latitude_gives_the_plane_due_east() -> None:
    up = (cos(0.8), 0.0, sin(0.8))
    normal = nearest_normal(up, (0.0, 0.0, 1.0), radians(20.0))
    assert cross(normal, up) == pytest.approx((0.0, 1.0, 0.0), abs=1e-9)


@pytest.mark.parametrize("plane", ["free", "inclination", "inclination_and_node"])
def test_the_wanted_normal_is_what_the_target_allows(plane: str) -> None:
    problem = problem_of("V06")
    assert problem.target is not None
    target: Target = replace(problem.target, plane=plane)  # type: ignore[arg-type]
    normal = wanted_normal(replace(problem, target=target))
    present = unit(cross(problem.position_m, problem.velocity_m_s))
    if plane == "free":
        assert normal == pytest.approx(present)
    elif plane == "inclination":
        assert acos(normal[2]) == pytest.approx(target.inclination_rad)
    else:
        assert normal == target_normal(target)


@pytest.mark.parametrize("pitch_deg", [6.0, 20.0, 70.0])
def test_a_lofted_start_has_its_pitch_and_falls_off(pitch_deg: float) -> None:
    problem = problem_of("V06")
    law = lofted_guess(problem, radians(pitch_deg))
    up = unit(problem.position_m)
    assert degrees(acos(dot(law.steer, up))) == pytest.approx(90.0 - pitch_deg)
    assert dot(law.steer_rate, up) < 0.0
    assert law.burn_s > 0.0


def test_a_circular_start_points_along_the_missing_velocity() -> None:
    r = (6.9e6, 0.0, 0.0)
    circular = sqrt(EARTH.mu_m3_s2 / 6.9e6)
    slow = Problem(0.0, r, (0.0, circular - 100.0, 0.0), problem_of("V01").arcs, None, EARTH)
    fast = replace(slow, velocity_m_s=(0.0, circular + 100.0, 0.0))
    assert circular_guess(slow).steer == pytest.approx((0.0, 1.0, 0.0))
    assert circular_guess(fast).steer == pytest.approx((0.0, -1.0, 0.0))
    arc = slow.arcs[0]
    assert arc.speed_gain_m_s(circular_guess(slow).burn_s) == pytest.approx(100.0)


def test_a_circular_start_from_a_circle_still_has_a_direction() -> None:
    r = (6.9e6, 0.0, 0.0)
    v = (0.0, sqrt(EARTH.mu_m3_s2 / 6.9e6), 0.0)
    guess = circular_guess(Problem(0.0, r, v, problem_of("V01").arcs, None, EARTH))
    assert guess.steer == (0.0, 1.0, 0.0)
    assert guess.burn_s == pytest.approx(0.0, abs=1e-9)


def test_an_insertion_start_without_a_target_is_a_callers_bug() -> None:
    with pytest.raises(ValueError, match="circular_guess"):
        wanted_target(replace(problem_of("V01"), target=None))

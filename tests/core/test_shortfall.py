"""What is flown when the propellant does not reach: kept longest perigee, then apogee, then the plane.

Vehicles and starts are those of the reference optima; how much is missing is counted from the optimum, so that none
of it is the law's own waste. Orbits promised are flown again by DOP853 (tests/core/dense.py).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from guidance_svc.core.burns import Arc, allot, mass_at_end_kg
from guidance_svc.core.kepler import apsides
from guidance_svc.core.shortfall import (
    Lesser,
    at_perigee,
    lesser_target,
    lowest_radius_m,
    margin_kg,
    reach,
    safe_perigee_radius_m,
)
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body
from tests.closed_loop.optimum_cases import CASES
from tests.core.dense import flown
from tests.core.test_steering import problem_of, solved

ORDER = ["node", "plane", "plane and apogee", "plane, apogee and perigee", "the propellant reaches no safe orbit"]


@cache
def full_law(name: str) -> tuple[Problem, Steering]:
    """The case with propellant to spare, and its law."""
    problem = problem_of(name)
    law, _ = solved(problem)
    assert law.converged
    return problem, law


def short_by(name: str, frac: float) -> tuple[Problem, Lesser, float]:
    """The case short of this part of the optimum's propellant: problem, what is flown instead, mass at burnout."""
    problem, law = full_law(name)
    mass = problem.arcs[0].mass_kg
    burnout = mass - CASES[name]["optimum"]["propellant_kg"] * (1.0 - frac)
    arc = problem.arcs[0]
    cut = replace(arc, duration_s=(mass - burnout) * arc.exhaust_velocity_m_s / arc.thrust_n)
    problem = replace(problem, arcs=(cut,))
    return problem, lesser_target(problem, law, burnout), burnout


@pytest.mark.parametrize("name", ["V06", "V08"])
def test_node_goes_first_then_plane_then_apogee_then_perigee(name: str) -> None:
    shortages = (0.0001, 0.0003, 0.001, 0.003, 0.006, 0.008, 0.012, 0.03, 0.1)
    ranks = [ORDER.index(short_by(name, frac)[1].given_up) for frac in shortages]
    assert ranks == sorted(ranks)
    assert set(ranks) >= {2, 3, 4}
    if name == "V06":  # V08 asks for no node, and its plane costs 0.2 kg
        assert ranks[0] == 0


def test_an_inclination_that_costs_more_than_is_missing_is_given_up_before_apogee() -> None:
    problem, law = full_law("V08")
    assert problem.target is not None
    tilted = replace(problem, target=replace(problem.target, inclination_rad=problem.target.inclination_rad + 0.02))
    dear = reach(tilted, replace(problem.target, inclination_rad=problem.target.inclination_rad + 0.02), law)
    assert dear.converged
    free_kg, dear_kg = mass_at_end_kg(problem.arcs, law.burn_s), mass_at_end_kg(tilted.arcs, dear.burn_s)
    assert dear_kg < free_kg - 2.0  # so that there is something to give up
    lesser = lesser_target(tilted, dear, dear_kg + 1.0)
    assert lesser.given_up == "plane"
    assert lesser.target is not None
    assert (lesser.target.perigee_radius_m, lesser.target.apogee_radius_m) == (
        problem.target.perigee_radius_m, problem.target.apogee_radius_m)  # fmt: skip


@pytest.mark.parametrize("name", ["V06", "V08"])
@pytest.mark.parametrize("frac", [0.001, 0.004, 0.008, 0.012])
def test_a_lesser_orbit_uses_the_propellant_to_a_few_kilograms(name: str, frac: float) -> None:
    problem, lesser, burnout = short_by(name, frac)
    assert lesser.target is not None
    margin = margin_kg(problem, lesser.law, burnout)
    # eight bisections of 70 km of height leave 0.3 km; a kilometre of height is about 10 kg for these vehicles
    assert 0.0 <= margin < 6.0
    assert mass_at_end_kg(problem.arcs, lesser.law.burn_s) - burnout == margin


@pytest.mark.parametrize(("name", "frac"), [("V06", 0.0001), ("V06", 0.004), ("V08", 0.004), ("V08", 0.012)])
def test_dop853_flies_the_lesser_law_to_the_lesser_orbit(name: str, frac: float) -> None:
    problem, lesser, _ = short_by(name, frac)
    assert lesser.target is not None
    end = flown(problem.position_m, problem.velocity_m_s, lesser.law.steer, lesser.law.steer_rate,
                allot(problem.arcs, lesser.law.burn_s), problem.body)  # fmt: skip
    r, v = tuple(end[:3].tolist()), tuple(end[3:6].tolist())
    low, high = apsides(r, v, problem.body.mu_m3_s2)
    assert low == pytest.approx(lesser.target.perigee_radius_m, abs=100.0)  # 3 cm/s: what "converged" lets pass
    assert high == pytest.approx(lesser.target.apogee_radius_m, abs=100.0)


def test_a_higher_orbit_than_the_lesser_one_is_really_out_of_reach() -> None:
    problem, lesser, burnout = short_by("V06", 0.004)
    target = lesser.target
    assert target is not None
    higher = at_perigee(target.perigee_radius_m, target.apogee_radius_m + 10e3, problem.body, target, "free")
    law = reach(problem, higher, lesser.law)
    assert law.converged
    assert margin_kg(problem, law, burnout) < 0.0


@pytest.mark.parametrize("frac", [0.008, 0.012, 0.015, 0.02, 0.03])
def test_no_lesser_orbit_has_its_perigee_below_the_safe_height(frac: float) -> None:
    problem, lesser, _ = short_by("V08", frac)
    if lesser.target is None:
        assert lesser.given_up == ORDER[-1]
    else:
        assert lesser.target.perigee_radius_m >= safe_perigee_radius_m(problem.body)


def test_a_target_that_asks_for_no_plane_gives_up_apogee_first() -> None:
    _, lesser, _ = short_by("V01", 0.003)
    assert lesser.given_up == "apogee"
    assert lesser.target is not None
    assert lesser.target.plane == "free"


def test_the_safe_height_is_lower_without_air_and_on_small_bodies() -> None:
    # 130 km and 15 km: common practice, no source
    earth = Body("earth", 3.986004418e14, 6378137.0, atmosphere="us1976")
    moon = Body("moon", 4.9028e12, 1737.4e3)
    rock = Body("rock", 1e8, 200e3)
    assert safe_perigee_radius_m(earth) - earth.radius_m == pytest.approx(0.02 * earth.radius_m)
    assert safe_perigee_radius_m(moon) - moon.radius_m == 15e3
    assert safe_perigee_radius_m(rock) - rock.radius_m == pytest.approx(4e3)  # 2 % of the radius


def test_without_a_target_nothing_is_promised() -> None:
    problem, law = full_law("V01")
    assert lesser_target(replace(problem, target=None), law, 1000.0).target is None


def test_the_lowest_point_of_a_law_is_what_dop853_passes_through() -> None:
    problem, law = full_law("V18")  # shallow: dips on its way
    lowest = norm(problem.position_m)
    arc, total = allot(problem.arcs, law.burn_s)[0]
    for k in range(1, 61):
        part = [(Arc(arc.mass_kg, total, arc.thrust_n, arc.exhaust_velocity_m_s), total * k / 60)]
        end = flown(problem.position_m, problem.velocity_m_s, law.steer, law.steer_rate, part, problem.body)
        lowest = min(lowest, norm(tuple(end[:3].tolist())))
    # six looks at 580 s, 100 s apart, where the height bends by at most 10 m/s2
    assert lowest_radius_m(problem, law) == pytest.approx(lowest, abs=5e3)

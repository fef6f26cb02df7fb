"""The reach of a landing: points just inside its edge are flown to and landed on, points just outside are missed."""

from __future__ import annotations

from math import cos, hypot, inf, pi, sin
from typing import NamedTuple

import pytest

from guidance_svc.core.compiled import column
from guidance_svc.core.lander import Moment
from guidance_svc.core.landing_ahead import instant_ahead
from guidance_svc.core.landing_guide import begin
from guidance_svc.core.landing_reach import NO_EDGE, Ellipse, Turning, ellipse_through, follow_edge, inside_by_m
from guidance_svc.core.landing_state import BURNING, Guided, moment_of
from tests.closed_loop.landing_cases import Case, landing_case
from tests.closed_loop.landing_plant import Craft, Truth, land, told
from tests.closed_loop.landing_rows import fall_speed

TRUTH = Truth(tick_s=0.2)
AT_ONCE = Turning(inf, 0.0)
QUIET = column([0.0] * 6)
AXES = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
LEAN_PART = 0.2  # of the bound of L07: so small that it alone, and not the propellant, ends the reach
SEARCHES = 12
INSIDE, OUTSIDE = 0.86, 1.2  # of the way to the edge as told; the true one is at 0.88 to 0.99, in the burn 1.02 to 1.16
UPRIGHT, STILL = (0.0, 0.0, 1.0), (0.0, 0.0, 0.0)


class Known(NamedTuple):
    """A landing at an instant, and its reach."""

    case: Case
    craft: Craft
    lit: bool
    ellipse: Ellipse


def known(by_s: float, least_kg: float = 0.0) -> Known:
    """Case L07, so long after its start, with the reach that is found there."""
    case = landing_case("L07", 0.3)
    tilt = case.lander.tilt
    case = case._replace(lander=case.lander._replace(tilt=tilt._replace(per_m=LEAN_PART * tilt.per_m)))
    craft = Craft(0.0, case.position_m, case.velocity_m_s, case.mass_kg, case.keys.idle_frac, UPRIGHT, STILL)
    heard = told(craft, TRUTH, QUIET, 0)
    first = begin(case.lander, case.keys, heard, False).guided
    g, start = instant_ahead(case.lander, case.keys, first, moment_of(first, case.lander, heard), by_s, 0.0)
    craft = Craft(0.0, start.position_m, start.velocity_m_s, start.mass_kg, start.given_frac, UPRIGHT, STILL)
    heard = told(craft, TRUTH, QUIET, 0)
    g = begin(case.lander, case.keys, heard, g.stage == BURNING).guided
    return Known(case, craft, g.stage == BURNING, reach_from(case, g, heard_start(case, g, craft), least_kg))


def heard_start(case: Case, g: Guided, craft: Craft) -> Moment:
    """The instant that guidance starts from."""
    return moment_of(g, case.lander, told(craft, TRUTH, QUIET, 0))


def reach_from(case: Case, g: Guided, start: Moment, least_kg: float) -> Ellipse:
    """The reach after enough searches."""
    edges = [NO_EDGE] * 4
    for k, towards in enumerate(AXES):
        for _ in range(SEARCHES):
            edges[k] = follow_edge(case.lander, case.keys, g, start, AT_ONCE, towards, edges[k], least_kg)
        assert edges[k].met
    return ellipse_through(edges, (1.0, 0.0))


def lands(at: Known, part: float, direction: int) -> bool:
    """Whether a landing at a point comes to rest there; eight directions, `part` of the way to the edge."""
    angle, e = direction * pi / 4.0, at.ellipse
    x = e.centre_m[0] + part * e.half_along_m * cos(angle)
    y = e.centre_m[1] + part * e.half_across_m * sin(angle)
    (a, b, c) = at.craft.position_m
    craft = at.craft._replace(position_m=(a - x, b - y, c))
    first = begin(at.case.lander, at.case.keys, told(craft, TRUTH, QUIET, 0), at.lit).guided
    out = land(at.case.lander, at.case.keys, at.case.field, TRUTH, first, craft, QUIET)
    speed = hypot(*out.velocity_m_s) if out.touched else fall_speed(out.velocity_m_s, out.position_m[2])
    return hypot(*out.position_m[:2]) < 1.0 and speed < 1.0


@pytest.fixture(scope="module")
def falling() -> Known:
    return known(0.0)


@pytest.fixture(scope="module")
def burning() -> Known:
    return known(11.0)


def test_a_point_just_inside_the_edge_is_landed_on_and_one_just_outside_is_not(falling: Known) -> None:
    assert lands(falling, INSIDE, 3)
    assert not lands(falling, OUTSIDE, 3)


@pytest.mark.slow
@pytest.mark.parametrize("direction", range(8))
@pytest.mark.parametrize("when", ["falling", "burning"])
def test_the_edge_is_where_the_landing_ends_in_every_direction(
    request: pytest.FixtureRequest, when: str, direction: int
) -> None:
    """The row above stands for it in the default run."""
    at: Known = request.getfixturevalue(when)
    assert lands(at, INSIDE, direction)
    assert not lands(at, OUTSIDE, direction)


def test_the_reach_is_smaller_in_the_burn_than_before_it(falling: Known, burning: Known) -> None:
    assert burning.lit
    assert burning.ellipse.half_along_m < 0.7 * falling.ellipse.half_along_m
    assert burning.ellipse.half_across_m < 0.7 * falling.ellipse.half_across_m


def test_little_propellant_ends_the_reach_before_the_lean_does(falling: Known) -> None:
    """31 kg more than the landing at the contact point takes: the farthest points cost half as much again."""
    poor = known(0.0, 29080.0)
    assert poor.ellipse.half_across_m < 0.85 * falling.ellipse.half_across_m
    assert inside_by_m(poor.ellipse, (0.0, 0.0)) > 0.0


def test_the_distance_to_the_edge_of_a_circle_is_the_rest_of_its_radius() -> None:
    circle = Ellipse((30.0, 0.0), (0.0, 1.0), 100.0, 100.0)
    assert inside_by_m(circle, (0.0, 0.0)) == pytest.approx(70.0)
    assert inside_by_m(circle, (30.0, 120.0)) == pytest.approx(-20.0)

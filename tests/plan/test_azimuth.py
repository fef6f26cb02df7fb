"""The azimuth's correction by flights, with stand-in ascents whose answer is known."""

from __future__ import annotations

from collections.abc import Callable
from math import acos, asin, atan2, cos, degrees, radians, sin, tan

import pytest

from guidance_svc.domain import Body, Site
from guidance_svc.errors import NotConverged
from guidance_svc.planning.windows.azimuth import corrected_azimuth
from guidance_svc.planning.windows.opportunities import Opportunity, PlaneTarget, opportunities

BALL = Body("ball", 3.986e14, 6378137.0, rotation_rad_s=1e-9)  # hardly turns: over ground is against the stars
Fly = Callable[[float], tuple[float, float]]


def opportunity(latitude_deg: float, tilt_deg: float, ascending: bool) -> Opportunity:
    plane, site = PlaneTarget(radians(tilt_deg), 1.0), Site("site", radians(latitude_deg), 0.0)
    found = opportunities(site, BALL, 0.0, plane, 0.0, 6.5e9)
    return next(one for one in found if one.ascending == ascending)


def ascent(one: Opportunity, bend_deg: float, arc_deg: float, calls: list[float]) -> Fly:
    """An ascent that ends as if launched `bend` to the right and with its node `arc` too far on: spherical triangle."""
    site_ra = one.node_rad + atan2(cos(one.inclination_rad) * sin(one.argument_rad), cos(one.argument_rad))

    def fly(azimuth: float) -> tuple[float, float]:
        calls.append(azimuth)
        flown = azimuth + radians(bend_deg)
        from_node = atan2(sin(one.latitude_rad) * sin(flown), cos(flown))
        return acos(cos(one.latitude_rad) * sin(flown)), site_ra - from_node + radians(arc_deg)

    return fly


@pytest.mark.parametrize(("latitude_deg", "tilt_deg"), [(28.0, 40.0), (28.0, 28.3), (-12.0, 97.0), (5.0, 170.0)])
@pytest.mark.parametrize("ascending", [True, False])
@pytest.mark.parametrize("bend_deg", [-3.0, -0.57, 0.0, 8.0])
def test_the_azimuth_takes_back_what_the_ascent_bends(
    latitude_deg: float, tilt_deg: float, ascending: bool, bend_deg: float
) -> None:
    """On its own side, even where north and south lie so close that the bend leads across."""
    calls: list[float] = []
    one = opportunity(latitude_deg, tilt_deg, ascending)
    found = corrected_azimuth(ascent(one, bend_deg, 0.8, calls), one)
    turned = degrees(found.azimuth_rad - one.azimuth_ground_rad + radians(bend_deg))
    assert (turned + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.006)  # the tolerance, 1e-4 rad
    assert found.inclination_rad == pytest.approx(radians(tilt_deg), abs=1e-4)
    assert found.flights == len(calls) <= 4
    # a node 0.8 deg too far on: lift off earlier; near due east the tolerance moves the node by tan(i) more
    slack = 2e-4 / abs(tan(one.inclination_rad) * sin(one.latitude_rad))
    assert found.release_shift_s * one.turn_rate_rad_s == pytest.approx(-radians(0.8), abs=slack)


def test_the_spherical_triangle_of_the_stand_in_is_the_impulsive_formula() -> None:
    one = opportunity(28.0, 40.0, True)
    assert one.azimuth_inertial_rad == pytest.approx(asin(cos(radians(40.0)) / cos(radians(28.0))), abs=1e-9)
    tilt, node = ascent(one, 0.0, 0.0, [])(one.azimuth_inertial_rad)
    assert (tilt, node) == pytest.approx((radians(40.0), one.node_rad), abs=1e-9)


def test_a_flight_that_ignores_its_azimuth_is_refused_with_what_it_reached() -> None:
    one = opportunity(28.0, 40.0, True)
    with pytest.raises(NotConverged, match="came to 55"):
        corrected_azimuth(lambda azimuth: (radians(55.0), one.node_rad), one)

"""The azimuth's correction by flights, with stand-in ascents whose answer is known."""

from __future__ import annotations

from math import acos, asin, cos, degrees, radians, sin

import pytest

from guidance_svc.errors import NotConverged
from guidance_svc.plan.azimuth import corrected_azimuth

LATITUDE = radians(28.0)
SPIN = 7.292115e-5


def ascent(bend_deg: float, arc_deg: float, calls: list[float]):  # type: ignore[no-untyped-def]
    """An ascent that ends as if launched by `bend` to the right, its node moved by `arc`: spherical triangle."""

    def fly(azimuth: float) -> tuple[float, float]:
        calls.append(azimuth)
        return acos(cos(LATITUDE) * sin(azimuth + radians(bend_deg))), radians(100.0 + arc_deg)

    return fly


@pytest.mark.parametrize("bend_deg", [-3.0, -0.57, 0.0, 0.57, 4.0])
def test_the_azimuth_takes_back_what_the_ascent_bends(bend_deg: float) -> None:
    calls: list[float] = []
    wanted = radians(40.0)
    impulsive = asin(cos(wanted) / cos(LATITUDE))
    found = corrected_azimuth(ascent(bend_deg, 0.8, calls), wanted, radians(100.0), impulsive, SPIN)
    assert degrees(found.azimuth_rad - impulsive) == pytest.approx(-bend_deg, abs=0.02)  # 1e-4 rad of inclination
    assert found.inclination_rad == pytest.approx(wanted, abs=1e-4)
    assert found.flights == len(calls) <= 6
    assert found.release_shift_s == pytest.approx(-radians(0.8) / SPIN)  # a node 0.8 deg too far on: lift off earlier


def test_an_inclination_out_of_reach_is_refused_with_the_nearest() -> None:
    with pytest.raises(NotConverged, match="the nearest is 28"):
        corrected_azimuth(ascent(0.0, 0.0, []), radians(20.0), 0.0, radians(88.0), SPIN)

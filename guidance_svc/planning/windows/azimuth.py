"""The launch azimuth and release time that a flown ascent needs, from flights that the caller makes.

The impulsive formula puts all the speed on at the pad. A real ascent takes minutes and turns along its own arc;
flights of 1969 to 1971 flew 0.56 to 0.58 deg away from it (tests/reference), a heavy vehicle that rises slowly and
follows the flow flies 8 deg away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import atan2, cos, degrees, pi, remainder, sin, sqrt

from guidance_svc.errors import NotConverged
from guidance_svc.planning.windows.opportunities import Opportunity

Fly = Callable[[float], tuple[float, float]]  # azimuth over ground, rad, to inclination and node reached, rad

STEEPEST_RAD = 0.3  # of azimuth in one correction


@dataclass(frozen=True, slots=True)
class FlownAzimuth:
    """What the flights found.

    Args:
        azimuth_rad: heading over ground, clockwise from north.
        inclination_rad, node_rad: reached by the best flight.
        release_shift_s: to add to the release time so that the node comes out right too.
        flights: how many it took.
    """

    azimuth_rad: float
    inclination_rad: float
    node_rad: float
    release_shift_s: float
    flights: int


def corrected_azimuth(fly: Fly, one: Opportunity, tolerance_rad: float = 1e-4, most_flights: int = 12) -> FlownAzimuth:
    """Secant on the azimuth until the flown plane is turned as the target's; the node left over mends the release time.

    What is compared is not the inclination, which has a least value for a site and rises to both sides of it, but the
    azimuth at which a plane of the flown inclination passes over the site, on the side, north or south, that was flown.

    Args:
        fly: flies one ascent released at `one.time_s`, steered to no plane.
        tolerance_rad: of the plane's turn about the site; 1e-4 is 0.8 m/s at orbital speed.

    Raises:
        NotConverged: no azimuth leads there.
    """
    azimuth, wanted = one.azimuth_ground_rad, one.azimuth_inertial_rad
    earlier: tuple[float, float] | None = None
    best = (float("inf"), azimuth, 0.0, 0.0)
    for flights in range(1, most_flights + 1):
        tilt, node = fly(azimuth)
        miss = remainder(passing_azimuth_rad(one, tilt, node) - wanted, 2.0 * pi)
        best = min(best, (abs(miss), azimuth, tilt, node))
        if abs(miss) <= tolerance_rad:
            shift = remainder(one.node_rad - node, 2.0 * pi) / one.turn_rate_rad_s
            return FlownAzimuth(azimuth % (2.0 * pi), tilt, node, shift, flights)
        slope = 1.0
        if earlier is not None and azimuth != earlier[0]:
            slope = (miss - earlier[1]) / (azimuth - earlier[0])
        earlier = (azimuth, miss)
        slope = slope if slope > 0.2 else 1.0  # a launch further right ends further right
        azimuth -= max(-STEEPEST_RAD, min(STEEPEST_RAD, miss / slope))
    expected = f"an azimuth that leads to {degrees(one.inclination_rad):.4f} deg; the nearest came to"
    raise NotConverged(
        "azimuth_not_found", "inclination", f"{expected} {degrees(best[2]):.4f}", f"{degrees(best[1]):.3f} deg azimuth"
    )


def passing_azimuth_rad(one: Opportunity, inclination_rad: float, node_rad: float) -> float:
    """Inertial azimuth at which a plane of this inclination passes the site's latitude, on the side it was flown to.

    Below the least inclination, which a flown plane may have by a little, it is due east or west.
    """
    i, u = one.inclination_rad, one.argument_rad
    ahead = atan2(cos(i) * sin(u), cos(u)) + one.node_rad - node_rad
    east = cos(inclination_rad) / cos(one.latitude_rad)
    north = sqrt(max(0.0, 1.0 - east * east))
    return atan2(east, north if cos(ahead) > 0.0 else -north)

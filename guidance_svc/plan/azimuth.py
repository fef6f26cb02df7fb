"""The launch azimuth and release time that a flown ascent needs, from flights that the caller makes.

The impulsive formula puts all the speed on at the pad. A real ascent takes minutes and turns along its own arc;
flights of 1969 to 1971 flew 0.56 to 0.58 deg away from it (tests/reference).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import degrees, pi

from guidance_svc.errors import NotConverged

Fly = Callable[[float], tuple[float, float]]  # azimuth over ground, rad, to inclination and node reached, rad

FIRST_STEP_RAD = 0.01
STEEPEST_RAD = 0.2  # of azimuth in one correction


@dataclass(frozen=True, slots=True)
class FlownAzimuth:
    """What the flights found.

    Args:
        azimuth_rad: heading over ground, clockwise from north.
        inclination_rad, node_rad: reached by the last flight.
        release_shift_s: to add to the release time so that the node comes out right too.
        flights: how many it took.
    """

    azimuth_rad: float
    inclination_rad: float
    node_rad: float
    release_shift_s: float
    flights: int


def corrected_azimuth(
    fly: Fly,
    inclination_rad: float,
    node_rad: float,
    first_rad: float,
    turn_rate_rad_s: float,
    tolerance_rad: float = 1e-4,
    most_flights: int = 12,
) -> FlownAzimuth:
    """Secant on the azimuth until the inclination is met; the node left over is the release time's to mend.

    Args:
        fly: flies one ascent released at the in-plane time, steered to no plane.
        first_rad: where to start: `Opportunity.azimuth_ground_rad`.
        turn_rate_rad_s: `Opportunity.turn_rate_rad_s`; a later release moves the node by this much a second.
        tolerance_rad: of inclination; 1e-4 is 0.006 deg.

    Raises:
        NotConverged: the inclination is out of this ascent's reach, as where the latitude nearly is the inclination.
    """
    before, azimuth = first_rad, first_rad + FIRST_STEP_RAD
    reached, node = fly(before)
    miss_before = reached - inclination_rad
    best = (abs(miss_before), before, reached, node)
    flights = 1
    while best[0] > tolerance_rad and flights < most_flights:
        reached, node = fly(azimuth)
        flights += 1
        miss = reached - inclination_rad
        best = min(best, (abs(miss), azimuth, reached, node))
        if miss == miss_before:
            break
        step = -miss * (azimuth - before) / (miss - miss_before)
        before, miss_before = azimuth, miss
        azimuth += max(-STEEPEST_RAD, min(STEEPEST_RAD, step))
    if best[0] > tolerance_rad:
        expected = f"an azimuth that reaches {degrees(inclination_rad):.4f} deg; the nearest is {degrees(best[2]):.4f}"
        raise NotConverged("azimuth_not_found", "inclination", expected, f"{degrees(best[1]):.3f} deg azimuth")
    short = (node_rad - best[3] + pi) % (2.0 * pi) - pi
    return FlownAzimuth(best[1], best[2], best[3], short / turn_rate_rad_s, flights)

"""What it costs a tanker in the depot's circle to reach the depot: two burns around some revolutions off its height."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, floor, pi, sin, sqrt

from guidance_svc.core.kepler import vis_viva_speed
from guidance_svc.domain import Body


@dataclass(frozen=True, slots=True)
class Phasing:
    """Waiting `revolutions` in an orbit of another period.

    Args:
        ahead_rad: angle by which the depot is ahead, [0, 2 pi).
        time_s: from the first burn to the second.
        semi_major_m: of the orbit between.
        in_plane_m_s: both burns.
        plane_rad: turn of the tanker's node against the depot's meanwhile.
        plane_m_s: speed to take that turn back.
    """

    ahead_rad: float
    revolutions: int
    time_s: float
    semi_major_m: float
    in_plane_m_s: float
    plane_rad: float
    plane_m_s: float

    @property
    def total_m_s(self) -> float:
        """Speed change of all burns together."""
        return self.in_plane_m_s + self.plane_m_s


def phasing(
    ahead_rad: float, radius_m: float, inclination_rad: float, body: Body, most_s: float, lowest_m: float
) -> Phasing | None:
    """The cheapest way to close a phase angle within a time; None where there is none.

    Args:
        ahead_rad: of the depot; any turn is taken off.
        radius_m: of the depot's circle, and of the tanker's.
        most_s: for all revolutions.
        lowest_m: radius under which the waiting orbit must not dip.

    Source: two-body periods and vis-viva, impulsive burns; the turn of the plane by the J2 node rate, first order:
        Vallado, 4th ed., section 9.6.

    >>> earth = Body("earth", 3.986004418e14, 6378137.0)
    >>> way = phasing(0.1, 6.838e6, 0.5, earth, 86400.0, 6.578e6)
    >>> way.revolutions, round(way.in_plane_m_s, 2)
    (15, 5.41)
    """
    ahead = ahead_rad % (2.0 * pi)
    period_s = 2.0 * pi * sqrt(radius_m**3 / body.mu_m3_s2)
    ways = [
        way
        for revolutions in range(1, floor(1.5 * most_s / period_s) + 1)
        for turn in (ahead, ahead - 2.0 * pi)
        if (way := _way(ahead, turn, revolutions, radius_m, inclination_rad, body, lowest_m)) is not None
        and way.time_s <= most_s
    ]
    return min(ways, key=lambda way: way.total_m_s, default=None)


def _way(
    ahead: float, turn: float, revolutions: int, radius_m: float, inclination_rad: float, body: Body, lowest_m: float
) -> Phasing | None:
    """`turn` is what the tanker gains on the depot, negative for letting it come round; None below the floor."""
    ratio = 1.0 - turn / (2.0 * pi * revolutions)  # of the periods
    semi_major_m = radius_m * ratio ** (2.0 / 3.0)
    if 2.0 * semi_major_m - radius_m < max(lowest_m, 0.01 * radius_m):
        return None
    period_s = 2.0 * pi * sqrt(radius_m**3 / body.mu_m3_s2)
    circle = vis_viva_speed(radius_m, radius_m, body.mu_m3_s2)
    burns = 2.0 * abs(circle - vis_viva_speed(radius_m, semi_major_m, body.mu_m3_s2))
    time_s = revolutions * period_s * ratio
    eccentricity = abs(radius_m / semi_major_m - 1.0)
    rates = node_rate_rad_s(semi_major_m, eccentricity, inclination_rad, body)
    plane = (rates - node_rate_rad_s(radius_m, 0.0, inclination_rad, body)) * time_s
    return Phasing(
        ahead, revolutions, time_s, semi_major_m, burns, plane,
        2.0 * circle * abs(sin(0.5 * plane)) * sin(inclination_rad),
    )  # fmt: skip


def node_rate_rad_s(semi_major_m: float, eccentricity: float, inclination_rad: float, body: Body) -> float:
    """First-order turn of the node under J2, rad/s.

    Source: Vallado, 4th ed., section 9.6: -3/2 n J2 (R/p)^2 cos i.
    """
    parameter_m = semi_major_m * (1.0 - eccentricity**2)
    motion = sqrt(body.mu_m3_s2 / semi_major_m**3)
    return -1.5 * motion * body.j2 * (body.radius_m / parameter_m) ** 2 * cos(inclination_rad)

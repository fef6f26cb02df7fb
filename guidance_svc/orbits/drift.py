"""How an orbit's plane and phase drift over days, forwards by theory and by integration, and backwards.

Fast theory (`rates`, `advance_orbit`) works on mean elements; `integrate_orbit` flies the osculating state. `mean_of`
and `osculating_of` lead from one to the other. Never feed an osculating semi-major axis to the theory: the node is then
0.1 to 0.5 deg wrong after ten days at 500 km.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import acos, asin, atan2, cos, hypot, pi, sin, sqrt

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.errors import ConfigError
from guidance_svc.orbits.integrator import integrate_orbit
from guidance_svc.orbits.mean_elements import advance_orbit, frozen_eccentricity, mean_of, osculating_of_mean, rates
from guidance_svc.orbits.values import Field, MeanOrbit, OrbitState, field_of

__all__ = [
    "Field", "MeanOrbit", "OrbitState", "advance_orbit", "circular", "daily_angles", "field_of", "integrate_orbit",
    "mean_of", "node_needed_rad", "osculating_of", "plane_angle_rad", "rates", "sun_synchronous_inclination_rad",
]  # fmt: skip

PlaneAt = Callable[[float], tuple[float, float]]  # time_s to inclination and node, rad


def osculating_of(mean: MeanOrbit, time_s: float, field: Field) -> OrbitState:
    """The osculating state at a time, by theory."""
    return osculating_of_mean(advance_orbit(mean, time_s, field), field)


def circular(
    epoch_s: float, altitude_m: float, inclination_rad: float, node_rad: float, field: Field, argument_rad: float = 0.0
) -> MeanOrbit:
    """The mean orbit that stays closest to a height above the equatorial radius: eccentricity frozen under J2 and J3.

    Args:
        argument_rad: argument of latitude at the epoch.
    """
    _check_inclination(inclination_rad, "inclination_rad")
    a = field.body.radius_m + altitude_m
    e = frozen_eccentricity(MeanOrbit(epoch_s, a, 0.0, inclination_rad, 0.0, 0.0, 0.0), field)
    perigee = 0.5 * pi if e >= 0.0 else -0.5 * pi
    ahead = wrap_angle(argument_rad - perigee)
    return MeanOrbit(epoch_s, a, abs(e), inclination_rad, wrap_angle(node_rad), wrap_angle(perigee), ahead)


def plane_angle_rad(a_inclination_rad: float, a_node_rad: float, b_inclination_rad: float, b_node_rad: float) -> float:
    """Angle between two orbit planes, [0, pi].

    >>> round(plane_angle_rad(0.5, 1.0, 0.5, 1.01), 6)
    0.004794
    """
    ca, cb = cos(a_inclination_rad), cos(b_inclination_rad)
    sa, sb = sin(a_inclination_rad), sin(b_inclination_rad)
    apart = a_node_rad - b_node_rad
    x = sa * cb - ca * sb * cos(apart)  # the components of one normal across the other: no loss at small angles
    y = sb * sin(apart)
    return atan2(hypot(x, y), ca * cb + sa * sb * cos(apart))


def node_needed_rad(
    shape: tuple[float, float, float],
    plane: tuple[float, float],
    from_s: float,
    to_s: float,
    field: Field,
    refine: bool = False,
) -> float:
    """The mean node to reach at `from_s` so that at `to_s` the orbit lies in, or nearest to, a given plane.

    Args:
        shape: mean semi-major axis (m), eccentricity, inclination (rad) of the orbit that drifts.
        plane: inclination and node (rad) wanted at `to_s`; equal nodes make the angle least.
        refine: fly the answer numerically and take its error off.

    Returns:
        Node, [0, 2 pi).

    Raises:
        ConfigError: the date lies before the start, or the inclination is impossible.
    """
    if to_s < from_s:
        raise ConfigError("before_epoch", "to_s", f"{from_s:g} s or later, when the orbit is reached", to_s)
    a, e, inclination = shape
    _check_inclination(inclination, "shape.2")
    _check_inclination(plane[0], "plane.0")
    start = MeanOrbit(from_s, a, e, inclination, 0.0, 0.5 * pi, 0.0)
    start = replace(start, node_rad=wrap_angle(plane[1] - advance_orbit(start, to_s, field).node_rad))
    for _ in range(2 if refine else 0):
        flown = mean_of(integrate_orbit(osculating_of(start, from_s, field), to_s, field), field)
        miss = (plane[1] - flown.node_rad + pi) % (2.0 * pi) - pi
        start = replace(start, node_rad=wrap_angle(start.node_rad + miss))
    return start.node_rad


def daily_angles(mean: MeanOrbit, plane_at: PlaneAt, from_s: float, days: int, field: Field) -> list[tuple[int, float]]:
    """Angle (rad) between the orbit's plane and another on each day from 0 to `days`.

    Args:
        plane_at: the other plane's inclination and node (rad) at a time, such as `PlaneTarget.at` or another orbit's.
    """
    rows = []
    for day in range(days + 1):
        time_s = from_s + day * SECONDS_PER_DAY
        orbit = advance_orbit(mean, time_s, field)
        rows.append((day, plane_angle_rad(orbit.inclination_rad, orbit.node_rad, *plane_at(time_s))))
    return rows


def sun_synchronous_inclination_rad(
    semi_major_m: float, eccentricity: float, node_rate_rad_s: float, field: Field
) -> float:
    """Inclination at which the node turns at a rate, by the secular rates.

    Raises:
        ConfigError: no inclination gives that rate at this height.
    """
    a = semi_major_m
    n = sqrt(field.body.mu_m3_s2 / a) / a
    first = -1.5 * n * field.zonals[0] * (field.body.radius_m / (a * (1.0 - eccentricity**2))) ** 2
    if abs(first) < abs(node_rate_rad_s):
        expected = f"at most {abs(first):.3g} rad/s at this height"
        raise ConfigError("out_of_reach", "node_rate_rad_s", expected, node_rate_rad_s)
    inclination = acos(node_rate_rad_s / first)
    for _ in range(20):
        miss = node_rate_rad_s - rates(MeanOrbit(0.0, a, eccentricity, inclination, 0.0, 0.0, 0.0), field)[0]
        step = asin(max(-0.1, min(0.1, -miss / (first * sin(inclination)))))
        inclination += step
        if abs(step) < 1e-13:
            break
    return inclination


def _check_inclination(inclination_rad: float, key: str) -> None:
    if not 0.0 <= inclination_rad <= pi:
        raise ConfigError("bad_inclination", key, "0 to pi rad (0 to 180 deg)", f"{inclination_rad:g} rad")

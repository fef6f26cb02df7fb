"""Gravity of a sphere with an optional second zonal harmonic, and the gradient of its spherical part."""

from __future__ import annotations

from math import sqrt

from guidance_svc.core.compiled import part
from guidance_svc.domain import Vec


@part
def acceleration(position_m: Vec, mu_m3_s2: float, radius_m: float, j2: float) -> Vec:
    """Gravitational acceleration, BCI, m/s2.

    Args:
        position_m: from the body's centre, BCI (z along the pole).
        mu_m3_s2: gravitational parameter.
        radius_m: reference radius of `j2`.
        j2: second zonal harmonic; 0 for a sphere.

    Source: Vallado, Fundamentals of Astrodynamics and Applications, 4th ed., section 8.6.1 (J2 terms).
    """
    x, y, z = position_m
    r2 = x * x + y * y + z * z
    r = sqrt(r2)
    k = -mu_m3_s2 / (r2 * r)
    if j2 == 0.0:
        return (k * x, k * y, k * z)
    q = 1.5 * j2 * radius_m * radius_m / r2
    s = 5.0 * z * z / r2
    plane = k * (1.0 + q * (1.0 - s))
    return (plane * x, plane * y, k * (1.0 + q * (3.0 - s)) * z)


@part
def potential(position_m: Vec, mu_m3_s2: float, radius_m: float, j2: float) -> float:
    """Gravitational potential (negative), m2/s2; its gradient is `acceleration` with the sign turned."""
    x, y, z = position_m
    r2 = x * x + y * y + z * z
    r = sqrt(r2)
    return -mu_m3_s2 / r * (1.0 - j2 * radius_m * radius_m / r2 * (1.5 * z * z / r2 - 0.5))

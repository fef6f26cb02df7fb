"""Gravity of a sphere with zonal harmonics to J4, on many positions at once."""

from __future__ import annotations

from typing import Any

import numpy as np

from guidance_svc.orbits.values import Field

Array = np.ndarray[Any, np.dtype[np.float64]]


def legendre(u: Array) -> tuple[Array, Array, Array]:
    """The Legendre polynomials P2, P3, P4."""
    u2 = u * u
    return 1.5 * u2 - 0.5, (2.5 * u2 - 1.5) * u, (35.0 * u2 * u2 - 30.0 * u2 + 3.0) / 8.0


def disturbance(r: Array, field: Field) -> Array:
    """Acceleration of J2 to J4 alone, m/s2, shape (3, n).

    Args:
        r: positions, BCI, shape (3, n), m.

    Source: the gradient of -mu/r Jn (R/r)^n Pn(z/r); Vallado, 4th ed., section 8.6.1, gives it written out for J2, J3.
    """
    size = np.sqrt((r * r).sum(0))
    u = r[2] / size
    slopes = (3.0 * u, 7.5 * u * u - 1.5, (17.5 * u * u - 7.5) * u)
    ratio = field.body.radius_m / size
    weight = field.body.mu_m3_s2 / size**2 * ratio
    outward, south = np.zeros_like(u), np.zeros_like(u)
    for n, (j, poly, slope) in enumerate(zip(field.zonals, legendre(u), slopes, strict=True), start=2):
        weight = weight * ratio
        if j != 0.0:
            outward += weight * j * ((n + 1.0) * poly + u * slope)
            south += weight * j * slope
    pull = outward / size * r
    pull[2] -= south
    return np.asarray(pull)


def acceleration(r: Array, field: Field) -> Array:
    """Acceleration of the sphere and of J2 to J4, m/s2, shape (3, n); `r` as in `disturbance`."""
    return np.asarray(disturbance(r, field) - field.body.mu_m3_s2 * r / (r * r).sum(0) ** 1.5)


def energy(r: Array, v: Array, field: Field) -> Array:
    """Energy of a unit mass, m2/s2, which a zonal field keeps; shapes (3, n) to (n)."""
    size = np.sqrt((r * r).sum(0))
    ratio = field.body.radius_m / size
    depth = np.ones_like(size)
    for n, (j, poly) in enumerate(zip(field.zonals, legendre(r[2] / size), strict=True), start=2):
        depth -= j * ratio**n * poly
    return np.asarray(0.5 * (v * v).sum(0) - field.body.mu_m3_s2 / size * depth)

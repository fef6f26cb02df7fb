"""Central bodies, and places on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Vec = tuple[float, float, float]
AirRow = tuple[float, float, float, float]
"""Height (m), density (kg/m3), pressure (Pa), speed of sound (m/s)."""


@dataclass(frozen=True, slots=True)
class Body:
    """A central body.

    Args:
        mu_m3_s2: gravitational parameter.
        radius_m: equatorial radius; altitudes of targets are above this sphere.
        flattening: of the ellipsoid; 0 for a sphere.
        j2: second zonal harmonic, with `radius_m` as its reference radius; 0 means spherical gravity.
        rotation_rad_s: spin about +z, eastward positive.
        atmosphere: the model that guidance and the simulator reckon with; "table" is the body's own, `air`.
        source: where the numbers come from.
        air: rows of that table, heights above the ellipsoid rising.
    """

    name: str
    mu_m3_s2: float
    radius_m: float
    flattening: float = 0.0
    j2: float = 0.0
    rotation_rad_s: float = 0.0
    atmosphere: Literal["none", "us1976", "table"] = "none"
    source: str = ""
    air: tuple[AirRow, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """A launch site. Latitude is geodetic on the body's ellipsoid, altitude above it."""

    name: str
    latitude_rad: float
    longitude_rad: float
    altitude_m: float = 0.0

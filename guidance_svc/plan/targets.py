"""From perigee, apogee and cutoff altitude to the cutoff that insertion aims for."""

from __future__ import annotations

from math import atan2, sqrt
from typing import Literal

from guidance_svc.domain import Body, PlaneMode, Target
from guidance_svc.errors import ConfigError


def resolve_target(
    body: Body,
    perigee_altitude_m: float,
    apogee_altitude_m: float,
    cutoff_altitude_m: float | None = None,
    cutoff_side: Literal["ascending", "descending"] = "ascending",
    plane: PlaneMode = "free",
    inclination_rad: float = 0.0,
    node_rad: float = 0.0,
) -> Target:
    """The inertial radius, speed and flight-path angle at cutoff on the osculating ellipse.

    Args:
        perigee_altitude_m, apogee_altitude_m: above the body's equatorial radius.
        cutoff_altitude_m: between the two; None means at perigee.
        cutoff_side: on the way up from perigee or down from apogee; no difference at an apsis.
        inclination_rad, node_rad: held as far as `plane` says.

    Raises:
        ConfigError: the ellipse meets the surface, its apsides are swapped, or the cutoff lies outside it.

    Source: vis-viva, v^2 = mu (2/r - 1/a), and angular momentum h^2 = mu p, with 2 a = rp + ra and
        a p = rp ra, which give the radial speed v_r^2 = mu (r - rp)(ra - r) / (a r^2); Bate, Mueller and
        White, Fundamentals of Astrodynamics, sections 1.4 to 1.6.
    Accuracy: rounding; no cancellation at the apsides.

    >>> earth = Body("earth", 3.986004418e14, 6378137.0)
    >>> target = resolve_target(earth, 200e3, 500e3)
    >>> round(target.cutoff_speed_m_s, 2), target.cutoff_flight_path_angle_rad
    (7870.56, 0.0)
    """
    _check_ellipse(body, perigee_altitude_m, apogee_altitude_m, cutoff_altitude_m)
    perigee_m = body.radius_m + perigee_altitude_m
    apogee_m = body.radius_m + apogee_altitude_m
    cutoff_m = perigee_m if cutoff_altitude_m is None else body.radius_m + cutoff_altitude_m
    semi_axis_m = 0.5 * (perigee_m + apogee_m)
    along_m_s = sqrt(body.mu_m3_s2 * perigee_m * apogee_m / semi_axis_m) / cutoff_m
    radial_m_s = sqrt(body.mu_m3_s2 * (cutoff_m - perigee_m) * (apogee_m - cutoff_m) / semi_axis_m) / cutoff_m
    return Target(
        perigee_radius_m=perigee_m,
        apogee_radius_m=apogee_m,
        cutoff_radius_m=cutoff_m,
        cutoff_speed_m_s=sqrt(body.mu_m3_s2 * (2.0 / cutoff_m - 1.0 / semi_axis_m)),
        cutoff_flight_path_angle_rad=atan2(radial_m_s if cutoff_side == "ascending" else -radial_m_s, along_m_s),
        plane=plane,
        inclination_rad=inclination_rad,
        node_rad=node_rad,
    )


def _check_ellipse(body: Body, perigee_m: float, apogee_m: float, cutoff_m: float | None) -> None:
    if perigee_m <= 0.0:
        expected = f"above 0 km, the surface of {body.name} at its equator"
        raise ConfigError("perigee_under_surface", "target.perigee_altitude_km", expected, _km(perigee_m))
    if apogee_m < perigee_m:
        expected = f"at least the perigee, {_km(perigee_m)}; a circular target has both equal"
        raise ConfigError("apsides_swapped", "target.apogee_altitude_km", expected, _km(apogee_m))
    if cutoff_m is not None and not perigee_m <= cutoff_m <= apogee_m:
        expected = f"between perigee and apogee, {_km(perigee_m)} to {_km(apogee_m)}"
        raise ConfigError("cutoff_off_ellipse", "target.cutoff_altitude_km", expected, _km(cutoff_m))


def _km(length_m: float) -> str:
    return f"{length_m / 1000.0:g} km"

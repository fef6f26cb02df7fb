"""Two-body orbits: elements, apsides, times to the apsides, propagation, speeds on an ellipse.

Source of the formulas: Vallado, Fundamentals of Astrodynamics and Applications, 4th ed., chapter 2;
the forms in e cos E and e sin E are chosen so that nothing cancels on nearly circular orbits.
"""

from __future__ import annotations

from math import atan2, cos, inf, isfinite, log, pi, sin, sinh, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import kernel
from guidance_svc.core.vectors import along, cross, dot, norm, scale, unit
from guidance_svc.domain import Body, OrbitReport, Vec
from guidance_svc.errors import GuidanceError, OrbitNotClosed

TWO_PI = 2.0 * pi
EQUATORIAL_SINE = 1e-11  # below this sine of the inclination the node is the x axis; 0.1 mm at a low orbit
SERIES_LIMIT = 1.0  # |psi| below which the Stumpff functions are summed, where the closed forms cancel


class Elements(NamedTuple):
    """Classical elements of a conic, all angles in [0, 2 pi) but the inclination, in [0, pi].

    Args:
        semi_major_axis_m: negative on a hyperbola, infinite on a parabola.
        semi_latus_rectum_m: defined on every conic.

    On an equatorial orbit the node is the x axis; on an exactly circular one the perigee is the node.
    """

    semi_major_axis_m: float
    eccentricity: float
    inclination_rad: float
    node_rad: float
    argument_of_perigee_rad: float
    true_anomaly_rad: float
    semi_latus_rectum_m: float


@kernel
def shape(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> tuple[float, float, float]:
    """Semi-latus rectum in m, e cos(true anomaly), e sin(true anomaly) of the osculating conic."""
    r = norm(position_m)
    h = norm(cross(position_m, velocity_m_s))
    semi_latus_rectum_m = h * h / mu_m3_s2
    return (semi_latus_rectum_m, semi_latus_rectum_m / r - 1.0, h * dot(position_m, velocity_m_s) / (r * mu_m3_s2))


@kernel
def semi_major_axis_m(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> float:
    """Semi-major axis, m; negative on a hyperbola, infinite on an exact parabola."""
    inverse = 2.0 / norm(position_m) - dot(velocity_m_s, velocity_m_s) / mu_m3_s2
    return inf if inverse == 0.0 else 1.0 / inverse


@kernel
def apsides(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> tuple[float, float]:
    """Perigee and apogee radius of the osculating orbit, m; the apogee is infinite on an escape path.

    >>> perigee, apogee = apsides((6.6e6, 0.0, 0.0), (0.0, 7829.0, 0.0), 3.986004418e14)
    >>> round(perigee / 1e3, 1), round(apogee / 1e3, 1)
    (6600.0, 6799.5)
    """
    semi_latus_rectum_m, e_cos, e_sin = shape(position_m, velocity_m_s, mu_m3_s2)
    eccentricity = sqrt(e_cos * e_cos + e_sin * e_sin)
    apogee_m = semi_latus_rectum_m / (1.0 - eccentricity) if eccentricity < 1.0 else inf
    return (semi_latus_rectum_m / (1.0 + eccentricity), apogee_m)


@kernel
def inclination_rad(position_m: Vec, velocity_m_s: Vec) -> float:
    """Angle between the orbit's plane and the equator, [0, pi]."""
    h = cross(position_m, velocity_m_s)
    return atan2(sqrt(h[0] * h[0] + h[1] * h[1]), h[2])


@kernel
def node_rad(position_m: Vec, velocity_m_s: Vec) -> float:
    """Right ascension of the ascending node from the BCI x axis, [0, 2 pi); 0 for an equatorial orbit."""
    h = cross(position_m, velocity_m_s)
    if sqrt(h[0] * h[0] + h[1] * h[1]) <= EQUATORIAL_SINE * norm(h):
        return 0.0
    return wrap_angle(atan2(h[0], -h[1]))


@kernel
def wrap_angle(angle_rad: float) -> float:
    """The same angle in [0, 2 pi)."""
    turned = angle_rad % TWO_PI
    return turned if turned < TWO_PI else 0.0


def elements(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> Elements:
    """Osculating elements of a state.

    Args:
        position_m, velocity_m_s: BCI.
        mu_m3_s2: gravitational parameter, > 0.

    Returns:
        Elements, true for circular, equatorial and open orbits too (see there).

    Source: Vallado, 4th ed., algorithm 9, with the angles by atan2 in the plane of the orbit.
    Accuracy: state -> elements -> state within 1e-4 m at low orbit (equatorial limit), else 1e-8 m.

    >>> orbit = elements((6.6e6, 0.0, 0.0), (0.0, 7829.0, 0.0), 3.986004418e14)
    >>> round(orbit.eccentricity, 4), round(orbit.inclination_rad, 4)
    (0.0149, 0.0)
    """
    semi_latus_rectum_m, e_cos, e_sin = shape(position_m, velocity_m_s, mu_m3_s2)
    node = node_rad(position_m, velocity_m_s)
    toward_node = (cos(node), sin(node), 0.0)
    ahead_of_node = cross(unit(cross(position_m, velocity_m_s)), toward_node)
    latitude_argument = atan2(dot(position_m, ahead_of_node), dot(position_m, toward_node))
    circular = e_cos == 0.0 and e_sin == 0.0
    anomaly = latitude_argument if circular else atan2(e_sin, e_cos)
    return Elements(
        semi_major_axis_m=semi_major_axis_m(position_m, velocity_m_s, mu_m3_s2),
        eccentricity=sqrt(e_cos * e_cos + e_sin * e_sin),
        inclination_rad=inclination_rad(position_m, velocity_m_s),
        node_rad=node,
        argument_of_perigee_rad=wrap_angle(latitude_argument - anomaly),
        true_anomaly_rad=wrap_angle(anomaly),
        semi_latus_rectum_m=semi_latus_rectum_m,
    )


@kernel
def state_at(
    semi_latus_rectum_m: float,
    eccentricity: float,
    inclination_rad: float,
    node_rad: float,
    argument_of_perigee_rad: float,
    true_anomaly_rad: float,
    mu_m3_s2: float,
) -> tuple[Vec, Vec]:
    """Position (m) and velocity (m/s), BCI, of a point on a conic of any kind.

    Source: Vallado, 4th ed., algorithm 10.
    """
    node, ahead = node_rad, argument_of_perigee_rad + true_anomaly_rad
    toward_node = (cos(node), sin(node), 0.0)
    toward_top = (-sin(node) * cos(inclination_rad), cos(node) * cos(inclination_rad), sin(inclination_rad))
    outward = along(scale(cos(ahead), toward_node), sin(ahead), toward_top)
    forward = along(scale(-sin(ahead), toward_node), cos(ahead), toward_top)
    radius_m = semi_latus_rectum_m / (1.0 + eccentricity * cos(true_anomaly_rad))
    unit_speed = sqrt(mu_m3_s2 / semi_latus_rectum_m)
    radial_m_s = unit_speed * eccentricity * sin(true_anomaly_rad)
    along_m_s = unit_speed * (1.0 + eccentricity * cos(true_anomaly_rad))
    return (scale(radius_m, outward), along(scale(radial_m_s, outward), along_m_s, forward))


def state_from_elements(orbit: Elements, mu_m3_s2: float) -> tuple[Vec, Vec]:
    """Position (m) and velocity (m/s), BCI, from elements; the inverse of `elements`."""
    return state_at(
        orbit.semi_latus_rectum_m,
        orbit.eccentricity,
        orbit.inclination_rad,
        orbit.node_rad,
        orbit.argument_of_perigee_rad,
        orbit.true_anomaly_rad,
        mu_m3_s2,
    )


@kernel
def mean_anomaly_rad(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> float:
    """Mean anomaly of a closed orbit, [-pi, pi]."""
    axis_m = semi_major_axis_m(position_m, velocity_m_s, mu_m3_s2)
    e_cos = norm(position_m) * dot(velocity_m_s, velocity_m_s) / mu_m3_s2 - 1.0
    e_sin = dot(position_m, velocity_m_s) / sqrt(mu_m3_s2 * axis_m)
    return atan2(e_sin, e_cos) - e_sin


def period_s(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> float:
    """Period of the osculating orbit, s; raises OrbitNotClosed on an escape path."""
    axis_m = semi_major_axis_m(position_m, velocity_m_s, mu_m3_s2)
    if not 0.0 < axis_m < inf:
        raise OrbitNotClosed(
            "orbit_not_closed", "velocity_m_s", "a speed below escape", f"{norm(velocity_m_s):.6g} m/s"
        )
    return TWO_PI * sqrt(axis_m / mu_m3_s2) * axis_m


def time_to_apoapsis(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> float:
    """Time from now to the next apoapsis on a two-body orbit.

    Args:
        position_m: from the body centre, inertial frame.
        velocity_m_s: same frame.
        mu_m3_s2: gravitational parameter, > 0.

    Returns:
        Seconds in [0, period).

    Raises:
        OrbitNotClosed: the state is parabolic or hyperbolic.

    Source: Kepler's equation; Vallado, 4th ed., section 2.2.

    >>> round(time_to_apoapsis((6.6e6, 0.0, 0.0), (0.0, 7829.0, 0.0), 3.986004418e14), 1)
    2728.8
    """
    period = period_s(position_m, velocity_m_s, mu_m3_s2)
    ahead = (pi - mean_anomaly_rad(position_m, velocity_m_s, mu_m3_s2)) / TWO_PI
    return ahead * period if ahead < 1.0 else 0.0


def time_to_periapsis(position_m: Vec, velocity_m_s: Vec, mu_m3_s2: float) -> float:
    """Time from now to the next periapsis, seconds in [0, period); raises OrbitNotClosed on an escape path."""
    period = period_s(position_m, velocity_m_s, mu_m3_s2)
    ahead = -mean_anomaly_rad(position_m, velocity_m_s, mu_m3_s2) / TWO_PI
    ahead = ahead if ahead >= 0.0 else 1.0 + ahead
    return ahead * period if ahead < 1.0 else 0.0


@kernel
def stumpff(psi: float) -> tuple[float, float]:
    """The Stumpff functions c2 and c3 (Vallado, 4th ed., section 2.2.3)."""
    if psi > SERIES_LIMIT:
        root = sqrt(psi)
        half = sin(0.5 * root)
        return (2.0 * half * half / psi, (root - sin(root)) / (psi * root))
    if psi < -SERIES_LIMIT:
        root = sqrt(-psi)
        half = sinh(0.5 * root)
        return (-2.0 * half * half / psi, (root - sinh(root)) / (psi * root))
    c2, c3, term = 0.0, 0.0, 0.5
    for n in range(10):
        c2 += term
        term /= 2.0 * n + 3.0
        c3 += term
        term *= -psi / (2.0 * n + 4.0)
    return (c2, c3)


@kernel
def first_guess(radius_m: float, moment_m2_s: float, alpha: float, time_s: float, mu_m3_s2: float) -> float:
    """Universal variable to start from, for a positive time; `alpha` is 1 / semi-major axis."""
    if alpha >= 0.0:
        return sqrt(mu_m3_s2) * time_s * max(alpha, 1e-3 / radius_m)
    root = sqrt(-1.0 / alpha)
    reach = -2.0 * mu_m3_s2 * alpha * time_s / (moment_m2_s + sqrt(mu_m3_s2) * root * (1.0 - radius_m * alpha))
    return root * log(reach) if reach > 2.0 else sqrt(mu_m3_s2) * time_s / radius_m


@kernel
def universal_variable(position_m: Vec, velocity_m_s: Vec, time_s: float, mu_m3_s2: float) -> float:
    """Universal variable after `time_s` >= 0: Newton's method kept inside a shrinking bracket, at most 100 steps.

    Time rises with the variable at the rate radius / sqrt(mu), so that the perigee radius bounds the answer.
    """
    r0 = norm(position_m)
    moment = dot(position_m, velocity_m_s)
    alpha = 2.0 / r0 - dot(velocity_m_s, velocity_m_s) / mu_m3_s2
    root_mu = sqrt(mu_m3_s2)
    perigee_m, _ = apsides(position_m, velocity_m_s, mu_m3_s2)
    low, high = 0.0, root_mu * time_s / max(perigee_m, 1e-9 * r0)
    if alpha < 0.0:
        high = min(high, 600.0 / sqrt(-alpha))  # exp(600) still is a float
    chi = min(first_guess(r0, moment, alpha, time_s, mu_m3_s2), high)
    for _ in range(100):
        psi = chi * chi * alpha
        c2, c3 = stumpff(psi)
        radius = chi * chi * c2 + moment / root_mu * chi * (1.0 - psi * c3) + r0 * (1.0 - psi * c2)
        excess = (
            chi * chi * chi * c3 + moment / root_mu * chi * chi * c2 + r0 * chi * (1.0 - psi * c3) - root_mu * time_s
        )
        if excess > 0.0:
            high = chi
        else:
            low = chi
        new = chi - excess / radius
        if not low <= new <= high:
            new = 0.5 * (low + high)
        if abs(new - chi) <= 1e-15 * abs(new) or new == low == high:
            return new
        chi = new
    return chi


@kernel
def propagate(position_m: Vec, velocity_m_s: Vec, time_s: float, mu_m3_s2: float) -> tuple[Vec, Vec]:
    """Two-body motion over a time of either sign, on every conic.

    Args:
        position_m, velocity_m_s: inertial.
        time_s: how far to go; negative goes back.
        mu_m3_s2: gravitational parameter, > 0.

    Returns:
        Position (m) and velocity (m/s).

    Source: universal variables; Vallado, 4th ed., algorithm 8.

    >>> there, _ = propagate((7.0e6, 0.0, 0.0), (0.0, 7546.0, 0.0), 5828.5, 3.986e14)
    >>> there[0] > 6.99e6
    True
    """
    if time_s < 0.0:
        back, speed = propagate_ahead(position_m, scale(-1.0, velocity_m_s), -time_s, mu_m3_s2)
        return (back, scale(-1.0, speed))
    return propagate_ahead(position_m, velocity_m_s, time_s, mu_m3_s2)


@kernel
def propagate_ahead(position_m: Vec, velocity_m_s: Vec, time_s: float, mu_m3_s2: float) -> tuple[Vec, Vec]:
    """`propagate` for a time >= 0; whole revolutions of a closed orbit are left out."""
    axis_m = semi_major_axis_m(position_m, velocity_m_s, mu_m3_s2)
    if 0.0 < axis_m < inf:
        time_s = time_s % (TWO_PI * sqrt(axis_m / mu_m3_s2) * axis_m)
    if time_s == 0.0:
        return (position_m, velocity_m_s)
    r0 = norm(position_m)
    root_mu = sqrt(mu_m3_s2)
    chi = universal_variable(position_m, velocity_m_s, time_s, mu_m3_s2)
    psi = chi * chi / axis_m
    c2, c3 = stumpff(psi)
    f = 1.0 - chi * chi * c2 / r0
    g = time_s - chi * chi * chi * c3 / root_mu
    there = along(scale(f, position_m), g, velocity_m_s)
    r = norm(there)
    f_rate = root_mu * chi * (psi * c3 - 1.0) / (r * r0)
    g_rate = 1.0 - chi * chi * c2 / r
    return (there, along(scale(f_rate, position_m), g_rate, velocity_m_s))


@kernel
def vis_viva_speed(radius_m: float, semi_major_axis_m: float, mu_m3_s2: float) -> float:
    """Speed at a radius of an orbit, m/s; an infinite semi-major axis gives the escape speed."""
    return sqrt(mu_m3_s2 * (2.0 / radius_m - 1.0 / semi_major_axis_m))


def ellipse_speed_and_angle(
    radius_m: float, perigee_radius_m: float, apogee_radius_m: float, mu_m3_s2: float
) -> tuple[float, float]:
    """Speed (m/s) and flight-path angle (rad, >= 0: the rising branch) at a radius of an ellipse.

    Raises:
        GuidanceError: the ellipse does not pass through the radius.

    >>> speed, angle = ellipse_speed_and_angle(6.6e6, 6.6e6, 6.8e6, 3.986004418e14)
    >>> round(speed, 1), angle
    (7829.1, 0.0)
    """
    if not (0.0 < perigee_radius_m <= radius_m <= apogee_radius_m and isfinite(apogee_radius_m)):
        limits = f"0 < perigee <= radius <= apogee, {perigee_radius_m:.3f} to {apogee_radius_m:.3f} m"
        raise GuidanceError("radius_not_on_ellipse", "radius_m", limits, f"{radius_m:.3f} m")
    axis_m = 0.5 * (perigee_radius_m + apogee_radius_m)
    level_m_s = sqrt(mu_m3_s2 * perigee_radius_m * apogee_radius_m / axis_m) / radius_m
    rise = (radius_m - perigee_radius_m) * (apogee_radius_m - radius_m)
    climb_m_s = sqrt(mu_m3_s2 / axis_m * rise) / radius_m
    return (sqrt(level_m_s * level_m_s + climb_m_s * climb_m_s), atan2(climb_m_s, level_m_s))


def orbit_report(position_m: Vec, velocity_m_s: Vec, body: Body) -> OrbitReport:
    """The osculating orbit of a state (BCI); on an escape path the apogee is infinite, period and time None."""
    perigee_m, apogee_m = apsides(position_m, velocity_m_s, body.mu_m3_s2)
    closed = isfinite(apogee_m) and 0.0 < semi_major_axis_m(position_m, velocity_m_s, body.mu_m3_s2) < inf
    return OrbitReport(
        perigee_altitude_m=perigee_m - body.radius_m,
        apogee_altitude_m=apogee_m - body.radius_m,
        inclination_rad=inclination_rad(position_m, velocity_m_s),
        node_rad=node_rad(position_m, velocity_m_s),
        period_s=period_s(position_m, velocity_m_s, body.mu_m3_s2) if closed else None,
        time_to_apoapsis_s=time_to_apoapsis(position_m, velocity_m_s, body.mu_m3_s2) if closed else None,
    )

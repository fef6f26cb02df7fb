"""Mean and osculating elements under zonal harmonics, and the secular rates of the mean ones.

Secular rates: Brouwer 1959 (Solution of the problem of artificial satellite theory without drag, Astronomical Journal
64), J2 to second order and J4 to first; J3 turns the eccentricity vector about the frozen orbit's. The oscillation
within a revolution is of first order in every zonal: the rates of the elements are taken along the mean ellipse by
differences, freed of their average and integrated as a Fourier series. The mean semi-major axis then follows from the
energy, which a zonal field keeps, so that it is good to the second order.
"""

from __future__ import annotations

from dataclasses import replace
from math import atan2, cos, hypot, pi, sin, sqrt, tan

import numpy as np

from guidance_svc.core.kepler import wrap_angle
from guidance_svc.core.vectors import norm
from guidance_svc.errors import NotConverged, OrbitNotClosed
from guidance_svc.orbits.values import Field, MeanOrbit, OrbitState
from guidance_svc.orbits.zonal import Array, disturbance, energy

NUDGE_M_S = 1e-2  # of the speed in the differences: 1e-6 of it, so the square drops out
TOLERANCE = 1e-12  # of elements, between rounds of osculating to mean


def equinoctial(r: Array, v: Array, mu_m3_s2: float) -> Array:
    """Elements without singularity but at inclination pi: rows a, e-vector (2), node vector (2), mean longitude.

    Args:
        r, v: shape (3, n), BCI, m and m/s.

    Source: Broucke and Cefola 1972, On the equinoctial orbit elements, Celestial Mechanics 5.
    """
    moment = np.cross(r, v, axis=0)
    size = np.sqrt((moment**2).sum(0))
    axis = moment / size
    q, p = -axis[1] / (1.0 + axis[2]), axis[0] / (1.0 + axis[2])
    k = 1.0 + p * p + q * q
    f = np.array([1.0 - p * p + q * q, 2.0 * p * q, -2.0 * p]) / k
    g = np.array([2.0 * p * q, 1.0 + p * p - q * q, 2.0 * q]) / k
    radius = np.sqrt((r**2).sum(0))
    excentric = np.cross(v, moment, axis=0) / mu_m3_s2 - r / radius
    a = 1.0 / (2.0 / radius - (v**2).sum(0) / mu_m3_s2)
    ex, ey = (excentric * f).sum(0), (excentric * g).sum(0)
    x, y = (r * f).sum(0), (r * g).sum(0)
    root = np.sqrt(1.0 - ex * ex - ey * ey)
    beta = 1.0 / (1.0 + root)
    cos_f = ex + ((1.0 - ex * ex * beta) * x - ex * ey * beta * y) / (a * root)
    sin_f = ey + ((1.0 - ey * ey * beta) * y - ex * ey * beta * x) / (a * root)
    longitude = np.arctan2(sin_f, cos_f) + ey * cos_f - ex * sin_f
    return np.array([a, ex, ey, q, p, longitude])


def from_equinoctial(elements: Array, mu_m3_s2: float) -> tuple[Array, Array]:
    """Positions and velocities, each of shape (3, n), from rows of elements; the inverse of `equinoctial`."""
    a, ex, ey, q, p, longitude = elements
    f = longitude.copy()
    for _ in range(50):
        step = (f - ex * np.sin(f) + ey * np.cos(f) - longitude) / (1.0 - ex * np.cos(f) - ey * np.sin(f))
        f = f - step
        if np.abs(step).max() < 1e-15:
            break
    beta = 1.0 / (1.0 + np.sqrt(1.0 - ex * ex - ey * ey))
    c, s = np.cos(f), np.sin(f)
    n_a = np.sqrt(mu_m3_s2 / a)
    away = 1.0 - ex * c - ey * s
    x = a * ((1.0 - ey * ey * beta) * c + ex * ey * beta * s - ex)
    y = a * ((1.0 - ex * ex * beta) * s + ex * ey * beta * c - ey)
    vx = n_a / away * (ex * ey * beta * c - (1.0 - ey * ey * beta) * s)
    vy = n_a / away * ((1.0 - ex * ex * beta) * c - ex * ey * beta * s)
    k = 1.0 + p * p + q * q
    u = np.array([1.0 - p * p + q * q, 2.0 * p * q, -2.0 * p]) / k
    w = np.array([2.0 * p * q, 1.0 + p * p - q * q, 2.0 * q]) / k
    return x * u + y * w, vx * u + vy * w


def oscillation(mean: Array, field: Field) -> Array:
    """What to add to the mean elements (6) to have the osculating ones."""
    a, ex, ey = mean[0], mean[1], mean[2]
    mu_m3_s2, e = field.body.mu_m3_s2, hypot(ex, ey)
    count = 64 if e < 0.05 else 256 if e < 0.5 else 1024
    path = np.repeat(mean[:, None], count, axis=1)
    path[5] = mean[5] + 2.0 * pi * np.arange(count) / count
    r, v = from_equinoctial(path, mu_m3_s2)
    pull = disturbance(r, field)
    nudge = NUDGE_M_S / max(float(np.sqrt((pull**2).sum(0)).max()), 1e-30)
    change = equinoctial(r, v + nudge * pull, mu_m3_s2) - equinoctial(r, v - nudge * pull, mu_m3_s2)
    change[5] = (change[5] + pi) % (2.0 * pi) - pi
    n = sqrt(mu_m3_s2 / a) / a
    wave = np.fft.rfft(change / (2.0 * nudge * n), axis=1) / count
    wave[:, 0] = 0.0
    over = np.arange(wave.shape[1]) * 1j
    over[0] = 1.0
    size = wave / over
    size[5] += -1.5 / a * size[0] / over  # the mean motion follows the semi-major axis
    size[:, 0] = 0.0
    return np.asarray(2.0 * size[:, :-1].sum(1).real)


def pack_elements(mean: MeanOrbit) -> Array:
    """Mean elements as equinoctial ones."""
    direction = mean.perigee_rad + mean.node_rad
    tilt = tan(0.5 * mean.inclination_rad)
    return np.array([
        mean.semi_major_m, mean.eccentricity * cos(direction), mean.eccentricity * sin(direction),
        tilt * cos(mean.node_rad), tilt * sin(mean.node_rad), mean.mean_anomaly_rad + direction,
    ])  # fmt: skip


def unpack_elements(elements: Array, epoch_s: float) -> MeanOrbit:
    """Equinoctial elements as mean ones."""
    a, ex, ey, q, p, longitude = (float(x) for x in elements)
    node = wrap_angle(atan2(p, q)) if hypot(p, q) > 0.0 else 0.0
    direction = atan2(ey, ex) if hypot(ex, ey) > 0.0 else node
    inclination = 2.0 * atan2(hypot(p, q), 1.0)
    perigee = wrap_angle(direction - node)
    return MeanOrbit(epoch_s, a, hypot(ex, ey), inclination, node, perigee, wrap_angle(longitude - direction))


def osculating_of_mean(mean: MeanOrbit, field: Field) -> OrbitState:
    """The osculating state at the mean orbit's own epoch."""
    elements = pack_elements(mean)
    r, v = from_equinoctial((elements + oscillation(elements, field))[:, None], field.body.mu_m3_s2)
    x, y, z = (float(c) for c in r[:, 0])
    vx, vy, vz = (float(c) for c in v[:, 0])
    return OrbitState(mean.epoch_s, (x, y, z), (vx, vy, vz))


def mean_of(osculating: OrbitState, field: Field) -> MeanOrbit:
    """Mean elements of an osculating state.

    Raises:
        OrbitNotClosed: an escape path.
        NotConverged: the oscillation is not small beside the orbit (a body far flatter than any planet).

    Accuracy: the node within 0.002 deg of the average of an integrated revolution for low orbits of the Earth
        (tests/reference/test_against_plane_drift.py).
    """
    mu_m3_s2 = field.body.mu_m3_s2
    if norm(osculating.velocity_m_s) ** 2 * norm(osculating.position_m) >= 2.0 * mu_m3_s2:
        raise OrbitNotClosed("orbit_not_closed", "velocity_m_s", "less than escape speed", osculating.velocity_m_s)
    r, v = (np.array(vector)[:, None] for vector in (osculating.position_m, osculating.velocity_m_s))
    there = equinoctial(r, v, mu_m3_s2)[:, 0]
    total = float(energy(r, v, field)[0])
    mean = there.copy()
    for _ in range(60):
        new = there - oscillation(mean, field)
        if not hypot(new[1], new[2]) < 1.0:
            break
        new[0] = semi_major_of_energy(total, unpack_elements(new, 0.0), field)
        if not new[0] > 0.0:
            break
        scale = 1.0 + new[3] * new[3] + new[4] * new[4]  # of tan(i / 2): rounding grows so towards 180 deg
        moved = np.abs((new - mean) / np.array([new[0], scale, scale, scale, scale, scale])).max()
        mean = new
        if moved < TOLERANCE:
            return unpack_elements(mean, osculating.time_s)
    raise NotConverged("mean_elements", "zonals", "harmonics small beside 1", field.zonals)


def semi_major_of_energy(energy_j_kg: float, mean: MeanOrbit, field: Field) -> float:
    """The mean semi-major axis, m, whose averaged energy is this one; Newton on the two-body part.

    Source: the averaged Hamiltonian of Brouwer 1959; the use of the energy for the mean motion, Breakwell and Vagners
        1970, On error bounds and initialization in satellite orbit theories, Celestial Mechanics 2.
    """
    mu_m3_s2, a = field.body.mu_m3_s2, mean.semi_major_m
    for _ in range(20):
        disturbed = averaged_disturbance(replace(mean, semi_major_m=a), field)
        new = -0.5 * mu_m3_s2 / (energy_j_kg + disturbed)
        if abs(new - a) <= 1e-14 * a:
            return new
        a = new
    return a


def averaged_disturbance(mean: MeanOrbit, field: Field) -> float:
    """Average over a revolution of minus the disturbing energy, m2/s2: J2 to second order, J4."""
    (j2, _, j4), mu_m3_s2 = field.zonals, field.body.mu_m3_s2
    eta = sqrt(1.0 - mean.eccentricity**2)
    t2 = cos(mean.inclination_rad) ** 2
    y2 = 0.5 * j2 * (field.body.radius_m / mean.semi_major_m) ** 2
    y4 = -0.375 * j4 * (field.body.radius_m / mean.semi_major_m) ** 4
    first = y2 * (1.5 * t2 - 0.5) / eta**3
    second = y2 * y2 * (
        15.0 / 32.0 * (1.0 - 3.6 * t2 + t2 * t2) / eta**5
        + 0.375 * (1.0 - 6.0 * t2 + 9.0 * t2 * t2) / eta**6
        - 15.0 / 32.0 * (1.0 - 2.0 * t2 - 7.0 * t2 * t2) / eta**7
    )  # fmt: skip
    fourth = y4 / 16.0 * (5.0 / eta**7 - 3.0 / eta**5) * (3.0 - 30.0 * t2 + 35.0 * t2 * t2)
    return mu_m3_s2 / mean.semi_major_m * (first + second + fourth)


def rates(mean: MeanOrbit, field: Field) -> tuple[float, float, float]:
    """Secular rates of node, perigee and mean anomaly, rad/s: J2 to second order and J4.

    Moon and Sun are left out: they change the node of a 500 km orbit by 1e-3 deg in ten days (tests/reference).

    Source: Brouwer 1959, with k2 = J2 R^2 / 2 and k4 = -3 J4 R^4 / 8.
    """
    (j2, _, j4), a = field.zonals, mean.semi_major_m
    h = sqrt(1.0 - mean.eccentricity**2)
    t = cos(mean.inclination_rad)
    n = sqrt(field.body.mu_m3_s2 / a) / a
    y2 = 0.5 * j2 * (field.body.radius_m / a) ** 2 / h**4
    y4 = -0.375 * j4 * (field.body.radius_m / a) ** 4 / h**8
    t2, t4 = t * t, t**4
    node = -3.0 * y2 * t
    node += 0.375 * y2 * y2 * ((-5.0 + 12.0 * h + 9.0 * h * h) * t + (-35.0 - 36.0 * h - 5.0 * h * h) * t * t2)
    node += 1.25 * y4 * (5.0 - 3.0 * h * h) * t * (3.0 - 7.0 * t2)
    perigee = 1.5 * y2 * (-1.0 + 5.0 * t2)
    perigee += 3.0 / 32.0 * y2 * y2 * (
        -35.0 + 24.0 * h + 25.0 * h * h
        + (90.0 - 192.0 * h - 126.0 * h * h) * t2 + (385.0 + 360.0 * h + 45.0 * h * h) * t4
    )  # fmt: skip
    perigee += 0.3125 * y4 * (21.0 - 9.0 * h * h + (-270.0 + 126.0 * h * h) * t2 + (385.0 - 189.0 * h * h) * t4)
    anomaly = 1.0 + 1.5 * y2 * h * (-1.0 + 3.0 * t2)
    anomaly += 3.0 / 32.0 * y2 * y2 * h * (
        -15.0 + 16.0 * h + 25.0 * h * h
        + (30.0 - 96.0 * h - 90.0 * h * h) * t2 + (105.0 + 144.0 * h + 25.0 * h * h) * t4
    )  # fmt: skip
    anomaly += 0.9375 * y4 * h * mean.eccentricity**2 * (3.0 - 30.0 * t2 + 35.0 * t4)
    return n * node, n * perigee, n * anomaly


def advance_orbit(mean: MeanOrbit, time_s: float, field: Field) -> MeanOrbit:
    """The mean orbit at another time: node and phase run on evenly, the eccentricity vector turns about the frozen one.

    J3 tilts and turns the plane of an ellipse a little as its perigee goes round; that is in it too.

    Source: rates as in `rates`; frozen eccentricity -J3 R sin i / (2 J2 a), Cook 1966, Planetary and Space Science 14;
        J3's part by Lagrange's equations from its averaged potential, Kaula 1966, Theory of Satellite Geodesy, 3.3.
    """
    node_rate, perigee_rate, anomaly_rate = rates(mean, field)
    centre, span = frozen_eccentricity(mean, field), time_s - mean.epoch_s
    x0, y0 = mean.eccentricity * cos(mean.perigee_rad), mean.eccentricity * sin(mean.perigee_rad) - centre
    turned = perigee_rate * span
    c, s = cos(turned), sin(turned)
    x, y = c * x0 - s * y0, s * x0 + c * y0
    still = abs(turned) < 1e-9  # sums of the vector over the span
    sum_x, sum_y = (x0 * span, y0 * span) if still else ((y - y0) / perigee_rate, (x0 - x) / perigee_rate)
    tilt, aside = slow_turn(mean, field, sum_x, sum_y + centre * span)
    inclination = hypot(mean.inclination_rad + tilt, aside)  # on a nearly equatorial orbit it is the vector that moves
    turn = atan2(aside, sin(mean.inclination_rad) + tilt * cos(mean.inclination_rad))
    perigee = atan2(y + centre, x) - turn * cos(mean.inclination_rad)
    ahead = mean.perigee_rad + mean.mean_anomaly_rad + (perigee_rate + anomaly_rate) * span
    ahead -= turn * cos(mean.inclination_rad)
    return MeanOrbit(
        time_s, mean.semi_major_m, hypot(x, y + centre), inclination,
        wrap_angle(mean.node_rad + node_rate * span + turn), wrap_angle(perigee), wrap_angle(ahead - perigee),
    )  # fmt: skip


def frozen_eccentricity(mean: MeanOrbit, field: Field) -> float:
    """Where the eccentricity vector stands still, towards the northernmost point; negative: the southernmost."""
    j2, j3, _ = field.zonals
    if j2 == 0.0:
        return 0.0
    return -0.5 * j3 / j2 * field.body.radius_m / mean.semi_major_m * sin(mean.inclination_rad)


def slow_turn(mean: MeanOrbit, field: Field, sum_x_s: float, sum_y_s: float) -> tuple[float, float]:
    """What J3 adds to inclination, and to node times sin(inclination), rad, from the eccentricity's sums over time."""
    s, c, a = sin(mean.inclination_rad), cos(mean.inclination_rad), mean.semi_major_m
    n = sqrt(field.body.mu_m3_s2 / a) / a
    size = 1.5 * n * field.zonals[1] * (field.body.radius_m / (a * (1.0 - mean.eccentricity**2))) ** 3
    return size * sum_x_s * c * (1.0 - 1.25 * s * s), size * sum_y_s * c * (1.0 - 3.75 * s * s)

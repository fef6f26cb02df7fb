"""Drift: integrator against DOP853, theory against integrator, forwards and backwards; refusals.

The gravity field: WGS-84 mu and radius (NIMA TR8350.2), zonals of EGM96 (NASA/TP-1998-206861), unnormalised.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import acos, cos, degrees, pi, radians, sin, sqrt

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.kepler import elements, propagate
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Body
from guidance_svc.errors import ConfigError, NotConverged, OrbitNotClosed
from guidance_svc.orbits.drift import (
    Field,
    MeanOrbit,
    OrbitState,
    advance_orbit,
    circular,
    daily_angles,
    field_of,
    integrate_orbit,
    mean_of,
    node_needed_rad,
    osculating_of,
    plane_angle_rad,
    rates,
    sun_synchronous_inclination_rad,
)
from guidance_svc.orbits.timescale import epoch_of

SLOW = pytest.mark.slow

EARTH = Body("Earth", 3.986004418e14, 6378137.0, j2=1.0826266835531513e-3, rotation_rad_s=7.292115e-5)
J2, J3, J4 = 1.0826266835531513e-3, -2.5326564853322355e-6, -1.619621591367e-6
FIELD = Field(EARTH, (J2, J3, J4))
BALL = Field(EARTH)
TEN_DAYS_S = 10.0 * SECONDS_PER_DAY
NODE_DEG = 0.01  # what the project promises after ten days


def off_deg(a_rad: float, b_rad: float) -> float:
    return degrees(abs((a_rad - b_rad + pi) % (2.0 * pi) - pi))


def orbit(height_km: float, e: float, tilt_deg: float) -> MeanOrbit:
    """A mean orbit with its perigee at a height."""
    return MeanOrbit(0.0, (EARTH.radius_m + 1e3 * height_km) / (1.0 - e), e, radians(tilt_deg), 1.0, 0.8, 2.0)


def written_out(_: float, y: np.ndarray) -> list[float]:
    """J2, J3 and J4 component by component: Schaub and Junkins, Analytical Mechanics of Space Systems, section 11.2.

    A second form of what `orbits/zonal.py` has as a gradient.
    """
    x, yy, z = y[:3]
    r = sqrt(x * x + yy * yy + z * z)
    u, mu, k = z / r, EARTH.mu_m3_s2, EARTH.radius_m / r
    a2, a3, a4 = -1.5 * J2 * mu / r**2 * k**2, 0.5 * J3 * mu / r**2 * k**3, 0.625 * J4 * mu / r**2 * k**4
    side = a2 * (1.0 - 5.0 * u * u) + a3 * 5.0 * (7.0 * u**3 - 3.0 * u) + a4 * (3.0 - 42.0 * u**2 + 63.0 * u**4)
    up = a2 * (3.0 - 5.0 * u * u) * u + a3 * 3.0 * (1.0 - 10.0 * u**2 + 35.0 / 3.0 * u**4)
    up += a4 * (15.0 - 70.0 * u**2 + 63.0 * u**4) * u
    k = -mu / r**3
    return [*y[3:], k * x + side * x / r, k * yy + side * yy / r, k * z + up]


@pytest.mark.parametrize(
    ("height_km", "e", "tilt_deg"), [(460.0, 0.001, 30.0), (300.0, 0.6, 63.4), (900.0, 0.02, 98.0)]
)
def test_the_integrator_flies_where_dop853_flies(height_km: float, e: float, tilt_deg: float) -> None:
    start = osculating_of(orbit(height_km, e, tilt_deg), 0.0, FIELD)
    end = integrate_orbit(start, SECONDS_PER_DAY, FIELD)
    path = solve_ivp(
        written_out, (0.0, SECONDS_PER_DAY), [*start.position_m, *start.velocity_m_s], "DOP853", rtol=1e-13, atol=1e-6
    )
    assert norm(sub(end.position_m, tuple(path.y[:3, -1]))) < 0.1  # DOP853's own error: 1e-13 a step, squared by time


def test_the_integrator_on_a_sphere_is_keplers() -> None:
    start = osculating_of(orbit(460.0, 0.1, 40.0), 0.0, BALL)
    end = integrate_orbit(start, TEN_DAYS_S, BALL)
    there, _ = propagate(start.position_m, start.velocity_m_s, TEN_DAYS_S, EARTH.mu_m3_s2)
    assert norm(sub(end.position_m, there)) < 0.5  # rounding of 1e-16 a node, over 940 rad of phase


@pytest.mark.parametrize("sky", [(), ("moon", "sun")], ids=["alone", "with moon and sun"])
def test_the_integrator_comes_back(sky: tuple[str, ...]) -> None:
    field = replace(FIELD, third_bodies=sky, zero_jd_tt=epoch_of("2026-03-01").jd_tt)
    start = osculating_of(orbit(460.0, 0.01, 30.0), 0.0, FIELD)
    back = integrate_orbit(integrate_orbit(start, 2.0 * SECONDS_PER_DAY, field), 0.0, field)
    assert norm(sub(back.position_m, start.position_m)) < 0.1


SHAPES = ((460.0, 0.001), (300.0, 0.5), (200.0, 0.001), (1500.0, 0.05))
TILTS_DEG = (28.5, 63.43, 98.0, 1.0, 90.0, 150.0)
FLOWN_ALWAYS = ((460.0, 0.001, 28.5), (460.0, 0.001, 63.43), (300.0, 0.5, 98.0))


@pytest.mark.parametrize(("height_km", "e", "tilt_deg"), [
    row if row in FLOWN_ALWAYS else pytest.param(*row, marks=SLOW)
    for row in ((*shape, tilt_deg) for shape in SHAPES for tilt_deg in TILTS_DEG)
])  # fmt: skip
def test_theory_and_integrator_check_each_other(height_km: float, e: float, tilt_deg: float) -> None:
    start = osculating_of(orbit(height_km, e, tilt_deg), 0.0, FIELD)
    told = advance_orbit(mean_of(start, FIELD), TEN_DAYS_S, FIELD)
    flown = mean_of(integrate_orbit(start, TEN_DAYS_S, FIELD), FIELD)
    assert off_deg(told.node_rad, flown.node_rad) < NODE_DEG
    assert (
        degrees(plane_angle_rad(told.inclination_rad, told.node_rad, flown.inclination_rad, flown.node_rad)) < NODE_DEG
    )
    turned = told.perigee_rad + told.mean_anomaly_rad, flown.perigee_rad + flown.mean_anomaly_rad
    assert off_deg(*turned) < 0.05  # 6 km of 6700 ahead; 0.8 s of flight
    assert told.semi_major_m == pytest.approx(flown.semi_major_m, abs=20.0)  # J2 squared of it


@settings(max_examples=30, deadline=None)
@example(180.0, 0.0, 172.0, 0.0, 0.0)
@given(st.floats(180.0, 2000.0), st.floats(0.0, 0.3), st.floats(0.0, 175.0), st.floats(0.0, 6.28), st.floats(0.0, 6.28))
def test_mean_and_osculating_undo_each_other(
    height_km: float, e: float, tilt_deg: float, perigee: float, anomaly: float
) -> None:
    mean = replace(orbit(height_km, e, tilt_deg), perigee_rad=perigee, mean_anomaly_rad=anomaly)
    state = osculating_of(mean, 0.0, FIELD)
    again = osculating_of(mean_of(state, FIELD), 0.0, FIELD)
    # the axis is taken from the energy one way and from the first-order terms the other: J2 squared of the radius
    assert norm(sub(again.position_m, state.position_m)) < 60.0


def test_mean_elements_do_not_move_within_a_revolution() -> None:
    """What "mean" means: the osculating axis swings by kilometres, the mean one by metres."""
    start = osculating_of(circular(0.0, 460e3, radians(50.0), 1.0, FIELD), 0.0, FIELD)
    states = [integrate_orbit(start, 300.0 * k, FIELD) for k in range(20)]
    means = [mean_of(state, FIELD) for state in states]
    osculating = [elements(s.position_m, s.velocity_m_s, EARTH.mu_m3_s2) for s in states]
    assert np.ptp([o.semi_major_axis_m for o in osculating]) > 5e3
    assert np.ptp([m.semi_major_m for m in means]) < 5.0
    drift = [m.node_rad - rates(m, FIELD)[0] * m.epoch_s for m in means]
    assert degrees(float(np.ptp(drift))) < 2e-3
    swings = [o.node_rad - rates(m, FIELD)[0] * m.epoch_s for o, m in zip(osculating, means, strict=True)]
    assert degrees(float(np.ptp(swings))) > 0.03


@settings(max_examples=50, deadline=None)
@given(st.floats(0.0, 0.5), st.floats(0.0, 179.0), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_two_advances_are_one(e: float, tilt_deg: float, first_s: float, second_s: float) -> None:
    mean = orbit(400.0, e, tilt_deg)
    once = advance_orbit(mean, second_s, FIELD)
    twice = advance_orbit(advance_orbit(mean, first_s, FIELD), second_s, FIELD)
    # the rates' own dependence on the turning eccentricity is frozen at each start: 1e-3 of it, of the second order;
    # 0.02 deg at worst over twelve days
    assert degrees(plane_angle_rad(once.inclination_rad, once.node_rad, twice.inclination_rad, twice.node_rad)) < 0.03
    ahead = (o.node_rad + o.perigee_rad + o.mean_anomaly_rad for o in (once, twice))
    assert off_deg(*ahead) < 0.03


def test_a_sphere_turns_nothing() -> None:
    mean = orbit(460.0, 0.02, 30.0)
    node, perigee, anomaly = rates(mean, BALL)
    assert (node, perigee) == (0.0, 0.0)
    assert anomaly == pytest.approx(sqrt(EARTH.mu_m3_s2 / mean.semi_major_m**3), rel=1e-14)
    assert field_of(EARTH).zonals == (EARTH.j2, 0.0, 0.0)


def test_a_frozen_circle_keeps_its_height() -> None:
    """Mean eccentricity at the frozen orbit's: its vector stands still for ten days, in theory and flown.

    Any other would turn by some 40 deg meanwhile. The theory's frozen vector leaves out J4 and the second order of J2:
    a few hundredths of it.
    """
    mean = circular(0.0, 460e3, radians(50.0), 1.0, FIELD)
    told = advance_orbit(mean, TEN_DAYS_S, FIELD)
    flown = mean_of(integrate_orbit(osculating_of(mean, 0.0, FIELD), TEN_DAYS_S, FIELD), FIELD)
    assert told.eccentricity == pytest.approx(mean.eccentricity, rel=1e-9)
    assert flown.eccentricity == pytest.approx(mean.eccentricity, rel=0.05)
    assert off_deg(flown.perigee_rad, 0.5 * pi) < 3.0


@settings(max_examples=100, deadline=None)
@given(*(st.floats(0.0, pi) for _ in range(2)), *(st.floats(-7.0, 7.0) for _ in range(2)))
def test_the_angle_between_planes_is_that_of_their_normals(i: float, j: float, a: float, b: float) -> None:
    normals = [(sin(t) * sin(n), -sin(t) * cos(n), cos(t)) for t, n in ((i, a), (j, b))]
    cosine = sum(p * q for p, q in zip(*normals, strict=True))
    angle = plane_angle_rad(i, a, j, b)
    assert cos(angle) == pytest.approx(cosine, abs=1e-14)
    assert angle == pytest.approx(plane_angle_rad(j, b, i, a), abs=1e-14)
    assert 0.0 <= angle <= pi


def test_a_small_angle_between_planes_is_not_lost() -> None:
    assert plane_angle_rad(0.5, 1.0, 0.5 + 1e-10, 1.0) == pytest.approx(1e-10, rel=1e-5)
    assert acos(min(1.0, cos(1e-10))) == 0.0  # what the plain cosine would make of it


@pytest.mark.parametrize(
    ("tilt_deg", "refine"),
    [(51.6, False), (30.0, True), *(pytest.param(tilt, False, marks=SLOW) for tilt in (20.0, 30.0, 98.0)),
     *(pytest.param(tilt, True, marks=SLOW) for tilt in (20.0, 51.6, 98.0))],
)  # fmt: skip
def test_a_node_solved_backwards_is_aligned_when_flown_forwards(tilt_deg: float, refine: bool) -> None:
    """The depot's question: which node now, so that the plane is right in ten days; flown numerically, osculating."""
    wanted = (radians(tilt_deg), 2.5)
    shape = (EARTH.radius_m + 460e3, 1e-3, radians(tilt_deg))
    node = node_needed_rad(shape, wanted, 1000.0, 1000.0 + TEN_DAYS_S, FIELD, refine)
    start = osculating_of(MeanOrbit(1000.0, *shape, node, 0.5 * pi, 0.0), 1000.0, FIELD)
    end = integrate_orbit(start, 1000.0 + TEN_DAYS_S, FIELD)
    there = elements(end.position_m, end.velocity_m_s, EARTH.mu_m3_s2)
    assert degrees(plane_angle_rad(there.inclination_rad, there.node_rad, *wanted)) < 0.05
    mean = mean_of(end, FIELD)
    assert off_deg(mean.node_rad, wanted[1]) < (1e-6 if refine else NODE_DEG)


def test_the_daily_angle_falls_to_the_day_of_alignment_and_rises_after() -> None:
    tilt, wanted = radians(30.0), (radians(30.0), 2.5)
    shape = (EARTH.radius_m + 460e3, 1e-3, tilt)
    node = node_needed_rad(shape, wanted, 0.0, TEN_DAYS_S, FIELD)
    rows = daily_angles(MeanOrbit(0.0, *shape, node, 0.5 * pi, 0.0), lambda _: wanted, 0.0, 20, FIELD)
    assert [day for day, _ in rows] == list(range(21))
    angles = [degrees(angle) for _, angle in rows]
    assert angles[10] < 1e-4  # J3 tilts the plane by 3e-5 deg meanwhile
    assert all(a > b for a, b in pairwise(angles[:11]))
    assert all(a < b for a, b in pairwise(angles[10:]))
    assert 6.0 < angles[9] / sin(tilt) < 7.0  # a day of drift: 6 to 7 deg of node, common practice, no source


def test_no_inclination_is_sun_synchronous_too_high_up() -> None:
    rate = radians(0.9856) / SECONDS_PER_DAY
    with pytest.raises(ConfigError, match="at most"):
        sun_synchronous_inclination_rad(14e6, 0.0, rate, FIELD)


def test_what_cannot_be_is_refused() -> None:
    shape = (EARTH.radius_m + 460e3, 0.0, radians(30.0))
    with pytest.raises(ConfigError, match="later"):
        node_needed_rad(shape, (0.5, 1.0), 10.0, 9.0, FIELD)
    with pytest.raises(ConfigError, match="180 deg"):
        node_needed_rad((shape[0], 0.0, 3.2), (0.5, 1.0), 0.0, 9.0, FIELD)
    with pytest.raises(ConfigError, match="180 deg"):
        circular(0.0, 460e3, -0.1, 0.0, FIELD)
    escaping = OrbitState(0.0, (7e6, 0.0, 0.0), (0.0, 11e3, 0.0))
    with pytest.raises(OrbitNotClosed):
        mean_of(escaping, FIELD)
    with pytest.raises(OrbitNotClosed):
        integrate_orbit(escaping, 10.0, FIELD)
    with pytest.raises(ConfigError, match="zero_jd_tt"):
        integrate_orbit(
            OrbitState(0.0, (7e6, 0.0, 0.0), (0.0, 7.5e3, 0.0)), 10.0, replace(FIELD, third_bodies=("moon",))
        )


def test_a_body_far_too_flat_for_the_theory_is_refused() -> None:
    squashed = Field(EARTH, (0.4, 0.0, 0.0))
    with pytest.raises(NotConverged):
        mean_of(OrbitState(0.0, (6.5e6, 0.0, 0.0), (0.0, 5e3, 6e3)), squashed)

"""The drift of a plane by integration, against DOP853 in its own equations; what the orbit at a plan's end is."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, pi, radians, sin, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.kepler import apsides, inclination_rad
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, Circularize, Coast, FlightPlan, Insertion, Orbit, Stage, Vehicle
from guidance_svc.orbits.drift import circular, mean_of, osculating_of
from guidance_svc.orbits.ending import cutoff_of, orbit_at_the_end
from guidance_svc.orbits.plane_drift import plane_drift, state_with_mean
from guidance_svc.orbits.values import Field, MeanOrbit, OrbitState, field_of
from guidance_svc.plan.targets import resolve_target
from tests.plan.test_drift import EARTH

PLANE = (radians(30.0), 1.0)
VEHICLE = Vehicle("any", (Stage("only", 1000.0, 9000.0, 2e5, 3000.0),))


def plan_to(perigee_km: float, apogee_km: float, *after: object) -> FlightPlan:
    target = resolve_target(EARTH, 1e3 * perigee_km, 1e3 * apogee_km)
    return FlightPlan("any", EARTH, VEHICLE, target, (Insertion(), *after, Orbit()))  # type: ignore[arg-type]


def by_dop853(state: OrbitState, span_s: float, j2: float) -> OrbitState:
    """J2 alone, written out: Vallado, 4th ed., section 8.6.1."""
    mu, radius = EARTH.mu_m3_s2, EARTH.radius_m

    def slope(_: float, y: np.ndarray) -> list[float]:
        x, yy, z = float(y[0]), float(y[1]), float(y[2])
        r2 = x * x + yy * yy + z * z
        near = -mu / (r2 * sqrt(r2))
        flat = 1.5 * j2 * radius * radius / r2
        tilt = 5.0 * z * z / r2
        side, up = near * (1.0 + flat * (1.0 - tilt)), near * (1.0 + flat * (3.0 - tilt))
        return [float(y[3]), float(y[4]), float(y[5]), side * x, side * yy, up * z]

    path = solve_ivp(
        slope, (0.0, span_s), [*state.position_m, *state.velocity_m_s], "DOP853", rtol=1e-11, atol=1e-3
    )
    end = [float(c) for c in path.y[:, -1]]
    return OrbitState(state.time_s + span_s, (end[0], end[1], end[2]), (end[3], end[4], end[5]))


@pytest.mark.parametrize("days", [2, pytest.param(10, marks=pytest.mark.slow)])
def test_an_ellipse_drifts_by_its_own_elements_as_dop853_flies_it(days: int) -> None:
    """200 x 4000 km at 30 deg: taken for a circle of the mean height the node is 3.5 deg off on day 10."""
    span_s = days * SECONDS_PER_DAY
    plan, field = plan_to(200.0, 4000.0), field_of(EARTH)
    assert plan.target is not None
    cutoff = cutoff_of(plan.target, PLANE, 0.8, 0.0)
    orbit = orbit_at_the_end(cutoff, plan, field)
    drift = plane_drift(orbit, 0.0, span_s, field)
    flown = mean_of(by_dop853(cutoff, span_s, EARTH.j2), field)
    node = orbit.node_rad + drift.node_rate_rad_s * span_s
    assert degrees(abs((node - flown.node_rad + pi) % (2.0 * pi) - pi)) < 0.002  # 230 m across at 6600 km
    circle = plane_drift(circular(0.0, 2100e3, PLANE[0], PLANE[1], field), 0.0, span_s, field)
    assert degrees(abs(circle.node_rate_rad_s - drift.node_rate_rad_s) * span_s) > 0.34 * days


def test_the_cutoff_is_the_targets_own_state() -> None:
    target = resolve_target(EARTH, 200e3, 4000e3, 300e3)
    state = cutoff_of(target, PLANE, 1.2, 5.0)
    low, high = apsides(state.position_m, state.velocity_m_s, EARTH.mu_m3_s2)
    assert low == pytest.approx(target.perigee_radius_m, abs=1e-3)
    assert high == pytest.approx(target.apogee_radius_m, abs=1e-3)
    assert inclination_rad(state.position_m, state.velocity_m_s) == pytest.approx(PLANE[0], abs=1e-12)
    assert state.position_m[2] / norm(state.position_m) == pytest.approx(sin(PLANE[0]) * sin(1.2), abs=1e-12)


def test_a_circle_ends_at_the_height_to_which_gravity_leads_not_at_the_osculating_apogee() -> None:
    plan, field = plan_to(200.0, 468.62, Coast(), Circularize()), field_of(EARTH)
    assert plan.target is not None
    orbit = orbit_at_the_end(cutoff_of(plan.target, PLANE, radians(81.3), 0.0), plan, field)
    # flown by the demo's tanker: 462.32 km, tests/closed_loop/test_orbit_at_the_end.py
    assert orbit.semi_major_m - EARTH.radius_m == pytest.approx(462.3e3, abs=100.0)


@pytest.mark.parametrize("to_s", [1.5 * SECONDS_PER_DAY, -1.5 * SECONDS_PER_DAY])
def test_a_body_ten_times_as_flat_drifts_as_it_flies_and_the_theory_is_said_to_be_off(to_s: float) -> None:
    body = replace(EARTH, j2=10.0 * EARTH.j2)
    field = field_of(body)
    orbit = circular(0.0, 460e3, *PLANE, field)
    drift = plane_drift(orbit, min(to_s, 0.0), max(to_s, 0.0), field)
    flown = mean_of(by_dop853(state_with_mean(orbit, field), to_s, body.j2), field)
    node = orbit.node_rad + drift.node_rate_rad_s * to_s
    off = degrees(abs((node - flown.node_rad + pi) % (2.0 * pi) - pi))
    assert off <= degrees(drift.node_off_rad) + 0.005
    assert degrees(abs(drift.theory_rad_s - drift.node_rate_rad_s) * 10.0 * SECONDS_PER_DAY) > 0.04


def test_j3_tilts_an_ellipse_and_that_is_told() -> None:
    field = Field(EARTH, (EARTH.j2, -1e-4, 0.0))  # forty times the Earth's
    a = EARTH.radius_m + 2100e3
    orbit = MeanOrbit(0.0, a, 0.22, radians(30.0), 1.0, 0.8, 0.0)
    drift = plane_drift(orbit, 0.0, 3.0 * SECONDS_PER_DAY, field)
    assert degrees(max(drift.tilt_off_rad, drift.node_off_rad)) > 0.05


def test_the_state_of_mean_elements_has_them() -> None:
    body = replace(EARTH, j2=0.02)
    field = field_of(body)
    orbit = circular(0.0, 800e3, *PLANE, field)
    assert mean_of(state_with_mean(orbit, field), field).semi_major_m == pytest.approx(orbit.semi_major_m, abs=1.0)
    first_order = mean_of(osculating_of(orbit, 0.0, field), field)
    assert abs(first_order.semi_major_m - orbit.semi_major_m) > 100.0


def test_a_sphere_drifts_nothing_and_a_long_span_is_integrated_in_part() -> None:
    ball = Field(Body("ball", EARTH.mu_m3_s2, EARTH.radius_m))
    assert plane_drift(circular(0.0, 460e3, *PLANE, ball), 0.0, SECONDS_PER_DAY, ball).node_rate_rad_s == 0.0
    field = field_of(EARTH)
    drift = plane_drift(circular(5.0, 460e3, *PLANE, field), 5.0, 5.0, field)
    assert drift.node_rate_rad_s == drift.theory_rad_s

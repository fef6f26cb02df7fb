"""The insertion table's numbers against independent integration and closed formulas."""

from __future__ import annotations

from dataclasses import replace
from math import cos, pi, radians, sin, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from guidance_svc.domain import Body, FlightPlan, Insertion, Stage, Target, Vehicle
from guidance_svc.report.flight import Moment, Row, flight_rows, radius_range
from guidance_svc.report.tables import text_table

# WGS-84 and EGM96, as in configs/bodies/earth.toml
EARTH = Body("Earth", 3.986004418e14, 6378137.0, j2=1.0826266835531513e-3, rotation_rad_s=7.292115e-5)
SPHERE = replace(EARTH, j2=0.0)


def circular_state(altitude_m: float, inclination_deg: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Over the ascending node on the x axis, at the circular speed of a sphere."""
    r = EARTH.radius_m + altitude_m
    v, i = sqrt(EARTH.mu_m3_s2 / r), radians(inclination_deg)
    return (r, 0.0, 0.0), (0.0, v * cos(i), v * sin(i))


def test_radius_range_agrees_with_dop853() -> None:
    """Second opinion: scipy's DOP853 on a J2 acceleration written anew here (gradient of the potential).

    0.1 m: both see the extremes only at their own samples, 10 s apart; the radius there moves by less than 5 cm.
    """
    position, velocity = circular_state(460e3, 30.0)

    def rates(_: float, y: np.ndarray) -> np.ndarray:
        r = np.linalg.norm(y[:3])
        factor = 1.5 * EARTH.j2 * EARTH.radius_m**2 / r**2
        flat = np.array([1.0, 1.0, 3.0]) - 5.0 * y[2] ** 2 / r**2
        return np.concatenate([y[3:], -EARTH.mu_m3_s2 / r**3 * y[:3] * (1.0 + factor * flat)])

    period = 2.0 * pi * sqrt((EARTH.radius_m + 460e3) ** 3 / EARTH.mu_m3_s2)
    times = np.linspace(0.0, period, 5001)
    start = [*position, *velocity]
    flown = solve_ivp(rates, (0.0, period), start, method="DOP853", rtol=1e-12, atol=1e-6, t_eval=times)
    radii = np.linalg.norm(flown.y[:3], axis=0)
    low, high = radius_range(position, velocity, EARTH)
    assert low == pytest.approx(radii.min(), abs=0.1)
    assert high == pytest.approx(radii.max(), abs=0.1)
    assert high - low > 1000.0  # J2 makes a difference at all


def test_a_circle_around_a_sphere_has_no_spread() -> None:
    """A circle stays one (two-body motion); the integrator's own drift over a revolution is 3.4 mm (measured)."""
    low, high = radius_range(*circular_state(460e3, 30.0), SPHERE)
    assert high - low < 5e-3


def test_radius_range_refuses_an_escape_path() -> None:
    with pytest.raises(TypeError, match="closed orbit"):
        radius_range((7e6, 0.0, 0.0), (0.0, 12e3, 0.0), SPHERE)


def plan() -> FlightPlan:
    perigee, apogee = SPHERE.radius_m + 200e3, SPHERE.radius_m + 460e3
    target = Target(perigee, apogee, perigee, 0.0, 0.0, "inclination_and_node", radians(30.0), radians(359.9999))
    vehicle = Vehicle("Curlew", (Stage("Curlew", 4600.0, 105000.0, 9.8e5, 3420.0),), 13800.0)
    return FlightPlan("p", SPHERE, vehicle, target, (Insertion(),))


def perigee_moment(mark: str = "cutoff") -> Moment:
    """On the target ellipse at its perigee over the node at the x axis; vis-viva is the outside check."""
    rp, ra = SPHERE.radius_m + 200e3, SPHERE.radius_m + 460e3
    v, i = sqrt(SPHERE.mu_m3_s2 * (2.0 / rp - 2.0 / (rp + ra))), radians(30.0)
    return Moment(500.0, (rp, 0.0, 0.0), (0.0, v * cos(i), v * sin(i)), 22e3, 3600.0, 0, mark)  # type: ignore[arg-type]


def test_a_perfect_insertion_has_no_error_and_the_node_is_taken_the_short_way_round() -> None:
    rows = {row.quantity: row for row in flight_rows("Curlew", plan(), [perigee_moment()])}
    assert rows["perigee"].error == pytest.approx(0.0, abs=1e-6)
    assert rows["apogee"].error == pytest.approx(0.0, abs=1e-5)
    assert rows["inclination"].error == pytest.approx(0.0, abs=1e-9)
    assert rows["node"].error == pytest.approx(0.0001, abs=1e-9)
    assert rows["propellant left"].achieved == 3600.0


def test_a_speed_error_of_1_m_s_at_perigee_shows_as_the_apogee_error_of_vis_viva() -> None:
    """d(apogee) = 4 a^2 v dv / mu (differential of vis-viva); the second order is below 0.1 %."""
    good = perigee_moment()
    u = tuple(c / sqrt(sum(k * k for k in good.velocity_m_s)) for c in good.velocity_m_s)
    fast = replace(good, velocity_m_s=tuple(c + k for c, k in zip(good.velocity_m_s, u, strict=True)))
    a, v = SPHERE.radius_m + 330e3, sqrt(sum(k * k for k in good.velocity_m_s))
    rows = {row.quantity: row for row in flight_rows("Curlew", plan(), [fast])}
    assert rows["apogee"].error == pytest.approx(4.0 * a * a * v / SPHERE.mu_m3_s2, rel=1e-3)


def test_a_flight_that_never_cut_off_has_no_rows() -> None:
    assert flight_rows("Curlew", plan(), [perigee_moment("ignite")]) == []


def test_the_table_names_a_vehicle_once_and_gives_errors_a_sign() -> None:
    lines = text_table(flight_rows("Curlew", plan(), [perigee_moment()])).splitlines()
    assert lines[0].split() == ["vehicle", "at", "quantity", "target", "achieved", "error"]
    assert sum("Curlew" in line for line in lines) == 1
    assert any("+0.00010 deg" in line for line in lines)


def test_a_number_that_rounds_to_nothing_has_no_sign() -> None:
    row = Row("Curlew", "insertion", "perigee", -1e-9, -1e-9, -1e-9, "km", "m")
    assert "-0.0" not in text_table([row])
    assert "+0.0 m" in text_table([row])

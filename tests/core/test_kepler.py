"""Properties that every two-body orbit must have, and scipy's integrator as a second opinion.

Tolerances: relative to the state's own size, a few hundred roundings, unless a line says another reason.
"""

from __future__ import annotations

from math import cos, dist, hypot, inf, pi, sin, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guidance_svc.core import kepler
from guidance_svc.core.vectors import cross, dot, norm
from guidance_svc.domain import Body, Vec
from guidance_svc.errors import GuidanceError, OrbitNotClosed

MU = 3.986004418e14
EARTH = Body("Earth", MU, 6378137.0)
ANGLE = st.floats(0.0, 2.0 * pi, exclude_max=True)
RADIUS = st.floats(6.5e6, 5e7)


def make(perigee_m: float, e: float, i: float, node: float, argp: float, nu: float) -> tuple[Vec, Vec]:
    return kepler.state_at(perigee_m * (1.0 + e), e, i, node, argp, nu, MU)


@st.composite
def states(draw: st.DrawFn, e_max: float = 0.9) -> tuple[Vec, Vec]:
    perigee, e = draw(RADIUS), draw(st.floats(0.0, e_max))
    i, node, argp, nu = draw(st.floats(0.0, pi)), draw(ANGLE), draw(ANGLE), draw(ANGLE)
    assume(1.0 + e * cos(nu) > 0.05)  # open orbits: away from the asymptote
    return make(perigee, e, i, node, argp, nu)


@given(states(e_max=3.0))
def test_state_to_elements_and_back_is_the_same_state(state: tuple[Vec, Vec]) -> None:
    position, velocity = kepler.state_from_elements(kepler.elements(*state, MU), MU)
    # an inclination below EQUATORIAL_SINE is read with the node on the x axis: 1e-11 of the radius
    assert dist(position, state[0]) < 3e-11 * norm(state[0])
    assert dist(velocity, state[1]) < 3e-11 * norm(state[1])


@given(RADIUS, st.floats(1e-3, 0.9), st.floats(1e-3, pi - 1e-3), ANGLE, ANGLE, ANGLE)
def test_elements_that_made_a_state_are_read_back(
    perigee: float, e: float, i: float, node: float, argp: float, nu: float
) -> None:
    orbit = kepler.elements(*make(perigee, e, i, node, argp, nu), MU)
    assert orbit.eccentricity == pytest.approx(e, abs=1e-12)
    assert orbit.semi_major_axis_m == pytest.approx(perigee / (1.0 - e), rel=1e-11)
    pairs = [(orbit.node_rad, node), (orbit.argument_of_perigee_rad, argp), (orbit.true_anomaly_rad, nu)]
    for got, made in pairs:  # 1e-15 rounding over the smallest sine or eccentricity, 1e-3
        assert abs((got - made + pi) % (2.0 * pi) - pi) < 1e-11
    assert orbit.inclination_rad == pytest.approx(i, abs=1e-12)


@given(states())
def test_apsides_are_where_the_orbit_really_turns(state: tuple[Vec, Vec]) -> None:
    perigee, apogee = kepler.apsides(*state, MU)
    to_top, to_bottom = kepler.time_to_apoapsis(*state, MU), kepler.time_to_periapsis(*state, MU)
    top, _ = kepler.propagate(*state, to_top, MU)
    bottom, _ = kepler.propagate(*state, to_bottom, MU)
    assert norm(top) == pytest.approx(apogee, rel=1e-9)
    assert norm(bottom) == pytest.approx(perigee, rel=1e-9)
    period = kepler.period_s(*state, MU)
    assert 0.0 <= to_top < period
    assert 0.0 <= to_bottom < period


@given(states(e_max=3.0), st.floats(-3e4, 3e4))
def test_propagation_keeps_energy_and_angular_momentum_and_can_be_undone(state: tuple[Vec, Vec], time_s: float) -> None:
    there = kepler.propagate(*state, time_s, MU)
    scale = norm(state[1]) ** 2 + MU / norm(state[0])
    energies = [0.5 * dot(v, v) - MU / norm(r) for r, v in (state, there)]
    assert abs(energies[1] - energies[0]) < 1e-11 * scale
    h0, h1 = cross(*state), cross(*there)
    assert dist(h0, h1) < 1e-11 * norm(h0)
    back = kepler.propagate(*there, -time_s, MU)
    # an error grows along the way at most by the ratio of the distances and the time over the local period
    growth = 1.0 + abs(time_s) * sqrt(MU / min(norm(state[0]), norm(there[0])) ** 3)
    assert dist(back[0], state[0]) < 1e-13 * growth**2 * (norm(state[0]) + norm(there[0]))


@settings(max_examples=20, deadline=None)
@given(states(e_max=2.0), st.floats(10.0, 2e4))
def test_propagation_agrees_with_scipys_dop853(state: tuple[Vec, Vec], time_s: float) -> None:
    def rate(_: float, y: np.ndarray) -> np.ndarray:
        return np.concatenate((y[3:], -MU / np.linalg.norm(y[:3]) ** 3 * y[:3]))

    truth = solve_ivp(rate, (0.0, time_s), [*state[0], *state[1]], method="DOP853", rtol=1e-12, atol=1e-4).y[:, -1]
    there, _ = kepler.propagate(*state, time_s, MU)
    assert dist(there, truth[:3]) < 0.05  # the integrator's own error at rtol 1e-12 over up to 3 revolutions


def test_a_whole_period_later_the_vehicle_is_back_even_after_a_million_turns() -> None:
    state = make(6.7e6, 0.1, 0.9, 1.0, 2.0, 3.0)
    there, _ = kepler.propagate(*state, 1e6 * kepler.period_s(*state, MU), MU)
    assert dist(there, state[0]) < 2e-3 * norm(state[1])  # 1e-16 of 6e9 s, times the speed, with room


def test_a_path_straight_down_does_not_break_propagation() -> None:
    position, velocity = kepler.propagate((7e6, 0.0, 0.0), (0.0, 0.0, 0.0), 60.0, MU)
    g = MU / 7e6**2
    fall = 0.5 * g * 60.0**2 + g * g * 60.0**4 / (12.0 * 7e6)  # series of the fall; the next term is under 2 cm
    assert position[0] == pytest.approx(7e6 - fall, abs=0.02)
    assert velocity[0] == pytest.approx(-MU / 7e6**2 * 60.0, rel=0.01)


def test_time_to_apoapsis_is_half_a_period_from_perigee_and_nothing_at_apogee() -> None:
    perigee = make(6.6e6, 0.2, 0.5, 0.0, 0.0, 0.0)
    apogee = make(6.6e6, 0.2, 0.5, 0.0, 0.0, pi)
    period = kepler.period_s(*perigee, MU)
    assert kepler.time_to_apoapsis(*perigee, MU) == pytest.approx(0.5 * period, rel=1e-12)
    until = kepler.time_to_apoapsis(*apogee, MU)
    assert min(until, period - until) < 1e-9 * period


def test_an_equatorial_orbit_has_its_node_on_the_x_axis() -> None:
    for speed, inclination in ((7500.0, 0.0), (-7500.0, pi)):
        state = ((0.0, 7e6, 0.0), (-speed, 0.0, 0.0))
        assert kepler.node_rad(*state) == 0.0
        assert kepler.inclination_rad(*state) == inclination


def test_a_polar_orbit_has_its_node_where_it_climbs_through_the_equator() -> None:
    state = ((0.0, -7e6, 0.0), (0.0, 0.0, 7500.0))
    assert kepler.inclination_rad(*state) == pytest.approx(pi / 2.0, abs=1e-15)
    assert kepler.node_rad(*state) == pytest.approx(1.5 * pi, abs=1e-15)


@pytest.mark.parametrize("factor", [1.0, 1.2])
@pytest.mark.parametrize("question", [kepler.period_s, kepler.time_to_apoapsis, kepler.time_to_periapsis])
def test_an_escape_path_has_no_period_and_no_apoapsis(factor: float, question: object) -> None:
    position = (6.4e6, 0.0, 0.0)
    speed = factor * 1.0000001 * sqrt(2.0 * MU / 6.4e6)
    with pytest.raises(OrbitNotClosed, match="below escape"):
        question(position, (0.0, speed, 0.0), MU)  # type: ignore[operator]
    assert kepler.apsides(position, (0.0, speed, 0.0), MU)[1] == inf


@given(RADIUS, st.floats(0.0, 0.9), st.floats(0.0, 1.0))
def test_speed_and_angle_on_an_ellipse_give_an_orbit_with_those_apsides(perigee: float, e: float, part: float) -> None:
    apogee = perigee * (1.0 + e) / (1.0 - e)
    radius = min(apogee, max(perigee, perigee + part * (apogee - perigee)))
    speed, angle = kepler.ellipse_speed_and_angle(radius, perigee, apogee, MU)
    assert 0.0 <= angle < pi / 2.0
    assert speed == pytest.approx(kepler.vis_viva_speed(radius, 0.5 * (perigee + apogee), MU), rel=1e-12)
    got = kepler.apsides((radius, 0.0, 0.0), (speed * sin(angle), speed * cos(angle), 0.0), MU)
    assert got == pytest.approx((perigee, apogee), rel=1e-11)


@pytest.mark.parametrize(("radius", "apogee"), [(6.5e6, 7e6), (7.1e6, 7e6), (6.7e6, inf)])
def test_a_radius_off_the_ellipse_is_refused_with_the_limits(radius: float, apogee: float) -> None:
    with pytest.raises(GuidanceError, match="perigee <= radius <= apogee"):
        kepler.ellipse_speed_and_angle(radius, 6.6e6, apogee, MU)


def test_an_orbit_report_counts_altitudes_from_the_equatorial_radius() -> None:
    state = make(EARTH.radius_m + 200e3, 0.0, 0.9, 1.0, 0.0, 0.3)
    report = kepler.orbit_report(*state, EARTH)
    assert report.perigee_altitude_m == pytest.approx(200e3, abs=1e-6)
    assert report.apogee_altitude_m == pytest.approx(200e3, abs=1e-6)
    assert report.inclination_rad == pytest.approx(0.9, abs=1e-14)
    assert report.node_rad == pytest.approx(1.0, abs=1e-14)
    assert report.period_s == pytest.approx(2.0 * pi * sqrt((EARTH.radius_m + 200e3) ** 3 / MU), rel=1e-13)


def test_an_orbit_report_of_an_escape_path_has_no_period() -> None:
    report = kepler.orbit_report((7e6, 0.0, 0.0), (0.0, 12e3, 0.0), EARTH)
    assert report.apogee_altitude_m == inf
    assert report.period_s is None
    assert report.time_to_apoapsis_s is None
    assert report.perigee_altitude_m == pytest.approx(7e6 - EARTH.radius_m)


@given(st.floats(-30.0, 30.0))
def test_the_stumpff_functions_join_their_series_and_closed_forms(psi: float) -> None:
    c2, c3 = kepler.stumpff(psi)
    # defining sums, independent of the code's closed forms: c2 = sum (-psi)^n/(2n+2)!, c3 = sum (-psi)^n/(2n+3)!
    a, b, term = 0.0, 0.0, 0.5
    for n in range(40):
        a, b = a + term, b + term / (2 * n + 3)
        term *= -psi / ((2 * n + 3) * (2 * n + 4))
    assert (c2, c3) == pytest.approx((a, b), rel=1e-12, abs=1e-13)
    assert hypot(c2, c3) > 0.0

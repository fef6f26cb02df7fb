"""Windows: geometry by vectors, the cost of being late, open and close, phase and phasing, refusals.

The site is the demo's invented one; the Earth's numbers are WGS-84's.
"""

from __future__ import annotations

import doctest
from dataclasses import replace
from itertools import pairwise
from math import asin, cos, degrees, exp, inf, pi, radians, sin

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.frames import site_state
from guidance_svc.core.vectors import dot, norm, scale, unit
from guidance_svc.domain import Body, Site
from guidance_svc.errors import ConfigError
from guidance_svc.orbits import timescale
from guidance_svc.orbits.drift import Field, MeanOrbit, advance_orbit, circular, integrate_orbit, mean_of, osculating_of
from guidance_svc.planning.windows import opportunities as windows
from guidance_svc.planning.windows.opportunities import (
    Opportunity,
    PlaneTarget,
    open_close,
    opportunities,
    phase_angle_rad,
    phasing_node_shift_rad,
    phasing_time_s,
    plane_error_cost,
    plane_of,
    why_none,
)

EARTH = Body("Earth", 3.986004418e14, 6378137.0, 3.3528106647474805e-3, 1.0826266835531513e-3, 7.292115e-5)
FIELD = Field(EARTH, (1.0826266835531513e-3, -2.53e-6, -1.62e-6))
SALTMARSH = Site("Saltmarsh Point", radians(28.2), radians(-35.0), 5.0)
LAGOON = circular(0.0, 460e3, radians(30.0), radians(262.5), FIELD)


def normal_of(tilt: float, node: float) -> tuple[float, float, float]:
    return (sin(tilt) * sin(node), -sin(tilt) * cos(node), cos(tilt))


TILTED = PlaneTarget(radians(40.0), 1.0)


def first(plane: PlaneTarget = TILTED, ascending: bool = True) -> Opportunity:
    found = opportunities(SALTMARSH, EARTH, 0.3, plane, 0.0, 2 * SECONDS_PER_DAY)
    return next(one for one in found if one.ascending == ascending)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-80.0, 80.0), st.floats(-180.0, 180.0), st.floats(0.5, 179.5), st.floats(0.0, 6.28),
    st.floats(-2e-6, 2e-6), st.sampled_from([7.292115e-5, 9.186e-5, -2.99e-7, 2.66e-6]),
)  # fmt: skip
def test_the_site_lies_in_the_plane_at_every_opportunity(
    latitude: float, longitude: float, tilt: float, node: float, node_rate: float, spin: float
) -> None:
    """On the ellipsoid, bodies that turn backwards and slowly among them."""
    assume(abs(spin - node_rate) > 1e-7)
    body = replace(EARTH, rotation_rad_s=spin)
    site = Site("site", radians(latitude), radians(longitude), 100.0)
    plane = PlaneTarget(radians(tilt), node, 500.0, node_rate)
    span = 3.0 * 2.0 * pi / abs(spin - node_rate)
    found = opportunities(site, body, 0.3, plane, -1000.0, span)
    reason = why_none(site, body, plane)
    assert (not found) == (reason is not None)
    assert reason is not None or len(found) in (3, 4, 6)  # 3 turns; one a turn where plane and latitude just touch
    for one in found:
        r, _ = site_state(site, body, 0.3, one.time_s)
        assert -1000.0 <= one.time_s <= span - 1000.0 + 1e-6
        assert abs(asin(dot(unit(r), normal_of(*plane.at(one.time_s))))) < 2e-6  # 6 m at the touching latitude


def test_the_launch_direction_lies_in_the_plane_and_goes_the_right_way() -> None:
    for tilt in (40.0, 98.0, 140.0):
        for ascending in (True, False):
            one = first(PlaneTarget(radians(tilt), 1.0), ascending)
            assert (cos(one.azimuth_inertial_rad) > 0.0) is ascending
            assert (sin(one.azimuth_inertial_rad) > 0.0) is (tilt < 90.0)
            r, ground = site_state(SALTMARSH, EARTH, 0.3, one.time_s)
            east = unit(ground)
            north = unit(
                tuple(z - dot(unit(r), (0.0, 0.0, 1.0)) * c for c, z in zip(unit(r), (0.0, 0.0, 1.0), strict=True))
            )  # type: ignore[arg-type]
            over = [one.speed_ground_m_s * (cos(one.azimuth_ground_rad) * n + sin(one.azimuth_ground_rad) * e)
                    for n, e in zip(north, east, strict=True)]  # fmt: skip
            total = tuple(a + b for a, b in zip(over, ground, strict=True))
            assert norm(total) == pytest.approx(one.speed_inertial_m_s, rel=1e-12)  # type: ignore[arg-type]
            assert abs(dot(unit(total), normal_of(*PlaneTarget(radians(tilt), 1.0).at(one.time_s)))) < 1e-9  # type: ignore[arg-type]


def test_a_drifting_plane_comes_earlier_each_day() -> None:
    """The node of Lagoon goes back by 6 to 7 deg a day (common practice, no source): 24 to 28 minutes a day."""
    found = opportunities(SALTMARSH, EARTH, 0.3, plane_of(LAGOON, FIELD), 0.0, 30.0 * SECONDS_PER_DAY)
    up = [one for one in found if one.ascending]
    assert 30 <= len(up) <= 31
    for a, b in pairwise(up):
        assert 26.0 < (86164.0 - (b.time_s - a.time_s)) / 60.0 < 28.0
    flown = mean_of(integrate_orbit(osculating_of(LAGOON, 0.0, FIELD), up[-1].time_s, FIELD), FIELD)
    assert abs(degrees(flown.node_rad - up[-1].node_rad)) < 0.02  # 29 days by theory


def test_a_site_above_the_inclination_is_told_what_would_work() -> None:
    far = Site("Cold Ness", radians(60.0), 0.0)
    plane = PlaneTarget(radians(30.0), 1.0)
    assert opportunities(far, EARTH, 0.0, plane, 0.0, 1e6) == []
    reason = why_none(far, EARTH, plane) or ""
    for part in ("Cold Ness", "59.83", "120.16"):  # geocentric latitude of 60 deg geodetic
        assert part in reason
    assert why_none(far, EARTH, PlaneTarget(radians(59.9), 1.0)) is None
    assert "equatorial" in (why_none(Site("Line", 0.0, 0.0), EARTH, PlaneTarget(0.0, 0.0)) or "")
    assert "pole" in (why_none(Site("Top", 0.5 * pi, 0.0), EARTH, PlaneTarget(0.5 * pi, 0.0)) or "")
    assert "turn alike" in (why_none(SALTMARSH, replace(EARTH, rotation_rad_s=0.0), plane) or "")


def test_due_east_from_the_latitude_there_is_one_launch_a_day() -> None:
    r, _ = site_state(SALTMARSH, EARTH, 0.0, 0.0)
    plane = PlaneTarget(asin(r[2] / norm(r)), 1.0)
    found = opportunities(SALTMARSH, EARTH, 0.0, plane, 0.0, SECONDS_PER_DAY)
    assert len(found) in (1, 2)
    assert degrees(found[0].azimuth_inertial_rad) == pytest.approx(90.0, abs=0.1)  # square root of the touch: 6 m


@pytest.mark.parametrize("ascending", [True, False])
@pytest.mark.parametrize("offset_s", [-300.0, -20.0, 45.0, 600.0])
def test_the_cost_of_a_slip_is_the_angle_by_vectors_and_a_plane_change(ascending: bool, offset_s: float) -> None:
    one = first(ascending=ascending)
    r, _ = site_state(SALTMARSH, EARTH, 0.3, one.time_s + offset_s)
    normal = normal_of(radians(40.0), 1.0)
    angle, speed, propellant = plane_error_cost(one, offset_s, 50e3, 3620.0)
    assert angle == pytest.approx(abs(asin(dot(unit(r), normal))), rel=1e-9)
    change = scale(one.speed_inertial_m_s, (cos(angle) - 1.0, sin(angle), 0.0))
    assert speed == pytest.approx(norm(change), rel=1e-9)
    assert propellant == pytest.approx(50e3 * (1.0 - exp(-speed / 3620.0)), rel=1e-12)


def test_keeping_the_azimuth_misses_the_node_and_costs_more() -> None:
    one = first()
    kept = plane_error_cost(one, 120.0, azimuth_kept=True)
    turned = 7.292115e-5 * 120.0
    a, b = normal_of(radians(40.0), 1.0), normal_of(radians(40.0), 1.0 + turned)
    assert cos(kept[0]) == pytest.approx(dot(a, b), abs=1e-12)
    assert kept[0] > plane_error_cost(one, 120.0)[0]
    assert plane_error_cost(one, 0.0, 1e4, 3000.0) == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)


@pytest.mark.parametrize("kept", [False, True])
def test_a_window_opens_and_closes_where_the_margin_is_spent(kept: bool) -> None:
    one = first()
    opens, closes = open_close(one, margin_m_s=30.0, azimuth_kept=kept)
    assert opens < one.time_s < closes
    for edge in (opens, closes):
        assert plane_error_cost(one, edge - one.time_s, azimuth_kept=kept)[1] == pytest.approx(30.0, abs=1e-6)
    by_mass = open_close(one, margin_kg=50e3 * (1.0 - exp(-30.0 / 3620.0)), mass_kg=50e3, exhaust_velocity_m_s=3620.0,
                         azimuth_kept=kept)  # fmt: skip
    assert by_mass == pytest.approx((opens, closes), abs=1e-3)


def test_a_site_near_the_inclination_has_a_window_of_hours_and_a_margin_too_large_has_no_edge() -> None:
    """Saltmarsh Point at 28.2 deg and Lagoon at 30: the site is never far from the plane between the two passages."""
    one = first(PlaneTarget(radians(30.0), 1.0))
    opens, closes = open_close(one, margin_m_s=300.0)
    assert closes - opens > 2.0 * 3600.0
    opens, closes = open_close(one, margin_m_s=2e4)
    assert closes - opens == pytest.approx(2.0 * pi / EARTH.rotation_rad_s, rel=1e-9)


def test_the_phase_closes_in_the_phasing_time() -> None:
    """Both orbits by theory: the vehicle has drawn level, along the orbit, at the time told."""
    waiting = replace(circular(0.0, 300e3, radians(30.0), radians(262.5), FIELD), mean_anomaly_rad=0.3)
    own = waiting.perigee_rad + waiting.mean_anomaly_rad
    phase = phase_angle_rad(LAGOON, FIELD, 0.0, own)
    time_s = phasing_time_s(phase, waiting, LAGOON, FIELD)
    a, b = advance_orbit(waiting, time_s, FIELD), advance_orbit(LAGOON, time_s, FIELD)
    apart = a.perigee_rad + a.mean_anomaly_rad - b.perigee_rad - b.mean_anomaly_rad
    assert abs((apart + pi) % (2.0 * pi) - pi) < 1e-6
    shift = phasing_node_shift_rad(time_s, waiting, LAGOON, FIELD)
    assert shift == pytest.approx((a.node_rad - b.node_rad + pi) % (2.0 * pi) - pi, abs=1e-7)
    assert shift < 0.0  # the lower orbit's node goes back faster


def test_from_above_the_target_comes_round() -> None:
    above = circular(0.0, 600e3, radians(30.0), radians(262.5), FIELD)
    assert phasing_time_s(0.1, above, LAGOON, FIELD) > phasing_time_s(2.0 * pi - 0.1, above, LAGOON, FIELD) > 0.0
    assert phasing_time_s(0.1, LAGOON, LAGOON, FIELD) == inf
    assert phasing_time_s(0.0, LAGOON, LAGOON, FIELD) == 0.0


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ConfigError, match="0 to 180 deg"):
        opportunities(SALTMARSH, EARTH, 0.0, PlaneTarget(3.2, 0.0), 0.0, 1e5)
    with pytest.raises(ConfigError, match="0 s or more"):
        opportunities(SALTMARSH, EARTH, 0.0, PlaneTarget(1.0, 0.0), 0.0, -1.0)
    with pytest.raises(ConfigError, match="at most"):
        opportunities(SALTMARSH, EARTH, 0.0, PlaneTarget(1.0, 0.0), 0.0, 1e13)
    for margins in ({}, {"margin_m_s": 1.0, "margin_kg": 1.0}, {"margin_m_s": -1.0}, {"margin_kg": float("nan")}):
        with pytest.raises(ConfigError, match="margin"):
            open_close(first(), **margins)


def test_the_plane_of_an_orbit_drifts_as_the_orbit_does() -> None:
    mean = MeanOrbit(100.0, 6.84e6, 1e-3, 0.5, 1.0, 0.5, 0.0)
    plane = plane_of(mean, FIELD)
    assert plane.at(100.0) == pytest.approx((0.5, 1.0))
    then = advance_orbit(mean, 5e5, FIELD)
    assert plane.at(5e5) == pytest.approx((then.inclination_rad, then.node_rad), abs=2e-6)  # J3's slow part


@pytest.mark.parametrize("module", [windows, timescale], ids=lambda module: module.__name__)
def test_the_examples_hold(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted > 0
    assert result.failed == 0

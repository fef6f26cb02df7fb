"""Boost through a session on invented vehicles: limits, plane, cover. Simulator against session, no socket."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import radians

import pytest

from guidance_svc.core.atmosphere import air
from guidance_svc.domain import Body, Boost, FlightPlan, Hold, Insertion, Orbit, Site, Stage, Target, Vehicle
from guidance_svc.plan.targets import resolve_target
from guidance_svc.rehearsal.closed_loop import AscentFlight, fly_ascent
from guidance_svc.sim.state import World

EARTH = Body("earth", 3.986004418e14, 6378137.0, 1.0 / 298.257223563, 1.08262668e-3, 7.292115e-5, "us1976")
FIRST = Stage("first", 20e3, 380e3, 7.2e6, 3000.0, 6.0, throttle_min_frac=0.4)
SECOND = Stage("second", 4e3, 90e3, 9e5, 3450.0)
STACK = Vehicle("stack", (FIRST, SECOND), 9e3, 11.0, ((0.0, 0.3), (1.1, 0.5), (4.0, 0.25)), cover_mass_kg=1500.0,
                drop_cover_above_m=95e3, drop_cover_below_w_m2=1135.0)  # fmt: skip
PITCH = ((15.5, 83.8), (30.6, 79.6), (48.6, 67.4), (68.1, 51.9), (87.7, 40.0), (108.7, 34.9), (131.3, 30.4),
         (158.3, 25.9))  # fmt: skip
BOOST = Boost(
    8.0, 0.0, radians(1.5), pitch=tuple((t, radians(p)) for t, p in PITCH), max_yaw_rad=radians(2.0),
    max_dynamic_pressure_pa=33e3, max_q_alpha_pa_rad=1900.0, max_acceleration_m_s2=30.0, max_alpha_rad=radians(8.0),
)  # fmt: skip
TICK_S = 0.1


def target() -> Target:
    """An orbit whose plane the launch heading's impulsive formula leads to from this pad at this time."""
    return resolve_target(EARTH, 200e3, 300e3, None, "ascending", "inclination", radians(40.0), 0.0)


@cache
def flown(boost: Boost = BOOST, vehicle: Vehicle = STACK, whole: bool = True) -> AscentFlight:
    """To the orbit, or the boost alone."""
    site = Site("pad", radians(20.0), radians(10.0), 0.0)
    upper = (Insertion(first_stage=1, pause_s=3.0),) if whole else ()
    phases = (Hold(5.0, 1.0), boost, *upper, Orbit())
    return fly_ascent(FlightPlan("climb", EARTH, vehicle, target(), phases, site), World(EARTH, vehicle), TICK_S)


def test_boost_keeps_every_limit_within_one_per_cent() -> None:
    flight = flown()
    assert flight.most_q_pa <= 1.01 * 33e3
    assert flight.most_q_alpha_pa <= 1.01 * 1900.0
    assert flight.most_acceleration_m_s2 <= 1.01 * 30.0
    assert flight.most_alpha_deg <= 1.01 * 8.0


def test_every_limit_is_one_that_the_flight_would_break_without_it() -> None:
    free = replace(BOOST, max_dynamic_pressure_pa=1e9, max_q_alpha_pa_rad=1e9, max_acceleration_m_s2=1e9)
    flight = flown(free, whole=False)
    assert flight.most_q_pa > 1.01 * 33e3
    assert flight.most_q_alpha_pa > 1.01 * 1900.0
    assert flight.most_acceleration_m_s2 > 1.01 * 30.0


def test_throttle_program_is_followed() -> None:
    flight = flown(replace(BOOST, throttle=((20.0, 1.0), (30.0, 0.92), (40.0, 0.92), (50.0, 1.0))), whole=False)
    at_35 = next(row for row in flight.rows if row.time_s >= 5.0 + 35.0)
    assert at_35.throttle_frac == pytest.approx(0.92)


def test_events_come_in_the_order_of_their_times() -> None:
    events = [e for e in flown().events if e.name != "ignite"]
    assert [e.name for e in events] == ["release", "cutoff", "separate", "drop_cover", "cutoff"]
    assert [e.at_s for e in events] == sorted(e.at_s for e in events)


def test_cover_goes_when_high_enough_and_cool_enough() -> None:
    flight = flown()
    at_s = next(e.at_s for e in flight.events if e.name == "drop_cover")
    row = min(flight.rows, key=lambda r: abs(r.time_s - at_s))
    heating = air(row.height_m)[0] * row.air_speed_m_s**3 / 2.0
    assert row.height_m > 95e3 - 1000.0  # rows are a second apart
    assert heating == pytest.approx(1135.0, rel=0.15) or (heating < 1135.0 and row.height_m < 97e3)
    before, after = (next(r for r in flight.rows if r.time_s > at_s + k) for k in (-3.0, 1.0))
    burnt = SECOND.mass_flow_kg_s * (after.time_s - before.time_s)
    assert before.mass_kg - after.mass_kg - burnt == pytest.approx(1500.0, abs=1.0)


def test_orbit_is_met_with_the_cover_gone() -> None:
    flight = flown()
    assert flight.perigee_m - EARTH.radius_m == pytest.approx(200e3, abs=20.0)
    assert flight.apogee_m - EARTH.radius_m == pytest.approx(300e3, abs=20.0)
    assert not flight.state.covered


def off_heading_kg(azimuth_deg: float, yaw_deg: float) -> float:
    """Propellant that a wrong azimuth costs: the plane that the boost misses is the upper stage's to make good."""
    wrong = replace(BOOST, azimuth_rad=radians(azimuth_deg), max_yaw_rad=radians(yaw_deg))
    return flown().margin_kg - flown(wrong).margin_kg


@pytest.mark.slow
def test_leaning_towards_the_plane_makes_good_most_of_a_wrong_azimuth() -> None:
    lost = off_heading_kg(30.0, 0.0)  # the right one is near 52 deg
    assert lost > 50.0
    assert off_heading_kg(30.0, 4.0) < 0.5 * lost

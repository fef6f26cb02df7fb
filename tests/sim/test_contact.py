"""When legs or arms begin to bear, what is recorded of it, and what the vehicle does then. Vehicles are invented."""

from __future__ import annotations

from dataclasses import replace
from math import dist, hypot, inf, radians, sin, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guidance_svc.core.frames import altitude_m, ground_velocity, site_state, triad
from guidance_svc.core.vectors import along, sub, unit
from guidance_svc.domain import Frame, Site
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.state import Controls, SimState, World, on_pad
from guidance_svc.sim.step import coast, step
from guidance_svc.sim.telemetry import telemetry
from tests.sim.falling import EARTH, PAD, SITE, TOWER, VEHICLE, above, ball

STILL = replace(EARTH, atmosphere="none")
RIGID = replace(VEHICLE, attitude_rate_limit_rad_s=inf, attitude_acceleration_limit_rad_s2=inf, percussion_m=0.0)
LEGS_M, FEET_M, CATCH_M = RIGID.legs_below_m, RIGID.legs_radius_m, RIGID.catch_point_m or 0.0
GRAVITY = 9.79  # m/s2 at the site, less what turning with the body takes, within 0.1 %


def fallen(height_m: float, pad: Pad = PAD, tick_s: float = 0.1, seconds: float = 5.0, **begin: float) -> SimState:
    """Dropped upright over the site."""
    world = World(STILL, RIGID, meridian_at_zero_rad=0.3, pad=pad)
    state = above(height_m, world, **begin)
    while state.time_s < seconds - 1e-9:
        state = step(state, Controls(), tick_s, world)
    return state


@settings(max_examples=15, deadline=None)
@given(st.floats(0.013, 0.9))
def test_a_contact_comes_at_its_instant_whatever_the_ticks(tick_s: float) -> None:
    contact = fallen(LEGS_M + 10.0, tick_s=tick_s).contact
    assert contact is not None
    assert contact.on == "legs"
    assert contact.time_s == pytest.approx(sqrt(2.0 * 10.0 / GRAVITY), rel=1e-3)
    assert contact.down_m_s == pytest.approx(sqrt(2.0 * 10.0 * GRAVITY), rel=1e-3)
    whole = fallen(LEGS_M + 10.0, tick_s=5.0).contact
    assert whole is not None
    assert contact.time_s == pytest.approx(whole.time_s, abs=1e-8)


def test_speed_across_and_miss_are_over_the_turning_ground() -> None:
    contact = fallen(LEGS_M + 10.0, north_m_s=2.0, east_m_s=-3.0).contact
    assert contact is not None
    assert contact.across_m_s == pytest.approx(hypot(2.0, 3.0), rel=1e-3)
    assert contact.north_m == pytest.approx(2.0 * contact.time_s, abs=5e-3)  # the Coriolis force moves it by 2.4 mm
    assert contact.east_m == pytest.approx(-3.0 * contact.time_s, abs=5e-3)
    assert contact.miss_m == hypot(contact.north_m, contact.east_m)
    assert contact.speed_m_s == hypot(contact.down_m_s, contact.across_m_s)


def test_a_vehicle_that_leans_is_borne_by_its_lowest_foot() -> None:
    world = World(STILL, RIGID, pad=PAD)
    state, lean = above(LEGS_M + 5.0, world), radians(0.6)
    local = triad(state.position_m, "geodetic", STILL)
    aim = unit(along(local.up, sin(lean), local.east))
    end = step(replace(state, pointing=aim), Controls(), 3.0, world)
    assert end.contact is not None
    assert end.contact.tilt_rad == pytest.approx(lean, abs=1e-4)  # meanwhile the ground turns by 7e-5 rad
    low = altitude_m(end.position_m, STILL, "ellipsoid") - SITE.altitude_m
    assert low == pytest.approx(LEGS_M + FEET_M * sin(lean), abs=2e-3)  # 7.3 cm earlier than upright
    assert end.contact.east_m == pytest.approx(-LEGS_M * sin(lean), abs=5e-3)  # the feet, not the middle


def test_arms_hold_the_catch_point_at_their_height() -> None:
    end = fallen(60.0 - CATCH_M + 3.0, TOWER)
    assert end.contact is not None
    assert end.contact.on == "arms"
    assert altitude_m(end.position_m, EARTH, "ellipsoid") == pytest.approx(SITE.altitude_m + 60.0 - CATCH_M, abs=1e-5)
    assert end.contact.down_m_s == pytest.approx(sqrt(2.0 * 3.0 * GRAVITY), rel=1e-3)
    assert end.held_down


@pytest.mark.parametrize(("north", "east", "on"), [(1.5, 0.5, "arms"), (2.5, 0.0, "legs"), (0.0, -2.1, "legs")])
def test_arms_hold_what_is_within_their_reach_and_the_rest_falls_to_the_ground(
    north: float, east: float, on: str
) -> None:
    end = fallen(60.0 - CATCH_M + 3.0, replace(TOWER, arms_north_m=north, arms_east_m=east))
    assert end.contact is not None
    assert end.contact.on == on
    if on == "arms":
        assert (end.contact.north_m, end.contact.east_m) == pytest.approx((-north, -east), abs=2e-3)
    else:
        assert end.contact.down_m_s == pytest.approx(sqrt(2.0 * (48.0 - LEGS_M) * GRAVITY), rel=1e-3)


def test_a_vehicle_without_a_catch_point_passes_the_arms() -> None:
    world = World(STILL, replace(RIGID, catch_point_m=None), pad=TOWER)
    end = step(above(63.0, world), Controls(), 5.0, world)
    assert end.contact is not None
    assert end.contact.on == "legs"


def test_of_two_pads_the_nearest_bears_it_at_its_own_height() -> None:
    """The other pad is 600 m north and 5 m higher."""
    north = Site("north", SITE.latitude_rad + 600.0 / EARTH.radius_m, SITE.longitude_rad, SITE.altitude_m + 5.0)
    world = World(STILL, RIGID, pad=PAD, other_pads=(Pad(north),))
    here = step(above(LEGS_M + 10.0, world), Controls(), 5.0, world)
    there = step(above(LEGS_M + 10.0, world, site=north), Controls(), 5.0, world)
    assert here.contact is not None
    assert there.contact is not None
    assert (here.contact.site, there.contact.site) == (SITE.name, "north")
    assert here.contact.miss_m < 5e-3  # by the turning of the body, as it falls
    assert there.contact.miss_m < 5e-3
    assert there.contact.time_s == pytest.approx(here.contact.time_s, abs=1e-3)


def test_after_the_contact_it_turns_with_the_body_and_tells_it() -> None:
    world = World(EARTH, RIGID, meridian_at_zero_rad=0.3, pad=PAD)
    end = step(above(LEGS_M + 10.0, world), Controls(), 5.0, world)
    later = step(end, Controls(), 1000.0, world)
    assert end.contact == later.contact
    for state in (end, later):
        site, _ = site_state(SITE, EARTH, 0.3, state.time_s)
        offset = sub(state.position_m, site)
        assert sum(x * x for x in offset) == pytest.approx(LEGS_M**2, rel=1e-4)
        assert state.velocity_m_s == pytest.approx(ground_velocity(state.position_m, EARTH.rotation_rad_s))
    readings = telemetry(later, world, Frame(), 1).readings
    assert readings is not None
    assert readings.contact is True
    before = telemetry(above(LEGS_M + 10.0, world), world, Frame(), 1).readings
    assert before is not None
    assert before.contact is False


@pytest.mark.parametrize(("cut", "on"), [(True, False), (False, True)])
def test_an_engine_is_cut_at_contact_where_that_was_told(cut: bool, on: bool) -> None:
    world = World(STILL, RIGID, pad=PAD)
    start = above(LEGS_M + 10.0, world, 12.0)
    end = step(start, Controls(engines=1, throttle_frac=0.6, engine_on=True, cut_on_contact=cut), 3.0, world)
    assert end.contact is not None
    assert end.engine_on is on
    at_contact = step(start, Controls(engines=1, throttle_frac=0.6, engine_on=True, cut_on_contact=cut),
                      end.contact.time_s, world)  # fmt: skip
    assert (end.propellant_kg[0] == pytest.approx(at_contact.propellant_kg[0], abs=1e-5)) is cut


def test_a_cutoff_before_the_contact_lets_it_fall_the_rest() -> None:
    world = World(ball(9.8, 6.4e6), replace(RIGID, stages=(replace(RIGID.stages[0], engine_lag_s=0.0),)), pad=PAD)
    controls = Controls(engines=1, engine_on=True, cut_on_contact=True, cutoff_at_s=1.0)
    end = step(above(LEGS_M + 30.0, world, 20.0), controls, 6.0, world)
    assert end.contact is not None
    assert end.contact.time_s > 1.0
    assert 20e3 - end.propellant_kg[0] == pytest.approx(0.8 * 880e3 / 3050.0, rel=1e-9)  # 0.2 s of delay


def test_what_stands_on_its_pad_is_no_contact_until_it_has_flown_and_come_down() -> None:
    world = World(EARTH, RIGID, pad=PAD)
    hop = step(on_pad(SITE, world), Controls(engines=1, engine_on=True, release_at_s=0.4), 9.0, world)
    assert hop.contact is None
    feet = altitude_m(hop.position_m, EARTH, "ellipsoid") - LEGS_M
    assert feet > SITE.altitude_m
    down = step(hop, Controls(engine_on=False), 60.0, world)
    assert down.contact is not None
    up = step(down, Controls(engines=9, engine_on=True, release_at_s=down.time_s + 1.0), 3.0, world)
    assert up.contact is None
    assert altitude_m(up.position_m, EARTH, "ellipsoid") > altitude_m(down.position_m, EARTH, "ellipsoid") + 1.0


@pytest.mark.parametrize("height_m", [50e3, 900.0])
def test_a_long_coast_over_an_airless_body_ends_on_the_ground(height_m: float) -> None:
    moon = replace(ball(1.62, 1.7374e6), rotation_rad_s=2.66e-6)
    world = World(moon, RIGID, pad=PAD)
    start = above(height_m, world, 0.0, 0.0, 300.0)
    far = coast(start, 400.0, world)
    ticks = start
    for _ in range(400):
        ticks = step(ticks, Controls(), 1.0, world)
    assert far.contact is not None
    assert ticks.contact is not None
    assert far.contact.time_s == pytest.approx(ticks.contact.time_s, abs=1e-6)
    assert far.contact.miss_m == pytest.approx(300.0 * far.contact.time_s, rel=0.05)
    assert dist(far.position_m, ticks.position_m) < 1e-3

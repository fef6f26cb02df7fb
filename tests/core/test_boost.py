"""The way through the air: launch heading against flown azimuths, and the pitch-over."""

from __future__ import annotations

from dataclasses import replace
from math import acos, asin, atan2, cos, degrees, exp, inf, log, radians, sin

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from guidance_svc.core.boost import (
    PRESSURE_KEPT_FRAC,
    PRESSURE_TIME_S,
    AirHere,
    BoostEngine,
    Limits,
    boost_direction,
    launch_heading_rad,
    near_air_flow,
    throttle_within,
    time_to_level_s,
    time_to_speed_s,
    velocity_soon,
    yaw_to_heading_rad,
    yaw_to_plane_rad,
)
from guidance_svc.core.frames import site_state, triad
from guidance_svc.core.vectors import add, cross, dot, norm, scale, unit
from guidance_svc.domain import Body, Boost, Site, Target
from tests.reference.cases import load

EARTH = Body("earth", 3.986004418e14, 6378137.0, 1.0 / 298.257223563, 1.08262668e-3, 7.292115e-5)
STILL = Body("still", 3.986004418e14, 6378137.0)


def target(plane: str, inclination_deg: float = 0.0, node_deg: float = 0.0, speed: float = 7793.0) -> Target:
    radius = 6563e3
    return Target(radius, radius, radius, speed, 0.0, plane, radians(inclination_deg), radians(node_deg))  # type: ignore[arg-type]


@pytest.mark.parametrize("flight", ["AS_506", "AS_507", "AS_510"])
def test_launch_heading_is_within_the_known_difference_of_flown_azimuths(flight: str) -> None:
    # MSFC flight evaluation reports (see data/saturn_v.json, SAT-AZ-1). The impulsive formula is 0.6 deg off because
    # the flights corrected for their finite burn; 0.7 allows for that and nothing else.
    outputs = load("saturn_v")["SAT-AZ-1"]["outputs"][flight]
    pad = Site("pad", radians(28.6086), radians(-80.6041), 59.0)
    position, _ = site_state(pad, EARTH, 0.0, 0.0)
    local = triad(position, "geocentric", EARTH)
    heading = launch_heading_rad(position, EARTH, target("inclination", outputs["inclination"]["value"]), local)
    difference = degrees(heading) - outputs["flight_azimuth"]["value"]
    assert 0.4 < difference < 0.7


@pytest.mark.parametrize("inclination_deg", [30.0, 51.6, 90.0, 97.0])
def test_without_rotation_the_heading_is_that_of_spherical_trigonometry(inclination_deg: float) -> None:
    # Vallado section 6.4.1: cos i = cos(latitude) sin(azimuth); northbound
    latitude = radians(28.0)
    position = (6378137.0 * cos(latitude), 0.0, 6378137.0 * sin(latitude))
    local = triad(position, "geocentric", STILL)
    heading = launch_heading_rad(position, STILL, target("inclination", inclination_deg), local)
    wanted = asin(cos(radians(inclination_deg)) / cos(latitude))
    assert sin(heading - wanted) == pytest.approx(0.0, abs=1e-9)
    assert cos(heading) > 0.0


def test_a_free_plane_leads_east() -> None:
    position = (6378137.0, 0.0, 0.0)
    heading = launch_heading_rad(position, EARTH, target("free"), triad(position, "geocentric", EARTH))
    assert degrees(heading) == pytest.approx(90.0)


def test_a_node_that_puts_the_pad_on_the_way_down_leads_south() -> None:
    position = (6378137.0 * cos(0.4), 0.0, 6378137.0 * sin(0.4))
    local = triad(position, "geocentric", STILL)
    # sin(longitude - node) = tan(latitude) / tan(inclination), Vallado section 6.4.1
    along = asin(0.4227932187 / 1.2617)  # tan 0.4, tan 51.6 deg
    up = launch_heading_rad(position, STILL, target("inclination_and_node", 51.6, -degrees(along)), local)
    down = launch_heading_rad(position, STILL, target("inclination_and_node", 51.6, degrees(along) - 180.0), local)
    assert degrees(up) < 90.0 < degrees(down) < 180.0


PHASE = Boost(rise_s=10.0, pitch_over_rad=0.1, pitch_over_rate_rad_s=0.02)
LOCAL = triad((6378137.0, 0.0, 0.0), "geocentric", EARTH)


def from_vertical(direction: tuple[float, float, float]) -> float:
    return acos(min(1.0, dot(direction, LOCAL.up)))


def test_the_rise_is_vertical() -> None:
    assert boost_direction(PHASE, 9.9, (50.0, 0.0, 0.0), 1.0, LOCAL) == LOCAL.up


@pytest.mark.parametrize(("since_s", "tip_rad"), [(11.0, 0.02), (12.5, 0.05), (15.0, 0.1), (40.0, 0.1)])
def test_the_vehicle_tips_at_its_rate_until_the_air_flow_has_followed(since_s: float, tip_rad: float) -> None:
    direction = boost_direction(PHASE, since_s, (100.0, 0.0, 0.0), radians(90.0), LOCAL)
    assert from_vertical(direction) == pytest.approx(tip_rad, abs=1e-9)
    assert dot(direction, LOCAL.east) == pytest.approx(sin(tip_rad))


def test_past_the_pitch_over_the_thrust_lies_along_the_velocity_over_ground() -> None:
    velocity = (400.0, 300.0, 10.0)
    direction = boost_direction(PHASE, 60.0, velocity, radians(90.0), LOCAL)
    assert direction == pytest.approx(scale(1.0 / norm(velocity), velocity))


def test_heading_is_clockwise_from_north() -> None:
    direction = boost_direction(PHASE, 40.0, (100.0, 0.0, 0.0), radians(0.0), LOCAL)
    assert dot(direction, LOCAL.north) > 0.0
    assert dot(direction, LOCAL.east) == pytest.approx(0.0, abs=1e-12)


def test_a_standing_vehicle_is_not_asked_for_the_direction_of_no_motion() -> None:
    direction = boost_direction(PHASE, 60.0, (0.0, 0.0, 0.0), 1.0, LOCAL)
    assert from_vertical(direction) == pytest.approx(0.1)


def test_velocity_soon_adds_thrust_and_gravity() -> None:
    later = velocity_soon((6378137.0, 0.0, 0.0), (100.0, 0.0, 0.0), (1.0, 0.0, 0.0), 20.0, STILL, 0.5)
    gravity = STILL.mu_m3_s2 / STILL.radius_m**2
    assert later == pytest.approx((100.0 + 0.5 * (20.0 - gravity), 0.0, 0.0))


def test_time_to_a_speed_is_linear_in_the_acceleration_along_the_motion() -> None:
    velocity, push = (300.0, 400.0, 0.0), (3.0, 4.0, 0.0)
    assert time_to_speed_s(600.0, velocity, push) == pytest.approx(20.0)
    assert time_to_speed_s(400.0, velocity, push) == 0.0
    assert time_to_speed_s(600.0, velocity, scale(-1.0, push)) == inf
    assert time_to_speed_s(inf, velocity, push) == inf
    assert time_to_speed_s(600.0, (0.0, 0.0, 0.0), push) == inf
    assert time_to_speed_s(600.0, velocity, add(push, (0.0, 0.0, 9.0))) == pytest.approx(20.0)


# --- angle of attack, limits, throttle --------------------------------------------------------------------------------

FLOW = (300.0, 400.0, 0.0)  # over ground; up is x, east is y: 53.13 deg from the vertical, heading east
DENSITY = 0.4
PRESSURE_PA = 0.5 * DENSITY * 500.0**2


def alpha_of(direction: tuple[float, float, float]) -> float:
    """Angle of attack, nose up positive, in the plane of flow and vertical."""
    return atan2(direction[0], direction[1]) - atan2(FLOW[0], FLOW[1])


@pytest.mark.parametrize(("since_s", "alpha_rad"), [(20.0, 0.02), (40.0, 0.0), (60.0, -0.02), (99.0, -0.02)])
def test_angle_of_attack_follows_its_program(since_s: float, alpha_rad: float) -> None:
    phase = replace(PHASE, bias=((20.0, 0.02), (60.0, -0.02)))
    direction = boost_direction(phase, since_s, FLOW, radians(90.0), LOCAL)
    assert alpha_of(direction) == pytest.approx(alpha_rad, abs=1e-12)
    assert norm(direction) == pytest.approx(1.0)


def test_pitch_program_leads_to_its_pitch_whatever_the_flow() -> None:
    phase = replace(PHASE, pitch=((20.0, radians(80.0)), (100.0, radians(40.0))))
    direction = boost_direction(phase, 60.0, FLOW, radians(90.0), LOCAL)
    assert from_vertical(direction) == pytest.approx(radians(30.0))


def test_pitch_program_begins_no_faster_than_the_pitch_over_rate() -> None:
    phase = replace(PHASE, pitch=((0.0, radians(45.0)),))
    direction = boost_direction(phase, 11.0, (100.0, 0.0, 0.0), radians(90.0), LOCAL)
    assert from_vertical(direction) == pytest.approx(0.02)


def test_pitch_program_is_held_within_the_angle_of_attack() -> None:
    phase = replace(PHASE, pitch=((0.0, radians(80.0)),), max_alpha_rad=0.1)
    assert alpha_of(boost_direction(phase, 60.0, FLOW, radians(90.0), LOCAL)) == pytest.approx(0.1)


@pytest.mark.parametrize("bias_rad", [0.2, -0.2])
def test_angle_of_attack_times_dynamic_pressure_is_bounded_on_both_sides(bias_rad: float) -> None:
    phase = replace(PHASE, bias=((0.0, bias_rad),), max_q_alpha_pa_rad=2500.0)
    direction = boost_direction(phase, 60.0, FLOW, radians(90.0), LOCAL, DENSITY)
    assert PRESSURE_PA * alpha_of(direction) == pytest.approx(2500.0 if bias_rad > 0.0 else -2500.0)


def test_yaw_leans_clockwise_and_takes_what_the_angle_of_attack_leaves() -> None:
    phase = replace(PHASE, bias=((0.0, 0.03),), max_alpha_rad=0.05)
    direction = boost_direction(phase, 60.0, FLOW, radians(90.0), LOCAL, yaw_rad=0.3)
    flow = scale(1.0 / 500.0, FLOW)
    assert acos(dot(direction, flow)) == pytest.approx(0.05, rel=1e-4)
    assert dot(direction, LOCAL.north) == pytest.approx(-0.04, rel=1e-3)  # 3-4-5; heading east, clockwise is south


def test_tipping_over_is_held_within_the_angle_of_attack() -> None:
    phase = replace(PHASE, max_alpha_rad=0.03)
    direction = boost_direction(phase, 40.0, (100.0, 0.0, 0.0), radians(90.0), LOCAL)
    assert from_vertical(direction) == pytest.approx(0.03)


@given(
    wanted=st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda v: norm(v) > 0.1),
    flow=st.tuples(*[st.floats(-3e3, 3e3)] * 3).filter(lambda v: norm(v) > 10.0),
    density=st.floats(1e-6, 1.2),
)
@example(wanted=(1.0, 0.0, 0.0), flow=(-11.0, 0.0, 0.0), density=1.0)
@example(wanted=(0.0, 0.0, -1.0), flow=(0.0, 0.0, 900.0), density=1.0)
def test_closed_loop_directions_never_leave_the_limits_and_stay_where_they_are_within(
    wanted: tuple[float, float, float], flow: tuple[float, float, float], density: float
) -> None:
    direction, limits = unit(wanted), Limits(q_alpha_pa_rad=2000.0, alpha_rad=0.5)
    held = near_air_flow(direction, flow, density, limits)
    most = min(0.5, 2000.0 / (0.5 * density * norm(flow) ** 2))
    ahead = unit(flow)
    angle = atan2(norm(cross(held, ahead)), dot(held, ahead))
    assert norm(held) == pytest.approx(1.0)
    assert angle <= most + 1e-6
    if atan2(norm(cross(direction, ahead)), dot(direction, ahead)) <= most:
        assert held == direction


ENGINE = BoostEngine(2.5e6, 1.0, 0.6)
LOST_N = 0.1e6  # to the air's pressure


def air_of_density(soon_kg_m3: float) -> AirHere:
    return AirHere(soon_kg_m3, LOST_N / ENGINE.exit_area_m2, 300.0, soon_kg_m3)


def test_throttle_keeps_the_acceleration_of_the_net_thrust() -> None:
    frac = throttle_within(1.0, ENGINE, 8e4, 0.0, 0.0, 500.0, air_of_density(0.0), Limits(acceleration_m_s2=20.0))
    assert (frac * ENGINE.thrust_n - LOST_N) / 8e4 == pytest.approx(20.0)


def test_throttle_meets_the_dynamic_pressure_by_the_equation_of_motion_along_the_flow() -> None:
    # the rest to the allowed speed, spread over PRESSURE_TIME_S, is what thrust, drag and weight give
    limit, density, speed, mass, drag, weight = 35e3, 0.5, 365.0, 1.3e5, 1e5, -8.0
    frac = throttle_within(1.0, ENGINE, mass, drag, weight, speed, air_of_density(density), Limits(pressure_pa=limit))
    assert 0.6 < frac < 1.0
    rate = (frac * ENGINE.thrust_n - LOST_N - drag) / mass + weight
    assert 0.5 * density * (speed + PRESSURE_TIME_S * rate) ** 2 == pytest.approx(PRESSURE_KEPT_FRAC * limit)


def test_throttle_never_goes_below_what_the_engine_can() -> None:
    frac = throttle_within(1.0, ENGINE, 8e4, 0.0, 0.0, 900.0, air_of_density(0.5), Limits(pressure_pa=35e3))
    assert frac == 0.6


def test_missing_velocity_lies_ahead_on_the_launch_heading_and_to_the_side_when_blown_off_it() -> None:
    # hand calculation: equatorial plane, launched east on the equator; 10 m/s of northward drift must be taken out
    position, spin, pole = (6478137.0, 0.0, 0.0), 472.4, (0.0, 0.0, 1.0)

    def yaw(drift: float) -> float:
        velocity, ground = (500.0, spin + 2000.0, drift), (500.0, 2000.0, drift)
        return yaw_to_plane_rad(position, velocity, ground, pole, 7800.0, 0.1)

    assert yaw(0.0) == pytest.approx(0.0, abs=1e-12)
    assert yaw(10.0) == pytest.approx(10.0 / (7800.0 - spin - 2000.0) + 10.0 / 2000.0, rel=1e-3)
    assert yaw(900.0) == 0.1


def test_time_to_a_falling_level_is_exact_for_an_exponential() -> None:
    # heating falls by e in 20 s: from 4000 to 1000 takes 20 ln 4
    soon = 4000.0 * exp(-1.0 / 20.0)
    assert time_to_level_s(4000.0, soon, 1000.0, 1.0, True) == pytest.approx(20.0 * log(4.0))
    assert time_to_level_s(4000.0, 4100.0, 1000.0, 1.0, True) == inf


def test_a_drifted_flow_is_led_back_to_the_launch_heading() -> None:
    # hand calculation: 3 up and 4 level at heading 80 deg, wanted 90: 10 deg of heading at a flow 4/5 level
    level = (cos(radians(80.0)), sin(radians(80.0)))
    flow = add(add(scale(300.0, LOCAL.up), scale(400.0 * level[0], LOCAL.north)), scale(400.0 * level[1], LOCAL.east))
    yaw = yaw_to_heading_rad(flow, LOCAL, radians(90.0))
    assert yaw == pytest.approx(0.8 * radians(10.0))

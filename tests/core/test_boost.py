"""The way through the air: launch heading against flown azimuths, and the pitch-over."""

from __future__ import annotations

from math import acos, asin, cos, degrees, inf, radians, sin

import pytest

from guidance_svc.core.boost import boost_direction, launch_heading_rad, time_to_speed_s, velocity_soon
from guidance_svc.core.frames import site_state, triad
from guidance_svc.core.vectors import add, dot, norm, scale
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

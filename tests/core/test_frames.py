"""Frames: every conversion undone gives the same again; the ellipsoid against its own defining equation.

Tolerance of round trips: 1e-6 m and 1e-9 m/s, rounding at 1e8 m with room; angles 1e-12 rad.
"""

from __future__ import annotations

from itertools import permutations, product
from math import atan2, cos, dist, pi, radians, sin, sqrt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from guidance_svc.core import frames
from guidance_svc.core.vectors import cross, dot, norm, unit
from guidance_svc.domain import Body, Frame, LocalState, Site, Vec, VehicleState
from guidance_svc.errors import GuidanceError

EARTH = Body("Earth", 3.986004418e14, 6378137.0, 1.0 / 298.257223563, 1.0826267e-3, 7.292115e-5)
MOON = Body("Moon", 4.9028e12, 1737400.0, rotation_rad_s=2.66e-6)
ALL_AXES = [
    (a + i, b + j, c + k)
    for i, j, k in permutations("xyz")
    for a, b, c in product(("", "-"), repeat=3)
]  # fmt: skip
LATITUDE = st.one_of(st.floats(-pi / 2, pi / 2), st.sampled_from([-pi / 2, pi / 2, 0.0, 1.57, -1e-9]))
LONGITUDE = st.floats(-pi, pi)
TIME = st.floats(-1e6, 1e6)


@st.composite
def directions(draw: st.DrawFn) -> Vec:
    z, angle = draw(st.floats(-1.0, 1.0)), draw(LONGITUDE)
    level = sqrt(1.0 - z * z)
    return (level * cos(angle), level * sin(angle), z)


@st.composite
def states(draw: st.DrawFn) -> tuple[Vec, Vec]:
    r, v = draw(st.floats(6.3e6, 1e8)), draw(st.floats(0.0, 1.2e4))
    d, e = draw(directions()), draw(directions())
    return ((r * d[0], r * d[1], r * d[2]), (v * e[0], v * e[1], v * e[2]))


@st.composite
def all_frames(draw: st.DrawFn) -> Frame:
    return Frame(
        turning=draw(st.booleans()),
        axes=draw(st.sampled_from(ALL_AXES)),
        meridian_at_zero_rad=draw(st.floats(-2.0 * pi, 2.0 * pi)),
        height_above=draw(st.sampled_from(["sphere", "ellipsoid"])),
        up=draw(st.sampled_from(["geocentric", "geodetic"])),
        local_velocity=draw(st.sampled_from(["over_ground", "inertial"])),
    )


def close(a: tuple[Vec, Vec], b: tuple[Vec, Vec]) -> bool:
    return dist(a[0], b[0]) < 1e-6 and dist(a[1], b[1]) < 1e-9


# --- axes ---------------------------------------------------------------------------------------------------------


def test_there_are_48_axis_maps_half_of_them_left_handed_by_the_triple_product() -> None:
    left = 0
    for axes in ALL_AXES:
        a, b, c = (frames.to_canonical(e, axes) for e in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))
        triple = dot(cross(a, b), c)
        assert abs(triple) == 1.0
        assert frames.handedness(axes) == ("right" if triple > 0.0 else "left")
        left += triple < 0.0
    assert (len(ALL_AXES), left) == (48, 24)


def test_the_left_handed_frame_with_y_up_puts_north_in_the_second_number() -> None:
    assert frames.to_canonical((1.0, 2.0, 3.0), ("x", "z", "y")) == (1.0, 3.0, 2.0)
    assert frames.from_canonical((1.0, 3.0, 2.0), ("x", "z", "y")) == (1.0, 2.0, 3.0)


@pytest.mark.parametrize("axes", [("x", "x", "z"), ("x", "-x", "z"), ("x", "y", "w"), ("", "y", "z")])
def test_axes_that_span_no_frame_are_refused_by_name(axes: tuple[str, str, str]) -> None:
    with pytest.raises(GuidanceError, match="each of x, y, z once") as caught:
        frames.to_canonical((1.0, 2.0, 3.0), axes)
    assert caught.value.field == "frame.axes"


# --- script and BCI -----------------------------------------------------------------------------------------------


@given(states(), all_frames(), TIME)
def test_a_scripts_vectors_go_to_bci_and_back_unchanged(state: tuple[Vec, Vec], frame: Frame, time_s: float) -> None:
    assert close(frames.to_bci(*frames.from_bci(*state, frame, EARTH, time_s), frame, EARTH, time_s), state)
    assert close(frames.from_bci(*frames.to_bci(*state, frame, EARTH, time_s), frame, EARTH, time_s), state)


@given(directions(), all_frames(), TIME)
def test_a_direction_goes_to_the_script_and_back_unchanged(d: Vec, frame: Frame, time_s: float) -> None:
    there = frames.direction_from_bci(d, frame, EARTH, time_s)
    assert norm(there) == pytest.approx(1.0, abs=1e-14)
    assert dist(frames.direction_to_bci(there, frame, EARTH, time_s), d) < 1e-14


def test_a_point_that_rests_on_the_turning_ground_moves_east_in_bci() -> None:
    frame = Frame(turning=True, axes=("x", "z", "y"))
    position, velocity = frames.to_bci((EARTH.radius_m, 0.0, 0.0), (0.0, 0.0, 0.0), frame, EARTH, 0.0)
    assert position == (EARTH.radius_m, 0.0, 0.0)
    # equatorial speed of the ground: rotation times radius, 465.101 m/s (NIMA TR8350.2 numbers)
    assert velocity == pytest.approx((0.0, 465.10108, 0.0), abs=1e-4)


@given(states(), TIME)
def test_velocity_in_a_turning_frame_is_the_rate_of_the_turning_position(state: tuple[Vec, Vec], time_s: float) -> None:
    frame = Frame(turning=True, meridian_at_zero_rad=0.7)
    position, velocity = state
    _, relative = frames.from_bci(position, velocity, frame, EARTH, time_s)
    h = 1.0  # central difference of a straight line seen from turning axes: error (rotation h)^2 times the speeds
    after, _ = frames.from_bci(
        tuple(p + h * v for p, v in zip(position, velocity, strict=True)), velocity, frame, EARTH, time_s + h
    )
    before, _ = frames.from_bci(
        tuple(p - h * v for p, v in zip(position, velocity, strict=True)), velocity, frame, EARTH, time_s - h
    )
    rate = tuple((a - b) / (2.0 * h) for a, b in zip(after, before, strict=True))
    assert dist(rate, relative) < 1e-4  # (7.3e-5)^2 x (7.3e-5 x 1e8 + 2 x 1.2e4) m/s


# --- the ellipsoid ------------------------------------------------------------------------------------------------


@given(LATITUDE, LONGITUDE, st.floats(-5e3, 1e8))
def test_geodetic_latitude_and_height_are_read_back_to_a_micrometre(lat: float, lon: float, height: float) -> None:
    position = frames.on_ellipsoid(lat, lon, height, EARTH.radius_m, EARTH.flattening)
    latitude, altitude = frames.geodetic(position, EARTH.radius_m, EARTH.flattening)
    assert altitude == pytest.approx(height, abs=1e-6)
    assert latitude == pytest.approx(lat, abs=1e-12)


@given(LATITUDE, LONGITUDE)
def test_points_of_height_zero_satisfy_the_ellipsoids_equation(lat: float, lon: float) -> None:
    x, y, z = frames.on_ellipsoid(lat, lon, 0.0, EARTH.radius_m, EARTH.flattening)
    polar_m = 6356752.314245179  # b of WGS-84, computed with pyerfa 2.0.1.5
    assert (x * x + y * y) / EARTH.radius_m**2 + z * z / polar_m**2 == pytest.approx(1.0, abs=1e-14)


@given(directions(), st.floats(6.4e6, 1e8))
def test_on_a_sphere_geodetic_is_geocentric(d: Vec, r: float) -> None:
    latitude, altitude = frames.geodetic((r * d[0], r * d[1], r * d[2]), MOON.radius_m, 0.0)
    assert sin(latitude) == pytest.approx(d[2], abs=1e-14)
    assert altitude == pytest.approx(r - MOON.radius_m, abs=1e-7)


def test_longitude_is_counted_east_of_the_meridian() -> None:
    assert frames.longitude_rad((0.0, 1.0, 0.0), 0.0) == pytest.approx(pi / 2)
    assert frames.longitude_rad((0.0, 1.0, 0.0), pi) == pytest.approx(-pi / 2)
    assert frames.longitude_rad((1.0, 0.0, 0.0), pi) == pytest.approx(pi)


# --- the local vertical -------------------------------------------------------------------------------------------


@given(states(), st.sampled_from(["geocentric", "geodetic"]))
def test_up_north_east_are_orthonormal_and_east_is_north_cross_up(state: tuple[Vec, Vec], up: frames.Up) -> None:
    local = frames.triad(state[0], up, EARTH)
    assert dist(cross(local.north, local.up), local.east) < 1e-14
    for vector in local:
        assert norm(vector) == pytest.approx(1.0, abs=1e-14)
    assert local.east[2] == 0.0
    assert local.north[2] >= 0.0


def test_the_geodetic_vertical_leans_from_the_geocentric_by_at_most_the_known_11_5_arcminutes() -> None:
    # greatest difference of geodetic and geocentric latitude on WGS-84: 11.545 arcmin near 45 deg (textbooks; memory)
    position = frames.on_ellipsoid(radians(45.096), 0.4, 0.0, EARTH.radius_m, EARTH.flattening)
    a, b = (frames.triad(position, up, EARTH).up for up in ("geocentric", "geodetic"))
    assert atan2(norm(cross(a, b)), dot(a, b)) == pytest.approx(radians(11.545 / 60.0), abs=radians(0.001 / 60.0))


@pytest.mark.parametrize("z", [6.4e6, -6.4e6])
@pytest.mark.parametrize("up", ["geocentric", "geodetic"])
def test_at_a_pole_north_is_definite(z: float, up: frames.Up) -> None:
    local = frames.triad((0.0, 0.0, z), up, EARTH)
    assert local.up == pytest.approx((0.0, 0.0, z / 6.4e6), abs=1e-15)
    assert local.east == pytest.approx((0.0, 1.0, 0.0), abs=1e-15)
    assert local.north == pytest.approx((-z / 6.4e6, 0.0, 0.0), abs=1e-15)


@given(states(), st.floats(-1.57, 1.57), st.floats(0.0, 2.0 * pi, exclude_max=True))
def test_pitch_and_heading_are_read_back_from_the_direction_they_make(
    state: tuple[Vec, Vec], pitch: float, heading: float
) -> None:
    local = frames.triad(state[0], "geodetic", EARTH)
    got = frames.pitch_and_heading(frames.direction_of(pitch, heading, local), local)
    assert got[0] == pytest.approx(pitch, abs=1e-14)
    # heading loses digits by the cosine of the pitch, 8e-4 at the limit
    assert abs((got[1] - heading + pi) % (2.0 * pi) - pi) < 1e-12
    assert 0.0 <= got[1] < 2.0 * pi


def test_straight_up_has_heading_zero() -> None:
    local = frames.triad_at(0.0, 0.0)
    assert frames.pitch_and_heading(local.up, local) == (pi / 2, 0.0)


def test_a_site_turns_with_the_body_and_stays_at_its_longitude_and_latitude() -> None:
    site = Site("Saltmarsh Point", 0.5, -1.2, 3.0)
    for time_s in (-500.0, 0.0, 7000.0):
        position, velocity = frames.site_state(site, EARTH, 0.3, time_s)
        meridian = frames.meridian_rad(EARTH, Frame(meridian_at_zero_rad=0.3), time_s)
        assert frames.longitude_rad(position, meridian) == pytest.approx(-1.2, abs=1e-12)
        assert frames.geodetic(position, EARTH.radius_m, EARTH.flattening) == pytest.approx((0.5, 3.0), abs=1e-8)
        later, _ = frames.site_state(site, EARTH, 0.3, time_s + 0.5)
        sooner, _ = frames.site_state(site, EARTH, 0.3, time_s - 0.5)
        rate = tuple(a - b for a, b in zip(later, sooner, strict=True))
        assert dist(rate, velocity) < 1e-6  # central difference over 1 s: rotation^2/24 of 410 m/s, and rounding


# --- the local form -----------------------------------------------------------------------------------------------


@given(states(), all_frames(), TIME, st.sampled_from([EARTH, MOON]))
def test_bci_goes_to_the_local_form_and_back_unchanged(
    state: tuple[Vec, Vec], frame: Frame, time_s: float, body: Body
) -> None:
    there = frames.local_from_bci(*state, frame, body, time_s)
    back = frames.local_to_bci(there, frame, body, time_s)
    assert dist(back[0], state[0]) < 1e-6
    plane = sqrt(state[0][0] ** 2 + state[0][1] ** 2)
    assume(plane > 1.0)  # within a metre of the pole, rounding of the longitude turns north visibly
    assert dist(back[1], state[1]) < 1e-6


@given(LATITUDE, LONGITUDE, st.floats(-1e3, 1e6), all_frames(), TIME)
def test_the_local_form_goes_to_bci_and_back_unchanged(
    lat: float, lon: float, altitude: float, frame: Frame, time_s: float
) -> None:
    local = LocalState(lat, lon, altitude, 10.0, 200.0, -3000.0)
    got = frames.local_from_bci(*frames.local_to_bci(local, frame, EARTH, time_s), frame, EARTH, time_s)
    assert got.latitude_rad == pytest.approx(lat, abs=1e-12)
    assert got.altitude_m == pytest.approx(altitude, abs=1e-6)
    assert got.vertical_speed_m_s == pytest.approx(10.0, abs=1e-8)
    assume(abs(lat) < 1.5707)
    assert abs((got.longitude_rad - lon + pi) % (2.0 * pi) - pi) * cos(lat) < 1e-12
    assert (got.north_speed_m_s, got.east_speed_m_s) == pytest.approx((200.0, -3000.0), abs=1e-6)


def test_a_vehicle_on_the_pad_has_no_speed_over_ground_and_the_grounds_speed_inertially() -> None:
    site = Site("Saltmarsh Point", 0.5, -1.2, 3.0)
    state = frames.site_state(site, EARTH, 0.0, 100.0)
    still = frames.local_from_bci(*state, Frame(up="geodetic", height_above="ellipsoid"), EARTH, 100.0)
    assert (still.vertical_speed_m_s, still.north_speed_m_s, still.east_speed_m_s) == pytest.approx(
        (0.0, 0.0, 0.0), abs=1e-9
    )
    assert (still.latitude_rad, still.longitude_rad, still.altitude_m) == pytest.approx((0.5, -1.2, 3.0), abs=1e-8)
    moving = frames.local_from_bci(*state, Frame(local_velocity="inertial"), EARTH, 100.0)
    plane_m = sqrt(state[0][0] ** 2 + state[0][1] ** 2)
    assert moving.east_speed_m_s == pytest.approx(EARTH.rotation_rad_s * plane_m, abs=1e-9)


def test_a_state_message_is_read_in_either_form() -> None:
    frame = Frame(turning=True, axes=("x", "z", "y"), meridian_at_zero_rad=0.4)
    truth = ((4e6, 3e6, 5e6), (-3000.0, 6000.0, 1000.0))
    place, speed = frames.from_bci(*truth, frame, EARTH, 50.0)
    cartesian = VehicleState(1, 50.0, 1e3, place, speed)
    local = VehicleState(1, 50.0, 1e3, local=frames.local_from_bci(*truth, frame, EARTH, 50.0))
    assert close(frames.state_to_bci(cartesian, frame, EARTH), truth)
    assert close(frames.state_to_bci(local, frame, EARTH), truth)
    with pytest.raises(GuidanceError, match="local form"):
        frames.state_to_bci(VehicleState(1, 50.0, 1e3, position_script_m=place), frame, EARTH)


@given(directions())
def test_a_unit_vector_stays_one_through_a_triad(d: Vec) -> None:
    local = frames.triad((3e6, -4e6, 4e6), "geocentric", EARTH)
    pitch, heading = frames.pitch_and_heading(d, local)
    assert dist(unit(frames.direction_of(pitch, heading, local)), d) < 1e-13

"""Every way in which a script may count, against numbers derived another way.

Derivations: hand-computed vectors where said; else scipy.spatial.transform.Rotation for what turns, a 3 x 3 matrix
of the axis names, numpy.cross for the ground's velocity, and for the ellipsoid the closed formulas of geodetic
coordinates, X = (N + h) cos cos, Z = (N (1 - e^2) + h) sin with N = a / sqrt(1 - e^2 sin^2) (NIMA TR8350.2,
section 4; Vallado, 4th ed., section 3.2), solved by scipy.optimize.brentq where they must be inverted.
Tolerance 1e-6 m and 1e-9 m/s: rounding of double precision at 1e7 m, with room.
"""

from __future__ import annotations

from itertools import permutations, product
from math import atan2, cos, degrees, hypot, pi, radians, sin, sqrt
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from guidance_svc.core import frames
from guidance_svc.domain import Body, Frame, LocalState, Vec

# WGS-84 (NIMA TR8350.2)
A, F, SPIN = 6378137.0, 1.0 / 298.257223563, 7.292115e-5
EARTH = Body("Earth", 3.986004418e14, A, F, 1.0826267e-3, SPIN)
TIME_S, MERIDIAN = 1234.5, 0.4
POSITION = np.array([-2.1e6, 5.3e6, 3.4e6])
VELOCITY = np.array([-6100.0, -2900.0, 3700.0])
ALL_AXES = [
    (a + i, b + j, c + k) for i, j, k in permutations("xyz") for a, b, c in product(("", "-"), repeat=3)
]  # fmt: skip


def matrix(axes: tuple[str, str, str]) -> np.ndarray:
    """Rows: the script's axes in the canonical frame."""
    unit = {"x": [1, 0, 0], "y": [0, 1, 0], "z": [0, 0, 1]}
    return np.array([(-1 if name[0] == "-" else 1) * np.array(unit[name[-1]]) for name in axes], dtype=float)


def told(axes: tuple[str, str, str], turning: bool) -> tuple[np.ndarray, np.ndarray, Rotation]:
    """POSITION and VELOCITY as a script with these axes counts them, and the turn from inertial to its z-axis frame."""
    turn = Rotation.from_euler("z", -(MERIDIAN + SPIN * TIME_S) if turning else 0.0)
    relative = VELOCITY - np.cross([0.0, 0.0, SPIN], POSITION) if turning else VELOCITY
    return matrix(axes) @ turn.apply(POSITION), matrix(axes) @ turn.apply(relative), turn


def vec(array: Any) -> Vec:
    return (float(array[0]), float(array[1]), float(array[2]))


# --- Cartesian ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("turning", [False, True], ids=["inertial", "turning"])
@pytest.mark.parametrize("axes", ALL_AXES, ids="".join)
def test_every_axis_convention_agrees_with_rotation_matrices_both_ways(
    axes: tuple[str, str, str], turning: bool
) -> None:
    frame = Frame(turning=turning, axes=axes, meridian_at_zero_rad=MERIDIAN)
    place, speed, turn = told(axes, turning)
    there = frames.from_bci(vec(POSITION), vec(VELOCITY), frame, EARTH, TIME_S)
    assert there[0] == pytest.approx(vec(place), abs=1e-6)
    assert there[1] == pytest.approx(vec(speed), abs=1e-9)
    back = frames.to_bci(vec(place), vec(speed), frame, EARTH, TIME_S)
    assert back[0] == pytest.approx(vec(POSITION), abs=1e-6)
    assert back[1] == pytest.approx(vec(VELOCITY), abs=1e-9)
    direction = VELOCITY / np.linalg.norm(VELOCITY)
    pointing = frames.direction_from_bci(vec(direction), frame, EARTH, TIME_S)
    assert pointing == pytest.approx(vec(matrix(axes) @ turn.apply(direction)), abs=1e-14)
    assert frames.direction_to_bci(pointing, frame, EARTH, TIME_S) == pytest.approx(vec(direction), abs=1e-14)


@pytest.mark.parametrize("axes", ALL_AXES, ids="".join)
def test_handedness_is_the_sign_of_the_determinant(axes: tuple[str, str, str]) -> None:
    assert frames.handedness(axes) == ("right" if np.linalg.det(matrix(axes)) > 0.0 else "left")


GROUND = SPIN * 6478137.0  # 472.393 m/s, by hand: the ground's speed carried up to 100 km over the equator


@pytest.mark.parametrize(
    ("frame", "place", "speed", "pointing"),
    [  # by hand: 100 km over latitude 0, longitude 90 E, time 0, north at 1 km/s over ground; pointing due east
        (Frame(), (0, 6478137, 0), (-GROUND, 0, 1000), (-1, 0, 0)),
        (Frame(turning=True), (0, 6478137, 0), (0, 0, 1000), (-1, 0, 0)),
        (Frame(axes=("x", "z", "y")), (0, 0, 6478137), (-GROUND, 1000, 0), (-1, 0, 0)),
        (Frame(turning=True, axes=("x", "z", "y")), (0, 0, 6478137), (0, 1000, 0), (-1, 0, 0)),
        (Frame(turning=True, axes=("y", "z", "x")), (6478137, 0, 0), (0, 1000, 0), (0, 0, -1)),
        (Frame(axes=("-y", "-z", "x")), (-6478137, 0, 0), (0, -1000, -GROUND), (0, 0, -1)),
        (Frame(meridian_at_zero_rad=-pi / 2), (6478137, 0, 0), (0, GROUND, 1000), (0, 1, 0)),
        (Frame(turning=True, meridian_at_zero_rad=1.0), (0, 6478137, 0), (0, 0, 1000), (-1, 0, 0)),
    ],
)
def test_a_place_in_words_becomes_the_vectors_worked_out_by_hand(
    frame: Frame, place: Vec, speed: Vec, pointing: Vec
) -> None:
    words = LocalState(0.0, pi / 2, 100e3, 0.0, 1000.0, 0.0)
    plain = Frame(meridian_at_zero_rad=frame.meridian_at_zero_rad)
    position, velocity = frames.local_to_bci(words, plain, EARTH, 0.0)
    there = frames.from_bci(position, velocity, frame, EARTH, 0.0)
    assert there[0] == pytest.approx(place, abs=1e-6)
    assert there[1] == pytest.approx(speed, abs=1e-9)
    east = frames.direction_of(0.0, pi / 2, frames.triad(position, frame.up, EARTH))
    assert frames.direction_from_bci(east, frame, EARTH, 0.0) == pytest.approx(pointing, abs=1e-14)


# --- sphere and ellipsoid, geocentric and geodetic ---------------------------------------------------------------

LATITUDE, LONGITUDE, HEIGHT_M = radians(48.0), radians(-110.0), 187e3
E2 = F * (2.0 - F)


def on_normal(latitude: float, height_m: float) -> tuple[float, float]:
    """Distance from the axis and from the equator's plane of a geodetic latitude and height."""
    n = A / sqrt(1.0 - E2 * sin(latitude) ** 2)
    return (n + height_m) * cos(latitude), (n * (1.0 - E2) + height_m) * sin(latitude)


def geodetic_height(plane: float, z: float) -> float:
    """Height above the ellipsoid: the closed formulas inverted by root finding on the latitude."""

    def miss(latitude: float) -> float:
        p, q = on_normal(latitude, 0.0)
        return (plane - p) * sin(latitude) - (z - q) * cos(latitude)

    foot = on_normal(float(brentq(miss, 0.0, pi / 2, xtol=1e-15)), 0.0)
    return hypot(plane - foot[0], z - foot[1])


def meridian_point(height_above: str, up: str) -> tuple[float, float]:
    """Distance from the axis and from the equator's plane of LATITUDE and HEIGHT_M, by the meaning of the words."""
    if height_above == "ellipsoid" and up == "geodetic":
        return on_normal(LATITUDE, HEIGHT_M)
    if height_above == "sphere" and up == "geocentric":
        return (A + HEIGHT_M) * cos(LATITUDE), (A + HEIGHT_M) * sin(LATITUDE)
    if up == "geodetic":  # on the normal of that latitude, as far from the centre as the words say
        h = float(brentq(lambda h: hypot(*on_normal(LATITUDE, h)) - A - HEIGHT_M, -1e5, 1e6, xtol=1e-9))
        return on_normal(LATITUDE, h)
    away = float(
        brentq(lambda r: geodetic_height(r * cos(LATITUDE), r * sin(LATITUDE)) - HEIGHT_M, A, A + 1e6, xtol=1e-9)
    )
    return away * cos(LATITUDE), away * sin(LATITUDE)


@pytest.mark.parametrize("local_velocity", ["over_ground", "inertial"])
@pytest.mark.parametrize("up", ["geocentric", "geodetic"])
@pytest.mark.parametrize("height_above", ["sphere", "ellipsoid"])
def test_every_local_form_agrees_with_closed_formulas_both_ways(
    height_above: Any, up: Any, local_velocity: Any
) -> None:
    """1e-6 m: brentq's own tolerance is 1e-9 m; the root for the height multiplies it by 1 at most."""
    frame = Frame(
        meridian_at_zero_rad=MERIDIAN, height_above=height_above, up=up, local_velocity=local_velocity
    )
    local = LocalState(LATITUDE, LONGITUDE, HEIGHT_M, 120.0, -3400.0, 5600.0)
    plane, z = meridian_point(height_above, up)
    turn = Rotation.from_euler("z", MERIDIAN + SPIN * TIME_S + LONGITUDE)
    place = turn.apply([plane, 0.0, z])
    # up, north and east in the meridian's own plane: latitude is the vertical's in both kinds
    s, c = sin(LATITUDE), cos(LATITUDE)
    speed = turn.apply(120.0 * np.array([c, 0, s]) - 3400.0 * np.array([-s, 0, c]) + 5600.0 * np.array([0, 1, 0]))
    if local_velocity == "over_ground":
        speed = speed + np.cross([0.0, 0.0, SPIN], place)
    position, velocity = frames.local_to_bci(local, frame, EARTH, TIME_S)
    assert position == pytest.approx(vec(place), abs=1e-6)
    assert velocity == pytest.approx(vec(speed), abs=1e-9)
    back = frames.local_from_bci(vec(place), vec(speed), frame, EARTH, TIME_S)
    assert back.latitude_rad == pytest.approx(LATITUDE, abs=1e-12)
    assert back.longitude_rad == pytest.approx(LONGITUDE, abs=1e-12)
    assert back.altitude_m == pytest.approx(HEIGHT_M, abs=1e-6)
    assert (back.vertical_speed_m_s, back.north_speed_m_s, back.east_speed_m_s) == pytest.approx(
        (120.0, -3400.0, 5600.0), abs=1e-8
    )


def test_the_four_kinds_of_height_and_latitude_are_four_places_kilometres_apart() -> None:
    places = [meridian_point(h, u) for h in ("sphere", "ellipsoid") for u in ("geocentric", "geodetic")]
    apart = [hypot(p[0] - q[0], p[1] - q[1]) for i, p in enumerate(places) for q in places[:i]]
    assert min(apart) > 5e3  # a script that mixes them up is wrong by this at least


def test_geodetic_pitch_differs_from_geocentric_by_the_angle_between_the_verticals() -> None:
    """At geodetic 48 deg on the ground the two latitudes differ by atan((1 - f)^2 tan 48 deg), 0.191 deg."""
    plane, z = on_normal(LATITUDE, 0.0)
    position = (plane, 0.0, z)
    apart = LATITUDE - atan2(z, plane)
    assert degrees(apart) == pytest.approx(0.1914, abs=1e-4)
    north_level = frames.direction_of(0.0, 0.0, frames.triad(position, "geodetic", EARTH))
    pitch, _ = frames.pitch_and_heading(north_level, frames.triad(position, "geocentric", EARTH))
    assert abs(pitch) == pytest.approx(apart, abs=1e-12)

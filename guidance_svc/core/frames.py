"""Frames: a script's own axes, axes that turn with the body, local vertical, and the canonical inertial frame.

Canonical (BCI): origin at the body's centre, z north, right-handed, inertial. "Body-fixed" here: the same,
turned about z by the meridian angle, so that x runs through longitude 0. A script's vectors are a signed
permutation of one of the two. Velocities in a turning frame are relative to it.
Source of the ellipsoid formulas: Bowring 1976 and 1985 (Survey Review); NIMA TR8350.2, section 4.
"""

from __future__ import annotations

from functools import lru_cache
from math import atan2, cos, pi, sin, sqrt
from typing import Literal, NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.vectors import dot
from guidance_svc.domain import Body, Frame, LocalState, Site, Vec, VehicleState
from guidance_svc.errors import GuidanceError

Up = Literal["geocentric", "geodetic"]

TWO_PI = 2.0 * pi
AXES = {"x": (0, 1.0), "y": (1, 1.0), "z": (2, 1.0), "-x": (0, -1.0), "-y": (1, -1.0), "-z": (2, -1.0)}


class Triad(NamedTuple):
    """Local unit vectors in BCI: up, north, east."""

    up: Vec
    north: Vec
    east: Vec


# --- a script's axes ---------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def axis_map(axes: tuple[str, str, str]) -> tuple[tuple[int, float], tuple[int, float], tuple[int, float]]:
    """Which canonical number, with which sign, each of the script's three numbers is.

    Raises:
        GuidanceError: not each of x, y, z once.
    """
    pairs = [AXES.get(axis, (-1, 0.0)) for axis in axes]
    if sorted(index for index, _ in pairs) != [0, 1, 2]:
        raise GuidanceError("axes_not_a_frame", "frame.axes", "each of x, y, z once, with or without minus", str(axes))
    return (pairs[0], pairs[1], pairs[2])


def handedness(axes: tuple[str, str, str]) -> Literal["right", "left"]:
    """Of the script's axes, from the determinant of the map; raises as `axis_map` does.

    >>> handedness(("x", "z", "y"))
    'left'
    """
    (i, a), (j, b), (k, c) = axis_map(axes)
    permutation = (j - i) * (k - i) * (k - j)
    return "right" if permutation * a * b * c > 0.0 else "left"


def to_canonical(vector: Vec, axes: tuple[str, str, str]) -> Vec:
    """A script's vector in the canonical axis order."""
    out = [0.0, 0.0, 0.0]
    for value, (index, sign) in zip(vector, axis_map(axes), strict=True):
        out[index] = sign * value
    return (out[0], out[1], out[2])


def from_canonical(vector: Vec, axes: tuple[str, str, str]) -> Vec:
    """A canonical vector in the script's axis order; the inverse of `to_canonical`."""
    (i, a), (j, b), (k, c) = axis_map(axes)
    return (a * vector[i], b * vector[j], c * vector[k])


# --- turning with the body ---------------------------------------------------------------------------------------


def meridian_rad(body: Body, frame: Frame, time_s: float) -> float:
    """Inertial angle of longitude 0 at a vehicle time, [0, 2 pi)."""
    return (frame.meridian_at_zero_rad + body.rotation_rad_s * time_s) % TWO_PI


@part
def turn_z(vector: Vec, angle_rad: float) -> Vec:
    """A vector turned about z; body-fixed to inertial when the angle is the meridian's."""
    c, s = cos(angle_rad), sin(angle_rad)
    return (c * vector[0] - s * vector[1], s * vector[0] + c * vector[1], vector[2])


@part
def ground_velocity(position_m: Vec, rotation_rad_s: float) -> Vec:
    """Velocity (BCI) of the air and ground that turn with the body: rotation x position."""
    return (-rotation_rad_s * position_m[1], rotation_rad_s * position_m[0], 0.0)


def to_bci(
    position_script_m: Vec, velocity_script_m_s: Vec, frame: Frame, body: Body, time_s: float
) -> tuple[Vec, Vec]:
    """A script's Cartesian state in BCI.

    Args:
        position_script_m, velocity_script_m_s: in the script's frame; relative to it if it turns.
        frame: how to read them.
        time_s: vehicle time, which sets the meridian angle of a turning frame.

    Accuracy: there and back within 1e-6 m (rounding).
    """
    if frame.canonical:
        return (position_script_m, velocity_script_m_s)
    position = to_canonical(position_script_m, frame.axes)
    velocity = to_canonical(velocity_script_m_s, frame.axes)
    if not frame.turning:
        return (position, velocity)
    angle = meridian_rad(body, frame, time_s)
    position, velocity = turn_z(position, angle), turn_z(velocity, angle)
    ground = ground_velocity(position, body.rotation_rad_s)
    return (position, (velocity[0] + ground[0], velocity[1] + ground[1], velocity[2]))


def from_bci(position_m: Vec, velocity_m_s: Vec, frame: Frame, body: Body, time_s: float) -> tuple[Vec, Vec]:
    """A BCI state as the script's Cartesian vectors; the inverse of `to_bci`."""
    if frame.turning:
        angle = meridian_rad(body, frame, time_s)
        ground = ground_velocity(position_m, body.rotation_rad_s)
        relative = (velocity_m_s[0] - ground[0], velocity_m_s[1] - ground[1], velocity_m_s[2])
        position_m, velocity_m_s = turn_z(position_m, -angle), turn_z(relative, -angle)
    return (from_canonical(position_m, frame.axes), from_canonical(velocity_m_s, frame.axes))


def direction_to_bci(direction_script: Vec, frame: Frame, body: Body, time_s: float) -> Vec:
    """A direction of the script's frame in BCI."""
    if frame.canonical:
        return direction_script
    direction = to_canonical(direction_script, frame.axes)
    return turn_z(direction, meridian_rad(body, frame, time_s)) if frame.turning else direction


def direction_from_bci(direction: Vec, frame: Frame, body: Body, time_s: float) -> Vec:
    """A BCI direction in the script's frame; the inverse of `direction_to_bci`."""
    if frame.canonical:
        return direction
    if frame.turning:
        direction = turn_z(direction, -meridian_rad(body, frame, time_s))
    return from_canonical(direction, frame.axes)


# --- the ellipsoid -----------------------------------------------------------------------------------------------


@kernel
def geodetic(position_m: Vec, radius_m: float, flattening: float) -> tuple[float, float]:
    """Geodetic latitude (rad) and height above the ellipsoid (m) of a position.

    Args:
        position_m: BCI or body-fixed.
        radius_m, flattening: of the ellipsoid; flattening 0 gives geocentric latitude and height above the sphere.

    Source: Bowring's iteration on the reduced latitude, at most 8 steps; height by p cos + z sin - a w, which
        holds at the poles.
    Accuracy: 1e-6 m and 1e-12 rad from the surface to 1e8 m.
    """
    plane_m, z = sqrt(position_m[0] * position_m[0] + position_m[1] * position_m[1]), position_m[2]
    if flattening == 0.0:
        return (atan2(z, plane_m), sqrt(plane_m * plane_m + z * z) - radius_m)
    e2 = flattening * (2.0 - flattening)
    polar_m = radius_m * (1.0 - flattening)
    beta = atan2(z, (1.0 - flattening) * plane_m)
    latitude = beta
    for _ in range(8):
        s, c = sin(beta), cos(beta)
        top, base = z + e2 / (1.0 - e2) * polar_m * s * s * s, plane_m - e2 * radius_m * c * c * c
        latitude = atan2(top, base)
        new = atan2((1.0 - flattening) * top, base)
        if abs(new - beta) < 1e-15:
            break
        beta = new
    s = sin(latitude)
    return (latitude, plane_m * cos(latitude) + z * s - radius_m * sqrt(1.0 - e2 * s * s))


@kernel
def on_ellipsoid(
    latitude_rad: float, longitude_rad: float, altitude_m: float, radius_m: float, flattening: float
) -> Vec:
    """Position of a geodetic latitude, longitude and height, in the frame the longitude is counted in, m."""
    e2 = flattening * (2.0 - flattening)
    s, c = sin(latitude_rad), cos(latitude_rad)
    normal_m = radius_m / sqrt(1.0 - e2 * s * s)
    plane_m = (normal_m + altitude_m) * c
    return (plane_m * cos(longitude_rad), plane_m * sin(longitude_rad), (normal_m * (1.0 - e2) + altitude_m) * s)


@kernel
def longitude_rad(position_m: Vec, meridian_rad: float) -> float:
    """Longitude of a BCI position, (-pi, pi], east of the meridian whose inertial angle is given."""
    east = (atan2(position_m[1], position_m[0]) - meridian_rad) % TWO_PI
    return east - TWO_PI if east > pi else east


def altitude_m(position_m: Vec, body: Body, height_above: Literal["sphere", "ellipsoid"]) -> float:
    """Height above the sphere of the equatorial radius or above the ellipsoid."""
    flattening = body.flattening if height_above == "ellipsoid" else 0.0
    return geodetic(position_m, body.radius_m, flattening)[1]


# --- the local vertical ------------------------------------------------------------------------------------------


def triad_at(latitude_rad: float, inertial_longitude_rad: float) -> Triad:
    """Local unit vectors where the vertical has this latitude and inertial longitude."""
    s, c = sin(latitude_rad), cos(latitude_rad)
    sl, cl = sin(inertial_longitude_rad), cos(inertial_longitude_rad)
    return Triad((c * cl, c * sl, s), (-s * cl, -s * sl, c), (-sl, cl, 0.0))


def triad(position_m: Vec, up: Up, body: Body) -> Triad:
    """Local unit vectors of a BCI position, for the geocentric or the geodetic vertical.

    At a pole, where north is undefined, the meridian of the BCI x axis is taken.
    """
    x, y, z = position_m
    if up == "geodetic" and body.flattening != 0.0:
        latitude, _ = geodetic(position_m, body.radius_m, body.flattening)
        return triad_at(latitude, atan2(y, x))
    level = sqrt(x * x + y * y)
    if level == 0.0:
        return triad_at(pi / 2.0 if z > 0.0 else -pi / 2.0, 0.0)
    radius = sqrt(level * level + z * z)
    c, s = x / level, y / level
    rise, across = level / radius, z / radius
    return Triad((rise * c, rise * s, across), (-across * c, -across * s, rise), (-s, c, 0.0))


def pitch_and_heading(direction: Vec, local: Triad) -> tuple[float, float]:
    """Pitch above the horizontal, [-pi/2, pi/2], and heading clockwise from north, [0, 2 pi), rad.

    >>> pitch_and_heading((0.0, 1.0, 0.0), triad_at(0.0, 0.0))
    (0.0, 1.5707963267948966)
    """
    x, y, z = direction
    (a, b, c), (d, e, f), (g, h, i) = local
    up, north, east = x * a + y * b + z * c, x * d + y * e + z * f, x * g + y * h + z * i
    heading = atan2(east, north) % TWO_PI
    return (atan2(up, sqrt(north * north + east * east)), heading if heading < TWO_PI else 0.0)


def direction_of(pitch_rad: float, heading_rad: float, local: Triad) -> Vec:
    """Unit vector (BCI) of a pitch and heading; the inverse of `pitch_and_heading`."""
    level = cos(pitch_rad)
    return from_local(sin(pitch_rad), level * cos(heading_rad), level * sin(heading_rad), local)


def from_local(vertical: float, north: float, east: float, local: Triad) -> Vec:
    """A vector (BCI) from its vertical, north and east parts."""
    u, n, e = local
    return (
        vertical * u[0] + north * n[0] + east * e[0],
        vertical * u[1] + north * n[1] + east * e[1],
        vertical * u[2] + north * n[2] + east * e[2],
    )


def site_state(site: Site, body: Body, meridian_at_zero_rad: float, time_s: float) -> tuple[Vec, Vec]:
    """Position (m) and velocity (m/s) of a launch site in BCI; it turns with the body."""
    east = site.longitude_rad + meridian_at_zero_rad + body.rotation_rad_s * time_s
    position = on_ellipsoid(site.latitude_rad, east, site.altitude_m, body.radius_m, body.flattening)
    return (position, ground_velocity(position, body.rotation_rad_s))


# --- the local form of a state -----------------------------------------------------------------------------------


def local_position(local: LocalState, frame: Frame, body: Body, meridian_rad: float) -> Vec:
    """BCI position of a latitude, longitude and height, in the four ways a Frame can mean them."""
    east = local.longitude_rad + meridian_rad
    if frame.height_above == "ellipsoid" and frame.up == "geodetic":
        return on_ellipsoid(local.latitude_rad, east, local.altitude_m, body.radius_m, body.flattening)
    outward = triad_at(local.latitude_rad, east).up
    if frame.up == "geodetic":  # a point on the geodetic normal at a given distance from the centre
        foot = on_ellipsoid(local.latitude_rad, east, 0.0, body.radius_m, body.flattening)
        rise = dot(foot, outward)
        radius = body.radius_m + local.altitude_m
        up_m = sqrt(rise * rise + radius * radius - dot(foot, foot)) - rise
        return on_ellipsoid(local.latitude_rad, east, up_m, body.radius_m, body.flattening)
    radius = body.radius_m + local.altitude_m
    if frame.height_above == "ellipsoid":  # height grows with radius at a rate within 1e-5 of 1: fixed point
        for _ in range(10):
            there = (radius * outward[0], radius * outward[1], radius * outward[2])
            radius -= geodetic(there, body.radius_m, body.flattening)[1] - local.altitude_m
    return (radius * outward[0], radius * outward[1], radius * outward[2])


def local_to_bci(local: LocalState, frame: Frame, body: Body, time_s: float) -> tuple[Vec, Vec]:
    """A script's local state (latitude, longitude, height, three speeds) in BCI.

    Args:
        local: latitude of the kind of `frame.up`, height above `frame.height_above`, speeds along the local
            vertical, north and east of `frame.up`, over ground or inertial as `frame.local_velocity` says.
        time_s: vehicle time, which sets the meridian.

    Accuracy: there and back within 1e-6 m for flattening up to 0.01.
    """
    angle = meridian_rad(body, frame, time_s)
    position = local_position(local, frame, body, angle)
    axes = triad_at(local.latitude_rad, local.longitude_rad + angle)
    velocity = from_local(local.vertical_speed_m_s, local.north_speed_m_s, local.east_speed_m_s, axes)
    if frame.local_velocity == "over_ground":
        ground = ground_velocity(position, body.rotation_rad_s)
        velocity = (velocity[0] + ground[0], velocity[1] + ground[1], velocity[2])
    return (position, velocity)


def local_from_bci(position_m: Vec, velocity_m_s: Vec, frame: Frame, body: Body, time_s: float) -> LocalState:
    """A BCI state in the script's local form; the inverse of `local_to_bci`."""
    angle = meridian_rad(body, frame, time_s)
    latitude, _ = geodetic(position_m, body.radius_m, body.flattening if frame.up == "geodetic" else 0.0)
    axes = triad_at(latitude, atan2(position_m[1], position_m[0]))
    if frame.local_velocity == "over_ground":
        ground = ground_velocity(position_m, body.rotation_rad_s)
        velocity_m_s = (velocity_m_s[0] - ground[0], velocity_m_s[1] - ground[1], velocity_m_s[2])
    return LocalState(
        latitude_rad=latitude,
        longitude_rad=longitude_rad(position_m, angle),
        altitude_m=altitude_m(position_m, body, frame.height_above),
        vertical_speed_m_s=dot(velocity_m_s, axes.up),
        north_speed_m_s=dot(velocity_m_s, axes.north),
        east_speed_m_s=dot(velocity_m_s, axes.east),
    )


def state_to_bci(state: VehicleState, frame: Frame, body: Body) -> tuple[Vec, Vec]:
    """Position and velocity (BCI) of one `state` message of either form.

    Raises:
        GuidanceError: neither form is complete.
    """
    if state.local is not None:
        return local_to_bci(state.local, frame, body, state.time_s)
    if state.position_script_m is None or state.velocity_script_m_s is None:
        raise GuidanceError(
            "state_incomplete", "position_m", "position_m and velocity_m_s, or the local form", "neither"
        )
    if frame.canonical:
        return (state.position_script_m, state.velocity_script_m_s)
    return to_bci(state.position_script_m, state.velocity_script_m_s, frame, body, state.time_s)

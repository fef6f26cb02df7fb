"""States and directions in every convention, reckoned without the service's own frames.

Rotations by scipy's Rotation, the ellipsoid by its forward formula solved numerically, turning by a cross product.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation

# WGS 84: radius, flattening and rate as NIMA TR8350.2, 3rd ed., table 3.1 (memory)
BODY = {"radius_m": 6378137.0, "flattening": 1.0 / 298.257223563, "rotation_rad_s": 7.292115e-5}
SPIN = np.array([0.0, 0.0, BODY["rotation_rad_s"]])
PLACES = (  # time s, inertial position m, inertial velocity m/s, inertial direction (made unit)
    (0.0, (4731000.0, -3142000.0, 3034000.0), (2037.0, 1519.0, 681.0), (0.5, 0.8, 0.3)),
    (1234.5, (-1500000.0, 5200000.0, -4100000.0), (-6900.0, -900.0, 1500.0), (-0.9, -0.1, 0.4)),
    (86164.1, (300000.0, -400000.0, 6600000.0), (7100.0, 2500.0, 90.0), (0.2, 0.1, -0.7)),
)
FRAMES: dict[str, dict[str, Any]] = {
    "inertial": {},
    "inertial, left-handed, y up": {"axes": ["x", "z", "y"], "handedness": "left"},
    "inertial, right-handed, y up": {"axes": ["y", "z", "x"]},
    "inertial, two axes reversed": {"axes": ["-x", "-y", "z"]},
    "turning": {"motion": "turning"},
    "turning, meridian 100 deg": {"motion": "turning", "meridian_at_zero_deg": 100.0},
    "turning, left-handed, y up": {"motion": "turning", "axes": ["x", "z", "y"], "handedness": "left"},
    "turning, left-handed, x reversed": {"motion": "turning", "axes": ["-x", "y", "z"], "handedness": "left"},
    "geodetic": {"up": "geodetic", "height_above": "ellipsoid"},
    "geodetic vertical, heights above the sphere": {"up": "geodetic"},
    "geocentric vertical, heights above the ellipsoid": {"height_above": "ellipsoid"},
    "inertial local speeds": {"local_velocity": "inertial"},
    "all at once": {
        "motion": "turning", "axes": ["-z", "x", "y"], "handedness": "left", "meridian_at_zero_deg": -75.0,
        "height_above": "ellipsoid", "up": "geodetic", "local_velocity": "inertial",
    },
}  # fmt: skip
TOLERANCES = {
    "position_m": 1e-3, "velocity_m_s": 1e-6, "latitude_deg": 1e-8, "longitude_deg": 1e-8, "altitude_m": 1e-3,
    "vertical_speed_m_s": 1e-5, "north_speed_m_s": 1e-5, "east_speed_m_s": 1e-5, "pointing": 1e-9, "pitch_deg": 1e-7,
    "heading_deg": 1e-7,
}  # fmt: skip
ABOUT = (
    "Each case: a state and a direction, first inertial with z north (truth), then as a script with this frame must "
    "send and receive them. tolerances are absolute and those of double precision; a frame that is wrong is off by "
    "kilometres or degrees. Made by tests/conformance/frame_vectors.py without the service's own code."
)


def axes_matrix(axes: list[str]) -> Any:
    """Rows that pick the script's numbers out of canonical ones."""
    unit = dict(zip("xyz", np.eye(3), strict=True))
    return np.array([-unit[a[1]] if a.startswith("-") else unit[a] for a in axes])


def meridian_deg(frame: dict[str, Any], time_s: float) -> float:
    """Inertial angle of longitude 0."""
    return float(frame.get("meridian_at_zero_deg", 0.0) + np.degrees(BODY["rotation_rad_s"] * time_s))


def in_axes(frame: dict[str, Any], vector: Any, time_s: float) -> Any:
    """An inertial vector in the script's axes."""
    if frame.get("motion") == "turning":
        vector = Rotation.from_euler("z", -meridian_deg(frame, time_s), degrees=True).apply(vector)
    return axes_matrix(frame.get("axes", ["x", "y", "z"])) @ vector


def geodetic(position_m: Any) -> tuple[float, float]:
    """Latitude (rad) and height (m) whose place is this one: the forward formula, solved."""
    f, a = BODY["flattening"], BODY["radius_m"]
    level, z = float(np.hypot(*position_m[:2])), float(position_m[2])

    def miss(unknown: Any) -> list[float]:
        latitude, height = unknown[0], unknown[1] * 1e6
        normal = a / np.sqrt(1.0 - f * (2.0 - f) * np.sin(latitude) ** 2)
        return [((normal + height) * np.cos(latitude) - level) / 1e6,
                ((normal * (1.0 - f) ** 2 + height) * np.sin(latitude) - z) / 1e6]  # fmt: skip

    start = [np.arctan2(z, level), (np.linalg.norm(position_m) - a) / 1e6]
    latitude, height = fsolve(miss, start, xtol=1e-13)
    return float(latitude), float(height * 1e6)


def local_axes(frame: dict[str, Any], position_m: Any) -> tuple[float, Any]:
    """Latitude (rad) of the frame's kind, and rows up, north, east (inertial)."""
    geocentric = float(np.arctan2(position_m[2], np.hypot(*position_m[:2])))
    latitude = geodetic(position_m)[0] if frame.get("up") == "geodetic" else geocentric
    east_of_x = float(np.arctan2(position_m[1], position_m[0]))
    turn = Rotation.from_euler("z", east_of_x) * Rotation.from_euler("y", -latitude)
    up, north = turn.apply([1.0, 0.0, 0.0]), turn.apply([0.0, 0.0, 1.0])
    return latitude, np.array([up, north, np.cross(north, up)])


def case(name: str, frame: dict[str, Any], place: Any) -> dict[str, Any]:
    """One vector."""
    time_s, *rest = place
    position, velocity, direction = (np.array(part, dtype=float) for part in rest)
    direction /= np.linalg.norm(direction)
    ground = velocity - np.cross(SPIN, position)
    latitude, axes = local_axes(frame, position)
    moving = velocity if frame.get("local_velocity") == "inertial" else ground
    vertical, north, east = axes @ moving
    ups, norths, easts = axes @ direction
    longitude = np.degrees(np.arctan2(position[1], position[0])) - meridian_deg(frame, time_s)
    ellipsoid = frame.get("height_above") == "ellipsoid"
    height = geodetic(position)[1] if ellipsoid else np.linalg.norm(position) - BODY["radius_m"]
    sent = ground if frame.get("motion") == "turning" else velocity
    return {
        "name": f"{name}, {time_s:g} s",
        "frame": frame,
        "time_s": time_s,
        "truth": {"position_m": list(position), "velocity_m_s": list(velocity), "direction": list(direction)},
        "cartesian": {
            "position_m": list(in_axes(frame, position, time_s)), "velocity_m_s": list(in_axes(frame, sent, time_s)),
        },
        "local": {
            "latitude_deg": float(np.degrees(latitude)), "longitude_deg": float((longitude + 180.0) % 360.0 - 180.0),
            "altitude_m": float(height), "vertical_speed_m_s": float(vertical), "north_speed_m_s": float(north),
            "east_speed_m_s": float(east),
        },
        "command": {
            "pointing": list(in_axes(frame, direction, time_s)),
            "pitch_deg": float(np.degrees(np.arctan2(ups, np.hypot(norths, easts)))),
            "heading_deg": float(np.degrees(np.arctan2(easts, norths)) % 360.0),
        },
    }  # fmt: skip


def plain(value: Any) -> Any:
    """Numbers rounded to 15 digits, so that the file is the same on every machine."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    return float(f"{float(value):.12g}") if isinstance(value, float) else value


def frame_file() -> dict[str, Any]:
    """frames.json."""
    cases = [plain(case(name, frame, place)) for name, frame in FRAMES.items() for place in PLACES]
    return {"about": ABOUT, "body": BODY, "tolerances": TOLERANCES, "cases": cases}

"""What the command `windows` is asked, as text: times, and a plane as key=value pairs in degrees and kilometres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, isfinite, radians

from guidance_svc.domain import Vec
from guidance_svc.errors import ConfigError

PLANE_KEYS = ("inclination", "node", "at", "height", "rate", "argument")
MOON_KEYS = ("at", "height", "rate")
ORBIT_KEYS = ("position", "velocity", "at")
WHAT = {
    "inclination": "deg, 0 to 180", "node": "deg", "at": "date or seconds at which the node holds",
    "height": "km, mean height of the orbit that drifts", "rate": "deg a day that the node drifts, instead of a height",
    "argument": "deg, the target's mean argument of latitude at that time",
}  # fmt: skip
MOST = {"node": 360.0, "argument": 360.0, "rate": 360.0}
MOST_HEIGHT_M = 1e9
MOST_TILT_DEG = 179.9


@dataclass(frozen=True, slots=True)
class PlaneText:
    """A plane as typed, in SI and radians; None where nothing was typed."""

    inclination_rad: float | None
    node_rad: float | None
    at: str
    height_m: float | None
    rate_rad_s: float | None
    argument_rad: float | None


def pairs(text: str, allowed: tuple[str, ...], option: str) -> dict[str, str]:
    """The pairs of an option.

    Raises:
        ConfigError: an unknown key, one given twice, or something that is no pair.
    """
    found: dict[str, str] = {}
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        key, equals, value = part.partition("=")
        if not equals or key.strip() not in allowed:
            raise ConfigError("unknown_key", option, f"{', '.join(allowed)}, each as key=value", part)
        if key.strip() in found:
            raise ConfigError("given_twice", f"{option}.{key.strip()}", "one value", part)
        found[key.strip()] = value.strip()
    return found


def number(found: Mapping[str, str], key: str, option: str, factor: float = 1.0) -> float | None:
    """A number of the option, scaled; None if it was not given."""
    if key not in found:
        return None
    try:
        value = float(found[key])
    except ValueError:
        value = float("nan")
    if not isfinite(value) or abs(value) > MOST.get(key, inf):
        limit = f"; -{MOST[key]:g} to {MOST[key]:g}" if key in MOST else ""
        raise ConfigError("bad_value", f"{option}.{key}", WHAT[key] + limit, found[key])
    return value * factor


def plane_text(text: str, moon: bool = False) -> PlaneText:
    """A plane from the option's text.

    Raises:
        ConfigError: naming option and key, with what would be right.

    >>> plane_text("inclination=30,node=262.5,height=460").height_m
    460000.0
    """
    option = "--moon" if moon else "--plane"
    found = pairs(text, MOON_KEYS if moon else PLANE_KEYS, option)
    for key in () if moon else ("inclination", "node"):
        if key not in found:
            raise ConfigError("missing_field", f"{option}.{key}", WHAT[key], text or "nothing")
    if "height" in found and "rate" in found:
        raise ConfigError("given_twice", f"{option}.rate", "height or rate, one of them", text)
    tilt = number(found, "inclination", option)
    if tilt is not None and not 0.0 <= tilt <= 180.0:
        nearest = 0.0 if tilt < 0.0 else 180.0
        raise ConfigError("bad_inclination", f"{option}.inclination", f"0 to 180 deg; the nearest is {nearest:g}", tilt)
    height = number(found, "height", option, 1e3)
    if height is not None and not 0.0 < height <= MOST_HEIGHT_M:
        raise ConfigError("bad_value", f"{option}.height", "above 0, at most 1e6 km", found["height"])
    if tilt is not None and tilt > MOST_TILT_DEG:
        expected = f"at most {MOST_TILT_DEG:g} deg, where nodes lose their meaning"
        raise ConfigError("bad_inclination", f"{option}.inclination", expected, tilt)
    return PlaneText(
        None if tilt is None else radians(tilt), number(found, "node", option, radians(1.0)), found.get("at", "0"),
        height, number(found, "rate", option, radians(1.0) / 86400.0), number(found, "argument", option, radians(1.0)),
    )  # fmt: skip


def state_text(text: str) -> tuple[str, Vec, Vec]:
    """Time, position (m) and velocity (m/s), body-centred inertial, of a vehicle in orbit.

    Raises:
        ConfigError: naming the key, with what would be right.

    >>> state_text("position=6.8e6/0/0,velocity=0/6600/3800,at=60")
    ('60', (6800000.0, 0.0, 0.0), (0.0, 6600.0, 3800.0))
    """
    found = pairs(text, ORBIT_KEYS, "--orbit")
    return found.get("at", "0"), vector(found, "position", "m"), vector(found, "velocity", "m/s")


def vector(found: Mapping[str, str], key: str, unit: str) -> Vec:
    """Three numbers with slashes between them."""
    parts = found.get(key, "").split("/")
    try:
        x, y, z = (float(part) for part in parts)
    except ValueError:
        x = y = z = float("nan")
    if not isfinite(x + y + z) or x == y == z == 0.0:
        expected = f"x/y/z in {unit}, inertial, z along the north pole"
        raise ConfigError("bad_value", f"--orbit.{key}", expected, found.get(key, "nothing"))
    return (x, y, z)

"""Other ways in which a script's numbers may be meant, each with the words that tell its author."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import permutations, product
from math import degrees
from typing import Any, Final

from guidance_svc.core.frames import handedness
from guidance_svc.domain import Body, Frame

Message = dict[str, Any]
Change = Callable[[Message], Message]

FOOT_M: Final = 0.3048
POSITION: Final = frozenset({"position_m", "altitude_m"})
SPEED: Final = frozenset({"velocity_m_s", "vertical_speed_m_s", "north_speed_m_s", "east_speed_m_s"})
ANGLES: Final = frozenset({"latitude_deg", "longitude_deg"})
AXES: Final = ("x", "y", "z")


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read a script's numbers.

    Args:
        key: short name of the mix-up, such as "feet for metres".
        words: completes "the numbers fit if ...".
        advice: what to change.
        frame: to read them in.
        change: to be done to each message first; None for nothing.
    """

    key: str
    words: str
    advice: str
    frame: Frame
    change: Change | None = None


def scaled(fields: frozenset[str], factor: float) -> Change:
    """Multiply these fields."""

    def change(message: Message) -> Message:
        for name in fields & message.keys():
            value = message[name]
            message[name] = [factor * x for x in value] if isinstance(value, list) else factor * value
        return message

    return change


def speed_of_ground(frame: Frame, body: Body, sign: float) -> Change:
    """Add the speed of the turning ground to the Cartesian velocity, or take it away."""
    pole = [0.0, 0.0, 0.0]
    z = next(i for i, axis in enumerate(frame.axes) if axis.endswith("z"))
    turn = 1.0 if handedness(frame.axes) == "right" else -1.0
    pole[z] = sign * body.rotation_rad_s * turn * (-1.0 if frame.axes[z].startswith("-") else 1.0)

    def change(message: Message) -> Message:
        if "position_m" in message:
            (x, y, w), (a, b, c) = message["position_m"], pole
            ground = (b * w - c * y, c * x - a * w, a * y - b * x)
            message["velocity_m_s"] = [v + g for v, g in zip(message["velocity_m_s"], ground, strict=True)]
        return message

    return change


def units(frame: Frame, local: bool) -> Iterator[Reading]:
    """Units mixed up."""
    place, speed = ("altitude", "speeds") if local else ("positions", "velocities")
    every = POSITION | SPEED
    for key, factor, unit, right in (
        ("feet for metres", FOOT_M, "feet", "metres: multiply by 0.3048"),
        ("kilometres for metres", 1000.0, "kilometres", "metres: multiply by 1000"),
    ):
        for fields, what in ((every, f"{place} and {speed}"), (POSITION, place), (SPEED, speed)):
            a_second = f"{unit} a second" if fields == SPEED else unit
            yield Reading(
                key, f"{what} are taken as {a_second}", f"send {what} in {right}", frame, scaled(fields, factor)
            )
    if local:
        radians = scaled(ANGLES, degrees(1.0))
        words = "latitude and longitude are taken as radians"
        yield Reading("radians for degrees", words, "send latitude_deg and longitude_deg in degrees", frame, radians)
    yield Reading(
        "milliseconds for seconds", "time_s is taken as milliseconds", "send time_s in seconds: divide by 1000",
        frame, scaled(frozenset({"time_s"}), 1e-3),
    )  # fmt: skip


def motions(frame: Frame, body: Body, local: bool) -> Iterator[Reading]:
    """Inertial and turning mixed up."""
    if local:
        other = "inertial" if frame.local_velocity == "over_ground" else "over_ground"
        says = {"inertial": "inertial", "over_ground": "over ground"}[other]
        yield Reading(
            "inertial and over-ground speeds mixed up", f"the three local speeds are taken as {says}",
            f'say "local_velocity": "{other}" in frame, or send the other speeds',
            replace(frame, local_velocity="inertial" if other == "inertial" else "over_ground"),
        )  # fmt: skip
        return
    declared, other = ("turning", "inertial") if frame.turning else ("inertial", "turning")
    yield Reading(
        "inertial and turning mixed up", f"positions and velocities are taken in {other} axes",
        f'say "motion": "{other}" in frame, or send both in {declared} axes', replace(frame, turning=not frame.turning),
    )  # fmt: skip
    what = "inertial" if frame.turning else "over ground"
    sign = -1.0 if frame.turning else 1.0
    yield Reading(
        "inertial and over-ground speeds mixed up", f"velocities are taken as {what}, along the declared axes",
        f"send velocities relative to the declared {declared} frame", frame, speed_of_ground(frame, body, sign),
    )  # fmt: skip


def verticals(frame: Frame) -> Iterator[Reading]:
    """Geocentric and geodetic, sphere and ellipsoid mixed up: only the local form knows them."""
    for up, height in product(("geocentric", "geodetic"), ("sphere", "ellipsoid")):
        if (up, height) == (frame.up, frame.height_above):
            continue
        key = "geocentric and geodetic mixed up" if up != frame.up else "heights above sphere and ellipsoid mixed up"
        yield Reading(
            key, f"latitudes are taken as {up} and altitudes as above the {height}",
            f'say "up": "{up}", "height_above": "{height}" in frame, or send what the frame says',
            replace(frame, up="geodetic" if up == "geodetic" else "geocentric",
                    height_above="ellipsoid" if height == "ellipsoid" else "sphere"),
        )  # fmt: skip


def other_axes(frame: Frame) -> Iterator[Reading]:
    """Axes in another order or hand: all 48."""
    for order in permutations(AXES):
        for signs in product(("", "-"), repeat=3):
            a, b, c = (sign + axis for sign, axis in zip(signs, order, strict=True))
            if (a, b, c) == frame.axes:
                continue
            hand = handedness((a, b, c))
            key = f"{hand}-handed frame undeclared" if hand != handedness(frame.axes) else "axes in another order"
            for turning in (frame.turning, not frame.turning):
                moving = "" if turning == frame.turning else f', "motion": "{"turning" if turning else "inertial"}"'
                yield Reading(
                    key, f"the axes are taken as {a}, {b}, {c} ({hand}-handed){', moving otherwise' if moving else ''}",
                    f'say "axes": ["{a}", "{b}", "{c}"], "handedness": "{hand}"{moving} in frame',
                    replace(frame, axes=(a, b, c), turning=turning),
                )  # fmt: skip


def readings(frame: Frame, body: Body, local: bool) -> list[Reading]:
    """All of them but other axes, the likeliest first."""
    found = list(units(frame, local))
    found += motions(frame, body, local)
    if local and body.flattening > 0.0:
        found += verticals(frame)
    return found

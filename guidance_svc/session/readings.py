"""Other ways in which a script's numbers may be meant, each with the words that tell its author."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import permutations, product
from math import degrees
from typing import Final, NamedTuple

from guidance_svc.core.frames import handedness, state_to_bci
from guidance_svc.core.vectors import add, cross, scale
from guidance_svc.domain import Body, Frame, Vec, VehicleState

Change = Callable[[VehicleState], VehicleState]

FOOT_M: Final = 0.3048  # exact: international yard and pound agreement of 1959 (memory)
POUND_KG: Final = 0.45359237  # likewise
AXES: Final = ("x", "y", "z")
LIKELY: Final = (("x", "z", "y"), ("x", "z", "-y"), ("x", "-z", "y"), ("z", "x", "y"), ("y", "z", "x"), ("y", "x", "z"))
"""Orders that simulators use, y up first; the other signed orders come after them. Common practice, no source."""


class MassUnit(NamedTuple):
    """A unit in which a mass may have been sent: what a number of it is in kg, and its name."""

    factor: float
    name: str

    @property
    def words(self) -> str:
        """What to do with such a number."""
        return f"the number fits if it is taken as {self.name}: multiply by {self.factor:g}"


MASS_UNITS: Final = tuple(
    MassUnit(*one) for one in ((POUND_KG, "pounds"), (1e3, "tonnes"), (1e-3, "grams"), (14.59390294, "slugs"))
)


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


def scaled(place: float, speed: float) -> Change:
    """Multiply positions (or altitude) and speeds."""

    def change(state: VehicleState) -> VehicleState:
        local = state.local
        if local is not None:
            local = local._replace(
                altitude_m=place * local.altitude_m, vertical_speed_m_s=speed * local.vertical_speed_m_s,
                north_speed_m_s=speed * local.north_speed_m_s, east_speed_m_s=speed * local.east_speed_m_s,
            )  # fmt: skip
        return state._replace(
            local=local, position_script_m=_times(state.position_script_m, place),
            velocity_script_m_s=_times(state.velocity_script_m_s, speed),
        )  # fmt: skip

    return change


def _times(vector: Vec | None, factor: float) -> Vec | None:
    return None if vector is None else scale(factor, vector)


def in_radians(state: VehicleState) -> VehicleState:
    """Latitude and longitude that were sent as radians."""
    local, turn = state.local, degrees(1.0)
    if local is None:
        return state
    return state._replace(
        local=local._replace(latitude_rad=turn * local.latitude_rad, longitude_rad=turn * local.longitude_rad)
    )


def in_milliseconds(state: VehicleState) -> VehicleState:
    """A clock that counts milliseconds."""
    return state._replace(time_s=1e-3 * state.time_s)


def speed_of_ground(frame: Frame, body: Body, sign: float) -> Change:
    """Add the speed of the turning ground to the Cartesian velocity, or take it away."""
    pole = [0.0, 0.0, 0.0]
    z = next(i for i, axis in enumerate(frame.axes) if axis.endswith("z"))
    turn = 1.0 if handedness(frame.axes) == "right" else -1.0
    pole[z] = sign * body.rotation_rad_s * turn * (-1.0 if frame.axes[z].startswith("-") else 1.0)

    def change(state: VehicleState) -> VehicleState:
        if state.position_script_m is None or state.velocity_script_m_s is None:
            return state
        ground = cross((pole[0], pole[1], pole[2]), state.position_script_m)
        return state._replace(velocity_script_m_s=add(state.velocity_script_m_s, ground))

    return change


def units(frame: Frame, local: bool) -> Iterator[Reading]:
    """Readings in which units of length or speed are mixed up."""
    place, speed = ("altitude", "speeds") if local else ("positions", "velocities")
    for key, factor, unit, right in (
        ("feet for metres", FOOT_M, "feet", "metres: multiply by 0.3048"),
        ("kilometres for metres", 1000.0, "kilometres", "metres: multiply by 1000"),
    ):
        for far, fast, what in ((factor, factor, f"{place} and {speed}"), (factor, 1.0, place), (1.0, factor, speed)):
            a_second = f"{unit} a second" if far == 1.0 else unit
            yield Reading(key, f"{what} are taken as {a_second}", f"send {what} in {right}", frame, scaled(far, fast))
    if local:
        words = "latitude and longitude are taken as radians"
        yield Reading("radians for degrees", words, "send latitude_deg and longitude_deg in degrees", frame, in_radians)
    yield Reading(
        "milliseconds for seconds", "time_s is taken as milliseconds", "send time_s in seconds: divide by 1000",
        frame, in_milliseconds,
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
    """Axes in another order or hand: all 48, the likeliest first, those that move as declared before the others."""
    signed = [
        (one[0] + order[0], one[1] + order[1], one[2] + order[2])
        for order in permutations(AXES) for one in product(("", "-"), repeat=3)
    ]  # fmt: skip
    rank = {axes: k for k, axes in enumerate(LIKELY)}
    signed.sort(key=lambda axes: (rank.get(axes, len(LIKELY)), "".join(axes).count("-")))
    for turning in (frame.turning, not frame.turning):
        for axes in signed:
            if axes != frame.axes:
                yield axes_reading(frame, axes, turning)


def axes_reading(frame: Frame, axes: tuple[str, str, str], turning: bool) -> Reading:
    """The reading in other axes."""
    hand = handedness(axes)
    key = f"{hand}-handed frame undeclared" if hand != handedness(frame.axes) else "axes in another order"
    moving = "" if turning == frame.turning else f', "motion": "{"turning" if turning else "inertial"}"'
    a, b, c = axes
    return Reading(
        key, f"the axes are taken as {a}, {b}, {c} ({hand}-handed){', moving otherwise' if moving else ''}",
        f'say "axes": ["{a}", "{b}", "{c}"], "handedness": "{hand}"{moving} in frame',
        replace(frame, axes=axes, turning=turning),
    )  # fmt: skip


def every_reading(frame: Frame, body: Body, local: bool) -> list[Reading]:
    """All of them, axes included where the script has axes."""
    return [*readings(frame, body, local), *([] if local else other_axes(frame))]


def read_as(state: VehicleState, reading: Reading, body: Body) -> tuple[Vec, Vec]:
    """Position (m) and velocity (m/s), BCI, of a state as a reading has it.

    Raises:
        GuidanceError: it has none.
    """
    return state_to_bci(reading.change(state) if reading.change else state, reading.frame, body)


def mass_unit(mass_kg: float, least_kg: float, most_kg: float) -> MassUnit | None:
    """The unit in which a mass is between two others, for one that is not so in kg."""
    return next((unit for unit in MASS_UNITS if least_kg <= unit.factor * mass_kg <= most_kg), None)


def readings(frame: Frame, body: Body, local: bool) -> list[Reading]:
    """All of them but other axes, the likeliest first."""
    found = list(units(frame, local))
    found += motions(frame, body, local)
    if local and body.flattening > 0.0:
        found += verticals(frame)
    return found

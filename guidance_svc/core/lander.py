"""A vehicle that lands under thrust, and the place it lands on, as kernels take them.

Everything is in the landing frame: origin at the contact point, axes east, north, up, turning with the body. Speeds are
over ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt
from typing import NamedTuple

from guidance_svc.core.atmosphere import air_model, modelled_air
from guidance_svc.core.compiled import column, part, table
from guidance_svc.core.curves import interpolate
from guidance_svc.domain import AirRow, Body, Vec

NO_LIFT = ((0.0, 0.0),)
MOST_LIFT_PART = 0.7  # of the thrust, that lift may take off its side force in the lean's solution
LEVEL_UP = (0.0, 0.0, 1.0)
MOST_LEGS = 3
LOST_PART = 0.12  # a thrust further off the figures is one of engines that do not burn
NO_PUSH_M_S2 = 1e-9  # a thrust acceleration below this has no direction to be bounded in


class Air(NamedTuple):
    """The air about the contact point and the drag of the vehicle that falls engines first.

    Args:
        kind, rows: the body's model (core.atmosphere).
        contact_m: height of the contact point above the ellipsoid.
        area_m2: reference area.
        machs, drags: drag coefficient over Mach number; linear between, flat outside.
        lifts_part: 0 where there is no lift, else 1.
        lift_machs, lifts: lift coefficient per radian that the thrust axis leans off the way against the flow; the
            force is against the side to which it leans.
    """

    kind: float
    rows: Sequence[AirRow]
    contact_m: float
    area_m2: float
    machs: Sequence[float]
    drags: Sequence[float]
    lifts_part: float
    lift_machs: Sequence[float]
    lifts: Sequence[float]


class Ground(NamedTuple):
    """The field of the landing frame, good for heights that are small beside the body's radius.

    Args:
        gravity_m_s2: at the contact point, what the body's turning takes off included.
        gradient_s2: gravity over the distance from the body's centre.
        spin_rad_s: of the frame.
    """

    gravity_m_s2: Vec
    gradient_s2: float
    spin_rad_s: Vec


class Leg(NamedTuple):
    """A stretch of the burn with one count of engines.

    Args:
        thrust_n: of these engines together, full throttle, vacuum.
        flow_kg_s: likewise.
        exit_area_m2: of their nozzles.
        until_m_s: downward speed at which the next leg begins; of the last leg, the speed asked for at contact.
        throttle_frac: 0 where it is solved for.
        engines: how many burn.
    """

    thrust_n: float
    flow_kg_s: float
    exit_area_m2: float
    until_m_s: float
    throttle_frac: float
    engines: int


class TiltBound(NamedTuple):
    """How far the thrust may lean off the vertical: the tangent of it, more with height.

    Args:
        end: at contact.
        per_m: more for each metre of height.
        per_root_m: more for the square root of the height in metres.
        most: at any height.
    """

    end: float
    per_m: float
    per_root_m: float
    most: float


class Lander(NamedTuple):
    """What stays as it is while a landing is solved.

    Args:
        legs: MOST_LEGS of them; the first `leg_count` are flown.
        lag_s: time constant with which thrust follows the throttle.
        least_frac, most_frac: bounds of the throttle.
    """

    ground: Ground
    air: Air
    legs: tuple[Leg, Leg, Leg]
    leg_count: int
    lag_s: float
    least_frac: float
    most_frac: float
    tilt: TiltBound


class Moment(NamedTuple):
    """The vehicle at one instant, landing frame.

    Args:
        given_frac: the throttle that the engine gives; 0 while it is off.
        leg: that burns now or next.
        thrust_scale, drag_scale: over what the vehicle's figures say.
        wind_m_s: towards east and north.
        side_m_s2: acceleration along east and north that no model has.
    """

    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    given_frac: float
    leg: int
    thrust_scale: float
    drag_scale: float
    wind_m_s: tuple[float, float]
    side_m_s2: tuple[float, float]


def air_around(
    body: Body, contact_m: float, area_m2: float, curve: Sequence[tuple[float, float]],
    lift: Sequence[tuple[float, float]] = (),
) -> Air:  # fmt: skip
    """The air of a body; lengths of tables are no part of the types, so that kernels are compiled once.

    Args:
        curve: (Mach number, drag coefficient) pairs, Mach rising.
        lift: (Mach number, lift coefficient per radian) pairs, likewise; empty for none.
    """
    kind, rows = air_model(body)
    lifting = lift or NO_LIFT
    return Air(
        kind, table(rows), contact_m, area_m2, column([mach for mach, _ in curve]), column([drag for _, drag in curve]),
        1.0 if lift else 0.0, column([mach for mach, _ in lifting]), column([part for _, part in lifting]),
    )  # fmt: skip


def legs_of(legs: Sequence[Leg]) -> tuple[Leg, Leg, Leg]:
    """One to three legs, filled up with the last."""
    filled = [*legs, *[legs[-1]] * (MOST_LEGS - len(legs))]
    return (filled[0], filled[1], filled[2])


@part
def most_slant(tilt: TiltBound, height_m: float) -> float:
    """The bound at a height above the contact point: tangent of the lean."""
    if height_m <= 0.0:
        return min(tilt.end, tilt.most)
    return min(tilt.end + tilt.per_m * height_m + tilt.per_root_m * sqrt(height_m), tilt.most)


@part
def scale_of_others(factor: float) -> float:
    """What the thrust of the engines that burn now says of those that burn later: nothing, where engines are lost.

    Args:
        factor: thrust over the figures', of those that burn now.

    >>> scale_of_others(0.97), scale_of_others(0.667)
    (0.97, 1.0)
    """
    return factor if abs(factor - 1.0) < LOST_PART else 1.0


@part
def pull(ground: Ground, position_m: Vec, velocity_m_s: Vec) -> Vec:
    """Gravity and what the turning of the frame adds, m/s2, to first order in the distance from the contact point."""
    (x, y, z), (u, v, w), (p, q, r) = position_m, velocity_m_s, ground.spin_rad_s
    gx, gy, gz = ground.gravity_m_s2
    k = ground.gradient_s2
    return (
        gx - k * x - 2.0 * (q * w - r * v),
        gy - k * y - 2.0 * (r * u - p * w),
        gz + 2.0 * k * z - 2.0 * (p * v - q * u),
    )


@part
def air_flow(velocity_m_s: Vec, wind_m_s: tuple[float, float]) -> Vec:
    """Velocity against the air."""
    return (velocity_m_s[0] - wind_m_s[0], velocity_m_s[1] - wind_m_s[1], velocity_m_s[2])


@part
def drag_and_pressure(air: Air, height_m: float, velocity_m_s: Vec) -> tuple[float, float]:
    """Drag over speed (kg/s, to be taken against the velocity) and ambient pressure (Pa).

    Args:
        velocity_m_s: against the air.
    """
    if air.kind == 0.0:
        return (0.0, 0.0)
    density, pressure, sound, _ = modelled_air(air.contact_m + height_m, air.kind, air.rows)
    u, v, w = velocity_m_s
    speed = sqrt(u * u + v * v + w * w)
    return (0.5 * density * speed * air.area_m2 * interpolate(speed / sound, air.machs, air.drags), pressure)


@part
def lift_m_s2(air: Air, height_m: float, velocity_m_s: Vec, mass_kg: float) -> float:
    """Acceleration across the flow for a unit sine of the lean off the way against it.

    Args:
        velocity_m_s: against the air.
    """
    if air.kind == 0.0 or air.lifts_part == 0.0:
        return 0.0
    density, _, sound, _ = modelled_air(air.contact_m + height_m, air.kind, air.rows)
    u, v, w = velocity_m_s
    square = u * u + v * v + w * w
    return 0.5 * density * square * air.area_m2 * interpolate(sqrt(square) / sound, air.lift_machs, air.lifts) / mass_kg


@part
def lifted(lift: float, axis: Vec, velocity_m_s: Vec) -> Vec:
    """That acceleration of a vehicle whose thrust axis leans: against the side to which it does.

    Args:
        lift: for a unit sine, m/s2.
        velocity_m_s: against the air.
    """
    u, v, w = velocity_m_s
    square = u * u + v * v + w * w
    if lift == 0.0 or square == 0.0:
        return (0.0, 0.0, 0.0)
    k = (axis[0] * u + axis[1] * v + axis[2] * w) / square
    return (-lift * (axis[0] - k * u), -lift * (axis[1] - k * v), -lift * (axis[2] - k * w))


@part
def lean_with_lift(
    wanted_m_s2: tuple[float, float], push_m_s2: float, slope: float, lift: float, velocity_m_s: Vec
) -> Vec:
    """`lean_to` for a vehicle whose lift takes off a part of the thrust's side force.

    Args:
        lift: for a unit sine, m/s2.
        velocity_m_s: against the air.
    """
    u, v, w = velocity_m_s
    speed = sqrt(u * u + v * v + w * w)
    if lift == 0.0 or speed == 0.0:
        return lean_to(wanted_m_s2, push_m_s2, slope)
    lift = min(lift, MOST_LIFT_PART * push_m_s2)
    k = lift / speed
    return lean_to((wanted_m_s2[0] + k * u, wanted_m_s2[1] + k * v), push_m_s2 - lift, slope)


@part
def push(leg: Leg, throttle_frac: float, pressure_pa: float, mass_kg: float, factor: float) -> float:
    """Thrust acceleration of a leg's engines at a throttle, m/s2; 0 at throttle 0."""
    if throttle_frac <= 0.0:
        return 0.0
    return push_n(throttle_frac * leg.thrust_n, leg.exit_area_m2, pressure_pa) * factor / mass_kg


@part
def push_n(thrust_n: float, exit_area_m2: float, pressure_pa: float) -> float:
    """Thrust at an ambient pressure.

    Args:
        thrust_n: in vacuum.
    """
    return max(thrust_n - pressure_pa * exit_area_m2, 0.0)


@part
def lean_to(wanted_m_s2: tuple[float, float], push_m_s2: float, slope: float) -> Vec:
    """Unit thrust direction that gives a level acceleration, or the most of it that a slope lets through."""
    if push_m_s2 < NO_PUSH_M_S2:
        return LEVEL_UP
    x, y = wanted_m_s2[0] / push_m_s2, wanted_m_s2[1] / push_m_s2
    level, most = hypot(x, y), slope / sqrt(1.0 + slope * slope)
    if level > most:
        x, y, level = x * most / level, y * most / level, most
    return (x, y, sqrt(max(1.0 - level * level, 0.0)))


@part
def slant_to(tangent: tuple[float, float], slope: float, part: float) -> Vec:
    """Unit thrust direction from the tangents of its lean towards east and north, held to a slope, times `part`."""
    x, y = part * tangent[0], part * tangent[1]
    lean, slope = hypot(x, y), part * slope
    if lean > slope:
        x, y, lean = x * slope / lean, y * slope / lean, slope
    up = 1.0 / sqrt(1.0 + lean * lean)
    return (x * up, y * up, up)


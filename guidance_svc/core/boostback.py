"""The velocity that a boostback has to gain, from what its end does to the fall after it.

A change of velocity at the cutoff moves the place of coming down, and changes the mass that comes home. Two parts of
the velocity to gain are fixed by the place. The third, along the normal of both, moves nothing; it is chosen so that
the thrust points where a further metre per second costs as much as it saves (the first order of Lawden's primer vector,
with the fall's own derivatives as its end values).
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import NamedTuple

from guidance_svc.core.fall_flight import Falling, Push, sink_m_s
from guidance_svc.core.vectors import add, along, cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Vec

STEEPEST = 0.7  # sine of the thrust's angle off the plane in which it moves the place
TAKEN_PART = 0.4  # of a change of that angle, in one cycle: mass and place answer to it far from linearly
LEAST_GAIN_M_S = 0.05
MOST_SPENT_FRAC = 0.95  # of the mass
FLAT_FALL_M_S2 = 9.5  # over the surface's gravity near 9.8: what is left where the fall is high

Column = tuple[float, float, float]
"""What a metre per second adds to the place of coming down, east and north (m), and to the mass there (kg)."""


class Columns(NamedTuple):
    """One for each axis of the velocity at cutoff; the first `known` that were asked for hold."""

    x: Column
    y: Column
    z: Column
    known: int


NO_COLUMN: Column = (0.0, 0.0, 0.0)
NO_COLUMNS = Columns(NO_COLUMN, NO_COLUMN, NO_COLUMN, 0)
ASKED_M_S = 1.0  # change of velocity by which a column is found


def gain_of(push: Push, mass_kg: float, burn_s: float) -> float:
    """Speed that a burn gives, in vacuum."""
    return push.thrust_n / push.flow_kg_s * log(mass_kg / (mass_kg - push.flow_kg_s * burn_s))


def burn_of(push: Push, mass_kg: float, gain_m_s: float) -> float:
    """Length of the burn that gives a speed, in vacuum; at most what leaves the vehicle a mass."""
    spent = 1.0 - exp(-gain_m_s * push.flow_kg_s / push.thrust_n)
    return min(spent, MOST_SPENT_FRAC) * mass_kg / push.flow_kg_s


def first_gain(start: Falling, contact_m: Vec) -> Vec:
    """Level velocity to gain for a fall without air over flat ground, as a guess.

    Args:
        start: position from the body's centre, turning with it.
        contact_m: of the contact point, likewise.
    """
    up, rise = unit(start.position_m), -sink_m_s(start)
    high = norm(start.position_m) - norm(contact_m)
    fall_s = (rise + sqrt(rise * rise + 2.0 * FLAT_FALL_M_S2 * max(high, 0.0))) / FLAT_FALL_M_S2
    way = sub(contact_m, start.position_m)
    wanted = scale(1.0 / max(fall_s, 1.0), along(way, -dot(way, up), up))
    return sub(wanted, along(start.velocity_m_s, rise, scale(-1.0, up)))


def with_column(columns: Columns, missed: Column, other: Column) -> Columns:
    """The columns with the one asked for next, from what came of its axis's change.

    Args:
        missed, other: place east and north, and mass, without and with the change.
    """
    new = ((other[0] - missed[0]) / ASKED_M_S, (other[1] - missed[1]) / ASKED_M_S, (other[2] - missed[2]) / ASKED_M_S)
    i, all_ = columns.known % 3, [columns.x, columns.y, columns.z]
    all_[i] = new
    return Columns(all_[0], all_[1], all_[2], columns.known + 1)


def asked(columns: Columns) -> Vec:
    """The change of velocity that the next column is found by."""
    i = columns.known % 3
    return (ASKED_M_S if i == 0 else 0.0, ASKED_M_S if i == 1 else 0.0, ASKED_M_S if i == 2 else 0.0)


def gradients(columns: Columns) -> tuple[Vec, Vec, Vec]:
    """Of the place, east and north, and of the mass, over the velocity at cutoff."""
    (a, b, c), (d, e, f), (g, h, i) = columns.x, columns.y, columns.z
    return (a, d, g), (b, e, h), (c, f, i)


def gain_that_meets(gain: Vec, missed: tuple[float, float], columns: Columns, kg_a_m_s: float) -> Vec:
    """The velocity to gain for which the fall ends at the contact point.

    Args:
        gain: for which it ends `missed` from there, east and north, m.
        kg_a_m_s: mass that comes home less for a metre per second more.
    """
    east, north, mass = gradients(columns)
    p, q = dot(east, gain) - missed[0], dot(north, gain) - missed[1]
    ee, en, nn = dot(east, east), dot(east, north), dot(north, north)
    det = ee * nn - en * en
    plane = add(scale((p * nn - q * en) / det, east), scale((q * ee - p * en) / det, north))
    normal = unit(cross(east, north))
    sine = min(max(dot(mass, normal) / kg_a_m_s, -STEEPEST), STEEPEST)
    before = dot(normal, gain) / max(norm(plane), LEAST_GAIN_M_S)
    tangent = before + TAKEN_PART * (sine / sqrt(1.0 - sine * sine) - before)
    return along(plane, norm(plane) * tangent, normal)


def gain_along(gain_m_s: float, direction: Vec, missed: tuple[float, float], columns: Columns) -> float:
    """The speed to gain along a direction that is held, for which the fall comes nearest to the contact point."""
    east, north, _ = gradients(columns)
    a, b = dot(east, direction), dot(north, direction)
    return max(gain_m_s - (a * missed[0] + b * missed[1]) / (a * a + b * b), 0.0)

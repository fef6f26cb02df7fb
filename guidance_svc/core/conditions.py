"""The conditions at cutoff in numbers: what a target asks for, and how far an arrival is from it.

Dimensionless: lengths over the cutoff radius, speeds over circular speed there. What the conditions mean:
core.steering.
"""

from __future__ import annotations

from math import cos, sin, sqrt
from typing import NamedTuple

from guidance_svc.core.burn_flight import Arrival
from guidance_svc.core.compiled import part
from guidance_svc.core.vectors import cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Target, Vec

FREE, INCLINED, FIXED = 0, 1, 2  # what is asked of the plane: nothing, the inclination, all of it


class Wanted(NamedTuple):
    """What is asked for at cutoff.

    Args:
        length_m, speed_m_s: the cutoff radius and circular speed there: units of the conditions.
        time_s: one over the other.
        has_orbit: whether an orbit is asked for; else a circle at whatever radius the burn ends.
        energy_m2_s2: of that orbit.
        radial_m_s: speed along the radius.
        level_m_s: level speed over the circle's, where no orbit is asked for.
        plane: FREE, INCLINED or FIXED.
        cos_inclination: of an INCLINED plane.
        normal: of a FIXED one, BCI.
    """

    length_m: float
    speed_m_s: float
    time_s: float
    has_orbit: bool
    energy_m2_s2: float
    radial_m_s: float
    level_m_s: float
    plane: int
    cos_inclination: float
    normal: Vec


def plane_normal(inclination_rad: float, node_rad: float) -> Vec:
    """Unit normal of an orbit plane, BCI."""
    s = sin(inclination_rad)
    return (s * sin(node_rad), -s * cos(node_rad), cos(inclination_rad))


def target_normal(target: Target | None) -> Vec | None:
    """The wanted normal where the plane is fixed; also for inclination alone where the equator leaves no node."""
    if target is None:
        return None
    if target.plane == "inclination_and_node":
        return plane_normal(target.inclination_rad, target.node_rad)
    if target.plane == "inclination" and sin(target.inclination_rad) < 1e-6:
        return (0.0, 0.0, 1.0 if target.inclination_rad < 1.0 else -1.0)
    return None


def wanted_of(target: Target | None, radius_m: float, offset_m_s: tuple[float, float], mu_m3_s2: float) -> Wanted:
    """What a target asks for.

    Args:
        target: None for a circle.
        radius_m: of the vehicle's place: the unit of length for a circle.
        offset_m_s: radial and level speed at the end over the circle's, where that is asked for.
    """
    radial, level = offset_m_s
    length = target.cutoff_radius_m if target else radius_m
    speed = sqrt(mu_m3_s2 / length)
    energy, plane, tilt = 0.0, FREE, 1.0
    normal = target_normal(target)
    if target is not None:
        energy = 0.5 * target.cutoff_speed_m_s**2 - mu_m3_s2 / length
        radial = target.cutoff_speed_m_s * sin(target.cutoff_flight_path_angle_rad)
        plane = FREE if target.plane == "free" else INCLINED
        tilt = cos(target.inclination_rad)
    plane = FIXED if normal is not None else plane
    return Wanted(
        length, speed, length / speed, target is not None, energy, radial, level, plane, tilt, normal or (0.0, 0.0, 0.0)
    )


@part
def energy_excess(wanted: Wanted, arrival: Arrival, mu_m3_s2: float) -> float:
    """Orbital energy above the target's, or above that of the circle through the place reached."""
    r, v = arrival.position_m, arrival.velocity_m_s
    potential = mu_m3_s2 / norm(r)
    energy = wanted.energy_m2_s2
    if not wanted.has_orbit:
        level = sqrt(potential) + wanted.level_m_s
        energy = 0.5 * (level * level + wanted.radial_m_s * wanted.radial_m_s) - potential
    return (0.5 * dot(v, v) - potential - energy) / (wanted.speed_m_s * wanted.speed_m_s)


@part
def add_velocity(rows: list[float], wanted: Wanted, arrival: Arrival, mu_m3_s2: float) -> None:
    """Energy and radial speed, and the plane's direction: none, inclination, or speed across a fixed plane."""
    r, v = arrival.position_m, arrival.velocity_m_s
    rows.append(energy_excess(wanted, arrival, mu_m3_s2))
    rows.append((dot(r, v) / norm(r) - wanted.radial_m_s) / wanted.speed_m_s)
    if wanted.plane == FIXED:
        rows.append(dot(v, wanted.normal) / wanted.speed_m_s)
    elif wanted.plane == INCLINED:
        x, y, z = cross(r, v)
        rows.append(z / sqrt(x * x + y * y + z * z) - wanted.cos_inclination)


@part
def add_position(rows: list[float], wanted: Wanted, arrival: Arrival) -> None:
    """Radius, and distance from a fixed plane."""
    r = arrival.position_m
    rows.append((norm(r) - wanted.length_m) / wanted.length_m)
    if wanted.plane == FIXED:
        rows.append(dot(r, wanted.normal) / wanted.length_m)


@part
def add_stationary(
    rows: list[float], wanted: Wanted, arrival: Arrival, position_m: Vec, velocity_m_s: Vec, steer: Vec, steer_rate: Vec
) -> None:
    """Parts of C = v x p - r x p' along the axes of the freedoms that the target leaves; C is that of the start."""
    c = scale(1.0 / wanted.speed_m_s, sub(cross(velocity_m_s, steer), cross(position_m, steer_rate)))
    x, y, z = c
    if wanted.plane == FIXED:
        rows.append(dot(c, wanted.normal))
    elif wanted.plane == INCLINED:
        rows.append(z)
        rows.append(dot(c, unit(cross(arrival.position_m, arrival.velocity_m_s))))
    else:
        rows.append(x)
        rows.append(y)
        rows.append(z)


@part
def length_of(rows: list[float]) -> float:
    """Root of the sum of squares; not finite where a row is not."""
    total = 0.0
    for row in rows:
        total += row * row
    return sqrt(total)

"""Through the air with the thrust along the air flow: rise, tip over, follow the velocity over ground."""

from __future__ import annotations

from math import acos, cos, inf, sin

from guidance_svc.core.frames import Triad, pitch_and_heading
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.starter import nearest_normal
from guidance_svc.core.steering import target_normal
from guidance_svc.core.vectors import add, along, cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Body, Boost, Target, Vec

STANDSTILL_M_S = 1.0  # over ground; below this the velocity has no usable direction


def launch_heading_rad(position_m: Vec, body: Body, target: Target, local: Triad) -> float:
    """Heading over ground that leads into the target's plane, clockwise from north.

    Impulsive: the velocity at cutoff, in the plane, less the ground's own velocity. With inclination alone the
    northbound one of the two is taken; with a free plane, east.

    Source: spherical trigonometry with body rotation, Vallado, 4th ed., section 6.4.1. Flown azimuths of large
    vehicles differ from it by about 0.6 deg.
    """
    normal = target_normal(target)
    if normal is None and target.plane == "inclination":
        normal = nearest_normal(unit(position_m), cross(local.up, local.north), target.inclination_rad)
    if normal is None:
        return pitch_and_heading(local.east, local)[1]
    orbital = scale(target.cutoff_speed_m_s, unit(cross(normal, position_m)))
    ground = cross((0.0, 0.0, body.rotation_rad_s), position_m)
    return pitch_and_heading(sub(orbital, ground), local)[1]


def boost_direction(
    phase: Boost, since_release_s: float, ground_velocity_m_s: Vec, heading_rad: float, local: Triad
) -> Vec:
    """Thrust direction, BCI: vertical, then tipping at a rate, then along the velocity over ground."""
    tipped = phase.pitch_over_rate_rad_s * (since_release_s - phase.rise_s)
    if tipped <= 0.0:
        return local.up
    speed = norm(ground_velocity_m_s)
    if tipped >= phase.pitch_over_rad and speed > STANDSTILL_M_S:
        from_vertical = acos(max(-1.0, min(1.0, dot(ground_velocity_m_s, local.up) / speed)))
        if from_vertical >= phase.pitch_over_rad:
            return unit(ground_velocity_m_s)
    tip = min(tipped, phase.pitch_over_rad)
    level = add(scale(cos(heading_rad), local.north), scale(sin(heading_rad), local.east))
    return add(scale(cos(tip), local.up), scale(sin(tip), level))


def velocity_soon(
    position_m: Vec, ground_velocity_m_s: Vec, direction: Vec, push_m_s2: float, body: Body, dt_s: float
) -> Vec:
    """Velocity over ground a little later, drag left out."""
    pull = acceleration(position_m, body.mu_m3_s2, body.radius_m, body.j2)
    return along(along(ground_velocity_m_s, dt_s * push_m_s2, direction), dt_s, pull)


def time_to_speed_s(speed_m_s: float, ground_velocity_m_s: Vec, acceleration_m_s2: Vec) -> float:
    """Seconds until the speed over ground is reached at the present acceleration; inf if it is not."""
    now = norm(ground_velocity_m_s)
    if now >= speed_m_s:
        return 0.0
    if speed_m_s == inf or now < STANDSTILL_M_S:
        return inf
    rate = dot(ground_velocity_m_s, acceleration_m_s2) / now
    return (speed_m_s - now) / rate if rate > 0.0 else inf

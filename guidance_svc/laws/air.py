"""The air around the vehicle as the session reckons it from height and speed, and what follows from it.

Density and pressure come from the body's model of the air at the measured height; nothing is measured of the air.
"""

from __future__ import annotations

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.boost import PRESSURE_TIME_S, AirHere, limits_of, near_air_flow
from guidance_svc.core.frames import altitude_m
from guidance_svc.core.vectors import dot
from guidance_svc.domain import Body, Boost, FlightPlan, Vec
from guidance_svc.laws.navigation import Navigation

NO_AIR = AirHere(0.0, 0.0, 300.0, 0.0)
ANY_ANGLE_RAD = 3.2  # above half a turn: no limit


def air_here(now: Navigation, body: Body) -> AirHere:
    """The air at the vehicle's height, and a little ahead."""
    if body.atmosphere == "none":
        return NO_AIR
    height = altitude_m(now.position_m, body, "ellipsoid")
    density, pressure, sound, _ = air_of(body, height)
    climb = dot(now.ground_velocity_m_s, now.local.up)
    soon, _, _, _ = air_of(body, height + PRESSURE_TIME_S * climb)
    return AirHere(density, pressure, sound, soon)


def within_air_limits(direction: Vec, now: Navigation, plan: FlightPlan, boost: Boost) -> Vec:
    """A closed-loop direction held near the air flow where the plan's boost limits the load across it."""
    if plan.body.atmosphere == "none":
        return direction
    limits = limits_of(boost)._replace(alpha_rad=ANY_ANGLE_RAD)  # the limit on the angle itself is the booster's
    return near_air_flow(direction, now.ground_velocity_m_s, air_here(now, plan.body).density_kg_m3, limits)

"""The air around the vehicle as the session reckons it from height and speed, and what follows from it.

Density and pressure come from the body's model of the air at the measured height; nothing is measured of the air.
"""

from __future__ import annotations

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.boost import PRESSURE_TIME_S, limits_of, near_air_flow
from guidance_svc.core.frames import altitude_m
from guidance_svc.core.vectors import dot
from guidance_svc.domain import Body, Boost, FlightPlan, Vec
from guidance_svc.laws.navigation import Navigation

NO_AIR = (0.0, 0.0, 300.0, 0.0)


def air_here(now: Navigation, body: Body) -> tuple[float, float, float, float]:
    """Density (kg/m3), pressure (Pa), speed of sound (m/s), density `PRESSURE_TIME_S` ahead (kg/m3)."""
    if body.atmosphere == "none":
        return NO_AIR
    height = altitude_m(now.position_m, body, "ellipsoid")
    density, pressure, sound, _ = air_of(body, height)
    climb = dot(now.ground_velocity_m_s, now.local.up)
    return density, pressure, sound, air_of(body, height + PRESSURE_TIME_S * climb)[0]


def within_air_limits(direction: Vec, now: Navigation, plan: FlightPlan, boost: Boost) -> Vec:
    """A closed-loop direction held near the air flow where the plan's boost limits the load across it."""
    if plan.body.atmosphere == "none":
        return direction
    whole = limits_of(boost)
    thin = (whole[0], whole[1], whole[2], 3.2)  # the limit on the angle itself is the booster's; 3.2 rad is none
    return near_air_flow(direction, now.ground_velocity_m_s, air_here(now, plan.body)[0], thin)

"""Coasting part of the way to the target, where that saves propellant.

One long burn must be lofted to reach a high perigee level. Where the engine can be lit again it is cheaper to
insert low, coast half a revolution, and make up the speed there: at the target's cutoff height, or at its apogee, which
ends half a revolution later and saves a little more. Here: the orbit in between, what it costs, and its aim under J2.
`core.detour_search` looks for the cheapest one, `core.floor_ride` holds the floor where the first burn would sink
below it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan2, cos, exp, pi, remainder, sin, sqrt

from guidance_svc.core.burns import mass_at_end_kg
from guidance_svc.core.coast import coast, time_to_apoapsis_s
from guidance_svc.core.kepler import inclination_rad, node_rad
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, SecondBurn, Target

LEVEL_RAD = 1e-6  # a cutoff at an apsis, which is what the second burn ends in


@dataclass(frozen=True, slots=True)
class Detour:
    """An insertion with a coast.

    Args:
        target: of the first burn: somewhere on the low orbit.
        law: that leads there.
        second_m_s: ideal speed gain of the second burn.
        saved_kg: against the burn without a pause.
        second: where the second burn is.
        anomaly_rad: true anomaly of the first cutoff on the low orbit; negative before its perigee.
        entry_m_s: level speed from which on the first burn is held at the floor; 0 where it stays above by itself.
        ride_s: how long it is held there.
        dip_m: height that the first burn would fall to if the floor were not held; None where it stays above.
        floor_cost_kg: what holding the floor costs.
    """

    target: Target
    law: Steering
    second_m_s: float
    saved_kg: float
    second: SecondBurn = "cutoff"
    anomaly_rad: float = 0.0
    entry_m_s: float = 0.0
    ride_s: float = 0.0
    dip_m: float | None = None
    floor_cost_kg: float = 0.0


def far_radius_m(wanted: Target, second: SecondBurn) -> float:
    """Where the second burn is."""
    return wanted.cutoff_radius_m if second == "cutoff" else wanted.apogee_radius_m


def possible(wanted: Target, second: SecondBurn, lowest_radius_m: float) -> bool:
    """Whether the second burn ends level on the target's orbit, and the floor leaves room below its perigee."""
    level = second == "apogee" or abs(wanted.cutoff_flight_path_angle_rad) <= LEVEL_RAD
    return level and lowest_radius_m < wanted.perigee_radius_m


def way_point(low_m: float, high_m: float, anomaly_rad: float, wanted: Target, body: Body) -> Target:
    """First target: cutoff at a true anomaly of the ellipse between two radii, in the wanted plane.

    Source: the conic's r = p / (1 + e cos f) and tan(flight-path angle) = e sin f / (1 + e cos f); Bate, Mueller and
        White, Fundamentals of Astrodynamics, sections 1.5 and 1.8.
    """
    e = (high_m - low_m) / (high_m + low_m)
    along, up = 1.0 + e * cos(anomaly_rad), e * sin(anomaly_rad)
    radius = low_m * (1.0 + e) / along
    speed = sqrt(body.mu_m3_s2 * (2.0 / radius - 2.0 / (low_m + high_m)))
    return Target(
        low_m, high_m, radius, speed, atan2(up, along), wanted.plane, wanted.inclination_rad, wanted.node_rad
    )


def second_gain_m_s(low_m: float, wanted: Target, second: SecondBurn, body: Body) -> float:
    """Speed missing at the apogee of the low orbit."""
    far, mu = far_radius_m(wanted, second), body.mu_m3_s2
    there = sqrt(mu * (2.0 / far - 2.0 / (wanted.perigee_radius_m + wanted.apogee_radius_m)))
    return there - sqrt(2.0 * mu * low_m / (far * (low_m + far)))


def second_target(wanted: Target, second: SecondBurn, body: Body) -> Target:
    """What the second burn ends in, in whatever plane it is flown."""
    if second == "cutoff":
        return replace(wanted, plane="free")
    far = wanted.apogee_radius_m
    speed = sqrt(body.mu_m3_s2 * (2.0 / far - 2.0 / (wanted.perigee_radius_m + far)))
    return replace(
        wanted, plane="free", cutoff_radius_m=far, cutoff_speed_m_s=speed, cutoff_flight_path_angle_rad=0.0
    )


def left_kg(problem: Problem, burn_s: float, second_m_s: float) -> float:
    """Mass after the second burn, that one taken as an impulse."""
    return mass_at_end_kg(problem.arcs, burn_s) * exp(-second_m_s / problem.arcs[-1].exhaust_velocity_m_s)


def settled_target(detour: Detour, wanted: Target, body: Body) -> Target:
    """The first target moved so that the flown coast, not the osculating ellipse, ends at the wanted height and plane.

    With J2 the two differ by kilometres of height and tenths of a degree of node. Each call takes the miss down a
    hundred times, once the law is solved for the target that it gives.

    Raises:
        OrbitNotClosed: the coast has no apoapsis.
    """
    law, target, far = detour.law, detour.target, far_radius_m(wanted, detour.second)
    coast_s = time_to_apoapsis_s(law.position_m, law.velocity_m_s, body)
    r, v = coast(law.position_m, law.velocity_m_s, coast_s, body)
    high = target.apogee_radius_m + far - norm(r)
    aimed = way_point(target.perigee_radius_m, high, detour.anomaly_rad, wanted, body)
    return replace(
        aimed,
        inclination_rad=target.inclination_rad + wanted.inclination_rad - inclination_rad(r, v),
        node_rad=target.node_rad + remainder(wanted.node_rad - node_rad(r, v), 2.0 * pi),
    )

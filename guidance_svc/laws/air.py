"""The air around the vehicle as the session reckons it from height and speed, and what follows from it.

Density and pressure come from the body's model of the air at the measured height; nothing is measured of the air.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.boost import PRESSURE_TIME_S, heating_w_m2, limits_of, near_air_flow, time_to_level_s
from guidance_svc.core.cover import THICK_KG_M3, cover_drop_s
from guidance_svc.core.effort import left
from guidance_svc.core.estimator import begun_anew
from guidance_svc.core.frames import altitude_m
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import dot, norm
from guidance_svc.domain import Body, Boost, Event, FlightPlan, Vec
from guidance_svc.laws.memory import Memory, Order
from guidance_svc.laws.navigation import Navigation

COVER_ID = "drop_cover"  # one cover, one id, whatever the phase
COVER_AHEAD_S = 5.0  # how long before its time the drop is announced
COVER_STANDS_S = 0.5  # before its time the drop's instant no longer moves
COVER_SETTLES_S = 2.0  # after the drop in which a late message may still carry the old mass
COVER_LOOKED_EVERY_S = 5.0  # how often the drop is looked for on the law's way
COVER_LOOK_STEPS = 1200  # of computing that must be left for it: 560 at most, the rest is for the law
COVER_LATE_S = 10.0  # past its time a cover that is still on is taken to stay on
NO_AIR = (0.0, 0.0, 300.0, 0.0)


def air_here(now: Navigation, body: Body) -> tuple[float, float, float, float]:
    """Density (kg/m3), pressure (Pa), speed of sound (m/s), density `PRESSURE_TIME_S` ahead (kg/m3)."""
    if body.atmosphere == "none":
        return NO_AIR
    height = altitude_m(now.position_m, body, "ellipsoid")
    density, pressure, sound, _ = air_of(body, height)
    climb = dot(now.ground_velocity_m_s, now.local.up)
    return density, pressure, sound, air_of(body, height + PRESSURE_TIME_S * climb)[0]


def within_air_limits(direction: Vec, now: Navigation, plan: FlightPlan) -> Vec:
    """A closed-loop direction held near the air flow where the plan's boost limits the load across it."""
    boost = next((phase for phase in plan.phases if isinstance(phase, Boost)), None)
    if boost is None or plan.body.atmosphere == "none":
        return direction
    whole = limits_of(boost)
    thin = (whole[0], whole[1], whole[2], 3.2)  # the limit on the angle itself is the booster's; 3.2 rad is none
    return near_air_flow(direction, now.ground_velocity_m_s, air_here(now, plan.body)[0], thin)


def uncovered(plan: FlightPlan, memory: Memory) -> FlightPlan:
    """The plan as it is now: without the mass of a cover that is gone."""
    if COVER_ID not in memory.seen or plan.vehicle.cover_mass_kg == 0.0:
        return plan
    return replace(plan, vehicle=replace(plan.vehicle, cover_mass_kg=0.0))


def drops_cover(plan: FlightPlan) -> bool:
    """Whether the vehicle has a condition on which its cover may go."""
    return plan.vehicle.drop_cover_above_m < inf or plan.vehicle.drop_cover_below_w_m2 > 0.0


def drop_time_s(memory: Memory, now: Navigation, plan: FlightPlan) -> float:
    """Seconds until the cover goes, by the planned drop, else by the law's way, else by the present motion; inf: never.

    0 where there is none, or where the drop is overdue; one that is long overdue is taken to stay on.
    """
    if plan.vehicle.cover_mass_kg == 0.0:
        return 0.0
    if not drops_cover(plan):
        return inf
    if memory.cover_at_s is not None:
        at = memory.cover_at_s if now.time_s < memory.cover_at_s + COVER_LATE_S else inf
    else:
        at = memory.cover_goes_s if memory.cover_goes_s is not None else cover_time_s(now, plan)
    return max(at - now.time_s, 0.0)


def bare_at_cutoff(plan: FlightPlan, memory: Memory, now: Navigation) -> FlightPlan:
    """The plan as it will be at the cutoff: without the cover's mass where that goes before."""
    if plan.vehicle.cover_mass_kg == 0.0:
        return plan
    cutoff = memory.law.cutoff_s if memory.law is not None else inf
    drop = now.time_s + drop_time_s(memory, now, plan)
    gone = drop < inf and drop <= cutoff
    return replace(plan, vehicle=replace(plan.vehicle, cover_mass_kg=0.0)) if gone else plan


def cover_foreseen(memory: Memory, problem: Problem, law: Steering, plan: FlightPlan) -> Memory:
    """The drop on the way that a law leads, looked for every few seconds while the cover is on."""
    if plan.vehicle.cover_mass_kg == 0.0:
        return memory
    last = memory.cover_seen_ahead_s
    recent = last is not None and 0.0 <= problem.time_s - last < COVER_LOOKED_EVERY_S
    if recent or left() < COVER_LOOK_STEPS:
        return memory
    goes = problem.time_s + cover_drop_s(problem, law, plan.vehicle)
    return replace(memory, cover_goes_s=goes, cover_seen_ahead_s=problem.time_s)


def cover_time_s(now: Navigation, plan: FlightPlan) -> float:
    """Vehicle time at which both conditions for the drop hold, carried on from the present motion; inf if unknown.

    Height from the climb rate and its change by gravity alone, heating from its logarithm's rate over one second.
    """
    vehicle, body = plan.vehicle, plan.body
    climb = dot(now.velocity_m_s, now.local.up)
    height = altitude_m(now.position_m, body, "ellipsoid")
    wait = 0.0
    if vehicle.drop_cover_above_m > height and vehicle.drop_cover_above_m < inf:
        wait = time_to_level_s(height, height + climb, vehicle.drop_cover_above_m, 1.0)
    if vehicle.drop_cover_below_w_m2 > 0.0 and body.atmosphere != "none":
        wait = max(wait, cooling_s(now, body, height, climb, vehicle.drop_cover_below_w_m2))
    return now.time_s + wait


def cooling_s(now: Navigation, body: Body, height_m: float, climb_m_s: float, level_w_m2: float) -> float:
    """Seconds until the heating rate has fallen to a level; inf in thick air, where the formula says nothing."""
    density = air_of(body, height_m)[0]
    if density > THICK_KG_M3:
        return inf
    speed = norm(now.ground_velocity_m_s)
    warm = heating_w_m2(density, speed)
    if warm <= level_w_m2:
        return 0.0
    return time_to_level_s(warm, heating_w_m2(air_of(body, height_m + climb_m_s)[0], speed), level_w_m2, 1.0, True)


def cover_settled(memory: Memory, now: Navigation) -> Memory:
    """The engine estimate begun anew around the drop, whose step in mass is not the engine's."""
    if memory.cover_at_s is None or now.time_s < memory.cover_at_s:
        return memory
    if COVER_ID in memory.seen and now.time_s > memory.cover_at_s + COVER_SETTLES_S:
        return memory
    return replace(memory, engine=begun_anew(memory.engine))


def cover_watched(memory: Memory, now: Navigation, plan: FlightPlan) -> Memory:
    """The planned drop kept up to date until shortly before it; then it stands."""
    if plan.vehicle.cover_mass_kg == 0.0 or not drops_cover(plan):
        return memory
    if plan.phases[memory.phase].law not in ("boost", "insertion"):
        return memory
    if memory.cover_at_s is not None and now.time_s >= memory.cover_at_s - COVER_STANDS_S:
        return memory
    at = cover_time_s(now, plan)
    return replace(memory, cover_at_s=at if at <= now.time_s + COVER_AHEAD_S else None)


def with_cover_event(order: Order, memory: Memory) -> Order:
    """The order with the drop of the cover among its events, before those that come later."""
    if memory.cover_at_s is None or COVER_ID in memory.seen:
        return order
    events = [*order.events, Event(COVER_ID, "drop_cover", memory.cover_at_s)]
    return replace(order, events=tuple(sorted(events, key=lambda event: event.at_s)))

"""The cover over the payload: when it is dropped, the event that asks for it, and the mass before and after.

No law knows more of it than the plan as it is now, and as it will be at the cutoff.
"""

from __future__ import annotations

from math import inf

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.boost import heating_w_m2, time_to_level_s
from guidance_svc.core.cover import THICK_KG_M3, cover_drop_s
from guidance_svc.core.effort import steps_left
from guidance_svc.core.estimator import begin_anew
from guidance_svc.core.frames import altitude_m
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import dot, norm
from guidance_svc.domain import Body, Event, FlightPlan
from guidance_svc.laws.memory import Flight, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.signs import EventKind, flow_kg_s

COVER_ID = "drop_cover"  # one cover, one id, whatever the phase
COVER_AHEAD_S = 5.0  # how long before its time the drop is announced
COVER_STANDS_S = 0.5  # before its time the drop's instant no longer moves
COVER_SETTLES_S = 2.0  # after the drop in which a late message may still carry the old mass
COVER_LOOKED_EVERY_S = 5.0  # how often the drop is looked for on the law's way
COVER_LOOK_STEPS = 1200  # of computing that must be left for it: 560 at most, the rest is for the law
COVER_STEP_FRAC = 0.3  # of the cover's mass: a step in mass this near to it is the cover
COVER_LATE_S = 10.0  # past its time a cover that is still on is taken to stay on


def plan_as_it_is(plan: FlightPlan, flight: Flight) -> FlightPlan:
    """The plan as it is now: without the mass of a cover that is gone."""
    return plan.bare if COVER_ID in flight.seen else plan


def drops_cover(plan: FlightPlan) -> bool:
    """Whether the vehicle has a condition on which its cover may go."""
    return plan.vehicle.drop_cover_above_m < inf or plan.vehicle.drop_cover_below_w_m2 > 0.0


def drop_time_s(flight: Flight, now: Navigation, plan: FlightPlan) -> float:
    """Seconds until the cover goes, by the planned drop, else by the law's way, else by the present motion; inf: never.

    0 where there is none, or where the drop is overdue; one that is long overdue is taken to stay on.
    """
    if plan.vehicle.cover_mass_kg == 0.0:
        return 0.0
    if not drops_cover(plan):
        return inf
    if flight.cover.drops_at_s is not None:
        at = flight.cover.drops_at_s if now.time_s < flight.cover.drops_at_s + COVER_LATE_S else inf
    else:
        at = flight.cover.goes_s if flight.cover.goes_s is not None else cover_time_s(now, plan)
    return max(at - now.time_s, 0.0)


def bare_at_cutoff(plan: FlightPlan, flight: Flight, law: Steering | None, now: Navigation) -> FlightPlan:
    """The plan as it will be at the cutoff: without the cover's mass where that goes before."""
    if plan.vehicle.cover_mass_kg == 0.0:
        return plan
    cutoff = law.cutoff_s if law is not None else inf
    drop = now.time_s + drop_time_s(flight, now, plan)
    gone = drop < inf and drop <= cutoff
    return plan.bare if gone else plan


def foresee_drop(flight: Flight, problem: Problem, law: Steering, plan: FlightPlan) -> Flight:
    """The drop on the way that a law leads, looked for every few seconds while the cover is on."""
    if plan.vehicle.cover_mass_kg == 0.0:
        return flight
    last = flight.cover.looked_at_s
    recent = last is not None and 0.0 <= problem.time_s - last < COVER_LOOKED_EVERY_S
    if recent or steps_left() < COVER_LOOK_STEPS:
        return flight
    goes = problem.time_s + cover_drop_s(problem, law, plan.vehicle)
    return flight._replace(cover=flight.cover._replace(goes_s=goes, looked_at_s=problem.time_s))


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


def settle_engine(flight: Flight, now: Navigation) -> Flight:
    """The engine estimate begun anew around the drop, whose step in mass is not the engine's."""
    if flight.cover.drops_at_s is None or now.time_s < flight.cover.drops_at_s:
        return flight
    if COVER_ID in flight.seen and now.time_s > flight.cover.drops_at_s + COVER_SETTLES_S:
        return flight
    return flight._replace(engine=flight.engine._replace(estimate=begin_anew(flight.engine.estimate, 0.0)))


def watch_drop(flight: Flight, now: Navigation, plan: FlightPlan, events: tuple[EventKind, ...]) -> Flight:
    """The planned drop kept up to date until shortly before it; then it stands.

    Args:
        events: that the present law asks for; one without `drop_cover` plans none.
    """
    if plan.vehicle.cover_mass_kg == 0.0 or not drops_cover(plan):
        return flight
    if DROP_COVER not in events:
        return flight
    if flight.cover.drops_at_s is not None and now.time_s >= flight.cover.drops_at_s - COVER_STANDS_S:
        return flight
    at = cover_time_s(now, plan)
    drops = at if at <= now.time_s + COVER_AHEAD_S else None
    if drops == flight.cover.drops_at_s:
        return flight
    return flight._replace(cover=flight.cover._replace(drops_at_s=drops))


def forget_look_ahead(flight: Flight) -> Flight:
    """The flight at the begin of a phase: what the law before saw ahead is the new one's no more."""
    if flight.cover.looked_at_s is None:
        return flight
    return flight._replace(cover=flight.cover._replace(goes_s=None, looked_at_s=None))


def with_drop_event(order: Order, flight: Flight) -> Order:
    """The order with the drop of the cover among its events, before those that come later."""
    if flight.cover.drops_at_s is None or COVER_ID in flight.seen:
        return order
    events = [*order.events, Event(COVER_ID, DROP_COVER.name, flight.cover.drops_at_s)]
    return order._replace(events=tuple(sorted(events, key=lambda event: event.at_s)))


def cover_gone(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the mass has made the cover's step since the last state, where the engine's own part is small."""
    cover = plan.vehicle.cover_mass_kg
    if flight.weighed is None or cover == 0.0:
        return False
    burnt = flow_kg_s(flight, plan) * (now.time_s - flight.weighed.time_s)
    step = flight.weighed.mass_kg - now.mass_kg
    return burnt < COVER_STEP_FRAC * cover and abs(step - cover - 0.5 * burnt) < COVER_STEP_FRAC * cover


DROP_COVER = EventKind(
    COVER_ID, "let go of the payload's cover", "drop_cover", cover_gone, "the cover's step in mass",
    word="cover dropped",
)  # fmt: skip

"""After a cutoff: the attitude held until the engine's thrust is gone, because the tail-off was reckoned along it."""

from __future__ import annotations

from guidance_svc.core.vectors import unit
from guidance_svc.domain import FlightPlan
from guidance_svc.laws.memory import Burn, Flight, Held, Order
from guidance_svc.laws.navigation import Navigation

TAIL_SPANS = 5.0  # times impulse over thrust: 99.3 % of a tail-off that dies away exponentially, twice a linear one's
GONE_FRAC = 0.01  # of the thrust: what telemetry tells below this is no thrust any more
LONGEST_S = 30.0  # after the cutoff: a thrust that is still told then is a fault of the telemetry


def hold_cutoff_attitude(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> Flight:
    """The flight with the direction of the cutoff to be held, as long as the known tail-off takes."""
    law = burn.law
    if law is None or burn.cutoff_at_s is None or flight.stage >= len(plan.vehicle.stages):
        return flight
    cutoff = min(burn.cutoff_at_s, now.time_s)  # a stage that ran dry ended before
    stage = plan.vehicle.stages[flight.stage]
    impulse = stage.tail_off_impulse_n_s if flight.tail_off_n_s is None else flight.tail_off_n_s
    until = cutoff + TAIL_SPANS * impulse / stage.thrust_n
    return flight._replace(held=Held(unit(law.vector_at(cutoff)), cutoff, until))


def still_held(flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """Whether thrust is still left: by the tail-off's time, or because the telemetry tells of some."""
    held = flight.held
    if held is None or now.time_s > held.cutoff_s + LONGEST_S or flight.stage >= len(plan.vehicle.stages):
        return False
    told = now.thrust_n is not None and now.thrust_n > GONE_FRAC * plan.vehicle.stages[flight.stage].thrust_n
    return now.time_s < held.until_s or told


def with_attitude_held(order: Order, flight: Flight, now: Navigation, plan: FlightPlan, contact_s: float) -> Order:
    """The order of a phase without thrust, with the attitude of the cutoff while the thrust dies away.

    Args:
        contact_s: how long the script may stay silent while that lasts longer than was known.
    """
    if flight.held is None or order.engine_on or not still_held(flight, now, plan):
        return order
    left = flight.held.until_s - now.time_s
    wait = min(order.next_contact_s, left if left > 0.0 else contact_s)
    direction = flight.held.direction
    return order._replace(direction=direction, direction_soon=direction, next_contact_s=wait)

"""The law `orbit`: the end, attitude held, the orbit reported."""

from __future__ import annotations

from typing import Literal, NamedTuple

from guidance_svc.core.kepler import apsides
from guidance_svc.core.roundness import height_spread_m, radius_spread_m
from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import FlightPlan, Orbit, Status, Target, Vec
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.apoapsis import endless
from guidance_svc.laws.holding import hold_cutoff_attitude, with_attitude_held
from guidance_svc.laws.instants import NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import misses_at_the_end
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import ORBIT
from guidance_svc.wire.plans import PhaseModel

ORBIT_CONTACT_S = 600.0


class OrbitModel(PhaseModel):
    """The end: attitude held, orbit reported."""

    law: Literal["orbit"]

    def to_domain(self) -> Orbit:
        """The checked keys as a phase of the plan."""
        return Orbit()


class OrbitMemory(NamedTuple):
    """What is remembered in orbit.

    Args:
        given_up, lesser: what the burns before gave up, in words, and the target flown for it.
        radius_spread_m, height_spread_m: of radius and height over the next revolution; None on an escape path.
    """

    given_up: str = ""
    lesser: Target | None = None
    radius_spread_m: float | None = None
    height_spread_m: float | None = None


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Orbit) -> Memory[OrbitMemory]:
    """Measure how round the orbit is."""
    burn = left or Burn()
    flight = hold_cutoff_attitude(flight, burn, now, plan)
    own = OrbitMemory(burn.given_up, burn.lesser)
    try:
        spread = radius_spread_m(now.position_m, now.velocity_m_s, plan.body)
        height = height_spread_m(now.position_m, now.velocity_m_s, plan.body)
    except GuidanceError:
        return Memory(flight, own)  # an escape path has no revolution to look at; the warnings say so
    return Memory(flight, own._replace(radius_spread_m=spread, height_spread_m=height))


def order(memory: Memory[OrbitMemory], now: Navigation, plan: FlightPlan, phase: Orbit) -> Order:
    """Nothing left to do: engine off, prograde once the thrust is gone."""
    flight, own = memory
    ahead: Vec = unit(now.velocity_m_s) if norm(now.velocity_m_s) > 0.0 else now.local.up
    ordered = Order(
        direction=ahead,
        direction_soon=ahead,
        engine_on=False,
        events=(ORBIT.of(flight, flight.since_s),),
        next_contact_s=ORBIT_CONTACT_S,
        status=orbit_status(own.given_up, now, plan),
        warnings=(*endless(now, plan), *misses_at_the_end(own.given_up, own.lesser, now, plan)),
    )
    return with_attitude_held(ordered, flight, now, plan, NEAR_CUTOFF_CONTACT_S)


def numbers(memory: Memory[OrbitMemory], now: Navigation, plan: FlightPlan, phase: Orbit) -> Numbers:
    """How round the orbit is."""
    return Numbers(radius_spread_m=memory.own.radius_spread_m, height_spread_m=memory.own.height_spread_m)


def orbit_status(given_up: str, now: Navigation, plan: FlightPlan) -> Status:
    """`complete` only for an orbit that nothing was given up for; a path that meets the ground or escapes is none."""
    if endless(now, plan):
        return "unreachable"
    low, _ = apsides(now.position_m, now.velocity_m_s, plan.body.mu_m3_s2)
    if low < plan.body.radius_m * (1.0 - plan.body.flattening):
        return "unreachable"
    return "short_of_propellant" if given_up else "complete"


def sentence(phase: Orbit, plan: FlightPlan) -> str:
    """What the phase does."""
    return "nothing left to do; the orbit is reported"


ROW = LawRow(
    Orbit, OrbitMemory, sentence, (ORBIT,), enter, order, numbers=numbers, model=OrbitModel, is_verdict=True
)

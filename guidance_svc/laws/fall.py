"""The law `fall`: unpowered, engines first, until the burn of the next phase must begin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, NamedTuple

from guidance_svc.core.fall_flight import flow_m_s, load_at
from guidance_svc.core.return_flight import Home
from guidance_svc.core.vectors import norm, scale
from guidance_svc.domain import Event, FlightPlan, Phase, Vec
from guidance_svc.laws.entry_plan import EntryBurn
from guidance_svc.laws.instants import CONTACT_S, lit_by
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.returning import (
    Route,
    figures_of,
    predict,
    report_home,
    route_of,
    short_words,
    to_bci,
    turning_with,
)
from guidance_svc.laws.rows import Figures, LawRow
from guidance_svc.laws.signs import IGNITE
from guidance_svc.wire.plans import PhaseModel

FELT_PA = 100.0  # from this dynamic pressure on the vehicle is kept against the air flow
BEFORE_LANDING_S = 20.0  # before the landing burn the descent takes over, to learn the air by then
STANDS_S = 1.0  # so long before its ignition a burn's time is not worked out anew
REPLAN_EVERY_S = 10.0  # far from it
NEAR_S = 30.0
WAKE_BEFORE_S = 30.0


@dataclass(frozen=True, slots=True)
class Fall(Phase):
    """Unpowered and engines first, until the burn of the next phase must begin."""

    law: ClassVar[str] = "fall"


class FallModel(PhaseModel):
    """Unpowered, engines first, until the burn of the next phase must begin."""

    law: Literal["fall"]

    def to_domain(self) -> Fall:
        """The checked keys as a phase of the plan."""
        return Fall()


class FallMemory(NamedTuple):
    """What is remembered in a fall.

    Args:
        home: the way home as last predicted.
        solved_at_s: vehicle time of that.
    """

    home: Home
    solved_at_s: float


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Fall) -> Memory[FallMemory]:
    """Predict the way home."""
    flight = flight._replace(stage=len(plan.vehicle.stages) - 1)
    route = route_of(plan, flight.phase)
    return Memory(flight, FallMemory(predict(route, route.homing, turning_with(now), 0.0), now.time_s))


def solve(memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall) -> Memory[FallMemory]:
    """Predict the way home from this state."""
    flight, own = memory
    route = route_of(plan, flight.phase)
    home = predict(route, route.homing, turning_with(now), own.home.entry_s)
    return Memory(flight, FallMemory(home, now.time_s))


def burn_next(flight: Flight, plan: FlightPlan) -> EntryBurn | None:
    """The entry burn that comes next; None where the descent does."""
    after = plan.phases[flight.phase + 1]
    return after if isinstance(after, EntryBurn) else None


def next_at_s(memory: Memory[FallMemory], plan: FlightPlan) -> float:
    """Vehicle time at which the next phase begins."""
    flight, (home, solved_at_s) = memory
    if burn_next(flight, plan) is not None:
        return solved_at_s + home.entry_at_s
    return solved_at_s + home.light_at_s - BEFORE_LANDING_S


def due(memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall) -> bool:
    """Whether the way home should be predicted anew."""
    left_s, age_s = next_at_s(memory, plan) - now.time_s, now.time_s - memory.own.solved_at_s
    if left_s < STANDS_S:
        return False
    return age_s >= (REPLAN_EVERY_S if left_s > NEAR_S else plan.major_cycle_s)


def done(memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall) -> bool:
    """Whether the next phase's burn begins, or its descent."""
    return lit_by(next_at_s(memory, plan), now)


def attitude(memory: Memory[FallMemory], now: Navigation, route: Route) -> Vec:
    """Engines first: against the air flow where it is felt, else as the next burn will begin; BCI."""
    field, start, way = route.homing.field, turning_with(now), memory.own.home.entry_way
    if norm(way) > 0.0 and load_at(field, start).pressure_pa < FELT_PA:
        return to_bci(way, now)
    flow = flow_m_s(field, start.position_m, start.velocity_m_s)
    return to_bci(scale(-1.0 / max(norm(flow), 1e-6), flow), now)


def order(memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall) -> Order:
    """Engine off, engines first."""
    flight, own = memory
    route, burn, at_s = route_of(plan, flight.phase), burn_next(flight, plan), next_at_s(memory, plan)
    events: tuple[Event, ...] = ()
    if burn is not None and own.home.entry_s > 0.0:
        events = (IGNITE.of(flight, at_s),)
    wait = at_s - now.time_s
    short = short_words(own.home, route)
    return Order(
        attitude(memory, now, route), None, False, 1.0 if burn is None else burn.throttle_frac, events=events,
        next_contact_s=wait - WAKE_BEFORE_S if wait > WAKE_BEFORE_S + 1.0 else CONTACT_S,
        status="short_of_propellant" if short else "ok", warnings=short, engines=None if burn is None else burn.engines,
    )  # fmt: skip


def numbers(memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall) -> Numbers:
    """Where and when it comes down as it falls now."""
    flight, own = memory
    report = report_home(own.home, now.time_s - own.solved_at_s, route_of(plan, flight.phase))
    return Numbers(propellant_margin_kg=report.propellant_left_kg, landing=report)


def figures(own: FallMemory) -> Figures:
    """What a prediction must not leave infinite or undefined."""
    return figures_of(own.home)


def sentence(phase: Fall, plan: FlightPlan) -> str:
    """What the phase does."""
    return "engine off, engines first against the air flow, until the burn of the next phase must begin"


ROW = LawRow(
    Fall, FallMemory, sentence, (IGNITE,), enter, order, done=done, due=due, solve=solve, figures=figures,
    numbers=numbers, model=FallModel, successors=("entry_burn", "descent"), predecessors=("boost",), last=False,
    ended_by="ignition",
)  # fmt: skip

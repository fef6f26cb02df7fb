"""The law `fall`: unpowered, engines first, until the burn of the next phase must begin."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, radians
from typing import Annotated, ClassVar, Literal, NamedTuple

from pydantic import Field

from guidance_svc.core.fall_flight import load_at
from guidance_svc.core.return_flight import Home
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Arrival, Command, Event, FlightPlan, Phase, Vec
from guidance_svc.laws.entry_plan import EntryBurn
from guidance_svc.laws.instants import CONTACT_S, lit_by
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.returning import (
    UPRIGHT,
    Leaning,
    Route,
    affordable,
    arrival_home,
    asked_lean,
    figures_of,
    leaning_after,
    leaning_bci,
    missed_m,
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
    """Unpowered and engines first, until the burn of the next phase must begin.

    Args:
        most_alpha_rad: angle of attack to which it leans in its last fall, where the vehicle has lift.
    """

    law: ClassVar[str] = "fall"
    most_alpha_rad: float = radians(5.0)


class FallModel(PhaseModel):
    """Unpowered, engines first, until the burn of the next phase must begin."""

    law: Literal["fall"]
    max_alpha_deg: Annotated[float, Field(ge=0.0, le=30.0)] = 5.0
    """Angle of attack to which it leans in its last fall, where the vehicle has a `fall_lift_curve`."""

    def to_domain(self) -> Fall:
        """The checked keys as a phase of the plan."""
        return Fall(radians(self.max_alpha_deg))


class FallMemory(NamedTuple):
    """What is remembered in a fall.

    Args:
        home: the way home as last predicted.
        solved_at_s: vehicle time of that.
        leaning: towards the contact point, by lift.
    """

    home: Home
    solved_at_s: float
    leaning: Leaning


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Fall) -> Memory[FallMemory]:
    """Predict the way home."""
    flight = flight._replace(stage=len(plan.vehicle.stages) - 1)
    route = route_of(plan, flight.phase)
    return Memory(flight, FallMemory(predict(route, route.homing, turning_with(now), 0.0), now.time_s, UPRIGHT))


def solve(memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall) -> Memory[FallMemory]:
    """Predict the way home from this state, and where lift steers, lean so that it ends at the contact point."""
    flight, own = memory
    route, start = route_of(plan, flight.phase), turning_with(now)
    homing = route.homing._replace(glide=own.leaning.lean)
    home, leaning = predict(route, homing, start, own.home.entry_s), own.leaning
    felt = load_at(homing.field, start).pressure_pa >= FELT_PA
    if felt and steers(flight, plan, phase) and affordable(home):
        other = predict(route, homing._replace(glide=asked_lean(leaning)), start, own.home.entry_s)
        missed, place = missed_m(home, route.place), missed_m(other, route.place)
        leaning = leaning_after(leaning, missed, place, phase.most_alpha_rad)
    return Memory(flight, FallMemory(home, now.time_s, leaning))


def steers(flight: Flight, plan: FlightPlan, phase: Fall) -> bool:
    """Whether lift steers: it has some, and no burn but the landing comes after."""
    return bool(plan.vehicle.fall_lift_curve) and phase.most_alpha_rad > 0.0 and burn_next(flight, plan) is None


def burn_next(flight: Flight, plan: FlightPlan) -> EntryBurn | None:
    """The entry burn that comes next; None where the descent does."""
    after = plan.phases[flight.phase + 1]
    return after if isinstance(after, EntryBurn) else None


def next_at_s(memory: Memory[FallMemory], plan: FlightPlan) -> float:
    """Vehicle time at which the next phase begins."""
    flight, (home, solved_at_s, _) = memory
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
    own = memory.own
    if norm(own.home.entry_way) > 0.0 and load_at(route.homing.field, turning_with(now)).pressure_pa < FELT_PA:
        return to_bci(own.home.entry_way, now)
    return leaning_bci(own.leaning, now, route)


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
    return (*figures_of(own.home), ("lean", sum(own.leaning.lean)))


def sentence(phase: Fall, plan: FlightPlan) -> str:
    """What the phase does."""
    lift = ""
    if plan.vehicle.fall_lift_curve and phase.most_alpha_rad > 0.0:
        lift = f", before the landing steered by lift within {degrees(phase.most_alpha_rad):g} deg"
    return f"engine off, engines first against the air flow{lift}, until the burn of the next phase must begin"


def says(
    memory: Memory[FallMemory], now: Navigation, plan: FlightPlan, phase: Fall, command: Command
) -> Arrival | None:
    """What the tower that it comes to hears of it."""
    return arrival_home(memory.own.home, memory.own.solved_at_s, now, plan, memory.flight.phase)


ROW = LawRow(
    Fall, FallMemory, sentence, (IGNITE,), enter, order, done=done, due=due, solve=solve, figures=figures,
    numbers=numbers, says=says, model=FallModel, successors=("entry_burn", "descent"), predecessors=("boost",),
    last=False, ended_by="ignition",
)  # fmt: skip

"""The law `entry_burn`: against the air flow, as long as the fall after it would be beyond its limits."""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from guidance_svc.core.return_flight import Home, Homing
from guidance_svc.domain import Arrival, Command, FlightPlan, Status
from guidance_svc.laws.entry_plan import EntryBurn, EntryBurnModel, check, sentence
from guidance_svc.laws.instants import CLOCK_SLACK_S, CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.returning import (
    UPRIGHT,
    Leaning,
    Route,
    Two,
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
    soon_s,
    turning_with,
)
from guidance_svc.laws.rows import Figures, LawRow
from guidance_svc.laws.signs import CUTOFF

HELD_S = 1.5  # before the cutoff the lean is held
STANDS_S = 0.3  # before it the cutoff stands
NEAR_S = 2.0
OUT_OF_REACH_M = 300.0  # that no lean takes away: the landing burn cannot be relied on for more


class EntryMemory(NamedTuple):
    """What is remembered in an entry burn.

    Args:
        home: the way home as last predicted, with the lean of then.
        solved_at_s: vehicle time of that.
        leaning: towards the contact point.
        cutoff_at_s: vehicle time.
    """

    home: Home
    solved_at_s: float
    leaning: Leaning
    cutoff_at_s: float


def homing_lit(route: Route, lean: Two) -> Homing:
    """The way home with the burn under way, leaning."""
    homing = route.homing
    return homing._replace(entry=homing.entry._replace(lit=True, lean=lean))


def enter(
    flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: EntryBurn
) -> Memory[EntryMemory]:
    """The length of the burn, without a lean."""
    flight = flight._replace(stage=len(plan.vehicle.stages) - 1, throttle_frac=phase.throttle_frac)
    route = route_of(plan, flight.phase)
    home = predict(route, homing_lit(route, (0.0, 0.0)), turning_with(now), 0.0)
    late = route.homing.entry.delay_s
    cutoff = now.time_s + home.entry_s + (late - soon_s(plan.vehicle.stages[-1]) if home.entry_s > 0.0 else 0.0)
    return Memory(flight, EntryMemory(home, now.time_s, UPRIGHT, cutoff))


def due(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> bool:
    """Whether it should be solved anew."""
    own = memory.own
    left_s = own.cutoff_at_s - now.time_s
    return left_s > STANDS_S and now.time_s - own.solved_at_s >= (
        plan.major_cycle_s if left_s > NEAR_S else min(plan.major_cycle_s, NEAR_CUTOFF_CONTACT_S))  # fmt: skip


def solve(
    memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn
) -> Memory[EntryMemory]:
    """The length that is left, and the lean that takes the miss away; one column a cycle."""
    flight, own = memory
    route, stage = route_of(plan, flight.phase), plan.vehicle.stages[-1]
    start = turning_with(now)
    late_s = max(flight.since_s + route.homing.entry.delay_s - now.time_s, 0.0)
    guess = max(own.cutoff_at_s - now.time_s - late_s, 0.0)
    home = predict(route, homing_lit(route, own.leaning.lean), start, guess)
    cutoff = now.time_s + late_s + home.entry_s - soon_s(stage)
    own = own._replace(home=home, solved_at_s=now.time_s, cutoff_at_s=max(cutoff, now.time_s))
    if cutoff - now.time_s < HELD_S or not affordable(home):
        return Memory(flight, own)
    missed = missed_m(home, route.place)
    asked = homing_lit(route, asked_lean(own.leaning))
    other = missed_m(predict(route, asked, start, home.entry_s), route.place)
    leaning = leaning_after(own.leaning, missed, other, phase.most_lean_rad)
    return Memory(flight, own._replace(leaning=leaning))


def done(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> bool:
    """Whether the burn is over."""
    return now.time_s >= memory.own.cutoff_at_s - CLOCK_SLACK_S


def order(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> Order:
    """Against the flow, leaning; cut when the fall after it is within its limits."""
    flight, own = memory
    route = route_of(plan, flight.phase)
    status, warnings = judge(own, route, plan, phase)
    near = own.cutoff_at_s - now.time_s < NEAR_S
    return Order(
        leaning_bci(own.leaning, now, route), None, now.time_s < own.cutoff_at_s - CLOCK_SLACK_S, phase.throttle_frac,
        cutoff_at_s=own.cutoff_at_s, events=(CUTOFF.of(flight, own.cutoff_at_s),),
        next_contact_s=NEAR_CUTOFF_CONTACT_S if near else CONTACT_S, status=status, warnings=warnings,
        engines=phase.engines,
    )  # fmt: skip


def judge(own: EntryMemory, route: Route, plan: FlightPlan, phase: EntryBurn) -> tuple[Status, tuple[str, ...]]:
    """What will not be kept, in words with its number."""
    words: tuple[str, ...] = ()
    q, heat = own.home.load.pressure_pa, own.home.load.heating_w_m2
    burn_q = own.home.burn_load.pressure_pa
    if max(q, burn_q) > 1.01 * phase.most_pressure_pa:
        words = (*words, f"dynamic pressure will reach {max(q, burn_q):.0f} Pa, {phase.most_pressure_pa:g} are allowed")
    if heat > 1.01 * phase.most_heating_w_m2:
        words = (*words, f"0.5 rho v^3 will reach {heat:.3g} W/m2, {phase.most_heating_w_m2:g} are allowed")
    short = short_words(own.home, route)
    if short:
        return "short_of_propellant", (*words, *short)
    miss = hypot(*missed_m(own.home, route.place))
    if own.leaning.bounded > 1 and miss > OUT_OF_REACH_M and plan.landing is not None:
        return "unreachable", (*words, f"{plan.landing.site.name} is {miss:.0f} m beyond reach; aiming at its edge")
    return "ok", words


def numbers(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> Numbers:
    """Where and when it comes down."""
    flight, own = memory
    report = report_home(own.home, now.time_s - own.solved_at_s, route_of(plan, flight.phase))
    return Numbers(propellant_margin_kg=report.propellant_left_kg, landing=report)


def figures(own: EntryMemory) -> Figures:
    """What a cycle must not leave infinite or undefined."""
    return (*figures_of(own.home), ("lean", sum(own.leaning.lean)), ("cutoff_at_s", own.cutoff_at_s))


def says(
    memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn, command: Command
) -> Arrival | None:
    """What the tower that it comes to hears of it."""
    return arrival_home(memory.own.home, memory.own.solved_at_s, now, plan, memory.flight.phase)


ROW = LawRow(
    EntryBurn, EntryMemory, sentence, (CUTOFF,), enter, order, done=done, due=due, solve=solve, figures=figures,
    numbers=numbers, says=says, model=EntryBurnModel, check=check, successors=("fall", "descent"), first=False,
    last=False, ended_by="cutoff",
)  # fmt: skip

"""The law `entry_burn`: against the air flow, as long as the fall after it would be beyond its limits."""

from __future__ import annotations

from math import hypot, tan
from typing import NamedTuple

from guidance_svc.core.fall_flight import Way, flow_m_s, thrust_direction
from guidance_svc.core.return_flight import Home, Homing
from guidance_svc.domain import FlightPlan, Status
from guidance_svc.laws.entry_plan import EntryBurn, EntryBurnModel, check, sentence
from guidance_svc.laws.instants import CLOCK_SLACK_S, CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.returning import (
    Route,
    figures_of,
    missed_m,
    predict,
    report_home,
    route_of,
    short_words,
    soon_s,
    to_bci,
    turning_with,
)
from guidance_svc.laws.rows import Figures, LawRow
from guidance_svc.laws.signs import CUTOFF

LEAN_STEP = 0.02  # by which the lean is changed to see what that does
HELD_S = 1.5  # before the cutoff the lean is held
STANDS_S = 0.3  # before it the cutoff stands
NEAR_S = 2.0
OUT_OF_REACH_M = 300.0  # that no lean takes away: the landing burn cannot be relied on for more

Two = tuple[float, float]


class EntryMemory(NamedTuple):
    """What is remembered in an entry burn.

    Args:
        home: the way home as last predicted, with the lean of then.
        solved_at_s: vehicle time of that.
        lean: tangents off the way against the flow, upwards and to the right of the motion.
        columns: what a unit of each tangent adds to the place of coming down, east and north, m; `known` of them hold.
        cutoff_at_s: vehicle time.
        bounded: cycles in a row that found the lean at its bound.
    """

    home: Home
    solved_at_s: float
    lean: Two
    columns: tuple[Two, Two]
    known: int
    cutoff_at_s: float
    bounded: int


def homing_lit(route: Route, lean: Two, lit: bool) -> Homing:
    """The way home with the burn under way, leaning."""
    homing = route.homing
    return homing._replace(entry=homing.entry._replace(lit=lit, lean=lean))


def enter(
    flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: EntryBurn
) -> Memory[EntryMemory]:
    """The length of the burn, without a lean."""
    flight = flight._replace(stage=len(plan.vehicle.stages) - 1, throttle_frac=phase.throttle_frac)
    route = route_of(plan, flight.phase)
    home = predict(route, homing_lit(route, (0.0, 0.0), True), turning_with(now), 0.0)
    late = route.homing.entry.delay_s
    cutoff = now.time_s + home.entry_s + (late - soon_s(plan.vehicle.stages[-1]) if home.entry_s > 0.0 else 0.0)
    return Memory(flight, EntryMemory(home, now.time_s, (0.0, 0.0), ((0.0, 0.0), (0.0, 0.0)), 0, cutoff, 0))


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
    home = predict(route, homing_lit(route, own.lean, True), start, guess)
    cutoff = now.time_s + late_s + home.entry_s - soon_s(stage)
    own = own._replace(home=home, solved_at_s=now.time_s, cutoff_at_s=max(cutoff, now.time_s))
    if cutoff - now.time_s < HELD_S:
        return Memory(flight, own)
    missed = missed_m(home, route.place)
    i = own.known % 2
    lean = (own.lean[0] + LEAN_STEP, own.lean[1]) if i == 0 else (own.lean[0], own.lean[1] + LEAN_STEP)
    other = missed_m(predict(route, homing_lit(route, lean, True), start, home.entry_s), route.place)
    column = ((other[0] - missed[0]) / LEAN_STEP, (other[1] - missed[1]) / LEAN_STEP)
    columns = (column, own.columns[1]) if i == 0 else (own.columns[0], column)
    own = own._replace(columns=columns, known=own.known + 1)
    return Memory(flight, lean_to_contact(own, missed, phase) if own.known >= 2 else own)


def lean_to_contact(own: EntryMemory, missed: Two, phase: EntryBurn) -> EntryMemory:
    """The lean that takes the miss away, or as much of it as the bound lets it."""
    (a, b), (c, d) = own.columns
    det = a * d - b * c
    if det == 0.0:
        return own
    x = own.lean[0] - (d * missed[0] - c * missed[1]) / det
    y = own.lean[1] - (a * missed[1] - b * missed[0]) / det
    size, most = hypot(x, y), tan(phase.most_lean_rad)
    if size > most:
        x, y = x * most / size, y * most / size
    return own._replace(lean=(x, y), bounded=own.bounded + 1 if size > most else 0)


def done(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> bool:
    """Whether the burn is over."""
    return now.time_s >= memory.own.cutoff_at_s - CLOCK_SLACK_S


def order(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> Order:
    """Against the flow, leaning; cut when the fall after it is within its limits."""
    flight, own = memory
    route, start = route_of(plan, flight.phase), turning_with(now)
    field = route.homing.field
    flow = flow_m_s(field, start.position_m, start.velocity_m_s)
    way = thrust_direction(field, Way((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), own.lean), 0.0, start.position_m, flow)
    status, warnings = judge(own, route, plan, phase)
    near = own.cutoff_at_s - now.time_s < NEAR_S
    return Order(
        to_bci(way, now), None, now.time_s < own.cutoff_at_s - CLOCK_SLACK_S, phase.throttle_frac,
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
    if own.bounded > 1 and miss > OUT_OF_REACH_M and plan.landing is not None:
        return "unreachable", (*words, f"{plan.landing.site.name} is {miss:.0f} m beyond reach; aiming at its edge")
    return "ok", words


def numbers(memory: Memory[EntryMemory], now: Navigation, plan: FlightPlan, phase: EntryBurn) -> Numbers:
    """Where and when it comes down."""
    flight, own = memory
    report = report_home(own.home, now.time_s - own.solved_at_s, route_of(plan, flight.phase))
    return Numbers(propellant_margin_kg=report.propellant_left_kg, landing=report)


def figures(own: EntryMemory) -> Figures:
    """What a cycle must not leave infinite or undefined."""
    return (*figures_of(own.home), ("lean.0", own.lean[0]), ("lean.1", own.lean[1]), ("cutoff_at_s", own.cutoff_at_s))


ROW = LawRow(
    EntryBurn, EntryMemory, sentence, (CUTOFF,), enter, order, done=done, due=due, solve=solve, figures=figures,
    numbers=numbers, model=EntryBurnModel, check=check, successors=("fall", "descent"), first=False, last=False,
    ended_by="cutoff",
)  # fmt: skip

"""The law `boostback`: the vehicle is turned, and burns until the fall that follows comes down at the site."""

from __future__ import annotations

from math import acos, hypot
from typing import NamedTuple

from guidance_svc.core.boostback import (
    NO_COLUMNS,
    Columns,
    asked,
    burn_of,
    first_gain,
    gain_along,
    gain_of,
    gain_that_meets,
    with_column,
)
from guidance_svc.core.effort import spend
from guidance_svc.core.fall_flight import AGAINST, NO_PUSH, Falling, Way, fly_burn
from guidance_svc.core.return_flight import Home
from guidance_svc.core.vectors import add, cross, dot, norm, scale, sub, turn_about, unit
from guidance_svc.domain import Event, FlightPlan, Status, Vec
from guidance_svc.laws.boostback_plan import Boostback, BoostbackModel, check, sentence
from guidance_svc.laws.descent_place import level
from guidance_svc.laws.instants import CLOCK_SLACK_S, CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.returning import (
    STEP_COST,
    Route,
    affordable,
    figures_of,
    late_s,
    missed_m,
    predict,
    push_of,
    report_home,
    route_of,
    short_words,
    soon_s,
    to_bci,
    turning_with,
)
from guidance_svc.laws.rows import Figures, LawRow
from guidance_svc.laws.signs import CUTOFF, IGNITE, EventKind

FLIP = EventKind("flip", "turn the vehicle, at the rate that `opened` tells, to the attitude of the burn", word="flip")
TOLD_AHEAD_S = 1.0  # from the begin of the phase to the flip
SETTLE_S = 1.0  # from the end of the flip, as its rate alone has it, to ignition
HELD_S = 4.0  # before the cutoff the direction is held
STANDS_S = 0.25  # before it the cutoff stands
NEAR_S = 3.0
BURN_STEP_S, WAIT_STEP_S = 5.0, 5.0


class BoostbackMemory(NamedTuple):
    """What is remembered in a boostback; directions and velocities turn with the body.

    Args:
        flip_at_s, light_at_s: vehicle times of the flip and of ignition.
        from_unit: thrust axis at the flip's begin, BCI.
        direction: of the burn.
        cutoff_at_s: vehicle time.
        columns: what the velocity at cutoff does to the fall.
        home: the way home as last predicted; None before that.
        solved_at_s: vehicle time of that.
        burning: whether the engine has been lit.
    """

    flip_at_s: float
    light_at_s: float
    from_unit: Vec
    direction: Vec
    cutoff_at_s: float
    columns: Columns
    home: Home | None
    solved_at_s: float
    burning: bool


def enter(
    flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Boostback
) -> Memory[BoostbackMemory]:
    """A first guess of the burn, and the times of flip and ignition."""
    flight = flight._replace(stage=len(plan.vehicle.stages) - 1, throttle_frac=phase.throttle_frac)
    route, stage, start = route_of(plan, flight.phase), plan.vehicle.stages[-1], turning_with(now)
    gain = first_gain(start, route.place.position_m)
    burn_s = burn_of(push_of(stage, phase.engines, phase.throttle_frac), now.mass_kg, norm(gain))
    axis = now.pointing or unit(now.velocity_m_s)
    flip_s, light = now.time_s + TOLD_AHEAD_S, now.time_s + phase.coast_s
    own = BoostbackMemory(flip_s, light, axis, unit(gain), 0.0, NO_COLUMNS, None, now.time_s, False)
    light = light_at_s(own, flight, now, plan, phase)
    return Memory(flight, own._replace(light_at_s=light, cutoff_at_s=light + late_s(stage) + burn_s - soon_s(stage)))


def flip_rate_rad_s(plan: FlightPlan, phase: Boostback) -> float:
    """As fast as the plan wants and the vehicle can."""
    vehicle = plan.vehicle
    return min(phase.flip_rate_rad_s, vehicle.turn_rate_limit_rad_s, vehicle.attitude_rate_limit_rad_s)


def angle_rad(a: Vec, b: Vec) -> float:
    """Between two unit vectors."""
    return acos(min(max(dot(a, b), -1.0), 1.0))


def light_at_s(
    own: BoostbackMemory, flight: Flight, now: Navigation, plan: FlightPlan, phase: Boostback
) -> float:
    """Vehicle time of ignition: not before the coast is over and the attitude is near enough.

    Until it is, a time that surely is not too early: a script may light by it without hearing again.
    """
    rate, wanted, coasted_s = flip_rate_rad_s(plan, phase), to_bci(own.direction, now), flight.since_s + phase.coast_s
    if now.pointing is None:
        return max(coasted_s, own.flip_at_s + angle_rad(own.from_unit, wanted) / rate + SETTLE_S)
    off = angle_rad(now.pointing, wanted) - phase.flip_within_rad
    return max(coasted_s, max(now.time_s, own.flip_at_s) + off / rate + SETTLE_S if off > 0.0 else now.time_s)


def follow(
    memory: Memory[BoostbackMemory], now: Navigation, plan: FlightPlan, phase: Boostback
) -> Memory[BoostbackMemory]:
    """Flip and ignition kept up to date until they are past."""
    flight, own = memory
    if own.burning:
        return memory
    if now.time_s < own.flip_at_s and now.pointing is not None:
        own = own._replace(from_unit=now.pointing)
    light = light_at_s(own, flight, now, plan, phase)
    if now.time_s >= min(light, own.light_at_s) - CLOCK_SLACK_S and is_near(own, now, phase):
        earlier_s = max(own.light_at_s - now.time_s, 0.0)
        lit_s, cutoff = own.light_at_s - earlier_s, own.cutoff_at_s - earlier_s
        return Memory(flight, own._replace(burning=True, light_at_s=lit_s, cutoff_at_s=cutoff))
    if abs(light - own.light_at_s) <= CLOCK_SLACK_S and own is memory.own:
        return memory
    later_s = light - own.light_at_s
    return Memory(flight, own._replace(light_at_s=light, cutoff_at_s=own.cutoff_at_s + later_s))


def is_near(own: BoostbackMemory, now: Navigation, phase: Boostback) -> bool:
    """Whether the attitude is near enough for thrust; by the time alone where it is not told."""
    return now.pointing is None or angle_rad(now.pointing, to_bci(own.direction, now)) <= phase.flip_within_rad


def due(memory: Memory[BoostbackMemory], now: Navigation, plan: FlightPlan, phase: Boostback) -> bool:
    """Whether the burn should be solved anew."""
    own = memory.own
    left_s = own.cutoff_at_s - now.time_s
    every = plan.major_cycle_s if left_s > NEAR_S else min(plan.major_cycle_s, NEAR_CUTOFF_CONTACT_S)
    return left_s > STANDS_S and (own.home is None or now.time_s - own.solved_at_s >= every)


def solve(
    memory: Memory[BoostbackMemory], now: Navigation, plan: FlightPlan, phase: Boostback
) -> Memory[BoostbackMemory]:
    """Fly the burn and the way home; the velocity to gain follows from where that ends, and from one column a cycle."""
    flight, own = memory
    route, stage = route_of(plan, flight.phase), plan.vehicle.stages[-1]
    push = push_of(stage, phase.engines, phase.throttle_frac)
    lit_s = max(own.light_at_s + late_s(stage) - now.time_s, 0.0)
    start = fly_burn(route.homing.field, NO_PUSH, AGAINST, 0.0, turning_with(now), lit_s, WAIT_STEP_S)[0]
    burn_s = max(own.cutoff_at_s + soon_s(stage) - now.time_s - lit_s, 0.0)
    way = Way(own.direction, (0.0, 0.0, 0.0), (0.0, 0.0))
    cut = fly_burn(route.homing.field, push, way, start.time_s, start, burn_s, BURN_STEP_S)[0]
    spend(STEP_COST * cut.steps)
    home = predict(route, route.homing, cut, own.home.entry_s if own.home else 0.0)
    own = own._replace(home=home, solved_at_s=now.time_s)
    missed, gain = aimed_miss_m(home, route, start, phase), gain_of(push, start.mass_kg, burn_s)
    if (burn_s > HELD_S or own.columns.known < 3) and affordable(home):
        changed = cut._replace(velocity_m_s=add(cut.velocity_m_s, asked(own.columns)))
        other = predict(route, route.homing, changed, home.entry_s)
        columns = with_column(own.columns, (*missed_m(home, route.place), home.mass_kg), (
            *missed_m(other, route.place), other.mass_kg))  # fmt: skip
        own = own._replace(columns=columns)
    if own.columns.known < 3:
        return Memory(flight, own)
    if burn_s > HELD_S:
        kg_a_m_s = home.mass_kg * push.flow_kg_s / push.thrust_n
        wanted = gain_that_meets(scale(gain, own.direction), missed, own.columns, kg_a_m_s)
        own, gain = own._replace(direction=unit(wanted)), norm(wanted)
    else:
        gain = gain_along(gain, own.direction, missed, own.columns)
    end_s = now.time_s + lit_s + burn_of(push, start.mass_kg, gain)
    return Memory(flight, own._replace(cutoff_at_s=max(end_s - soon_s(stage), now.time_s)))


def aimed_miss_m(home: Home, route: Route, start: Falling, phase: Boostback) -> tuple[float, float]:
    """Where it comes down, from where it is aimed to, east and north.

    Up-range is, on the way back, the side from which the vehicle comes.
    """
    east, north = missed_m(home, route.place)
    if phase.bias_m == 0.0:
        return east, north
    x, y, _ = level(sub(start.position_m, route.place.position_m), route.place)
    k = phase.bias_m / max(hypot(x, y), 1.0)
    return east - k * x, north - k * y


def done(memory: Memory[BoostbackMemory], now: Navigation, plan: FlightPlan, phase: Boostback) -> bool:
    """Whether the burn is over."""
    return memory.own.burning and now.time_s >= memory.own.cutoff_at_s - CLOCK_SLACK_S


def attitude(own: BoostbackMemory, time_s: float, now: Navigation, plan: FlightPlan, phase: Boostback) -> Vec:
    """The attitude at a vehicle time: turned from that at the flip's begin towards the burn's, BCI."""
    wanted = to_bci(own.direction, now)
    if own.burning or time_s <= own.flip_at_s:
        return wanted if own.burning else own.from_unit
    angle = angle_rad(own.from_unit, wanted)
    gone = flip_rate_rad_s(plan, phase) * (time_s - own.flip_at_s)
    if gone >= angle:
        return wanted
    return turn_about(own.from_unit, flip_axis(own, now), gone)


def flip_axis(own: BoostbackMemory, now: Navigation) -> Vec:
    """Unit axis of the flip, BCI; over the top where the vehicle is turned right round."""
    axis = cross(own.from_unit, to_bci(own.direction, now))
    if norm(axis) < 1e-6:
        axis = cross(own.from_unit, now.local.up)
    return unit(axis) if norm(axis) > 1e-6 else now.local.north


def order(memory: Memory[BoostbackMemory], now: Navigation, plan: FlightPlan, phase: Boostback) -> Order:
    """Turn, burn, cut where the fall comes down at the site."""
    flight, own = memory
    on = own.burning and now.time_s < own.cutoff_at_s - CLOCK_SLACK_S
    events: list[Event] = [CUTOFF.of(flight, own.cutoff_at_s)]
    if not own.burning:
        events = [FLIP.of(flight, own.flip_at_s), IGNITE.of(flight, own.light_at_s), *events]
    status, warnings = judge(own, route_of(plan, flight.phase))
    near = own.cutoff_at_s - now.time_s < NEAR_S
    return Order(
        attitude(own, now.time_s, now, plan, phase), attitude(own, now.time_s + 1.0, now, plan, phase), on,
        phase.throttle_frac, cutoff_at_s=own.cutoff_at_s if own.burning else None, events=tuple(events),
        next_contact_s=NEAR_CUTOFF_CONTACT_S if near else CONTACT_S, status=status, warnings=warnings,
        engines=phase.engines,
    )  # fmt: skip


def judge(own: BoostbackMemory, route: Route) -> tuple[Status, tuple[str, ...]]:
    """Whether the propellant reaches for all the way home, in words with its number."""
    if own.home is None or own.columns.known < 3:
        return "converging", ()
    short = short_words(own.home, route)
    return ("short_of_propellant" if short else "ok"), short


def numbers(memory: Memory[BoostbackMemory], now: Navigation, plan: FlightPlan, phase: Boostback) -> Numbers:
    """What is left to gain, and where and when it comes down."""
    flight, own = memory
    push = push_of(plan.vehicle.stages[-1], phase.engines, phase.throttle_frac)
    burn_s = max(own.cutoff_at_s - max(own.light_at_s, now.time_s), 0.0)
    gain = gain_of(push, now.mass_kg, burn_s)
    if own.home is None:
        return Numbers(velocity_to_gain_m_s=gain)
    report = report_home(own.home, now.time_s - own.solved_at_s, route_of(plan, flight.phase))
    return Numbers(gain, report.propellant_left_kg, landing=report)


def figures(own: BoostbackMemory) -> Figures:
    """What a cycle must not leave infinite or undefined."""
    home = figures_of(own.home) if own.home else ()
    return (*home, ("direction", norm(own.direction)), ("cutoff_at_s", own.cutoff_at_s))


ROW = LawRow(
    Boostback, BoostbackMemory, sentence, (FLIP, IGNITE, CUTOFF), enter, order, follow, done, due=due, solve=solve,
    figures=figures, numbers=numbers, model=BoostbackModel, check=check, successors=("fall",), predecessors=("boost",),
    last=False, ended_by="cutoff",
)  # fmt: skip

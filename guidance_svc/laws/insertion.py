"""The law `insertion`: the closed-loop burn to the target, any number of stages, solved in a major cycle."""

from __future__ import annotations

from math import degrees
from typing import Annotated, Literal

from pydantic import Field

from guidance_svc.core.burns import gain_m_s, mass_at_end_kg
from guidance_svc.core.detour import Detour
from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.steering import Steering
from guidance_svc.core.vectors import unit
from guidance_svc.domain import Event, FlightPlan, Insertion, SecondBurn, Status, Vec
from guidance_svc.laws.air import within_air_limits
from guidance_svc.laws.burning import burn_due, burn_figures, burn_overdue, note_burn_failure
from guidance_svc.laws.cover import DROP_COVER, bare_at_cutoff
from guidance_svc.laws.engine import cruise_throttle, finish_burn, flown_stage, near_end, throttle_down, watch_engine
from guidance_svc.laws.insertion_cycle import solve as solve
from guidance_svc.laws.insertion_memory import RELIGHT_S, InsertionMemory, arcs_now, problem_now
from guidance_svc.laws.instants import CLOCK_SLACK_S, CONTACT_S, NEAR_CUTOFF_CONTACT_S, lit_by
from guidance_svc.laws.lean import lean_direction
from guidance_svc.laws.limit_learnt import limit_words, ordered_throttle, watch_limit
from guidance_svc.laws.memory import Burn, Engine, Flight, Memory, Numbers, Order, rates_kept
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import burn_missed, low_path, safe_direction, shortage, surely_short
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import CUTOFF, IGNITE, SEPARATE, is_stage_dropped
from guidance_svc.laws.stack import burn_left_s, is_spent, limits_held, mass_at_burnout_kg
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import NotNegative, Time

STALE_AFTER_CYCLES = 4  # of attempts, and of time: while it fails, every state is an attempt
OFF_ALLOWED_S = 1.0  # an engine may be told off so long after its ignition


class InsertionModel(PhaseModel):
    """Closed-loop burn to the target."""

    law: Literal["insertion"]
    first_stage: Annotated[int, Field(ge=0, le=100)] = 0
    """Index, from 0, of the stage that burns first in this phase."""
    ignite_at_s: Time | None = None
    """Vehicle time; None: pause_s after the phase begins."""
    pause_s: NotNegative = 0.0
    may_coast: bool = False
    """The engine can be lit again: insert low and coast to the target's perigee height where that saves propellant."""
    lowest_altitude_km: Annotated[float, Field(ge=0.0, le=1e6)] | None = None
    """Floor for that coast and the burn before it, above the equatorial radius; None: 110 km in air, 15 km without."""
    second_burn_at: SecondBurn = "cutoff"
    """Where the burn after that coast is: at the target's cutoff, or at its apogee."""

    def to_domain(self) -> Insertion:
        """The checked keys as a phase of the plan."""
        lowest_m = None if self.lowest_altitude_km is None else 1000.0 * self.lowest_altitude_km
        return Insertion(
            self.first_stage, self.ignite_at_s, self.pause_s, self.may_coast, lowest_m, self.second_burn_at
        )


def enter(
    flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Insertion
) -> Memory[InsertionMemory]:
    """Set the ignition; no law yet."""
    ignite_at = phase.ignite_at_s if phase.ignite_at_s is not None else now.time_s + phase.pause_s
    flight = flight._replace(stage=phase.first_stage, throttle_frac=1.0, engine=Engine())
    return Memory(flight, InsertionMemory(Burn(ignite_at_s=ignite_at)))


def leave(own: InsertionMemory) -> Burn:
    """The burn, with what was given up for it."""
    return own.burn


def follow(
    memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion
) -> Memory[InsertionMemory]:
    """Ignition past, stage spent or dropped, cutoff in the last seconds: what each state brings."""
    flight, own = memory
    burn = own.burn
    if burn.ignite_at_s is not None and own.separate_at_s is None and lit_by(burn.ignite_at_s, now):
        burn = burn._replace(ignite_at_s=None)
        own = own._replace(burn=burn)
    if own.separate_at_s is not None:
        return after_separation(flight, own, now, plan)
    if burn.ignite_at_s is not None:
        return Memory(flight, own)
    if burn.cutoff_at_s is not None and now.time_s >= burn.cutoff_at_s and burn_missed(flight, burn, now, plan):
        flight = flight._replace(engine=flight.engine._replace(burning_since_s=None))
        return Memory(flight, relit(own, now))
    own, before = note_engine_off(own, now), flight.engine.estimate
    flight = watch_limit(before, watch_engine(flight, burn, now, plan), plan)
    if near_end(flight, burn, now, plan):
        problem = problem_now(Memory(flight, own), now, plan)
        flight, burn = finish_burn(flight, burn, now, plan, problem)
        return Memory(flight, own._replace(burn=burn))
    if not is_spent(plan.vehicle, flight.stage, now.mass_kg):
        throttle = cruise_throttle(flown_stage(flight, plan), now.mass_kg)
        if throttle != flight.throttle_frac:
            flight = flight._replace(throttle_frac=throttle)
        if flight.stage + 1 == len(plan.vehicle.stages):
            return Memory(flight, own)
        left = burn_left_s(plan.vehicle, flight.stage, now.mass_kg, flight.engine.flown)
        return Memory(flight, own._replace(spent_at_s=now.time_s + left))
    if flight.stage + 1 < len(plan.vehicle.stages):
        at = min(now.time_s, own.spent_at_s) if own.spent_at_s is not None else now.time_s
        burn = burn._replace(ignite_at_s=at + plan.vehicle.stages[flight.stage].drop_pause_s)
        own = own._replace(burn=burn, separate_at_s=at, spent_at_s=None, off_since_s=None)
        return after_separation(flight, own, now, plan)
    return Memory(flight, own)


def relit(own: InsertionMemory, now: Navigation) -> InsertionMemory:
    """The burn did not happen, or stopped early: light again soon, and solve from here."""
    burn = own.burn._replace(
        ignite_at_s=now.time_s + RELIGHT_S, cutoff_at_s=None, law=None, trial=None, attempts=0, finish=None,
        solved_at_s=None, detour=None, lean=None,
    )  # fmt: skip
    return own._replace(burn=burn, off_since_s=None, relit_at_s=now.time_s, search=None, lesser_search=None)


def note_engine_off(own: InsertionMemory, now: Navigation) -> InsertionMemory:
    """Since when the engine has been told off while it is ordered on."""
    if now.engine_on is not False or own.burn.ignite_at_s is not None:
        return own if own.off_since_s is None else own._replace(off_since_s=None)
    return own._replace(off_since_s=now.time_s) if own.off_since_s is None else own


def engine_words(own: InsertionMemory, now: Navigation) -> tuple[str, ...]:
    """An engine that does not do what it was told, in words."""
    words = []
    if own.off_since_s is not None and now.time_s - own.off_since_s > OFF_ALLOWED_S:
        words.append(f"the engine is ordered on and told off since {own.off_since_s:.1f} s")
    if own.relit_at_s is not None:
        words.append(f"the burn had not ended in the orbit by its cutoff; lit again after {own.relit_at_s:.1f} s")
    return tuple(words)


def after_separation(
    flight: Flight, own: InsertionMemory, now: Navigation, plan: FlightPlan
) -> Memory[InsertionMemory]:
    """Take the next stage once the spent one is gone."""
    if not is_stage_dropped(flight, now, plan):
        return Memory(flight, own)
    burn = own.burn
    if burn.ignite_at_s is not None and now.time_s >= burn.ignite_at_s:
        burn = burn._replace(ignite_at_s=None)
    flight = flight._replace(stage=flight.stage + 1, engine=Engine(), throttle_frac=1.0)
    return Memory(flight, own._replace(burn=burn, separate_at_s=None))


def due(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion) -> bool:
    """Whether the law should be solved from this state, or a search go on."""
    own = memory.own
    if own.search is not None or own.lesser_search is not None:
        return True
    return burn_due(own.burn, now, plan)


def overdue(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion) -> bool:
    """Whether no reply should go out before the law has been solved."""
    return burn_overdue(memory.own.burn, now, plan) and due(memory, now, plan, phase)


def note_failure(own: InsertionMemory) -> InsertionMemory:
    """An attempt that came to nothing."""
    return own._replace(burn=note_burn_failure(own.burn))


def figures(own: InsertionMemory) -> list[tuple[str, float | None]]:
    """The numbers that a major cycle must not spoil, with their names."""
    return [*burn_figures(own.burn), ("separate_at_s", own.separate_at_s)]


def done(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion) -> bool:
    """Whether the burn is over: cutoff past, or nothing left to burn."""
    flight, burn = memory.flight, memory.own.burn
    if burn.cutoff_at_s is not None and now.time_s >= burn.cutoff_at_s and burn.ignite_at_s is None:
        return not burn_missed(flight, burn, now, plan)
    last = flight.stage + 1 == len(plan.vehicle.stages)
    return last and burn.ignite_at_s is None and is_spent(plan.vehicle, flight.stage, now.mass_kg)


def order(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion) -> Order:
    """Steer by the last law; say when to light, separate and cut."""
    flight, own = memory
    burn = own.burn
    law = burn.law or burn.trial
    if law is None:
        raise ValueError("insertion flown before its first solution")
    time_s, ignite_at, cutoff = now.time_s, burn.ignite_at_s, burn.cutoff_at_s
    spent_at = spent_before_cutoff_s(flight, own, plan) if burn.law is not None and ignite_at is None else None
    cutoff = cutoff if spent_at is None else spent_at
    if ignite_at is None:
        burning = cutoff is None or time_s < cutoff
    else:
        burning = ignite_at - time_s <= CLOCK_SLACK_S and own.separate_at_s is None
    soon = None if rates_kept(flight.turning, time_s) else direction_at(burn, law, now, plan, time_s + 1.0)
    return Order(
        direction=direction_at(burn, law, now, plan, time_s),
        direction_soon=soon,
        engine_on=burning,
        throttle_frac=ordered_throttle(flight, plan),
        cutoff_at_s=cutoff if burn.law is not None and ignite_at is None else None,
        events=insertion_events(flight, own, spent_at),
        throttle_down=None if spent_at is not None else throttle_down(flight, burn, now, plan),
        next_contact_s=CONTACT_S if law.cutoff_s - time_s > 3.0 else NEAR_CUTOFF_CONTACT_S,
        status=insertion_status(own, now, plan),
        warnings=insertion_words(flight, own, now, plan),
    )


def insertion_words(
    flight: Flight, own: InsertionMemory, now: Navigation, plan: FlightPlan
) -> tuple[str, ...]:
    """All that is out of the ordinary, in words."""
    burn, limit = own.burn, flight.engine.limit
    words = low_path(own, plan)
    if burn.given_up or burn.margin.short_cycles > 0:
        words = shortage(burn, plan) + words
    if burn.detour is not None:
        words += saving(burn.detour, plan)
    if own.off_since_s is not None or own.relit_at_s is not None:
        words += engine_words(own, now)
    if burn.attempts > 0:
        words += stale_words(burn, now, plan)
    return words if limit is None else words + limit_words(limit)


def direction_at(burn: Burn, law: Steering, now: Navigation, plan: FlightPlan, time_s: float) -> Vec:
    """The law's direction at a time, kept off the ground and within the air's limits."""
    direction = unit(law.vector_at(time_s))
    if burn.lean is not None:
        direction = lean_direction(direction, burn.lean, time_s)
    if burn.given_up:
        direction = safe_direction(burn, now, direction)
    return direction if plan.boost is None else within_air_limits(direction, now, plan, plan.boost)


def numbers(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion) -> Numbers:
    """Velocity to gain, margin and predicted orbit of the present law."""
    flight, burn = memory.flight, memory.own.burn
    law = burn.law
    if law is None:
        return Numbers(trial=burn.trial)
    arcs = arcs_now(memory, now, plan)
    fixed = sum(arc.duration_s for arc in arcs if arc.closing or not arc.powered)
    to_go = max(law.cutoff_s - now.time_s - fixed, 0.0)
    vehicle = bare_at_cutoff(plan, flight, law, now).vehicle
    left = mass_at_end_kg(arcs, to_go) - mass_at_burnout_kg(vehicle, len(vehicle.stages) - 1)
    predicted = orbit_report(law.position_m, law.velocity_m_s, plan.body)
    return Numbers(gain_m_s(arcs, to_go), left, predicted, burn.trial)


def saving(detour: Detour, plan: FlightPlan) -> tuple[str, ...]:
    """What a coast part of the way saves, in words."""
    low, high = ((r - plan.body.radius_m) / 1000.0 for r in (
        detour.target.perigee_radius_m, detour.target.apogee_radius_m))  # fmt: skip
    said = (f"a coast saves {detour.saved_kg:.0f} kg: first to {low:.1f} x {high:.1f} km, then "
            f"{detour.second_m_s:.1f} m/s at apoapsis")  # fmt: skip
    if detour.dip_m is None:
        return (said,)
    return (said, f"the first burn is held at {low:.1f} km, where it would sink to {detour.dip_m / 1000.0:.1f} km: "
                  f"that costs {detour.floor_cost_kg:.0f} kg")  # fmt: skip


def spent_before_cutoff_s(flight: Flight, own: InsertionMemory, plan: FlightPlan) -> float | None:
    """When the present stage will be spent, where that is before the law's cutoff and another one follows."""
    at_s, law = own.spent_at_s, own.burn.law
    if at_s is None or law is None or at_s >= law.cutoff_s or flight.stage + 1 == len(plan.vehicle.stages):
        return None
    return at_s


def insertion_events(flight: Flight, own: InsertionMemory, spent_at_s: float | None) -> tuple[Event, ...]:
    """Ignition, separations and the cutoff that are known by now; a burn lit again after a miss has ids of its own.

    Args:
        spent_at_s: when the present stage will be spent, where that is before the cutoff.
    """
    burn = own.burn
    events: tuple[Event, ...] = ()
    separate_at = own.separate_at_s if own.separate_at_s is not None else spent_at_s
    if separate_at is not None:
        events = (SEPARATE.of(flight, separate_at),)
    suffix = "" if own.relit_at_s is None else f"-again{own.relit_at_s:.0f}"
    if burn.ignite_at_s is not None:
        lit = flight if own.separate_at_s is None else flight._replace(stage=flight.stage + 1)
        return (*events, IGNITE.of(lit, burn.ignite_at_s, suffix))
    if burn.law is None or burn.cutoff_at_s is None or spent_at_s is not None:
        return events
    return (*events, CUTOFF.of(flight, burn.cutoff_at_s, suffix))


def insertion_status(own: InsertionMemory, now: Navigation, plan: FlightPlan) -> Status:
    """How far the solution can be trusted."""
    burn = own.burn
    if burn.law is None:
        return "unreachable" if burn.given_up else "converging"
    off = own.off_since_s is not None and now.time_s - own.off_since_s > OFF_ALLOWED_S
    if off or not_renewed(burn, now, plan):
        return "stale"
    if burn.given_up and burn.lesser is None:
        return "unreachable"
    return "short_of_propellant" if burn.given_up or surely_short(burn) else "ok"


def not_renewed(burn: Burn, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the law in force is old for want of a new one."""
    if burn.law is None or burn.attempts < STALE_AFTER_CYCLES:
        return False
    return now.time_s - burn.law.epoch_s >= STALE_AFTER_CYCLES * plan.major_cycle_s


def stale_words(burn: Burn, now: Navigation, plan: FlightPlan) -> tuple[str, ...]:
    """A law that has not been renewed, in words."""
    if burn.law is None or not not_renewed(burn, now, plan):
        return ()
    return (f"guidance has not converged since {burn.law.epoch_s:.1f} s; the law of that time is flown on",)


def sentence(phase: Insertion, plan: FlightPlan) -> str:
    """When it lights, through which stages it burns and where it cuts off."""
    when = f"at vehicle time {phase.ignite_at_s:g} s" if phase.ignite_at_s is not None else (
        f"{phase.pause_s:g} s after the phase begins")  # fmt: skip
    stages = ", ".join(stage.name for stage in plan.vehicle.stages[phase.first_stage :])
    if plan.target is None:
        return f"ignite {when} ({stages})"
    altitude_km = (plan.target.cutoff_radius_m - plan.body.radius_m) / 1000.0
    coast = "; a coast part of the way where that saves propellant" if phase.may_coast else ""
    return (
        f"ignite {when}, steer {stages} closed loop to cutoff at {altitude_km:.3f} km, "
        f"{plan.target.cutoff_speed_m_s:.3f} m/s, {degrees(plan.target.cutoff_flight_path_angle_rad):z.4f} deg{coast}"
        f"{limits_held(plan.vehicle.stages[phase.first_stage :])}"
    )


ROW = LawRow(
    Insertion, InsertionMemory, sentence, (SEPARATE, IGNITE, CUTOFF, DROP_COVER), enter, order, follow, done, leave,
    due, overdue, solve, note_failure, figures, numbers,
    model=InsertionModel, successors=("coast", "orbit"), ended_by="cutoff",
)  # fmt: skip

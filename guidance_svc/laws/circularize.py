"""The laws `circularize` and `raise`: a finite burn centred on apoapsis, flown alike, to different targets."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.starter import circular_guess
from guidance_svc.core.steering import refine_circular
from guidance_svc.core.vectors import unit
from guidance_svc.domain import Circularize, FlightPlan, Raise, Roundness
from guidance_svc.laws.apoapsis import (
    ROUND_ENOUGH_M_S,
    STEPS_A_CYCLE,
    endless,
    is_not_flown,
    missing_speed_m_s,
    problem_after,
    round_already,
    status_after,
)
from guidance_svc.laws.burning import burn_due, burn_figures, burn_overdue, note_burn_failure
from guidance_svc.laws.engine import (
    finish_burn,
    flown_stage,
    frozen,
    near_end,
    put_on_tick,
    throttle_down,
    watch_engine,
)
from guidance_svc.laws.instants import CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.last_seconds import FREEZE_BELOW_S
from guidance_svc.laws.lean import lean_direction
from guidance_svc.laws.limit_learnt import ordered_throttle
from guidance_svc.laws.memory import Burn, Flight, Margin, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import shortage, surely_short, weigh_margin
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import CUTOFF
from guidance_svc.laws.stack import is_spent, mass_at_burnout_kg
from guidance_svc.wire.plans import PhaseModel

ApoapsisBurn = Circularize | Raise


class CircularizeModel(PhaseModel):
    """Finite burn centred on apoapsis."""

    law: Literal["circularize"]
    roundness: Roundness = "osculating"
    """Which circle is meant when gravity is not a sphere's: circular at cutoff, or with the least spread of the
    distance from the centre, or of the height above the ellipsoid, over the next revolution."""

    def to_domain(self) -> Circularize:
        """The checked keys as a phase of the plan."""
        return Circularize(self.roundness)


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> Memory[Burn]:
    """Take over the law that the coast prepared, or make one; neither where the orbit is round already."""
    burn = left or Burn()
    if is_not_flown(flight, burn, plan) or (burn.law is None and round_already(flight, burn, now, plan, (phase,))):
        return Memory(flight, burn._replace(cutoff_at_s=None))
    law = burn.law or circular_guess(problem_after(flight, burn, now, plan, 0.0))
    burn = burn._replace(law=law, trial=law, ignite_at_s=None, cutoff_at_s=law.cutoff_s, attempts=0, margin=Margin())
    return solve(Memory(flight, burn), now, plan, phase)


def leave(own: Burn) -> Burn:
    """The burn, with what was given up for it."""
    return own


def solve(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> Memory[Burn]:
    """One major cycle of the burn."""
    flight, burn = memory
    if burn.trial is None:
        return memory
    start = burn.trial.advance(now.time_s, plan.body, now.position_m)
    problem = problem_after(flight, burn, now, plan, 0.0)
    to_go = burn.trial.cutoff_s - now.time_s
    if to_go < FREEZE_BELOW_S and burn.trial.converged:
        return memory
    fixed = problem.arcs[-1].duration_s if problem.arcs[-1].closing else 0.0
    trial = refine_circular(problem, replace(start, burn_s=max(to_go - fixed, 1e-3)), STEPS_A_CYCLE)
    if not trial.converged:
        return Memory(flight, burn._replace(trial=trial, solved_at_s=now.time_s, attempts=burn.attempts + 1))
    if burn.finish is not None and burn.cutoff_at_s is not None:
        trial = replace(trial, cutoff_s=burn.cutoff_at_s)
    burn = burn._replace(law=trial, trial=trial, cutoff_at_s=trial.cutoff_s, solved_at_s=now.time_s, attempts=0)
    left_kg = margin_kg(flight, burn, now, plan)
    burn = weigh_margin(flight, burn, now, problem, left_kg, mass_at_burnout_kg(plan.vehicle, flight.stage))
    return Memory(flight, put_on_tick(flight, burn, now, plan, trial))


def due(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> bool:
    """Whether the law should be solved from this state."""
    return burn_due(memory.own, now, plan)


def overdue(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> bool:
    """Whether no reply should go out before the law has been solved."""
    return burn_overdue(memory.own, now, plan) and due(memory, now, plan, phase)


def follow(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> Memory[Burn]:
    """Watch the engine; in the last seconds the cutoff follows the energy."""
    flight, burn = memory
    flight = watch_engine(flight, burn, now, plan)
    if near_end(flight, burn, now, plan):
        problem = problem_after(flight, burn, now, plan, 0.0)
        flight, burn = finish_burn(flight, burn, now, plan, problem)
    return Memory(flight, burn)


def done(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> bool:
    """Whether the burn is over, or was never worth lighting."""
    flight, burn = memory
    if burn.cutoff_at_s is None or now.time_s >= burn.cutoff_at_s:
        return True
    if now.time_s <= flight.since_s:
        return missing_speed_m_s(flight, burn, now, plan, burn.law) <= ROUND_ENOUGH_M_S
    return is_spent(plan.vehicle, flight.stage, now.mass_kg)


def order(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> Order:
    """Steer the circular burn."""
    flight, burn = memory
    law = burn.law
    if law is None or burn.cutoff_at_s is None:
        raise ValueError("circularize flown before its first solution")
    status = status_after(burn) if law.converged else "converging"
    return Order(
        direction=lean_direction(unit(law.vector_at(now.time_s)), burn.lean, now.time_s),
        direction_soon=lean_direction(unit(law.vector_at(now.time_s + 1.0)), burn.lean, now.time_s + 1.0),
        engine_on=now.time_s < burn.cutoff_at_s,
        throttle_frac=ordered_throttle(flight, plan),
        cutoff_at_s=burn.cutoff_at_s,
        events=(CUTOFF.of(flight, burn.cutoff_at_s),),
        throttle_down=throttle_down(flight, burn, now, plan),
        next_contact_s=CONTACT_S if burn.cutoff_at_s - now.time_s > 3.0 else NEAR_CUTOFF_CONTACT_S,
        status="short_of_propellant" if surely_short(burn) else status,
        warnings=(*endless(now, plan), *shortage(burn, plan)),
    )


def margin_kg(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> float:
    """Propellant left above the reserve at cutoff."""
    cutoff = burn.cutoff_at_s if burn.cutoff_at_s is not None else now.time_s
    flow = flight.throttle_frac * flown_stage(flight, plan).mass_flow_kg_s
    return now.mass_kg - mass_at_burnout_kg(plan.vehicle, flight.stage) - flow * max(cutoff - now.time_s, 0.0)


def numbers(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: ApoapsisBurn) -> Numbers:
    """Velocity to gain, margin and predicted orbit of the circular burn."""
    flight, burn = memory
    law = burn.law
    if law is None:
        return Numbers(trial=burn.trial)
    predicted = orbit_report(law.position_m, law.velocity_m_s, plan.body) if law.converged else None
    gain = missing_speed_m_s(flight, burn, now, plan, frozen(law, now))
    return Numbers(gain, margin_kg(flight, burn, now, plan), predicted, burn.trial)


def sentence(phase: ApoapsisBurn, plan: FlightPlan) -> str:
    """What the phase does."""
    if isinstance(phase, Raise):
        return "burn centred on apoapsis that makes the orbit the plan's target, in the present plane"
    return "burn centred on apoapsis that makes the osculating orbit circular there, in the present plane"


ROW: LawRow[ApoapsisBurn, Burn] = LawRow(
    Circularize, Burn, sentence, (CUTOFF,), enter, order, follow, done, leave, due, overdue, solve, note_burn_failure,
    burn_figures, numbers,
    model=CircularizeModel, successors=("orbit",), first=False, ended_by="cutoff",
)  # fmt: skip
RAISE_ROW = replace(ROW, kind=Raise, model=None, successors=("coast", "orbit"))

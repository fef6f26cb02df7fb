"""The law `coast`: unpowered to the next apoapsis, where the next burn is planned."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from guidance_svc.core.burns import allot, gain_m_s, time_at_gain_s
from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.roundness import roundest
from guidance_svc.core.starter import circular_guess, flight_direction
from guidance_svc.core.steering import Steering, refine_circular
from guidance_svc.core.vectors import norm, sub, unit
from guidance_svc.domain import Circularize, Coast, FlightPlan
from guidance_svc.laws.apoapsis import (
    ROUND_ENOUGH_M_S,
    STEPS_A_CYCLE,
    burns_next,
    is_not_flown,
    missing_speed_m_s,
    problem_after,
    round_already,
    status_after,
    time_to_apoapsis,
)
from guidance_svc.laws.burning import burn_figures, burn_overdue, note_burn_failure
from guidance_svc.laws.engine import TAIL_OVER_S, end_of, learn_tail_off
from guidance_svc.laws.holding import hold_cutoff_attitude, with_attitude_held
from guidance_svc.laws.instants import CLOCK_SLACK_S, CONTACT_S, NEAR_CUTOFF_CONTACT_S, lit_by
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import SPENT_EARLY, given_up_words
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import CIRCULARIZE, COAST, IGNITE
from guidance_svc.wire.plans import PhaseModel

REPLAN_BEFORE_S = 20.0  # the ignition stands from this long before it, so that the script can prepare
REPLAN_EVERY_S = 10.0
ALL_TAPER = 1.5  # times the taper's own speed gain: a burn smaller than this is flown at the taper throttle throughout
WAKE_BEFORE_S = 30.0


class CoastModel(PhaseModel):
    """Unpowered, to the next apoapsis."""

    law: Literal["coast"]

    def to_domain(self) -> Coast:
        """The checked keys as a phase of the plan."""
        return Coast()


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Coast) -> Memory[Burn]:
    """Plan the burn at apoapsis."""
    burn = left or Burn()
    flight = hold_cutoff_attitude(flight, burn, now, plan)
    if is_not_flown(flight, burn, plan):
        return Memory(flight, burn._replace(ignite_at_s=now.time_s))
    if burn.law is not None and burn.law.cutoff_s > now.time_s + 1.0 and not burn.given_up:
        burn = burn._replace(given_up=SPENT_EARLY, lesser=None)
    flight = flight._replace(engine=flight.engine._replace(burning_since_s=None))
    burn = Burn(detour=burn.detour, lesser=burn.lesser, given_up=burn.given_up)
    return solve(Memory(flight, burn), now, plan, phase)


def leave(own: Burn) -> Burn:
    """The burn as planned."""
    return own


def solve(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: Coast) -> Memory[Burn]:
    """Ignition that centres the burn on apoapsis, and the law to begin it with.

    Half the speed gain before apoapsis, half after; the circle's burn is solved from the state at ignition.
    """
    flight, burn = memory
    flight = learn_tail_off(flight, now, plan)
    if round_already(flight, burn, now, plan, plan.phases[flight.phase + 1 : flight.phase + 2]):
        return Memory(flight, burn._replace(law=None, trial=None, solved_at_s=now.time_s, ignite_at_s=now.time_s))
    to_apoapsis = time_to_apoapsis(now, plan)
    if to_apoapsis is None:
        return Memory(flight, burn._replace(solved_at_s=now.time_s, ignite_at_s=now.time_s))
    problem = problem_after(flight, burn, now, plan, to_apoapsis)
    missing = norm(sub(circular_guess(problem).velocity_m_s, problem.velocity_m_s))
    flight = with_ignition_throttle(flight, now, plan, missing)
    problem = problem_after(flight, burn, now, plan, to_apoapsis)
    guess = circular_guess(problem)
    parts = allot(problem.arcs, guess.burn_s)
    lead = time_at_gain_s(parts, 0.5 * gain_m_s(problem.arcs, guess.burn_s))
    wait = max(to_apoapsis - lead, 0.0)
    problem = problem_after(flight, burn, now, plan, wait)
    law = refine_circular(problem, replace(guess, epoch_s=problem.time_s), STEPS_A_CYCLE)
    law = law if law.converged else guess
    if burn.solved_at_s is None and law.converged:
        burn = with_offset(flight, burn, plan, law)
        problem = replace(problem, offset_m_s=burn.offset_m_s)
        law = refine_circular(problem, law, STEPS_A_CYCLE)
    return Memory(flight, burn._replace(law=law, trial=law, ignite_at_s=problem.time_s, solved_at_s=now.time_s))


def with_offset(flight: Flight, burn: Burn, plan: FlightPlan, law: Steering) -> Burn:
    """What the circular burn must end with for the roundness that the plan asks for; found once, where it ends."""
    phase = plan.phases[flight.phase + 1] if burns_next(flight, burn, plan) else None
    if not isinstance(phase, Circularize):
        return burn
    return burn._replace(offset_m_s=roundest(law.position_m, law.velocity_m_s, plan.body, phase.roundness))


def with_ignition_throttle(flight: Flight, now: Navigation, plan: FlightPlan, missing_m_s: float) -> Flight:
    """Decide whether the circular burn is so short that it is flown at the taper throttle throughout."""
    end = end_of(flight, plan, flight.stage, now.mass_kg)
    short = end.tapers and missing_m_s < ALL_TAPER * end.closing_gain_m_s(now.mass_kg)
    return flight._replace(throttle_frac=end.taper if short else end.cruise)


def due(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: Coast) -> bool:
    """Whether the plan for the burn should be made anew from this state."""
    flight, burn = memory
    if burn.solved_at_s == now.time_s:
        return False
    if burn.ignite_at_s is None or burn.solved_at_s is None:
        return True
    if flight.left_behind is not None and now.time_s >= flight.left_behind.at_s + TAIL_OVER_S:
        return True
    far = burn.ignite_at_s - now.time_s > REPLAN_BEFORE_S
    return far and now.time_s - burn.solved_at_s >= REPLAN_EVERY_S


def overdue(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: Coast) -> bool:
    """Whether no reply should go out before the burn has been planned."""
    return burn_overdue(memory.own, now, plan) and due(memory, now, plan, phase)


def done(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: Coast) -> bool:
    """Whether it is time to light."""
    ignite_at_s = memory.own.ignite_at_s
    return ignite_at_s is not None and lit_by(ignite_at_s, now)


def order(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: Coast) -> Order:
    """Engine off; hold the attitude in which the burn will begin."""
    flight, burn = memory
    ignite_at = burn.ignite_at_s if burn.ignite_at_s is not None else now.time_s
    lit = burns_next(flight, burn, plan) and missing_speed_m_s(flight, burn, now, plan, burn.law) > ROUND_ENOUGH_M_S
    hold = burn.law.steer if burn.law else flight_direction(now.position_m, now.velocity_m_s)
    events = [COAST.of(flight, flight.since_s)]
    if lit:
        lights = CIRCULARIZE if isinstance(plan.phases[flight.phase + 1], Circularize) else IGNITE
        events.append(lights.of(flight, ignite_at))
    wait = ignite_at - now.time_s
    ordered = Order(
        direction=unit(hold),
        direction_soon=unit(hold),
        engine_on=lit and ignite_at - now.time_s <= CLOCK_SLACK_S,
        throttle_frac=flight.throttle_frac,
        events=tuple(events),
        next_contact_s=coast_contact_s(flight, wait),
        status=status_after(burn),
        warnings=given_up_words(burn.given_up, burn.lesser, plan),
    )
    return with_attitude_held(ordered, flight, now, plan, NEAR_CUTOFF_CONTACT_S)


def coast_contact_s(flight: Flight, wait_s: float) -> float:
    """How long the script may stay silent in a coast: once just after the cutoff, to see the tail-off, then long."""
    if flight.left_behind is not None:
        return min(TAIL_OVER_S + CONTACT_S, max(wait_s - CONTACT_S, CONTACT_S))
    return wait_s - WAKE_BEFORE_S if wait_s > WAKE_BEFORE_S + 1.0 else CONTACT_S


def numbers(memory: Memory[Burn], now: Navigation, plan: FlightPlan, phase: Coast) -> Numbers:
    """What the burn at apoapsis will give."""
    flight, burn = memory
    law = burn.law
    if law is None or not burns_next(flight, burn, plan):
        return Numbers(trial=burn.trial)
    predicted = orbit_report(law.position_m, law.velocity_m_s, plan.body) if law.converged else None
    return Numbers(missing_speed_m_s(flight, burn, now, plan, law), None, predicted, burn.trial)


def sentence(phase: Coast, plan: FlightPlan) -> str:
    """What the phase does."""
    return "engine off to the next apoapsis, attitude of the next burn held"


ROW = LawRow(
    Coast, Burn, sentence, (COAST, CIRCULARIZE, IGNITE), enter, order, done=done, leave=leave, due=due, overdue=overdue,
    solve=solve, failed=note_burn_failure, figures=burn_figures, numbers=numbers,
    model=CoastModel, successors=("raise", "circularize", "orbit"), ended_by="ignition",
)  # fmt: skip

"""The burn at apoapsis that a coast plans and `circularize` and `raise` fly, and whether there is any to be flown."""

from __future__ import annotations

from math import inf

from guidance_svc.core.burns import Arc, gain_m_s
from guidance_svc.core.coast import LONGEST_PERIOD_S, YEAR_S, coast, period_or_inf_s, time_to_apoapsis_s
from guidance_svc.core.detour import second_target
from guidance_svc.core.starter import circular_guess
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Circularize, FlightPlan, Phase, Raise, Status, Target
from guidance_svc.errors import OrbitNotClosed
from guidance_svc.laws.engine import best_known, end_of, flown_stage, with_tail_off
from guidance_svc.laws.instants import NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.lean import with_lean
from guidance_svc.laws.memory import Burn, Flight
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import stage_arcs

STEPS_A_CYCLE = 6
ROUND_ENOUGH_M_S = 0.02  # a missing speed below this is not worth lighting an engine
CIRCLE_MET_M_S = 0.1  # missing to a circle, 0.35 km of its far side, that no burn is made for if it would be too short
SAME_HEIGHT_M = 1.0  # between perigee and apogee: a target nearer to round than this is a circle


def is_not_flown(flight: Flight, burn: Burn, plan: FlightPlan) -> bool:
    """Whether this coast, or the burn after it, belongs to a detour that is not flown."""
    here = plan.phases[flight.phase : flight.phase + 2]
    return burn.detour is None and any(isinstance(phase, Raise) for phase in here)


def burn_target(flight: Flight, burn: Burn, plan: FlightPlan) -> Target | None:
    """What the burn at apoapsis ends in: the plan's orbit after a detour, in the present plane; else a circle."""
    here = plan.phases[flight.phase : flight.phase + 2]
    if plan.target is None or not any(isinstance(phase, Raise) for phase in here):
        return None
    return second_target(plan.target, burn.detour.second if burn.detour else "cutoff", plan.body)


def round_already(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan, following: tuple[Phase, ...]) -> bool:
    """Whether an insertion to a circle has left nothing for the coast and the burn after it to do.

    A circle is round at cutoff; what J2 makes of it later is no reason for a burn where the osculating orbit is meant.
    A burn that is over before the script could be told of its end would do harm.

    Args:
        following: the phase of that burn, none where no phase follows.
    """
    target = plan.target
    if target is None or target.apogee_radius_m - target.perigee_radius_m > SAME_HEIGHT_M:
        return False
    if not any(isinstance(phase, Circularize) and phase.roundness == "osculating" for phase in following):
        return False
    problem = problem_after(flight, burn, now, plan, 0.0)
    missing = norm(sub(circular_guess(problem).velocity_m_s, problem.velocity_m_s))
    shortest = NEAR_CUTOFF_CONTACT_S * flown_stage(flight, plan).thrust_n / now.mass_kg
    return missing <= max(ROUND_ENOUGH_M_S, min(shortest, CIRCLE_MET_M_S))


def time_to_apoapsis(now: Navigation, plan: FlightPlan) -> float | None:
    """Seconds to apoapsis; None where there is none to wait for (a circle, an escape path or next to one)."""
    try:
        return time_to_apoapsis_s(now.position_m, now.velocity_m_s, plan.body)
    except OrbitNotClosed:
        return None


def endless(now: Navigation, plan: FlightPlan) -> tuple[str, ...]:
    """A path that does not come round within what can be waited for, in words."""
    period = period_or_inf_s(now.position_m, now.velocity_m_s, plan.body)
    if period == inf:
        return ("at or above escape speed: the path has no apoapsis",)
    if period > LONGEST_PERIOD_S:
        return (f"just below escape speed: a revolution takes {period / YEAR_S:.3g} years, no apoapsis is waited for",)
    return ()


def problem_after(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan, wait_s: float) -> Problem:
    """The circular burn as seen from the state after a wait."""
    r, v = best_known(flight, now)
    r, v = coast(r, v, wait_s, plan.body) if wait_s > 0.0 else (r, v)
    arcs = circular_arcs(flight, burn, now, plan)
    target = burn_target(flight, burn, plan)
    problem = Problem(now.time_s + wait_s, r, v, arcs, target, plan.body, burn.offset_m_s)
    problem = with_tail_off(problem, flight, burn, plan)
    return with_lean(problem, burn) if wait_s == 0.0 else problem


def circular_arcs(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> tuple[Arc, ...]:
    """The stage's burn: as the engine runs now in the last seconds, else at cruise throttle with the taper at its end.

    A burn that was planned to be lit at the taper throttle stays there throughout.
    """
    end = end_of(flight, plan, flight.stage, now.mass_kg)
    if burn.finish is not None:
        return (end.arc(now.mass_kg, flight.throttle_frac),)
    if not end.tapers:
        return tuple(stage_arcs(plan.vehicle, flight.stage, now.mass_kg, flight.engine.flown))
    if flight.throttle_frac <= end.taper:
        return (end.arc(now.mass_kg, end.taper),)
    return (*stage_arcs(plan.vehicle, flight.stage, now.mass_kg, flight.engine.flown), end.closing_arc())


def missing_speed_m_s(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan, law: Steering | None) -> float:
    """Ideal speed gain of a circular burn."""
    if law is None:
        return 0.0
    return gain_m_s(circular_arcs(flight, burn, now, plan), law.burn_s)


def burns_next(flight: Flight, burn: Burn, plan: FlightPlan) -> bool:
    """Whether a circular burn follows the present phase."""
    following = plan.phases[flight.phase + 1 : flight.phase + 2]
    return any(isinstance(phase, Circularize | Raise) for phase in following) and not is_not_flown(flight, burn, plan)


def status_after(burn: Burn) -> Status:
    """The finding of the insertion, carried on."""
    if not burn.given_up:
        return "ok"
    return "short_of_propellant" if burn.lesser is not None else "unreachable"

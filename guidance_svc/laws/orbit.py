"""After insertion: coast to apoapsis, the burn that makes the orbit round, and the end."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from guidance_svc.core.burns import Arc, allot, gain_m_s, time_at_gain_s
from guidance_svc.core.coast import LONGEST_PERIOD_S, YEAR_S, coast, period_or_inf_s, time_to_apoapsis_s
from guidance_svc.core.detour import second_target
from guidance_svc.core.kepler import apsides, orbit_report
from guidance_svc.core.roundness import height_spread_m, radius_spread_m, roundest
from guidance_svc.core.starter import circular_guess, flight_direction
from guidance_svc.core.steering import Problem, Steering, refine_circular
from guidance_svc.core.vectors import norm, sub, unit
from guidance_svc.domain import (
    Circularize,
    Coast,
    Event,
    EventName,
    FlightPlan,
    Orbit,
    Phase,
    Raise,
    Status,
    Target,
    Vec,
)
from guidance_svc.errors import GuidanceError, OrbitNotClosed
from guidance_svc.laws.ascent import CLOCK_SLACK_S, event_id, lit_by
from guidance_svc.laws.engine import (
    FREEZE_BELOW_S,
    TAIL_OVER_S,
    end_of,
    finished,
    flown_stage,
    frozen,
    near_end,
    on_tick,
    tail_off_learnt,
    throttle_down,
    watched,
    with_tail_off,
)
from guidance_svc.laws.holding import held_after_cutoff, with_attitude_held
from guidance_svc.laws.insertion import CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.lean import leaned, with_lean
from guidance_svc.laws.limit_learnt import ordered_throttle
from guidance_svc.laws.memory import Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import SPENT_EARLY, missed_at_the_end, shortage, surely_short, weighed
from guidance_svc.laws.stack import mass_at_burnout_kg, spent, stage_arcs

STEPS_A_CYCLE = 6
REPLAN_BEFORE_S = 20.0  # the ignition stands from this long before it, so that the script can prepare
REPLAN_EVERY_S = 10.0
ROUND_ENOUGH_M_S = 0.02  # a missing speed below this is not worth lighting an engine
CIRCLE_MET_M_S = 0.1  # missing to a circle, 0.35 km of its far side, that no burn is made for if it would be too short
SAME_HEIGHT_M = 1.0  # between perigee and apogee: a target nearer to round than this is a circle
ALL_TAPER = 1.5  # times the taper's own speed gain: a burn smaller than this is flown at the taper throttle throughout
WAKE_BEFORE_S = 30.0
ORBIT_CONTACT_S = 600.0


def coast_enter(memory: Memory, now: Navigation, plan: FlightPlan, phase: Coast) -> Memory:
    """Plan the burn at apoapsis."""
    memory = replace(held_after_cutoff(memory, now, plan), search=None, lesser_search=None)
    if skipped(memory, plan):
        return replace(memory, ignite_at_s=now.time_s)
    if memory.law is not None and memory.law.cutoff_s > now.time_s + 1.0 and not memory.given_up:
        memory = replace(memory, given_up=SPENT_EARLY, lesser=None)
    memory = replace(memory, ignite_at_s=None, cutoff_at_s=None, law=None, trial=None, attempts=0, solved_at_s=None,
                     finish=None, burning_since_s=None, offset_m_s=(0.0, 0.0), lean=None)  # fmt: skip
    return coast_solve(memory, now, plan, phase)


def skipped(memory: Memory, plan: FlightPlan) -> bool:
    """Whether this coast, or the burn after it, belongs to a detour that is not flown."""
    here = plan.phases[memory.phase : memory.phase + 2]
    return memory.detour is None and any(isinstance(phase, Raise) for phase in here)


def burn_target(memory: Memory, plan: FlightPlan) -> Target | None:
    """What the burn at apoapsis ends in: the plan's orbit after a detour, in the present plane; else a circle."""
    here = plan.phases[memory.phase : memory.phase + 2]
    if plan.target is None or not any(isinstance(phase, Raise) for phase in here):
        return None
    return second_target(plan.target, memory.detour.second if memory.detour else "cutoff", plan.body)


def coast_solve(memory: Memory, now: Navigation, plan: FlightPlan, phase: Coast) -> Memory:
    """Ignition that centres the burn on apoapsis, and the law to begin it with.

    Half the speed gain before apoapsis, half after; the circle's burn is solved from the state at ignition.
    """
    memory = tail_off_learnt(memory, now, plan)
    if round_already(memory, now, plan, plan.phases[memory.phase + 1 : memory.phase + 2]):
        return replace(memory, law=None, trial=None, solved_at_s=now.time_s, ignite_at_s=now.time_s)
    to_apoapsis = time_to_apoapsis(now, plan)
    if to_apoapsis is None:
        return replace(memory, solved_at_s=now.time_s, ignite_at_s=now.time_s)
    problem = problem_after(memory, now, plan, to_apoapsis)
    missing = norm(sub(circular_guess(problem).velocity_m_s, problem.velocity_m_s))
    memory = with_ignition_throttle(memory, now, plan, missing)
    problem = problem_after(memory, now, plan, to_apoapsis)
    guess = circular_guess(problem)
    parts = allot(problem.arcs, guess.burn_s)
    lead = time_at_gain_s(parts, 0.5 * gain_m_s(problem.arcs, guess.burn_s))
    wait = max(to_apoapsis - lead, 0.0)
    problem = problem_after(memory, now, plan, wait)
    law = refine_circular(problem, replace(guess, epoch_s=problem.time_s), STEPS_A_CYCLE)
    law = law if law.converged else guess
    if memory.solved_at_s is None and law.converged:
        memory = with_offset(memory, plan, law)
        problem = replace(problem, offset_m_s=memory.offset_m_s)
        law = refine_circular(problem, law, STEPS_A_CYCLE)
    return replace(memory, law=law, trial=law, ignite_at_s=problem.time_s, solved_at_s=now.time_s)


def round_already(memory: Memory, now: Navigation, plan: FlightPlan, burn: tuple[Phase, ...]) -> bool:
    """Whether an insertion to a circle has left nothing for the coast and the burn after it to do.

    A circle is round at cutoff; what J2 makes of it later is no reason for a burn where the osculating orbit is meant.
    A burn that is over before the script could be told of its end would do harm.

    Args:
        burn: the phase of that burn, none where no phase follows.
    """
    target = plan.target
    if target is None or target.apogee_radius_m - target.perigee_radius_m > SAME_HEIGHT_M:
        return False
    if not any(isinstance(phase, Circularize) and phase.roundness == "osculating" for phase in burn):
        return False
    problem = problem_after(memory, now, plan, 0.0)
    missing = norm(sub(circular_guess(problem).velocity_m_s, problem.velocity_m_s))
    shortest = NEAR_CUTOFF_CONTACT_S * flown_stage(memory, plan).thrust_n / now.mass_kg
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


def problem_after(memory: Memory, now: Navigation, plan: FlightPlan, wait_s: float) -> Problem:
    """The circular burn as seen from the state after a wait."""
    r, v = coast(now.position_m, now.velocity_m_s, wait_s, plan.body) if wait_s > 0.0 else (
        now.position_m, now.velocity_m_s)  # fmt: skip
    arcs = circular_arcs(memory, now, plan)
    target = burn_target(memory, plan)
    problem = Problem(now.time_s + wait_s, r, v, arcs, target, plan.body, memory.offset_m_s)
    problem = with_tail_off(problem, memory, plan)
    return with_lean(problem, memory) if wait_s == 0.0 else problem


def with_offset(memory: Memory, plan: FlightPlan, law: Steering) -> Memory:
    """What the circular burn must end with for the roundness that the plan asks for; found once, where it ends."""
    phase = plan.phases[memory.phase + 1] if burns_next(memory, plan) else None
    if not isinstance(phase, Circularize):
        return memory
    return replace(memory, offset_m_s=roundest(law.position_m, law.velocity_m_s, plan.body, phase.roundness))


def circular_arcs(memory: Memory, now: Navigation, plan: FlightPlan) -> tuple[Arc, ...]:
    """The stage's burn: as the engine runs now in the last seconds, else at cruise throttle with the taper at its end.

    A burn that was planned to be lit at the taper throttle stays there throughout.
    """
    end = end_of(memory, plan, memory.stage, now.mass_kg)
    if memory.finish is not None:
        return (end.arc(now.mass_kg, memory.throttle_frac),)
    if not end.tapers:
        return tuple(stage_arcs(plan.vehicle, memory.stage, now.mass_kg, memory.flown))
    if memory.throttle_frac <= end.taper:
        return (end.arc(now.mass_kg, end.taper),)
    return (*stage_arcs(plan.vehicle, memory.stage, now.mass_kg, memory.flown), end.closing_arc())


def with_ignition_throttle(memory: Memory, now: Navigation, plan: FlightPlan, missing_m_s: float) -> Memory:
    """Decide whether the circular burn is so short that it is flown at the taper throttle throughout."""
    end = end_of(memory, plan, memory.stage, now.mass_kg)
    short = end.tapers and missing_m_s < ALL_TAPER * end.closing_gain_m_s(now.mass_kg)
    return replace(memory, throttle_frac=end.taper if short else end.cruise)


def missing_speed_m_s(memory: Memory, now: Navigation, plan: FlightPlan, law: Steering | None) -> float:
    """Ideal speed gain of a circular burn."""
    if law is None:
        return 0.0
    return gain_m_s(circular_arcs(memory, now, plan), law.burn_s)


def burns_next(memory: Memory, plan: FlightPlan) -> bool:
    """Whether a circular burn follows the present phase."""
    following = plan.phases[memory.phase + 1 : memory.phase + 2]
    return any(isinstance(phase, Circularize | Raise) for phase in following) and not skipped(memory, plan)


def coast_due(memory: Memory, now: Navigation, plan: FlightPlan, phase: Coast) -> bool:
    """Whether the plan for the burn should be made anew from this state."""
    if memory.ignite_at_s is None or memory.solved_at_s is None:
        return True
    if memory.left_behind is not None and now.time_s >= memory.left_behind.at_s + TAIL_OVER_S:
        return True
    far = memory.ignite_at_s - now.time_s > REPLAN_BEFORE_S
    return far and now.time_s - memory.solved_at_s >= REPLAN_EVERY_S


def coast_done(memory: Memory, now: Navigation, plan: FlightPlan, phase: Coast) -> bool:
    """Whether it is time to light."""
    return memory.ignite_at_s is not None and lit_by(memory.ignite_at_s, now)


def coast_fly(memory: Memory, now: Navigation, plan: FlightPlan, phase: Coast) -> Order:
    """Engine off; hold the attitude in which the burn will begin."""
    ignite_at = memory.ignite_at_s if memory.ignite_at_s is not None else now.time_s
    lit = burns_next(memory, plan) and missing_speed_m_s(memory, now, plan, memory.law) > ROUND_ENOUGH_M_S
    hold = memory.law.steer if memory.law else flight_direction(now.position_m, now.velocity_m_s)
    events = [Event(event_id(memory, "coast"), "coast", memory.since_s)]
    if lit:
        name: EventName = "circularize" if isinstance(plan.phases[memory.phase + 1], Circularize) else "ignite"
        events.append(Event(event_id(memory, name), name, ignite_at))
    wait = ignite_at - now.time_s
    order = Order(
        direction=unit(hold),
        direction_soon=unit(hold),
        engine_on=lit and ignite_at - now.time_s <= CLOCK_SLACK_S,
        throttle_frac=memory.throttle_frac,
        events=tuple(events),
        next_contact_s=coast_contact_s(memory, wait),
        status=status_after(memory),
        warnings=shortage(memory, plan) if memory.given_up else (),
    )
    return with_attitude_held(order, memory, now, plan, NEAR_CUTOFF_CONTACT_S)


def coast_contact_s(memory: Memory, wait_s: float) -> float:
    """How long the script may stay silent in a coast: once just after the cutoff, to see the tail-off, then long."""
    if memory.left_behind is not None:
        return min(TAIL_OVER_S + CONTACT_S, max(wait_s - CONTACT_S, CONTACT_S))
    return wait_s - WAKE_BEFORE_S if wait_s > WAKE_BEFORE_S + 1.0 else CONTACT_S


def status_after(memory: Memory) -> Status:
    """The finding of the insertion, carried on."""
    if not memory.given_up:
        return "ok"
    return "short_of_propellant" if memory.lesser is not None else "unreachable"


def coast_numbers(memory: Memory, now: Navigation, plan: FlightPlan, phase: Coast) -> Numbers:
    """What the burn at apoapsis will give."""
    law = memory.law
    if law is None or not burns_next(memory, plan):
        return Numbers()
    predicted = orbit_report(law.position_m, law.velocity_m_s, plan.body) if law.converged else None
    return Numbers(missing_speed_m_s(memory, now, plan, law), None, predicted)


def circularize_enter(memory: Memory, now: Navigation, plan: FlightPlan, phase: Circularize | Raise) -> Memory:
    """Take over the law that the coast prepared, or make one; neither where the orbit is round already."""
    if skipped(memory, plan) or (memory.law is None and round_already(memory, now, plan, (phase,))):
        return replace(memory, cutoff_at_s=None)
    law = memory.law or circular_guess(problem_after(memory, now, plan, 0.0))
    memory = replace(
        memory, law=law, trial=law, ignite_at_s=None, cutoff_at_s=law.cutoff_s, attempts=0, margin_kg=None,
        margin_doubt_kg=0.0, short_cycles=0,
    )  # fmt: skip
    return circularize_solve(memory, now, plan, phase)


def circularize_solve(memory: Memory, now: Navigation, plan: FlightPlan, phase: Circularize | Raise) -> Memory:
    """One major cycle of the circular burn."""
    if memory.trial is None:
        return memory
    start = memory.trial.advanced(now.time_s, plan.body, now.position_m)
    problem = problem_after(memory, now, plan, 0.0)
    to_go = memory.trial.cutoff_s - now.time_s
    if to_go < FREEZE_BELOW_S and memory.trial.converged:
        return memory
    fixed = problem.arcs[-1].duration_s if problem.arcs[-1].closing else 0.0
    trial = refine_circular(problem, replace(start, burn_s=max(to_go - fixed, 1e-3)), STEPS_A_CYCLE)
    if not trial.converged:
        return replace(memory, trial=trial, solved_at_s=now.time_s, attempts=memory.attempts + 1)
    if memory.finish is not None and memory.cutoff_at_s is not None:
        trial = replace(trial, cutoff_s=memory.cutoff_at_s)
    memory = replace(memory, law=trial, trial=trial, cutoff_at_s=trial.cutoff_s, solved_at_s=now.time_s, attempts=0)
    margin = circularize_margin_kg(memory, now, plan)
    memory = weighed(memory, now, problem, margin, mass_at_burnout_kg(plan.vehicle, memory.stage))
    return on_tick(memory, now, plan, trial)


def circularize_follow(memory: Memory, now: Navigation, plan: FlightPlan, phase: Circularize | Raise) -> Memory:
    """Watch the engine; in the last seconds the cutoff follows the energy."""
    memory = watched(memory, now, plan)
    if near_end(memory, now, plan):
        return finished(memory, now, plan, problem_after(memory, now, plan, 0.0))
    return memory


def circularize_done(memory: Memory, now: Navigation, plan: FlightPlan, phase: Circularize | Raise) -> bool:
    """Whether the burn is over, or was never worth lighting."""
    if memory.cutoff_at_s is None or now.time_s >= memory.cutoff_at_s:
        return True
    if now.time_s <= memory.since_s:
        return missing_speed_m_s(memory, now, plan, memory.law) <= ROUND_ENOUGH_M_S
    return spent(plan.vehicle, memory.stage, now.mass_kg)


def circularize_fly(memory: Memory, now: Navigation, plan: FlightPlan, phase: Circularize | Raise) -> Order:
    """Steer the circular burn."""
    law = memory.law
    if law is None or memory.cutoff_at_s is None:
        raise ValueError("circularize flown before its first solution")
    status = status_after(memory) if law.converged else "converging"
    return Order(
        direction=leaned(unit(law.vector_at(now.time_s)), memory.lean, now.time_s),
        direction_soon=leaned(unit(law.vector_at(now.time_s + 1.0)), memory.lean, now.time_s + 1.0),
        engine_on=now.time_s < memory.cutoff_at_s,
        throttle_frac=ordered_throttle(memory, plan),
        cutoff_at_s=memory.cutoff_at_s,
        events=(Event(event_id(memory, "cutoff"), "cutoff", memory.cutoff_at_s),),
        throttle_down=throttle_down(memory, now, plan),
        next_contact_s=CONTACT_S if memory.cutoff_at_s - now.time_s > 3.0 else NEAR_CUTOFF_CONTACT_S,
        status="short_of_propellant" if surely_short(memory) else status,
        warnings=(*endless(now, plan), *shortage(memory, plan)),
    )


def circularize_margin_kg(memory: Memory, now: Navigation, plan: FlightPlan) -> float:
    """Propellant left above the reserve at cutoff."""
    cutoff = memory.cutoff_at_s if memory.cutoff_at_s is not None else now.time_s
    flow = memory.throttle_frac * flown_stage(memory, plan).mass_flow_kg_s
    return now.mass_kg - mass_at_burnout_kg(plan.vehicle, memory.stage) - flow * max(cutoff - now.time_s, 0.0)


def circularize_numbers(memory: Memory, now: Navigation, plan: FlightPlan, phase: Circularize | Raise) -> Numbers:
    """Velocity to gain, margin and predicted orbit of the circular burn."""
    law = memory.law
    if law is None:
        return Numbers()
    predicted = orbit_report(law.position_m, law.velocity_m_s, plan.body) if law.converged else None
    gain = missing_speed_m_s(memory, now, plan, frozen(law, now))
    return Numbers(gain, circularize_margin_kg(memory, now, plan), predicted)


def orbit_enter(memory: Memory, now: Navigation, plan: FlightPlan, phase: Orbit) -> Memory:
    """Measure how round the orbit is."""
    memory = held_after_cutoff(memory, now, plan)
    memory = replace(memory, law=None, trial=None, ignite_at_s=None, cutoff_at_s=None, lean=None)
    try:
        spread = radius_spread_m(now.position_m, now.velocity_m_s, plan.body)
        height = height_spread_m(now.position_m, now.velocity_m_s, plan.body)
    except GuidanceError:
        return memory  # an escape path has no revolution to look at; the warnings say so
    return replace(memory, spread_m=spread, height_spread_m=height)


def orbit_fly(memory: Memory, now: Navigation, plan: FlightPlan, phase: Orbit) -> Order:
    """Nothing left to do: engine off, prograde once the thrust is gone."""
    ahead: Vec = unit(now.velocity_m_s) if norm(now.velocity_m_s) > 0.0 else now.local.up
    order = Order(
        direction=ahead,
        direction_soon=ahead,
        engine_on=False,
        events=(Event(event_id(memory, "orbit"), "orbit", memory.since_s),),
        next_contact_s=ORBIT_CONTACT_S,
        status=orbit_status(memory, now, plan),
        warnings=(*endless(now, plan), *missed_at_the_end(memory, now, plan)),
    )
    return with_attitude_held(order, memory, now, plan, NEAR_CUTOFF_CONTACT_S)


def orbit_status(memory: Memory, now: Navigation, plan: FlightPlan) -> Status:
    """`complete` only for an orbit that nothing was given up for; a path that meets the ground or escapes is none."""
    if endless(now, plan):
        return "unreachable"
    low, _ = apsides(now.position_m, now.velocity_m_s, plan.body.mu_m3_s2)
    if low < plan.body.radius_m * (1.0 - plan.body.flattening):
        return "unreachable"
    return "short_of_propellant" if memory.given_up else "complete"

"""The major cycle of the law `insertion`: the steering law solved anew, looked at, and a way with a coast sought."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from math import inf

from guidance_svc.core.burns import mass_at_end_kg
from guidance_svc.core.detour import Detour
from guidance_svc.core.detour_search import DetourSearch, begin_search, detour_law, step_search
from guidance_svc.core.effort import allowed, steps_left
from guidance_svc.core.second_order import is_minimum
from guidance_svc.core.starter import first_guess, lofted_guess
from guidance_svc.core.steering import Problem, Steering, refine, refine_direction
from guidance_svc.domain import FlightPlan, Insertion
from guidance_svc.errors import BudgetSpent, GuidanceError
from guidance_svc.laws.cover import bare_at_cutoff, foresee_drop
from guidance_svc.laws.engine import put_on_tick
from guidance_svc.laws.insertion_memory import InsertionMemory, problem_now
from guidance_svc.laws.last_seconds import FREEZE_BELOW_S
from guidance_svc.laws.memory import Burn, Memory
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import NO_WAY_FOUND, lowest_found, search_over, within_reach

HOLD_RATE_BELOW_S = 18.0  # to go: the turning rate is held, position can no longer be helped
STEPS_A_CYCLE = 4  # Newton steps in one major cycle
LEAST_BURN_S = 1e-3  # of a law that is moved on
CALLS_A_START = 4  # major cycles given to one starting law before the next one is tried
LOFTED_PITCHES_RAD = (0.35, 0.8, 1.2, 0.1)  # starting laws after the first
DEARER_FRAC = 0.02  # of the speed gain: a new law that costs so much more than the last is looked into
AFTER_TRUST_STEPS = 900  # integrator steps left to the rest of a cycle by the look at a law that is new or dearer
FRESH_STEPS = 12  # Newton steps of a law solved afresh
HOPELESS_AFTER_CYCLES = 5  # without any law; 199 of 200 random ignitions have one after two, the search goes on
COAST_FLOOR_IN_AIR_M = 110e3  # drag over half a revolution is then a few m/s; common practice, no source
COAST_FLOOR_AIRLESS_M = 15e3  # over the highest ground of a large airless body; common practice, no source
WORTHWHILE_FRAC = 1e-3  # of the propellant to orbit
SEARCH_ENDS_S = 60.0  # before cutoff; a coast found so late saves little
MOST_CUT_SHORT = 4  # messages in a row whose budget ends before a step of the search does: then it is given up
TAKE_UP_CALLS = 6  # states given to a detour's law to converge from where the vehicle is by now


def solve(
    memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion
) -> Memory[InsertionMemory]:
    """One major cycle from this state; while a detour is searched, a step of that too, or between two cycles alone."""
    if not between_cycles(memory.own, now, plan):
        memory = run_cycle(memory, now, plan, phase)
    own = memory.own
    return search_detour(memory, now, plan) if own.search is not None and own.burn.attempts == 0 else memory


def run_cycle(
    memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, phase: Insertion
) -> Memory[InsertionMemory]:
    """The law solved from this state."""
    flight, own = memory
    burn = own.burn
    problem = problem_now(memory, now, plan)
    start = starting_law(burn, problem)
    to_go = burn.law.cutoff_s - now.time_s if burn.law is not None else inf
    if to_go < FREEZE_BELOW_S:
        return Memory(flight, search_over(own))
    trial = solved_law(problem, start, burn.detour, to_go)
    if law_is_whole(burn.detour, to_go) and trial.converged:
        trial = trust_law(burn, problem, trial)
    if not trial.converged:
        hopeless = burn.law is None and burn.attempts + 1 >= HOPELESS_AFTER_CYCLES
        given_up = NO_WAY_FOUND if hopeless else burn.given_up
        failed = burn._replace(trial=trial, solved_at_s=now.time_s, attempts=burn.attempts + 1, given_up=given_up)
        return Memory(flight, own._replace(burn=failed))
    if burn.finish is not None and burn.cutoff_at_s is not None:
        trial = replace(trial, cutoff_s=burn.cutoff_at_s)
    first_look = flight.cover.goes_s is None
    flight = foresee_drop(flight, problem, trial, plan)
    if first_look and flight.cover.goes_s is not None:
        tried = own._replace(burn=burn._replace(trial=trial))
        problem = problem_now(Memory(flight, tried), now, plan)
        again = solved_law(problem, trial, burn.detour, to_go)
        trial = again if again.converged else trial
    search = own.search
    if burn.law is None and phase.may_coast and burn.lesser is None:
        floor_m = plan.body.radius_m + coast_floor_m(plan, phase)
        search = begin_search(problem, trial, floor_m, phase.second_burn_at)
    if not hold_at_floor(burn.detour):
        own = lowest_found(own, now, problem, trial, plan)
    burn = own.burn._replace(law=trial, trial=trial, attempts=0, cutoff_at_s=trial.cutoff_s, solved_at_s=now.time_s)
    burn = put_on_tick(flight, burn, now, plan, trial)
    own = own._replace(burn=burn, search=search)
    if burn.finish is not None or search is not None:  # which may find a way that needs less
        return Memory(flight, search_over(own))
    return within_reach(Memory(flight, own), now, problem, bare_at_cutoff(plan, flight, burn.law, now))


def law_is_whole(detour: Detour | None, to_go_s: float) -> bool:
    """Whether the law is solved for direction, rate and cutoff: not in the last seconds, nor along the floor."""
    return to_go_s >= HOLD_RATE_BELOW_S and not hold_at_floor(detour)


def solved_law(problem: Problem, start: Steering, detour: Detour | None, to_go_s: float) -> Steering:
    """A few Newton steps on the law that fits the time to go."""
    if to_go_s < HOLD_RATE_BELOW_S:
        return refine_direction(problem, start, STEPS_A_CYCLE)
    if detour is not None and hold_at_floor(detour):
        return detour_law(problem, start, detour, STEPS_A_CYCLE)
    return refine(problem, start, STEPS_A_CYCLE)


def hold_at_floor(detour: Detour | None) -> bool:
    """Whether the first burn of a detour is held at the floor."""
    return detour is not None and detour.entry_m_s > 0.0


def coast_floor_m(plan: FlightPlan, phase: Insertion) -> float:
    """Lowest altitude of a coast on the way, and of the burn before it once it is reached."""
    if phase.lowest_altitude_m is not None:
        return phase.lowest_altitude_m
    return COAST_FLOOR_AIRLESS_M if plan.body.atmosphere == "none" else COAST_FLOOR_IN_AIR_M


def between_cycles(own: InsertionMemory, now: Navigation, plan: FlightPlan) -> bool:
    """Whether this call belongs to the search for a detour: the law itself is fresh."""
    if own.search is None or own.burn.solved_at_s is None or own.burn.attempts > 0:
        return False
    return now.time_s - own.burn.solved_at_s < plan.major_cycle_s


def search_detour(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan) -> Memory[InsertionMemory]:
    """One step of the search; at its end the detour is taken up if it saves enough to be worth a second ignition."""
    own = memory.own
    search, law = own.search, own.burn.law
    given_up = Memory(memory.flight, own._replace(search=None))
    if search is None or law is None or law.cutoff_s - now.time_s < SEARCH_ENDS_S:
        return given_up
    try:
        search = search if search.over else replace(step_search(search), cut_short=0)
        return search_on(memory, now, plan, search)
    except BudgetSpent:  # the major cycle before it took too much of this message's: the next one may have enough
        again = search.cut_short + 1 < MOST_CUT_SHORT
        tried = replace(search, cut_short=search.cut_short + 1)
        return Memory(memory.flight, own._replace(search=tried)) if again else given_up
    except (GuidanceError, ArithmeticError, ValueError):
        return given_up


def search_on(
    memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, search: DetourSearch
) -> Memory[InsertionMemory]:
    """The memory after a step of the search."""
    given_up = Memory(memory.flight, memory.own._replace(search=None))
    memory = Memory(memory.flight, memory.own._replace(search=search))
    if not search.over:
        return memory
    detour, arcs = search.detour, search.problem.arcs
    used = arcs[0].mass_kg - mass_at_end_kg(arcs, search.direct.burn_s)
    if search.stage == "none" or detour is None or detour.saved_kg < WORTHWHILE_FRAC * used:
        return given_up
    return take_up_law(memory, now, plan, detour)


def take_up_law(
    memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan, detour: Detour
) -> Memory[InsertionMemory]:
    """The detour's law from this state; tried again with the next states where it has not converged."""
    flight, own = memory
    search = own.search
    assert search is not None  # the caller's
    burn = own.burn._replace(detour=detour)
    problem = problem_now(Memory(flight, own._replace(burn=burn)), now, plan)
    trial = detour_law(problem, move_law_on(search.trial or detour.law, problem), detour, STEPS_A_CYCLE)
    if trial.converged:
        burn = burn._replace(law=trial, trial=trial, cutoff_at_s=trial.cutoff_s, solved_at_s=now.time_s)
        return Memory(flight, own._replace(burn=burn, search=None))
    again = search.calls + 1 < TAKE_UP_CALLS
    search = replace(search, trial=trial, calls=search.calls + 1) if again else None
    return Memory(flight, own._replace(search=search))


def trust_law(burn: Burn, problem: Problem, trial: Steering) -> Steering:
    """The trial, or a cheaper law in its place where it is new or costs more than the law in force.

    Newton's method finds any law that meets the conditions; one that turns the vehicle round meets them too. What is no
    minimum is not converged. What the cycle's budget leaves no room to look at is taken as it is.
    """
    if burn.law is not None and trial.gain_m_s <= (1.0 + DEARER_FRAC) * burn.law.gain_m_s:
        return trial
    trials, judged = [], False
    with suppress(BudgetSpent), allowed(max(steps_left() - AFTER_TRUST_STEPS, 0)):  # what has been found by then counts
        minimum = is_minimum(problem, trial)
        trials, judged = [trial] if minimum else [], True
        for start in (first_guess(problem), move_law_on(burn.law, problem)) if burn.law is not None else ():
            law = refine(problem, replace(start, inverse=None), FRESH_STEPS)
            if law.converged and is_minimum(problem, law):
                trials.append(law)
    return min(trials, key=lambda law: law.gain_m_s, default=replace(trial, converged=not judged))


def starting_law(burn: Burn, problem: Problem) -> Steering:
    """Where Newton begins: the last trial moved on; after too many attempts the law in force, then a fresh start."""
    restart, within = divmod(burn.attempts, CALLS_A_START)
    if burn.trial is None:
        return first_guess(problem)
    if within > 0 or restart == 0:
        return move_law_on(burn.trial, problem)
    if burn.law is not None:
        if restart == 1:
            return replace(move_law_on(burn.law, problem), inverse=None)
        if restart == 2:
            return first_guess(problem)
        restart -= 2
    return lofted_guess(problem, LOFTED_PITCHES_RAD[(restart - 1) % len(LOFTED_PITCHES_RAD)])


def move_law_on(law: Steering, problem: Problem) -> Steering:
    """A law as it stands at the problem's time."""
    moved = law.advance(problem.time_s, problem.body, problem.position_m)
    fixed = sum(arc.duration_s for arc in problem.arcs if arc.closing or not arc.powered)
    return replace(moved, burn_s=max(law.cutoff_s - problem.time_s - fixed, LEAST_BURN_S))

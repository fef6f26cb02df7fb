"""The closed-loop burn to the target: any number of stages, solved in a major cycle, steered in between."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from math import inf

from guidance_svc.core.burns import Arc, gain_m_s, mass_at_end_kg
from guidance_svc.core.detour import Detour
from guidance_svc.core.detour_search import DetourSearch, begun, detour_law, stepped
from guidance_svc.core.effort import allowed, left
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.core.frames import turn_z
from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.second_order import is_minimum
from guidance_svc.core.starter import first_guess, lofted_guess
from guidance_svc.core.steering import Problem, Steering, refine, refine_direction
from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import Event, FlightPlan, Insertion, Status, Vec
from guidance_svc.errors import BudgetSpent, GuidanceError
from guidance_svc.laws.air import bare_at_cutoff, cover_foreseen, drop_time_s, within_air_limits
from guidance_svc.laws.ascent import CLOCK_SLACK_S, dropped, event_id, lit_by
from guidance_svc.laws.engine import (
    FREEZE_BELOW_S,
    cruise_throttle,
    end_of,
    finished,
    flown_stage,
    near_end,
    on_tick,
    throttle_down,
    watched,
    with_end,
    with_tail_off,
)
from guidance_svc.laws.lean import leaned, with_lean
from guidance_svc.laws.limit_learnt import limit_watched, limit_words, ordered_throttle
from guidance_svc.laws.memory import Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.reach import (
    NO_WAY_FOUND,
    burn_missed,
    low_path,
    lowest_found,
    safe_direction,
    search_over,
    shortage,
    surely_short,
    within_reach,
)
from guidance_svc.laws.stack import burn_left_s, mass_at_burnout_kg, remaining_arcs, spent

HOLD_RATE_BELOW_S = 18.0  # to go: the turning rate is held, position can no longer be helped
STEPS_A_CYCLE = 4  # Newton steps in one major cycle
CALLS_A_START = 4  # major cycles given to one starting law before the next one is tried
LOFTED_PITCHES_RAD = (0.35, 0.8, 1.2, 0.1)  # starting laws after the first
CONTACT_S = 0.5
NEAR_CUTOFF_CONTACT_S = 0.1
STALE_AFTER_CYCLES = 4  # of attempts, and of time: while it fails, every state is an attempt
DEARER_FRAC = 0.02  # of the speed gain: a new law that costs so much more than the last is looked into
AFTER_TRUST_STEPS = 900  # integrator steps left to the rest of a cycle by the look at a law that is new or dearer
FRESH_STEPS = 12  # Newton steps of a law solved afresh
STANDING_M_S = 2.0  # over ground: slower than this before ignition is standing on the pad
RELIGHT_S = 1.0  # from finding that a burn was missed to its next ignition
OFF_ALLOWED_S = 1.0  # an engine may be told off so long after its ignition
HOPELESS_AFTER_CYCLES = 5  # without any law; 199 of 200 random ignitions have one after two, the search goes on
COAST_FLOOR_IN_AIR_M = 110e3  # drag over half a revolution is then a few m/s; common practice, no source
COAST_FLOOR_AIRLESS_M = 15e3  # over the highest ground of a large airless body; common practice, no source
WORTHWHILE_FRAC = 1e-3  # of the propellant to orbit
SEARCH_ENDS_S = 60.0  # before cutoff; a coast found so late saves little
MOST_CUT_SHORT = 4  # messages in a row whose budget ends before a step of the search does: then it is given up
TAKE_UP_CALLS = 6  # states given to a detour's law to converge from where the vehicle is by now


def insertion_enter(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> Memory:
    """Set the ignition; no law yet."""
    ignite_at = phase.ignite_at_s if phase.ignite_at_s is not None else now.time_s + phase.pause_s
    return replace(
        memory, stage=phase.first_stage, ignite_at_s=ignite_at, cutoff_at_s=None, separate_at_s=None,
        spent_at_s=None, law=None, trial=None, attempts=0, solved_at_s=None, finish=None, burning_since_s=None,
        engine=EngineEstimate(), told_scale=1.0, flown=None, steady=None, limit=None, throttle_frac=1.0,
        margin_kg=None, lesser=None, given_up="", search=None, lesser_search=None, detour=None, lowest_m=None,
        cover_goes_s=None, cover_seen_ahead_s=None, lean=None,
        short_cycles=0, margin_doubt_kg=0.0, tried_at_s=None, off_since_s=None, relit_at_s=None,
    )  # fmt: skip


def arcs_now(memory: Memory, now: Navigation, plan: FlightPlan) -> tuple[Arc, ...]:
    """What is left to burn from this state."""
    if memory.finish is not None:
        return (end_of(memory, plan, memory.stage, now.mass_kg).arc(now.mass_kg, memory.throttle_frac),)
    wait = 0.0 if memory.ignite_at_s is None else max(0.0, memory.ignite_at_s - now.time_s)
    wait = RELIGHT_S if memory.off_since_s is not None else wait
    drop = drop_time_s(memory, now, plan)
    if memory.separate_at_s is None:
        arcs = remaining_arcs(plan.vehicle, memory.stage, now.mass_kg, wait, memory.flown, drop)
    else:
        fresh = plan.vehicle.mass_at_ignition_kg(memory.stage + 1)
        arcs = remaining_arcs(plan.vehicle, memory.stage + 1, fresh, wait, None, drop)
    return with_end(arcs, memory, bare_at_cutoff(plan, memory, now))


def problem_now(memory: Memory, now: Navigation, plan: FlightPlan) -> Problem:
    """The burn to solve from this state."""
    target = memory.lesser or (memory.detour.target if memory.detour else plan.target)
    arcs = arcs_now(memory, now, plan)
    place, speed, time_s = now.position_m, now.velocity_m_s, now.time_s
    if not arcs[0].powered and norm(now.ground_velocity_m_s) < STANDING_M_S:
        time_s += arcs[0].duration_s  # on the pad the wait is no fall: the ground holds, and turns
        turned = plan.body.rotation_rad_s * arcs[0].duration_s
        place, speed = turn_z(place, turned), turn_z(speed, turned)
        arcs = arcs[1:]
    problem = Problem(time_s, place, speed, arcs, target, plan.body)
    return with_lean(with_tail_off(problem, memory, plan), memory)


def insertion_follow(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> Memory:
    """Ignition past, stage spent or dropped, cutoff in the last seconds: what each state brings."""
    lit = memory.ignite_at_s is not None and lit_by(memory.ignite_at_s, now)
    if lit and memory.separate_at_s is None:
        memory = replace(memory, ignite_at_s=None)
    if memory.separate_at_s is not None:
        return after_separation(memory, now, plan)
    if memory.ignite_at_s is not None:
        return memory
    if memory.cutoff_at_s is not None and now.time_s >= memory.cutoff_at_s and burn_missed(memory, now, plan):
        return relit(memory, now)
    memory = limit_watched(memory, watched(off_noted(memory, now), now, plan), now, plan)
    if near_end(memory, now, plan):
        return finished(memory, now, plan, problem_now(memory, now, plan))
    if not spent(plan.vehicle, memory.stage, now.mass_kg):
        throttle = cruise_throttle(flown_stage(memory, plan), now.mass_kg)
        if memory.stage + 1 == len(plan.vehicle.stages):
            return memory if throttle == memory.throttle_frac else replace(memory, throttle_frac=throttle)
        left = burn_left_s(plan.vehicle, memory.stage, now.mass_kg, memory.flown)
        return replace(memory, spent_at_s=now.time_s + left, throttle_frac=throttle)
    if memory.stage + 1 < len(plan.vehicle.stages):
        at = min(now.time_s, memory.spent_at_s) if memory.spent_at_s is not None else now.time_s
        pause = plan.vehicle.stages[memory.stage].drop_pause_s
        memory = replace(memory, separate_at_s=at, ignite_at_s=at + pause, spent_at_s=None, off_since_s=None)
        return after_separation(memory, now, plan)
    return memory


def relit(memory: Memory, now: Navigation) -> Memory:
    """The burn did not happen, or stopped early: light again soon, and solve from here."""
    return replace(
        memory, ignite_at_s=now.time_s + RELIGHT_S, cutoff_at_s=None, law=None, trial=None, attempts=0, finish=None,
        solved_at_s=None, burning_since_s=None, off_since_s=None, relit_at_s=now.time_s, detour=None, search=None,
        lesser_search=None, lean=None,
    )  # fmt: skip


def off_noted(memory: Memory, now: Navigation) -> Memory:
    """Since when the engine has been told off while it is ordered on."""
    if now.engine_on is not False or memory.ignite_at_s is not None:
        return memory if memory.off_since_s is None else replace(memory, off_since_s=None)
    return replace(memory, off_since_s=now.time_s) if memory.off_since_s is None else memory


def engine_words(memory: Memory, now: Navigation) -> tuple[str, ...]:
    """An engine that does not do what it was told, in words."""
    words = []
    if memory.off_since_s is not None and now.time_s - memory.off_since_s > OFF_ALLOWED_S:
        words.append(f"the engine is ordered on and told off since {memory.off_since_s:.1f} s")
    if memory.relit_at_s is not None:
        words.append(f"the burn had not ended in the orbit by its cutoff; lit again after {memory.relit_at_s:.1f} s")
    return tuple(words)


def after_separation(memory: Memory, now: Navigation, plan: FlightPlan) -> Memory:
    """Take the next stage once the spent one is gone."""
    if not dropped(memory, now, plan):
        return memory
    waiting = memory.ignite_at_s is not None and now.time_s < memory.ignite_at_s
    return replace(
        memory, stage=memory.stage + 1, separate_at_s=None, ignite_at_s=memory.ignite_at_s if waiting else None,
        engine=EngineEstimate(), told_scale=1.0, flown=None, steady=None, limit=None, burning_since_s=None,
        throttle_frac=1.0,
    )  # fmt: skip


def insertion_solve(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> Memory:
    """One major cycle from this state; while a detour is searched, a step of that too, or between two cycles alone."""
    if not between_cycles(memory, now, plan):
        memory = cycled(memory, now, plan, phase)
    return searched(memory, now, plan) if memory.search is not None and memory.attempts == 0 else memory


def cycled(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> Memory:
    """The law solved from this state."""
    problem = problem_now(memory, now, plan)
    start = starting_law(memory, problem)
    to_go = memory.law.cutoff_s - now.time_s if memory.law is not None else inf
    if to_go < FREEZE_BELOW_S:
        return search_over(memory)
    trial = solved_law(problem, start, memory.detour, to_go)
    if law_is_whole(memory.detour, to_go) and trial.converged:
        trial = trusted(memory, problem, trial)
    memory = replace(memory, trial=trial, solved_at_s=now.time_s)
    if not trial.converged:
        hopeless = memory.law is None and memory.attempts + 1 >= HOPELESS_AFTER_CYCLES
        return replace(
            memory, attempts=memory.attempts + 1, given_up=NO_WAY_FOUND if hopeless else memory.given_up
        )
    if memory.finish is not None and memory.cutoff_at_s is not None:
        trial = replace(trial, cutoff_s=memory.cutoff_at_s)
    first_look = memory.cover_goes_s is None
    memory = cover_foreseen(memory, problem, trial, plan)
    if first_look and memory.cover_goes_s is not None:
        problem = problem_now(memory, now, plan)
        again = solved_law(problem, trial, memory.detour, to_go)
        trial = again if again.converged else trial
    if memory.law is None and phase.may_coast and memory.lesser is None:
        floor_m = plan.body.radius_m + coast_floor_m(plan, phase)
        memory = replace(memory, search=begun(problem, trial, floor_m, phase.second_burn_at))
    if not held_at_floor(memory.detour):
        memory = lowest_found(memory, now, problem, trial, plan)
    memory = replace(memory, law=trial, trial=trial, attempts=0, cutoff_at_s=trial.cutoff_s)
    memory = on_tick(memory, now, plan, trial)
    if memory.finish is not None or memory.search is not None:  # which may find a way that needs less
        return search_over(memory)
    return within_reach(memory, now, problem, bare_at_cutoff(plan, memory, now))


def law_is_whole(detour: Detour | None, to_go_s: float) -> bool:
    """Whether the law is solved for direction, rate and cutoff: not in the last seconds, nor along the floor."""
    return to_go_s >= HOLD_RATE_BELOW_S and not held_at_floor(detour)


def solved_law(problem: Problem, start: Steering, detour: Detour | None, to_go_s: float) -> Steering:
    """A few Newton steps on the law that fits the time to go."""
    if to_go_s < HOLD_RATE_BELOW_S:
        return refine_direction(problem, start, STEPS_A_CYCLE)
    if detour is not None and held_at_floor(detour):
        return detour_law(problem, start, detour, STEPS_A_CYCLE)
    return refine(problem, start, STEPS_A_CYCLE)


def held_at_floor(detour: Detour | None) -> bool:
    """Whether the first burn of a detour is held at the floor."""
    return detour is not None and detour.entry_m_s > 0.0


def coast_floor_m(plan: FlightPlan, phase: Insertion) -> float:
    """Lowest altitude of a coast on the way, and of the burn before it once it is reached."""
    if phase.lowest_altitude_m is not None:
        return phase.lowest_altitude_m
    return COAST_FLOOR_AIRLESS_M if plan.body.atmosphere == "none" else COAST_FLOOR_IN_AIR_M


def between_cycles(memory: Memory, now: Navigation, plan: FlightPlan) -> bool:
    """Whether this call belongs to the search for a detour: the law itself is fresh."""
    if memory.search is None or memory.solved_at_s is None or memory.attempts > 0:
        return False
    return now.time_s - memory.solved_at_s < plan.major_cycle_s


def searched(memory: Memory, now: Navigation, plan: FlightPlan) -> Memory:
    """One step of the search; at its end the detour is taken up if it saves enough to be worth a second ignition."""
    search, law = memory.search, memory.law
    if search is None or law is None or law.cutoff_s - now.time_s < SEARCH_ENDS_S:
        return replace(memory, search=None)
    try:
        search = search if search.over else replace(stepped(search), cut_short=0)
        return searched_on(memory, now, plan, search)
    except BudgetSpent:  # the major cycle before it took too much of this message's: the next one may have enough
        again = search.cut_short + 1 < MOST_CUT_SHORT
        return replace(memory, search=replace(search, cut_short=search.cut_short + 1) if again else None)
    except (GuidanceError, ArithmeticError, ValueError):
        return replace(memory, search=None)


def searched_on(memory: Memory, now: Navigation, plan: FlightPlan, search: DetourSearch) -> Memory:
    """The memory after a step of the search."""
    if not search.over:
        return replace(memory, search=search)
    detour, arcs = search.detour, search.problem.arcs
    used = arcs[0].mass_kg - mass_at_end_kg(arcs, search.direct.burn_s)
    if search.stage == "none" or detour is None or detour.saved_kg < WORTHWHILE_FRAC * used:
        return replace(memory, search=None)
    return taken_up(replace(memory, search=search), now, plan, detour)


def taken_up(memory: Memory, now: Navigation, plan: FlightPlan, detour: Detour) -> Memory:
    """The detour's law from this state; tried again with the next states where it has not converged."""
    search = memory.search
    assert search is not None  # the caller's
    flown = replace(memory, detour=detour, search=None)
    problem = problem_now(flown, now, plan)
    trial = detour_law(problem, moved_on(search.trial or detour.law, problem), detour, STEPS_A_CYCLE)
    if trial.converged:
        return replace(flown, law=trial, trial=trial, cutoff_at_s=trial.cutoff_s, solved_at_s=now.time_s)
    again = search.calls + 1 < TAKE_UP_CALLS
    return replace(memory, search=replace(search, trial=trial, calls=search.calls + 1) if again else None)


def trusted(memory: Memory, problem: Problem, trial: Steering) -> Steering:
    """The trial, or a cheaper law in its place where it is new or costs more than the law in force.

    Newton's method finds any law that meets the conditions; one that turns the vehicle round meets them too. What is no
    minimum is not converged. What the cycle's budget leaves no room to look at is taken as it is.
    """
    if memory.law is not None and trial.gain_m_s <= (1.0 + DEARER_FRAC) * memory.law.gain_m_s:
        return trial
    trials, judged = [], False
    with suppress(BudgetSpent), allowed(max(left() - AFTER_TRUST_STEPS, 0)):  # what has been found by then counts
        minimum = is_minimum(problem, trial)
        trials, judged = [trial] if minimum else [], True
        for start in (first_guess(problem), moved_on(memory.law, problem)) if memory.law is not None else ():
            law = refine(problem, replace(start, inverse=None), FRESH_STEPS)
            if law.converged and is_minimum(problem, law):
                trials.append(law)
    return min(trials, key=lambda law: law.gain_m_s, default=replace(trial, converged=not judged))


def starting_law(memory: Memory, problem: Problem) -> Steering:
    """Where Newton begins: the last trial moved on; after too many attempts the law in force, then a fresh start."""
    restart, within = divmod(memory.attempts, CALLS_A_START)
    if memory.trial is None:
        return first_guess(problem)
    if within > 0 or restart == 0:
        return moved_on(memory.trial, problem)
    if memory.law is not None:
        if restart == 1:
            return replace(moved_on(memory.law, problem), inverse=None)
        if restart == 2:
            return first_guess(problem)
        restart -= 2
    return lofted_guess(problem, LOFTED_PITCHES_RAD[(restart - 1) % len(LOFTED_PITCHES_RAD)])


def moved_on(law: Steering, problem: Problem) -> Steering:
    """A law as it stands at the problem's time."""
    moved = law.advanced(problem.time_s, problem.body, problem.position_m)
    fixed = sum(arc.duration_s for arc in problem.arcs if arc.closing or not arc.powered)
    return replace(moved, burn_s=max(law.cutoff_s - problem.time_s - fixed, 1e-3))


def insertion_done(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> bool:
    """Whether the burn is over: cutoff past, or nothing left to burn."""
    if memory.cutoff_at_s is not None and now.time_s >= memory.cutoff_at_s and memory.ignite_at_s is None:
        return not burn_missed(memory, now, plan)
    last = memory.stage + 1 == len(plan.vehicle.stages)
    return last and memory.ignite_at_s is None and spent(plan.vehicle, memory.stage, now.mass_kg)


def insertion_fly(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> Order:
    """Steer by the last law; say when to light, separate and cut."""
    law = memory.law or memory.trial
    if law is None:
        raise ValueError("insertion flown before its first solution")
    waiting = memory.ignite_at_s is not None
    spent_at = memory.spent_at_s if memory.spent_at_s is not None else inf
    staging = memory.law is not None and not waiting and more_stages_needed(memory, plan, law, spent_at)
    cutoff = spent_at if staging else memory.cutoff_at_s
    at_the_instant = memory.ignite_at_s is not None and memory.ignite_at_s - now.time_s <= CLOCK_SLACK_S
    lit = not waiting or (at_the_instant and memory.separate_at_s is None)
    burning = lit and (waiting or cutoff is None or now.time_s < cutoff)
    return Order(
        direction=steered(memory, law, now, plan, now.time_s),
        direction_soon=steered(memory, law, now, plan, now.time_s + 1.0),
        engine_on=burning,
        throttle_frac=ordered_throttle(memory, plan),
        cutoff_at_s=cutoff if memory.law is not None and not waiting else None,
        events=insertion_events(memory, plan, spent_at if staging else None),
        throttle_down=None if staging else throttle_down(memory, now, plan),
        next_contact_s=CONTACT_S if law.cutoff_s - now.time_s > 3.0 else NEAR_CUTOFF_CONTACT_S,
        status=insertion_status(memory, now, plan),
        warnings=(
            *shortage(memory, plan), *low_path(memory, plan), *saving(memory, plan), *engine_words(memory, now),
            *stale_words(memory, now, plan), *limit_words(memory),
        ),
    )  # fmt: skip


def steered(memory: Memory, law: Steering, now: Navigation, plan: FlightPlan, time_s: float) -> Vec:
    """The law's direction at a time, kept off the ground and within the air's limits."""
    direction = leaned(unit(law.vector_at(time_s)), memory.lean, time_s)
    return within_air_limits(safe_direction(memory, now, direction), now, plan)


def insertion_numbers(memory: Memory, now: Navigation, plan: FlightPlan, phase: Insertion) -> Numbers:
    """Velocity to gain, margin and predicted orbit of the present law."""
    law = memory.law
    if law is None:
        return Numbers()
    arcs = arcs_now(memory, now, plan)
    fixed = sum(arc.duration_s for arc in arcs if arc.closing or not arc.powered)
    to_go = max(law.cutoff_s - now.time_s - fixed, 0.0)
    vehicle = bare_at_cutoff(plan, memory, now).vehicle
    left = mass_at_end_kg(arcs, to_go) - mass_at_burnout_kg(vehicle, len(vehicle.stages) - 1)
    return Numbers(gain_m_s(arcs, to_go), left, orbit_report(law.position_m, law.velocity_m_s, plan.body))


def saving(memory: Memory, plan: FlightPlan) -> tuple[str, ...]:
    """What a coast part of the way saves, in words."""
    detour = memory.detour
    if detour is None:
        return ()
    low, high = ((r - plan.body.radius_m) / 1000.0 for r in (
        detour.target.perigee_radius_m, detour.target.apogee_radius_m))  # fmt: skip
    said = (f"a coast saves {detour.saved_kg:.0f} kg: first to {low:.1f} x {high:.1f} km, then "
            f"{detour.second_m_s:.1f} m/s at apoapsis")  # fmt: skip
    if detour.dip_m is None:
        return (said,)
    return (said, f"the first burn is held at {low:.1f} km, where it would sink to {detour.dip_m / 1000.0:.1f} km: "
                  f"that costs {detour.floor_cost_kg:.0f} kg")  # fmt: skip


def more_stages_needed(memory: Memory, plan: FlightPlan, law: Steering, spent_at_s: float) -> bool:
    """Whether the present stage will be spent before the cutoff."""
    return memory.stage + 1 < len(plan.vehicle.stages) and spent_at_s < law.cutoff_s


def insertion_events(memory: Memory, plan: FlightPlan, spent_at_s: float | None) -> tuple[Event, ...]:
    """Ignition, separations and the cutoff that are known by now."""
    events = []
    if memory.separate_at_s is not None:
        events.append(Event(event_id(memory, "separate"), "separate", memory.separate_at_s))
    elif spent_at_s is not None:
        events.append(Event(event_id(memory, "separate"), "separate", spent_at_s))
    if memory.ignite_at_s is not None:
        lit = memory if memory.separate_at_s is None else replace(memory, stage=memory.stage + 1)
        events.append(Event(burn_event_id(lit, "ignite"), "ignite", memory.ignite_at_s))
    elif memory.law is not None and memory.cutoff_at_s is not None and spent_at_s is None:
        events.append(Event(burn_event_id(memory, "cutoff"), "cutoff", memory.cutoff_at_s))
    return tuple(events)


def insertion_status(memory: Memory, now: Navigation, plan: FlightPlan) -> Status:
    """How far the solution can be trusted."""
    if memory.law is None:
        return "unreachable" if memory.given_up else "converging"
    off = memory.off_since_s is not None and now.time_s - memory.off_since_s > OFF_ALLOWED_S
    if off or not_renewed(memory, now, plan):
        return "stale"
    if memory.given_up and memory.lesser is None:
        return "unreachable"
    return "short_of_propellant" if memory.given_up or surely_short(memory) else "ok"


def not_renewed(memory: Memory, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the law in force is old for want of a new one."""
    if memory.law is None or memory.attempts < STALE_AFTER_CYCLES:
        return False
    return now.time_s - memory.law.epoch_s >= STALE_AFTER_CYCLES * plan.major_cycle_s


def stale_words(memory: Memory, now: Navigation, plan: FlightPlan) -> tuple[str, ...]:
    """A law that has not been renewed, in words."""
    if memory.law is None or not not_renewed(memory, now, plan):
        return ()
    return (f"guidance has not converged since {memory.law.epoch_s:.1f} s; the law of that time is flown on",)


def burn_event_id(memory: Memory, name: str) -> str:
    """Id of an ignition or cutoff; a burn lit again after a miss has ids of its own."""
    again = "" if memory.relit_at_s is None else f"-again{memory.relit_at_s:.0f}"
    return event_id(memory, name) + again

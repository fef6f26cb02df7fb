"""What the law `insertion` remembers, and the burn that it solves from a state."""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.burns import Arc
from guidance_svc.core.detour_search import DetourSearch
from guidance_svc.core.frames import turn_z
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import norm
from guidance_svc.domain import FlightPlan
from guidance_svc.laws.cover import bare_at_cutoff, drop_time_s
from guidance_svc.laws.engine import best_known, end_of, with_end, with_tail_off
from guidance_svc.laws.lean import with_lean
from guidance_svc.laws.memory import Burn, Memory
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import remaining_arcs

STANDING_M_S = 2.0  # over ground: slower than this before ignition is standing on the pad
RELIGHT_S = 1.0  # from finding that a burn was missed to its next ignition


class LesserSearch(NamedTuple):
    """A search for a lesser target that goes on over several major cycles, from the state at which it began.

    Args:
        problem, law: of the state at which it began.
        burnout_kg: mass that must be left.
        solutions: that it has asked for so far.
    """

    problem: Problem
    law: Steering
    burnout_kg: float
    solutions: tuple[Steering, ...] = ()


class InsertionMemory(NamedTuple):
    """What an insertion remembers.

    Args:
        spent_at_s: when the present stage's propellant ends, as last seen.
        separate_at_s: planned separation.
        off_since_s: since when the engine is told off although it is ordered on.
        relit_at_s: when a burn that had been missed was found out.
        tried_at_s: when the plan's own target was last tried again, while it is given up.
        lowest_m: least altitude on the way to cutoff, as seen when the law last converged anew.
        lesser_search: for a lesser target, while it goes on.
        search: for a way with a coast, while it goes on.
    """

    burn: Burn
    spent_at_s: float | None = None
    separate_at_s: float | None = None
    off_since_s: float | None = None
    relit_at_s: float | None = None
    tried_at_s: float | None = None
    lowest_m: float | None = None
    lesser_search: LesserSearch | None = None
    search: DetourSearch | None = None


def arcs_now(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan) -> tuple[Arc, ...]:
    """What is left to burn from this state."""
    flight, own = memory
    burn = own.burn
    if burn.finish is not None:
        return (end_of(flight, plan, flight.stage, now.mass_kg).arc(now.mass_kg, flight.throttle_frac),)
    wait = 0.0 if burn.ignite_at_s is None else max(0.0, burn.ignite_at_s - now.time_s)
    wait = RELIGHT_S if own.off_since_s is not None else wait
    drop = drop_time_s(flight, now, plan)
    if own.separate_at_s is None:
        arcs = remaining_arcs(plan.vehicle, flight.stage, now.mass_kg, wait, flight.engine.flown, drop)
    else:
        fresh = plan.vehicle.mass_at_ignition_kg(flight.stage + 1)
        arcs = remaining_arcs(plan.vehicle, flight.stage + 1, fresh, wait, None, drop)
    return with_end(arcs, flight, bare_at_cutoff(plan, flight, burn.law, now))


def problem_now(memory: Memory[InsertionMemory], now: Navigation, plan: FlightPlan) -> Problem:
    """The burn to solve from this state."""
    burn = memory.own.burn
    target = burn.lesser or (burn.detour.target if burn.detour else plan.target)
    arcs = arcs_now(memory, now, plan)
    (place, speed), time_s = best_known(memory.flight, now), now.time_s
    if not arcs[0].powered and norm(now.ground_velocity_m_s) < STANDING_M_S:
        time_s += arcs[0].duration_s  # on the pad the wait is no fall: the ground holds, and turns
        turned = plan.body.rotation_rad_s * arcs[0].duration_s
        place, speed = turn_z(place, turned), turn_z(speed, turned)
        arcs = arcs[1:]
    problem = Problem(time_s, place, speed, arcs, target, plan.body)
    return with_lean(with_tail_off(problem, memory.flight, burn, plan), burn)

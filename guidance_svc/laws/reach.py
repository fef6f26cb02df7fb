"""Whether the target is within reach, what is flown instead, and the way back when it comes within reach again.

What is given up is a finding of the last cycles, never for good: the plan's own target is tried again every two
seconds.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt

from guidance_svc.core.burns import allot, gain_m_s, mass_at_end_kg
from guidance_svc.core.detour import Detour
from guidance_svc.core.kepler import apsides, inclination_rad
from guidance_svc.core.shortfall import STEPS, lesser_target, lowest_radius_m, margin_kg, safe_perigee_radius_m
from guidance_svc.core.steering import Problem, Steering, refine
from guidance_svc.core.vectors import along, dot, norm, unit
from guidance_svc.domain import FlightPlan, Target, Vec
from guidance_svc.laws.lesser_search import searched
from guidance_svc.laws.memory import LesserSearch, Memory
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import mass_at_burnout_kg, stage_arcs

THICK_AIR_BELOW_M = 45e3  # closed-loop guidance knows no drag; below this it is felt
THROUGH_THE_GROUND = "the way leads through the ground"
NO_WAY_FOUND = "no way to the target found so far"
SPENT_EARLY = "the propellant ended before the cutoff"
LOW_SLACK_M = 100.0  # a start from the ground is no dip
SHORT_FRAC = 2e-4  # of the burnout mass: a smaller shortage is left to the estimate to settle
SHORT_SIGMAS = 3.0  # of the margin's own uncertainty
GRAVITY_SHARE = 0.2  # of the speed gain that gravity takes on a usual ascent; common practice, no source
SURELY_SHORT_CYCLES = 2  # major cycles in a row that must agree before the propellant is called short
SHORT_CYCLES = 4  # major cycles in a row that must agree before anything is given up
BACK_FRAC = 5e-4  # of the burnout mass: margin at which the plan's own target is taken up again
TRY_AGAIN_S = 2.0  # how often the plan's own target is tried again
MISSED_BURN_M_S = 30.0  # still to gain after the planned cutoff: more than any tail-off or late cut explains
PLANE_MISSED_RAD = 1e-3  # 0.06 deg, worth saying at the end


def lowest_found(memory: Memory, now: Navigation, problem: Problem, law: Steering, plan: FlightPlan) -> Memory:
    """Least altitude on the way, and whether that is under the ground; looked at again while it is."""
    doubtful = memory.given_up in (THROUGH_THE_GROUND, NO_WAY_FOUND)
    if memory.law is not None and memory.attempts == 0 and not doubtful:
        return memory
    lowest = lowest_radius_m(problem, law)
    ground = min(plan.body.radius_m * (1.0 - plan.body.flattening), norm(now.position_m)) - LOW_SLACK_M
    still = "" if doubtful else memory.given_up
    given_up = THROUGH_THE_GROUND if lowest < ground else still
    return replace(memory, lowest_m=lowest - plan.body.radius_m, given_up=given_up)


def within_reach(memory: Memory, now: Navigation, problem: Problem, plan: FlightPlan) -> Memory:
    """Margin of a converged law; a lesser target after several cycles short, the plan's own as soon as it is back."""
    law = memory.law
    if law is None:
        return memory
    burnout = burnout_kg(memory.detour, problem, plan)
    margin, doubt = margin_kg(problem, law, burnout), margin_doubt_kg(memory, now, problem, burnout)
    memory = replace(memory, margin_kg=margin, margin_doubt_kg=doubt)
    if memory.lesser is not None or (memory.given_up and memory.given_up != THROUGH_THE_GROUND):
        memory = back_to_plan(memory, now, problem, plan)
        margin = memory.margin_kg if memory.margin_kg is not None else margin
    if margin >= -doubt:
        memory = search_over(memory)
        return memory if memory.short_cycles == 0 else replace(memory, short_cycles=0)
    memory = replace(memory, short_cycles=memory.short_cycles + 1)
    if memory.short_cycles < SHORT_CYCLES or (memory.given_up and memory.lesser is None):
        return search_over(memory)
    search = memory.lesser_search or LesserSearch(problem, law, burnout)
    memory, found = searched(memory, search, lambda s: lesser_target(s.problem, s.law, s.burnout_kg))
    if found is None or found.what is None:
        return memory if found is None else replace(memory, short_cycles=0)  # an error: sought again later
    lesser = found.what
    return replace(
        memory, detour=None, lesser=lesser.target, given_up=lesser.given_up, law=lesser.law, trial=lesser.law,
        cutoff_at_s=lesser.law.cutoff_s, margin_kg=margin_kg(search.problem, lesser.law, search.burnout_kg),
        short_cycles=0, tried_at_s=now.time_s,
    )  # fmt: skip


def weighed(memory: Memory, now: Navigation, problem: Problem, margin: float, burnout: float) -> Memory:
    """The margin of a burn for which nothing else is sought, and in how many cycles in a row it has been short, kg."""
    doubt = margin_doubt_kg(memory, now, problem, burnout)
    cycles = memory.short_cycles + 1 if margin < -doubt else 0
    return replace(memory, margin_kg=margin, margin_doubt_kg=doubt, short_cycles=cycles)


def margin_doubt_kg(memory: Memory, now: Navigation, problem: Problem, burnout: float) -> float:
    """How much a margin may be short by without being so, kg: three times its own sigma."""
    law = memory.law
    sigma = margin_sigma_kg(memory, now, problem, law) if law is not None else 0.0
    return max(SHORT_FRAC * burnout, SHORT_SIGMAS * sigma)


def search_over(memory: Memory) -> Memory:
    """The memory without a search for a lesser target: while there is one, every state has a major cycle."""
    return memory if memory.lesser_search is None else replace(memory, lesser_search=None)


def margin_sigma_kg(memory: Memory, now: Navigation, problem: Problem, law: Steering) -> float:
    """One sigma of the margin, as far as the telemetry of the present stage has to do with it.

    Final mass is present mass times exp(-gain / exhaust velocity); gravity takes a share of the gain that grows
    as the thrust falls. Before there is telemetry the plan's figures are taken at their word.
    """
    engine = memory.engine
    if engine.noise is None:
        return 0.0
    share = 0.0
    for arc, duration in allot(problem.arcs, law.burn_s):
        if arc.powered and arc.stage == memory.stage:
            share += arc.speed_gain_m_s(duration) / arc.exhaust_velocity_m_s
    slow = 2.0 * engine.noise_m_s / problem.arcs[-1].exhaust_velocity_m_s
    thrust = GRAVITY_SHARE * engine.known.thrust_sigma
    mass = engine.mass_noise_kg / now.mass_kg
    return mass_at_end_kg(problem.arcs, law.burn_s) * sqrt(
        share**2 * (engine.exhaust_sigma**2 + thrust**2) + slow**2 + mass**2
    )


def surely_short(memory: Memory) -> bool:
    """Whether the propellant has been found short, by more than its doubt, for more than one cycle."""
    return memory.short_cycles >= SURELY_SHORT_CYCLES


def burnout_kg(detour: Detour | None, problem: Problem, plan: FlightPlan) -> float:
    """Mass that must be left at cutoff: the empty last stage with its reserve, and a second burn's propellant."""
    burnout = mass_at_burnout_kg(plan.vehicle, len(plan.vehicle.stages) - 1)
    return burnout * exp(detour.second_m_s / problem.arcs[-1].exhaust_velocity_m_s) if detour else burnout


def back_to_plan(memory: Memory, now: Navigation, problem: Problem, plan: FlightPlan) -> Memory:
    """The plan's own target again, if it is within reach by now."""
    before = memory.law
    if plan.target is None or before is None:
        return memory
    if memory.tried_at_s is not None and now.time_s - memory.tried_at_s < TRY_AGAIN_S:
        return memory
    memory = replace(memory, tried_at_s=now.time_s)
    whole = replace(problem, target=plan.target)
    law = refine(whole, before, STEPS)
    burnout = burnout_kg(None, problem, plan)
    if not law.converged or margin_kg(whole, law, burnout) < BACK_FRAC * burnout:
        return memory
    return replace(
        memory, lesser=None, given_up="", law=law, trial=law, cutoff_at_s=law.cutoff_s, short_cycles=0,
        margin_kg=margin_kg(whole, law, burnout),
    )  # fmt: skip


def still_missing_m_s(now: Navigation, target: Target, plan: FlightPlan) -> float:
    """Speed still missing to a target's orbital energy at this place; negative when there is too much."""
    mu = plan.body.mu_m3_s2
    energy = -mu / (target.perigee_radius_m + target.apogee_radius_m)
    wanted = 2.0 * (energy + mu / norm(now.position_m))
    return sqrt(max(wanted, 0.0)) - norm(now.velocity_m_s)


def burn_missed(memory: Memory, now: Navigation, plan: FlightPlan) -> bool:
    """Whether, past its cutoff, the burn plainly did not happen: the script was silent, or the engine off."""
    target = memory.lesser or (memory.detour.target if memory.detour else plan.target)
    if target is None or now.engine_on or still_missing_m_s(now, target, plan) < MISSED_BURN_M_S:
        return False
    arcs = tuple(stage_arcs(plan.vehicle, memory.stage, now.mass_kg, memory.flown))
    return gain_m_s(arcs, arcs[0].duration_s) > MISSED_BURN_M_S


def safe_direction(memory: Memory, now: Navigation, direction: Vec) -> Vec:
    """With no orbit within reach, never below the horizon: the ground is no target."""
    below = dot(direction, now.local.up)
    if not memory.given_up or memory.lesser is not None or below >= 0.0:
        return direction
    level = along(direction, -below, now.local.up)
    return unit(level) if norm(level) > 1e-6 else now.local.up


def shortage(memory: Memory, plan: FlightPlan) -> tuple[str, ...]:
    """What is short and what is flown instead, in words."""
    if not memory.given_up:
        short = f"propellant short by {-(memory.margin_kg or 0.0):.0f} kg for this target"
        return (short,) if surely_short(memory) else ()
    if memory.lesser is None:
        return (f"out of reach: {memory.given_up}",)
    low, high = ((r - plan.body.radius_m) / 1000.0 for r in (
        memory.lesser.perigee_radius_m, memory.lesser.apogee_radius_m))  # fmt: skip
    return (f"propellant does not reach the plan's target; given up: {memory.given_up}; "
            f"flying to {low:.1f} x {high:.1f} km",)  # fmt: skip


def low_path(memory: Memory, plan: FlightPlan) -> tuple[str, ...]:
    """A path that leads through the ground or thick air, in words."""
    floor = -plan.body.flattening * plan.body.radius_m if plan.body.atmosphere == "none" else THICK_AIR_BELOW_M
    if memory.law is None or memory.lowest_m is None or memory.lowest_m >= floor - LOW_SLACK_M:
        return ()
    return (f"the way to the target dips to {memory.lowest_m / 1000.0:.1f} km",)


def missed_at_the_end(memory: Memory, now: Navigation, plan: FlightPlan) -> tuple[str, ...]:
    """What the orbit at the end lacks, in words; empty when it is an orbit in the wanted plane."""
    low, _ = apsides(now.position_m, now.velocity_m_s, plan.body.mu_m3_s2)
    ground = plan.body.radius_m * (1.0 - plan.body.flattening)
    words = list(shortage(memory, plan)) if memory.given_up else []
    if low < ground:
        words.append(f"no orbit: the path meets the ground, perigee {(low - plan.body.radius_m) / 1000.0:.1f} km")
    elif low < safe_perigee_radius_m(plan.body):
        words.append(f"perigee {(low - plan.body.radius_m) / 1000.0:.1f} km will not last")
    target = plan.target
    if target is not None and target.plane != "free":
        off = abs(inclination_rad(now.position_m, now.velocity_m_s) - target.inclination_rad)
        if off > PLANE_MISSED_RAD:
            words.append(f"inclination {off * 57.29577951308232:.3f} deg off the plan's")
    return tuple(words)

"""Whether the target is within reach, what is flown instead, and the way back when it comes within reach again.

What is given up is a finding of the last cycles, never for good: the plan's own target is tried again every two
seconds.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt
from typing import Any

from guidance_svc.core.burns import allot, gain_m_s, mass_at_end_kg
from guidance_svc.core.compiled import part
from guidance_svc.core.detour import Detour
from guidance_svc.core.estimator import mass_noise_of, noise_of
from guidance_svc.core.kepler import apsides, inclination_rad
from guidance_svc.core.shortfall import STEPS, lesser_target, lowest_radius_m, margin_kg, safe_perigee_radius_m
from guidance_svc.core.steering import Problem, Steering, refine
from guidance_svc.core.thrust_line import Known, Noise
from guidance_svc.core.vectors import along, dot, norm, unit
from guidance_svc.domain import FlightPlan, Target, Vec
from guidance_svc.laws.insertion_memory import InsertionMemory, LesserSearch
from guidance_svc.laws.lesser_search import search_lesser
from guidance_svc.laws.memory import Burn, Flight, Margin, Memory
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


def lowest_found(
    own: InsertionMemory, now: Navigation, problem: Problem, law: Steering, plan: FlightPlan
) -> InsertionMemory:
    """Least altitude on the way, and whether that is under the ground; looked at again while it is."""
    burn = own.burn
    doubtful = burn.given_up in (THROUGH_THE_GROUND, NO_WAY_FOUND)
    if burn.law is not None and burn.attempts == 0 and not doubtful:
        return own
    lowest = lowest_radius_m(problem, law)
    ground = min(plan.body.radius_m * (1.0 - plan.body.flattening), norm(now.position_m)) - LOW_SLACK_M
    still = "" if doubtful else burn.given_up
    given_up = THROUGH_THE_GROUND if lowest < ground else still
    return own._replace(lowest_m=lowest - plan.body.radius_m, burn=burn._replace(given_up=given_up))


def within_reach(
    memory: Memory[InsertionMemory], now: Navigation, problem: Problem, plan: FlightPlan
) -> Memory[InsertionMemory]:
    """Margin of a converged law; a lesser target after several cycles short, the plan's own as soon as it is back."""
    flight, own = memory
    if own.burn.law is None:
        return memory
    burnout = burnout_kg(own.burn.detour, problem, plan)
    doubt = margin_doubt_kg(flight, own.burn, now, problem, burnout)
    return Memory(flight, with_margin(own, own.burn.law, burnout, doubt, now, problem, plan))


def with_margin(
    own: InsertionMemory, law: Steering, empty_kg: float, doubt_kg: float, now: Navigation, problem: Problem,
    plan: FlightPlan,
) -> InsertionMemory:  # fmt: skip
    """The margin of a law with its doubt, and what follows from it; `empty_kg` is the mass at burnout."""
    margin = margin_kg(problem, law, empty_kg)
    own = with_burn_margin(own, kg=margin, doubt_kg=doubt_kg)
    if own.burn.lesser is not None or (own.burn.given_up and own.burn.given_up != THROUGH_THE_GROUND):
        own = back_to_plan(own, now, problem, plan)
        margin = own.burn.margin.kg if own.burn.margin.kg is not None else margin
    if margin >= -doubt_kg:
        return with_burn_margin(search_over(own), short_cycles=0)
    own = with_burn_margin(own, short_cycles=own.burn.margin.short_cycles + 1)
    if own.burn.margin.short_cycles < SHORT_CYCLES or (own.burn.given_up and own.burn.lesser is None):
        return search_over(own)
    search = own.lesser_search or LesserSearch(problem, law, empty_kg)
    rest, found = search_lesser(search, lambda s: lesser_target(s.problem, s.law, s.burnout_kg))
    own = own._replace(lesser_search=rest)
    if found is None or found.what is None:
        return own if found is None else with_burn_margin(own, short_cycles=0)  # an error: sought again later
    lesser = found.what
    burn = own.burn._replace(
        detour=None, lesser=lesser.target, given_up=lesser.given_up, law=lesser.law, trial=lesser.law,
        cutoff_at_s=lesser.law.cutoff_s,
    )  # fmt: skip
    margin = margin_kg(search.problem, lesser.law, search.burnout_kg)
    return with_burn_margin(own._replace(burn=burn, tried_at_s=now.time_s), kg=margin, short_cycles=0)


def with_burn_margin(own: InsertionMemory, **changes: Any) -> InsertionMemory:
    """The memory with some of its burn's margin changed."""
    return own._replace(burn=own.burn._replace(margin=own.burn.margin._replace(**changes)))


def weigh_margin(
    flight: Flight, burn: Burn, now: Navigation, problem: Problem, left_kg: float, empty_kg: float
) -> Burn:
    """The burn with its margin and in how many cycles in a row that was short; nothing else is sought for it."""
    doubt_kg = margin_doubt_kg(flight, burn, now, problem, empty_kg)
    cycles = burn.margin.short_cycles + 1 if left_kg < -doubt_kg else 0
    return burn._replace(margin=Margin(left_kg, doubt_kg, cycles))


def margin_doubt_kg(flight: Flight, burn: Burn, now: Navigation, problem: Problem, empty_kg: float) -> float:
    """How much a margin may be short by without being so: three times its own sigma."""
    return doubt_of_kg(margin_sigma_kg(flight, now, problem, burn.law) if burn.law is not None else 0.0, empty_kg)


@part
def doubt_of_kg(sigma_kg: float, empty_kg: float) -> float:
    """The same of a margin's sigma; `empty_kg` is the mass at burnout."""
    return max(SHORT_FRAC * empty_kg, SHORT_SIGMAS * sigma_kg)


def search_over(own: InsertionMemory) -> InsertionMemory:
    """The memory without a search for a lesser target: while there is one, every state has a major cycle."""
    return own if own.lesser_search is None else own._replace(lesser_search=None)


def margin_sigma_kg(flight: Flight, now: Navigation, problem: Problem, law: Steering) -> float:
    """One sigma of the margin, as far as the telemetry of the present stage has to do with it.

    Final mass is present mass times exp(-gain / exhaust velocity); gravity takes a share of the gain that grows
    as the thrust falls. Before there is telemetry the plan's figures are taken at their word.
    """
    engine = flight.engine.estimate
    if engine.noise.freedom == 0.0:
        return 0.0
    share = 0.0
    for arc, duration in allot(problem.arcs, law.burn_s):
        if arc.powered and arc.stage == flight.stage:
            share += arc.speed_gain_m_s(duration) / arc.exhaust_velocity_m_s
    end_kg = mass_at_end_kg(problem.arcs, law.burn_s)
    return end_sigma_kg(engine.noise, engine.known, share, end_kg, now.mass_kg, problem.arcs[-1].exhaust_velocity_m_s)


@part
def end_sigma_kg(
    noise: Noise, known: Known, share_frac: float, end_kg: float, mass_kg: float, exhaust_velocity_m_s: float
) -> float:
    """One sigma of the mass at the end of a burn.

    Args:
        share_frac: speed gain of the present stage over its exhaust velocity.
        mass_kg: now.
        exhaust_velocity_m_s: of the last stage.
    """
    slow = 2.0 * noise_of(noise) / exhaust_velocity_m_s
    thrust, mass = GRAVITY_SHARE * known.thrust_sigma, mass_noise_of(noise) / mass_kg
    gain = share_frac * share_frac * (known.exhaust_sigma * known.exhaust_sigma + thrust * thrust)
    return end_kg * sqrt(gain + slow * slow + mass * mass)


def surely_short(burn: Burn) -> bool:
    """Whether the propellant has been found short, by more than its doubt, for more than one cycle."""
    return burn.margin.short_cycles >= SURELY_SHORT_CYCLES


def burnout_kg(detour: Detour | None, problem: Problem, plan: FlightPlan) -> float:
    """Mass that must be left at cutoff: the empty last stage with its reserve, and a second burn's propellant."""
    burnout = mass_at_burnout_kg(plan.vehicle, len(plan.vehicle.stages) - 1)
    return burnout * exp(detour.second_m_s / problem.arcs[-1].exhaust_velocity_m_s) if detour else burnout


def back_to_plan(own: InsertionMemory, now: Navigation, problem: Problem, plan: FlightPlan) -> InsertionMemory:
    """The plan's own target again, if it is within reach by now."""
    before = own.burn.law
    if plan.target is None or before is None:
        return own
    if own.tried_at_s is not None and now.time_s - own.tried_at_s < TRY_AGAIN_S:
        return own
    own = own._replace(tried_at_s=now.time_s)
    whole = replace(problem, target=plan.target)
    law = refine(whole, before, STEPS)
    burnout = burnout_kg(None, problem, plan)
    if not law.converged or margin_kg(whole, law, burnout) < BACK_FRAC * burnout:
        return own
    burn = own.burn._replace(lesser=None, given_up="", law=law, trial=law, cutoff_at_s=law.cutoff_s)
    return with_burn_margin(own._replace(burn=burn), short_cycles=0, kg=margin_kg(whole, law, burnout))


def still_missing_m_s(now: Navigation, target: Target, plan: FlightPlan) -> float:
    """Speed still missing to a target's orbital energy at this place; negative when there is too much."""
    mu = plan.body.mu_m3_s2
    energy = -mu / (target.perigee_radius_m + target.apogee_radius_m)
    wanted = 2.0 * (energy + mu / norm(now.position_m))
    return sqrt(max(wanted, 0.0)) - norm(now.velocity_m_s)


def burn_missed(flight: Flight, burn: Burn, now: Navigation, plan: FlightPlan) -> bool:
    """Whether, past its cutoff, the burn plainly did not happen: the script was silent, or the engine off."""
    target = burn.lesser or (burn.detour.target if burn.detour else plan.target)
    if target is None or now.engine_on or still_missing_m_s(now, target, plan) < MISSED_BURN_M_S:
        return False
    arcs = tuple(stage_arcs(plan.vehicle, flight.stage, now.mass_kg, flight.engine.flown))
    return gain_m_s(arcs, arcs[0].duration_s) > MISSED_BURN_M_S


def safe_direction(burn: Burn, now: Navigation, direction: Vec) -> Vec:
    """With no orbit within reach, never below the horizon: the ground is no target."""
    below = dot(direction, now.local.up)
    if not burn.given_up or burn.lesser is not None or below >= 0.0:
        return direction
    level = along(direction, -below, now.local.up)
    return unit(level) if norm(level) > 1e-6 else now.local.up


def shortage(burn: Burn, plan: FlightPlan) -> tuple[str, ...]:
    """What is short, or what was given up and is flown instead, in words."""
    if burn.given_up:
        return given_up_words(burn.given_up, burn.lesser, plan)
    if not surely_short(burn):
        return ()
    return (f"propellant short by {-(burn.margin.kg or 0.0):.0f} kg for this target",)


def given_up_words(given_up: str, lesser: Target | None, plan: FlightPlan) -> tuple[str, ...]:
    """What was given up and is flown instead, in words; none while the plan's own target is flown."""
    if not given_up:
        return ()
    if lesser is None:
        return (f"out of reach: {given_up}",)
    low, high = ((r - plan.body.radius_m) / 1000.0 for r in (lesser.perigee_radius_m, lesser.apogee_radius_m))
    return (
        f"propellant does not reach the plan's target; given up: {given_up}; flying to {low:.1f} x {high:.1f} km",
    )


def low_path(own: InsertionMemory, plan: FlightPlan) -> tuple[str, ...]:
    """A path that leads through the ground or thick air, in words."""
    floor = -plan.body.flattening * plan.body.radius_m if plan.body.atmosphere == "none" else THICK_AIR_BELOW_M
    if own.burn.law is None or own.lowest_m is None or own.lowest_m >= floor - LOW_SLACK_M:
        return ()
    return (f"the way to the target dips to {own.lowest_m / 1000.0:.1f} km",)


def misses_at_the_end(
    given_up: str, lesser: Target | None, now: Navigation, plan: FlightPlan
) -> tuple[str, ...]:
    """What the orbit at the end lacks, in words; empty when it is an orbit in the wanted plane."""
    low, _ = apsides(now.position_m, now.velocity_m_s, plan.body.mu_m3_s2)
    ground = plan.body.radius_m * (1.0 - plan.body.flattening)
    words = list(given_up_words(given_up, lesser, plan))
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

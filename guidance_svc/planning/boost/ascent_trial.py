"""One trial of a boost program: boost in coarse steps, then the upper stage by the law that will steer it.

The upper stage's burn is not flown closed loop: the explicit law solved at ignition is the optimum from there. Only
its first stretch is flown, because there the air still drags, and the law is solved again where the air has ended.
A cover is carried until the way of that law meets the conditions for its drop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from typing import NamedTuple

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.boost import (
    BoostEngine,
    Curve,
    Towards,
    curve_of,
    launch_heading_rad,
    limits_of,
    program_of,
    shape_of,
    wanted_normal,
)
from guidance_svc.core.burns import Arc, mass_at_end_kg
from guidance_svc.core.cover import cover_drop_s
from guidance_svc.core.frames import ground_velocity, site_state, triad
from guidance_svc.core.starter import first_guess, lofted_guess
from guidance_svc.core.steering import Problem, Steering, refine
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Boost, FlightPlan, Hold, Insertion, Vec, Vehicle
from guidance_svc.errors import ConfigError
from guidance_svc.laws.boost import SEPARATION_DELAY_S
from guidance_svc.laws.engine import cruise_throttle
from guidance_svc.laws.stack import mass_at_burnout_kg, remaining_arcs
from guidance_svc.planning.boost.ascent_kernel import Boosted, Booster, Ends, fly_boost, fly_steered
from guidance_svc.sim.motion import fly, height_above_ellipsoid_m
from guidance_svc.sim.state import World

STEP_S = 0.25
AIR_CHUNK_S = 45.0  # of the upper stage's flight between solutions while the air drags
AIR_ENDS_PA = 1.0  # dynamic pressure below which it no longer matters: 0.1 m/s over the rest of the burn
AIR_STEPS = 30  # of it
MOST_CHUNKS = 4
NEWTON_STEPS = 12
COVER_ROUNDS = 3  # at most, of law and drop
COVER_CLOSE_S = 0.5  # between two drops: 0.1 kg for a cover of 1.5 t
STARTS_RAD = (None, 0.35, 0.8)  # starting laws: the loop's own guess, then lofted ones
FAILED_KG = -1e6  # margin of a flight that reaches nothing; far worse than any shortage


class Parted(NamedTuple):
    """Where a booster lets go: vehicle time, and position and velocity, BCI."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec


@dataclass(frozen=True, slots=True)
class Trial:
    """What a program comes to.

    Args:
        margin_kg: propellant above the reserve left in the last stage at orbit; negative when short.
        turned_rad2_s: square of the angle by which the limits turned the direction, over time.
        law: the upper stage's law at the end of the air, to start the next trial with.
        parted: the separation; None for a boost into the ground.
    """

    margin_kg: float
    turned_rad2_s: float = 0.0
    law: Steering | None = None
    parted: Parted | None = None


@dataclass(frozen=True, slots=True)
class Ascent:
    """The fixed part of all trials of one plan."""

    plan: FlightPlan
    world: World
    boost: Boost
    insertion: Insertion
    position_m: Vec
    velocity_m_s: Vec
    heading_rad: float
    mass_kg: float
    release_s: float

    def keeping(self, reserve_kg: float) -> Ascent:
        """The same with another reserve of the first stage, for the boost phase too."""
        vehicle = self.plan.vehicle.keeping(reserve_kg)
        plan, boost = replace(self.plan, vehicle=vehicle), replace(self.boost, reserve_kg=reserve_kg)
        return replace(self, plan=plan, boost=boost, world=World(plan.body, vehicle))


def ascent_of(plan: FlightPlan, world: World) -> Ascent:
    """Everything of a plan that does not change between trials: release at the hold's time, or at 0 without a hold.

    Raises:
        ConfigError: the plan has no site, target, boost or insertion.
    """
    boost = next((p for p in plan.phases if isinstance(p, Boost)), None)
    insertion = next((p for p in plan.phases if isinstance(p, Insertion)), None)
    for key, there in (("site", plan.site), ("target", plan.target)):
        if there is None:
            raise ConfigError("missing_field", key, f"a [{key}] table, because a boost is planned from there to there")
    if boost is None or insertion is None or plan.site is None or plan.target is None:
        raise ConfigError("missing_field", "phases", "a boost and an insertion (or --carries FLIGHT)", plan.name)
    hold = plan.phases[0] if isinstance(plan.phases[0], Hold) else Hold()
    release_s = hold.release_at_s
    burnt = hold.ignition_lead_s * plan.vehicle.stages[0].mass_flow_kg_s
    r, v = site_state(plan.site, plan.body, world.meridian_at_zero_rad, release_s)
    local = triad(r, "geocentric", plan.body)
    heading = boost.azimuth_rad
    if heading is None:
        heading = launch_heading_rad(r, plan.body, plan.target, local)
    return Ascent(plan, world, boost, insertion, r, v, heading, plan.vehicle.mass_at_ignition_kg(0) - burnt,
                  release_s)  # fmt: skip


def try_program(ascent: Ascent, boost: Boost, start: Steering | None = None, step_s: float = STEP_S) -> Trial:
    """Fly one program.

    Args:
        start: the law of an earlier trial near this one.
    """
    plan, world = ascent.plan, ascent.world
    r, v, mass, turned, since_s = fly_boost_phase(ascent, boost, step_s)
    if mass == 0.0:
        return Trial(FAILED_KG, turned)
    after = plan.vehicle.mass_at_ignition_kg(ascent.insertion.first_stage)
    r, v = coast_briefly(r, v, mass, SEPARATION_DELAY_S, world)
    parted = Parted(ascent.release_s + since_s + SEPARATION_DELAY_S, r, v)
    if ascent.insertion.pause_s > 0.0:
        r, v = coast_briefly(r, v, after, ascent.insertion.pause_s, world)
    law, margin = solve_insertion(ascent, r, v, start)
    return Trial(margin, turned, law, parted)


def fly_boost_phase(ascent: Ascent, boost: Boost, step_s: float) -> Boosted:
    """`ascent_kernel.fly_boost` for a boost phase."""
    plan, world = ascent.plan, ascent.world
    stage, target = plan.vehicle.stages[0], plan.target
    normal = wanted_normal(ascent.position_m, target, triad(ascent.position_m, "geocentric", plan.body))
    yaw = boost.max_yaw_rad if normal else 0.0
    speed = target.cutoff_speed_m_s if target else 0.0
    booster = Booster(
        BoostEngine(stage.thrust_n, stage.exit_area_m2, stage.throttle_min_frac), stage.mass_flow_kg_s,
        float(plan.vehicle.drag_area_m2), Curve(world.mach, world.drag),
        Towards(normal or (0.0, 0.0, 1.0), speed, yaw, ascent.heading_rad),
        shape_of(boost), program_of(boost), curve_of(boost.throttle, 1.0),
        limits_of(boost, stage.acceleration_limit_m_s2),
    )  # fmt: skip
    return fly_boost(
        ascent.position_m, ascent.velocity_m_s, ascent.mass_kg,
        mass_at_burnout_kg(plan.vehicle, 0, boost.separate_at_reserve),
        Ends(boost.separate_at_s, boost.separate_at_speed_m_s), step_s, world.body_numbers, booster,
    )  # fmt: skip


def coast_briefly(r: Vec, v: Vec, mass_kg: float, span_s: float, world: World) -> tuple[Vec, Vec]:
    """A short stretch without thrust."""
    still = ((1.0, 0.0, 0.0), (1.0, 0.0, 0.0), 0.0)
    return fly(
        r, v, mass_kg, still, (0.0, 0.0, 0.0), (span_s / 4, 4), world.body_numbers,
        float(world.vehicle.drag_area_m2), world.mach, world.drag,
    )  # fmt: skip


def solve_insertion(ascent: Ascent, r: Vec, v: Vec, start: Steering | None) -> tuple[Steering | None, float]:
    """The upper stages' law where the air has ended, and the propellant left at cutoff."""
    plan, first, vehicle, law = ascent.plan, ascent.insertion.first_stage, ascent.plan.vehicle, start
    stage, mass, time_s = vehicle.stages[first], vehicle.mass_at_ignition_kg(first), 0.0
    for chunk in range(MOST_CHUNKS + 1):
        found = solved_with_cover(Problem(time_s, r, v, (), plan.target, plan.body), vehicle, first, mass, law)
        if found is None:
            return None, FAILED_KG
        law, arcs, drop_s = found
        throttle = cruise_throttle(stage, mass)
        flow = throttle * stage.mass_flow_kg_s
        span = min(AIR_CHUNK_S, 0.8 * (mass - mass_at_burnout_kg(vehicle, first)) / flow)
        if chunk == MOST_CHUNKS or span <= 0.0 or dynamic_pressure_pa(r, v, ascent) < AIR_ENDS_PA:
            break
        full = (float(throttle * stage.thrust_n), float(stage.exit_area_m2), flow)
        world = ascent.world
        r, v = fly_steered(
            r, v, mass, law.steer, law.steer_rate, full, span / AIR_STEPS, AIR_STEPS, world.body_numbers,
            float(vehicle.drag_area_m2), Curve(world.mach, world.drag),
        )  # fmt: skip
        mass -= span * flow
        time_s += span
        if drop_s <= span and vehicle.cover_mass_kg > 0.0:
            mass -= vehicle.cover_mass_kg
            vehicle = replace(vehicle, cover_mass_kg=0.0)
        law = law.advance(time_s, plan.body, r)
    if law is None:
        return None, FAILED_KG
    if drop_s < inf:
        vehicle = replace(vehicle, cover_mass_kg=0.0)
    margin = mass_at_end_kg(arcs, law.burn_s) - mass_at_burnout_kg(vehicle, len(vehicle.stages) - 1)
    return law, margin


def solved_with_cover(
    problem: Problem, vehicle: Vehicle, first: int, mass_kg: float, start: Steering | None
) -> tuple[Steering, tuple[Arc, ...], float] | None:
    """The law, what it burns, and the seconds until the cover goes on its way; None when no law is found.

    Solved as if it went at once, then with the drop where that way leads, until the two agree.
    """
    law, drop_s = start, 0.0
    for _ in range(1 if vehicle.cover_mass_kg == 0.0 else COVER_ROUNDS):
        arcs = remaining_arcs(vehicle, first, mass_kg, 0.0, None, drop_s)
        law = solve_law(replace(problem, arcs=arcs), law)
        if law is None:
            return None
        if vehicle.cover_mass_kg > 0.0:
            before, drop_s = drop_s, cover_drop_s(replace(problem, arcs=arcs), law, vehicle)
            if drop_s == before or abs(drop_s - before) < COVER_CLOSE_S:
                break
    return (law, arcs, drop_s) if law is not None else None


def dynamic_pressure_pa(r: Vec, v: Vec, ascent: Ascent) -> float:
    """Of the motion through air that turns with the body."""
    body = ascent.plan.body
    if body.atmosphere == "none":
        return 0.0
    density, _, _, _ = air_of(body, height_above_ellipsoid_m(r, body.radius_m, body.flattening))
    return 0.5 * density * norm(sub(v, ground_velocity(r, body.rotation_rad_s))) ** 2


def solve_law(problem: Problem, start: Steering | None) -> Steering | None:
    """The converged law, from an earlier one if that helps; None when no start leads to it."""
    if start is not None:
        law = refine(problem, replace(start, epoch_s=problem.time_s), NEWTON_STEPS)
        if law.converged and law.burn_s < inf:
            return law
    for pitch in STARTS_RAD:
        guess = first_guess(problem) if pitch is None else lofted_guess(problem, pitch)
        law = refine(problem, guess, 2 * NEWTON_STEPS)
        if law.converged:
            return law
    return None

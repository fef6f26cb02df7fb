"""The remaining burn of a vehicle as arcs, from its present mass, the plan's stages and the engine as flown."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from guidance_svc.core.burns import Arc, Motor, burn_arcs, motor_of
from guidance_svc.core.compiled import part
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.core.thrust_line import Known
from guidance_svc.domain import FlightPlan, Stage, Vehicle

GONE_FRAC = 1e-9  # of the burnout mass: a stage with less than this left is spent


def engine_as_flown(stage: Stage, engine: EngineEstimate, told_scale: float) -> Stage:
    """A stage with thrust and exhaust velocity as the telemetry shows them.

    Args:
        told_scale: thrust that the script tells over the stage's nominal one.
    """
    flown = motor_as_flown(motor_of(stage), engine.known, told_scale)
    return replace(stage, thrust_n=flown.thrust_n, exhaust_velocity_m_s=flown.exhaust_velocity_m_s)


@part
def motor_as_flown(motor: Motor, known: Known, told_scale: float) -> Motor:
    """An engine with thrust and exhaust velocity as the telemetry shows them."""
    thrust = motor.thrust_n * told_scale * known.thrust
    flow = motor.thrust_n / motor.exhaust_velocity_m_s * told_scale * known.flow
    return Motor(
        thrust, thrust / flow, motor.throttle_min_frac, motor.acceleration_limit_m_s2, motor.tail_off_impulse_n_s
    )


def mass_at_burnout_kg(vehicle: Vehicle, stage: int, keep_reserve: bool = True) -> float:
    """Mass of the stack when a stage has burnt all it may."""
    if keep_reserve:
        return vehicle.burnout_kg[stage]
    return vehicle.mass_at_ignition_kg(stage + 1) + vehicle.stages[stage].dry_mass_kg


def stage_arcs(vehicle: Vehicle, index: int, mass_kg: float, flown: Stage | None = None) -> list[Arc]:
    """The burn of one stage from a mass to its burnout, with the stage as flown if that is known."""
    return burn_arcs(flown or vehicle.stages[index], index, mass_kg, mass_at_burnout_kg(vehicle, index))


def burn_left_s(vehicle: Vehicle, index: int, mass_kg: float, flown: Stage | None = None) -> float:
    """Seconds until a stage has burnt all it may; 0 when it has."""
    if is_spent(vehicle, index, mass_kg):
        return 0.0
    return sum(arc.duration_s for arc in stage_arcs(vehicle, index, mass_kg, flown))


def is_spent(vehicle: Vehicle, index: int, mass_kg: float) -> bool:
    """Whether a stage has burnt all it may."""
    return is_burnt_out(mass_kg, vehicle.burnout_kg[index])


@part
def is_burnt_out(mass_kg: float, burnout_kg: float) -> bool:
    """Whether a mass is that at burnout."""
    return mass_kg <= burnout_kg * (1.0 + GONE_FRAC)


def remaining_arcs(
    vehicle: Vehicle, stage: int, mass_kg: float, wait_s: float, flown: Stage | None = None, drop_s: float = inf
) -> tuple[Arc, ...]:
    """All that is left to burn: a wait before ignition, the present stage, then each later one after its pause.

    Args:
        drop_s: seconds from now to the drop of the vehicle's cover; inf if it is carried to the end.
    """
    if vehicle.cover_mass_kg > 0.0 and drop_s < inf:
        return arcs_with_drop(vehicle, stage, mass_kg, wait_s, flown, drop_s)
    arcs = [Arc(mass_kg, wait_s, stage=stage)] if wait_s > 0.0 else []
    arcs += stage_arcs(vehicle, stage, mass_kg, flown)
    for later in range(stage + 1, len(vehicle.stages)):
        fresh = vehicle.mass_at_ignition_kg(later)
        pause = vehicle.stages[later - 1].drop_pause_s
        if pause > 0.0:
            arcs.append(Arc(fresh, pause, stage=later))
        arcs += stage_arcs(vehicle, later, fresh)
    return tuple(arcs)


def arcs_with_drop(
    vehicle: Vehicle, stage: int, mass_kg: float, wait_s: float, flown: Stage | None, drop_s: float
) -> tuple[Arc, ...]:
    """The arcs of a vehicle that loses its cover `drop_s` from now: the arc in which that happens is cut in two."""
    bare, before, left = replace(vehicle, cover_mass_kg=0.0), [], drop_s
    for arc in remaining_arcs(vehicle, stage, mass_kg, wait_s, flown):
        if left < arc.duration_s:
            if left > 0.0:
                before.append(replace(arc, duration_s=left))
            mass = arc.mass_after_kg(left) - vehicle.cover_mass_kg
            wait = 0.0 if arc.powered else arc.duration_s - left
            return (*before, *remaining_arcs(bare, arc.stage, mass, wait, flown if arc.stage == stage else None))
        before.append(arc)
        left -= arc.duration_s
    return tuple(before)


def limits_held(stages: tuple[Stage, ...]) -> str:
    """The acceleration limits of some stages, in words; empty where there are none."""
    limits = [f"{s.acceleration_limit_m_s2:g} m/s2 ({s.name})" for s in stages if s.acceleration_limit_m_s2 < inf]
    return f"; thrust acceleration at most {', '.join(limits)}" if limits else ""


def burnout_alone_kg(plan: FlightPlan) -> float:
    """Mass without propellant of a vehicle that comes back.

    A booster has let go what it carried, and its reserve is there for the return.
    """
    stage = plan.vehicle.stages[-1]
    if any(phase.alone for phase in plan.phases):
        return stage.dry_mass_kg
    return plan.vehicle.burnout_kg[-1]

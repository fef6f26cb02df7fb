"""The remaining burn of a vehicle as arcs, from its present mass, the plan's stages and the engine as flown."""

from __future__ import annotations

from dataclasses import replace
from math import inf, log

from guidance_svc.core.burns import Arc
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.domain import Stage, Vehicle

GONE_FRAC = 1e-9  # of the burnout mass: a stage with less than this left is spent


def engine_as_flown(stage: Stage, engine: EngineEstimate, told_scale: float) -> Stage:
    """A stage with thrust and exhaust velocity as the telemetry shows them.

    Args:
        told_scale: thrust that the script tells over the stage's nominal one.
    """
    thrust = stage.thrust_n * told_scale * engine.thrust_scale
    flow = stage.mass_flow_kg_s * told_scale * engine.flow_scale
    return replace(stage, thrust_n=thrust, exhaust_velocity_m_s=thrust / flow)


def mass_at_burnout_kg(vehicle: Vehicle, stage: int, keep_reserve: bool = True) -> float:
    """Mass of the stack when a stage has burnt all it may."""
    kept = vehicle.stages[stage].reserve_kg if keep_reserve else 0.0
    return vehicle.mass_at_ignition_kg(stage + 1) + vehicle.stages[stage].dry_mass_kg + kept


def burn_arcs(stage: Stage, index: int, mass_kg: float, burnout_kg: float) -> list[Arc]:
    """The burn of one stage to its burnout: full thrust, then held acceleration, then lowest throttle."""
    arcs: list[Arc] = []
    ve, limit = stage.exhaust_velocity_m_s, stage.acceleration_limit_m_s2
    lowest = stage.thrust_n * stage.throttle_min_frac
    mass = max(mass_kg, burnout_kg)
    held_from = stage.thrust_n / limit if limit < inf else 0.0
    held_to = lowest / limit if limit < inf else 0.0
    for thrust, held, floor in ((stage.thrust_n, 0.0, held_from), (stage.thrust_n, limit, held_to), (lowest, 0.0, 0.0)):
        end = max(burnout_kg, floor)
        if mass <= end:
            continue
        lasts = ve / held * log(mass / end) if held else (mass - end) * ve / thrust
        arcs.append(Arc(mass, lasts, thrust, ve, held, index))
        mass = end
        if limit == inf:
            break
    return arcs or [Arc(mass, 0.0, stage.thrust_n, ve, 0.0, index)]


def stage_arcs(vehicle: Vehicle, index: int, mass_kg: float, flown: Stage | None = None) -> list[Arc]:
    """The burn of one stage from a mass to its burnout, with the stage as flown if that is known."""
    return burn_arcs(flown or vehicle.stages[index], index, mass_kg, mass_at_burnout_kg(vehicle, index))


def burn_left_s(vehicle: Vehicle, index: int, mass_kg: float, flown: Stage | None = None) -> float:
    """Seconds until a stage has burnt all it may; 0 when it has."""
    if spent(vehicle, index, mass_kg):
        return 0.0
    return sum(arc.duration_s for arc in stage_arcs(vehicle, index, mass_kg, flown))


def spent(vehicle: Vehicle, index: int, mass_kg: float) -> bool:
    """Whether a stage has burnt all it may."""
    return mass_kg <= mass_at_burnout_kg(vehicle, index) * (1.0 + GONE_FRAC)


def remaining_arcs(
    vehicle: Vehicle, stage: int, mass_kg: float, wait_s: float, flown: Stage | None = None
) -> tuple[Arc, ...]:
    """All that is left to burn: a wait before ignition, the present stage, then each later one after its pause."""
    arcs = [Arc(mass_kg, wait_s, stage=stage)] if wait_s > 0.0 else []
    arcs += stage_arcs(vehicle, stage, mass_kg, flown)
    for later in range(stage + 1, len(vehicle.stages)):
        fresh = vehicle.mass_at_ignition_kg(later)
        pause = vehicle.stages[later - 1].drop_pause_s
        if pause > 0.0:
            arcs.append(Arc(fresh, pause, stage=later))
        arcs += stage_arcs(vehicle, later, fresh)
    return tuple(arcs)

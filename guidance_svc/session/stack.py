"""The remaining burn of a vehicle as arcs, from its present mass and the plan's stages."""

from __future__ import annotations

from guidance_svc.core.burns import Arc
from guidance_svc.domain import Stage, Vehicle


def mass_at_burnout_kg(vehicle: Vehicle, stage: int, keep_reserve: bool = True) -> float:
    """Mass of the stack when a stage has burnt all it may."""
    kept = vehicle.stages[stage].reserve_kg if keep_reserve else 0.0
    return vehicle.mass_at_ignition_kg(stage + 1) + vehicle.stages[stage].dry_mass_kg + kept


def burn_left_s(vehicle: Vehicle, stage: int, mass_kg: float, keep_reserve: bool = True) -> float:
    """Full-throttle seconds until a stage has burnt all it may; 0 when it has."""
    return max(0.0, (mass_kg - mass_at_burnout_kg(vehicle, stage, keep_reserve)) / vehicle.stages[stage].mass_flow_kg_s)


def burn_arc(vehicle: Vehicle, index: int, mass_kg: float) -> Arc:
    """The burn of one stage from a mass to its burnout."""
    stage: Stage = vehicle.stages[index]
    return Arc(mass_kg, burn_left_s(vehicle, index, mass_kg), stage.thrust_n, stage.exhaust_velocity_m_s, stage=index)


def remaining_arcs(vehicle: Vehicle, stage: int, mass_kg: float, wait_s: float) -> tuple[Arc, ...]:
    """All that is left to burn: a wait before ignition, the present stage, then each later one after its pause."""
    arcs = [Arc(mass_kg, wait_s, stage=stage)] if wait_s > 0.0 else []
    arcs.append(burn_arc(vehicle, stage, mass_kg))
    for later in range(stage + 1, len(vehicle.stages)):
        fresh = vehicle.mass_at_ignition_kg(later)
        pause = vehicle.stages[later - 1].drop_pause_s
        if pause > 0.0:
            arcs.append(Arc(fresh, pause, stage=later))
        arcs.append(burn_arc(vehicle, later, fresh))
    return tuple(arcs)

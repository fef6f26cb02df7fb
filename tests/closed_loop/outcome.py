"""What a flown reference case came to, measured against its target and its fuel optimum."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, degrees

from guidance_svc.core.conditions import plane_normal
from guidance_svc.core.kepler import apsides, inclination_rad
from guidance_svc.core.vectors import cross, dot, unit
from guidance_svc.domain import FlightPlan, Target, Vec
from guidance_svc.sim.state import SimState, full_tanks


@dataclass(frozen=True)
class Outcome:
    """Errors at the end of a burn; propellant in kg and in per cent above the optimum."""

    perigee_error_m: float
    apogee_error_m: float
    plane_error_deg: float | None
    propellant_kg: float
    propellant_excess_percent: float

    @property
    def spread_m(self) -> float:
        """Apogee minus perigee error: for a circular target the osculating spread."""
        return self.apogee_error_m - self.perigee_error_m


def propellant_used_kg(plan: FlightPlan, state: SimState) -> float:
    """Propellant burnt since all tanks were full."""
    return sum(full_tanks(plan.vehicle)) - sum(state.propellant_kg)


def plane_error_deg(target: Target, position_m: Vec, velocity_m_s: Vec) -> float | None:
    """Angle between flown and wanted plane, or difference of inclination; None where the plane is free."""
    if target.plane == "free":
        return None
    if target.plane == "inclination":
        return degrees(abs(inclination_rad(position_m, velocity_m_s) - target.inclination_rad))
    normal = unit(cross(position_m, velocity_m_s))
    wanted = plane_normal(target.inclination_rad, target.node_rad)
    across = cross(normal, wanted)
    sine = dot(across, across) ** 0.5
    return degrees(sine if sine < 0.1 else acos(max(-1.0, min(1.0, dot(normal, wanted)))))


def insertion_outcome(plan: FlightPlan, state: SimState, optimum_kg: float) -> Outcome:
    """Of an insertion: against the plan's target."""
    target = plan.target
    assert target is not None
    low, high = apsides(state.position_m, state.velocity_m_s, plan.body.mu_m3_s2)
    used = propellant_used_kg(plan, state)
    return Outcome(
        low - target.perigee_radius_m,
        high - target.apogee_radius_m,
        plane_error_deg(target, state.position_m, state.velocity_m_s),
        used,
        100.0 * (used / optimum_kg - 1.0),
    )


def circular_outcome(plan: FlightPlan, state: SimState, radius_m: float, optimum_kg: float) -> Outcome:
    """Of a circularisation: against the circle through apogee."""
    low, high = apsides(state.position_m, state.velocity_m_s, plan.body.mu_m3_s2)
    used = propellant_used_kg(plan, state)
    return Outcome(low - radius_m, high - radius_m, None, used, 100.0 * (used / optimum_kg - 1.0))

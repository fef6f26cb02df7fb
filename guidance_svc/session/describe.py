"""What the service will do, one sentence a phase: sent with `opened` so that script and service mean the same."""

from __future__ import annotations

from guidance_svc.domain import FlightPlan
from guidance_svc.laws.stack import mass_at_burnout_kg
from guidance_svc.laws.table import LAWS


def phase_sentences(plan: FlightPlan) -> tuple[str, ...]:
    """One sentence for each phase of the plan."""
    return tuple(f"{phase.law}: {LAWS[phase.law].sentence(phase, plan)}" for phase in plan.phases)


def plan_warnings(plan: FlightPlan) -> tuple[str, ...]:
    """What of the plan will not be kept in flight: an acceleration limit that a stage's lowest throttle exceeds."""
    vehicle, words = plan.vehicle, []
    for i, stage in enumerate(vehicle.stages):
        lowest_n = stage.throttle_min_frac * stage.thrust_n
        lightest_kg = mass_at_burnout_kg(vehicle, i) - vehicle.cover_mass_kg
        if lowest_n <= stage.acceleration_limit_m_s2 * lightest_kg:
            continue
        throttle = "it does not throttle" if stage.throttle_min_frac == 1.0 else (
            f"its lowest throttle is {stage.throttle_min_frac:g}")  # fmt: skip
        words.append(
            f"{stage.name} cannot keep its acceleration limit of {stage.acceleration_limit_m_s2:g} m/s2: {throttle}, "
            f"which gives more below {lowest_n / stage.acceleration_limit_m_s2:.0f} kg and "
            f"{lowest_n / lightest_kg:.1f} m/s2 at its end"
        )
    return tuple(words)

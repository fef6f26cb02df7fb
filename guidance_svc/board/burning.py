"""What is left of a burn, from the flight plan's engines."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from guidance_svc.domain import Vehicle
from guidance_svc.laws.stack import mass_at_burnout_kg

SLACK_FRAC = 1e-3  # a stack may be told heavier than its plan by this and still be the same stage


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is left of a burn.

    Args:
        gain_m_s: ideal speed that the engines still give until cutoff, or until all propellant is gone.
        margin_kg: propellant above the reserve that is left then; negative where it does not reach.
    """

    gain_m_s: float
    margin_kg: float


def burn_ahead(vehicle: Vehicle, stage: int, mass_kg: float, throttle_frac: float, to_go_s: float) -> Ahead:
    """The rest of a burn by the rocket equation, stage after stage, with the plan's engines at the present throttle.

    Args:
        stage: the one that burns now, from 0.
        mass_kg: now, > 0.
        throttle_frac: of the present stage; later ones burn at full throttle.
        to_go_s: until cutoff, pauses between stages included.

    Source: rocket equation, v = c ln(m0 / m1).
    """
    gain, left_s = 0.0, max(to_go_s, 0.0)
    for index in range(stage, len(vehicle.stages)):
        engine, last = vehicle.stages[index], index == len(vehicle.stages) - 1
        flow = engine.mass_flow_kg_s * (throttle_frac if index == stage and throttle_frac > 0.0 else 1.0)
        burnout_kg = mass_at_burnout_kg(vehicle, index)
        burn_s = left_s if last else min(left_s, max(mass_kg - burnout_kg, 0.0) / flow)
        after_kg = mass_kg - flow * burn_s
        lightest_kg = min(mass_kg, mass_at_burnout_kg(vehicle, index, keep_reserve=False))
        gain += engine.exhaust_velocity_m_s * log(mass_kg / max(after_kg, lightest_kg))
        left_s -= burn_s
        if last or left_s <= 0.0:
            return Ahead(gain, after_kg - burnout_kg)
        left_s = max(left_s - engine.drop_pause_s, 0.0)
        mass_kg = vehicle.mass_at_ignition_kg(index + 1)
    return Ahead(gain, 0.0)


def stage_now(vehicle: Vehicle, told: int | None, mass_kg: float) -> int:
    """The burning stage: as told, else the last one whose whole stack is not lighter than the vehicle is."""
    if told is not None and 0 <= told < len(vehicle.stages):
        return told
    fits = [i for i in range(len(vehicle.stages)) if mass_kg <= vehicle.mass_at_ignition_kg(i) * (1.0 + SLACK_FRAC)]
    return fits[-1] if fits else 0

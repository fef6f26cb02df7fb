"""Whether a stage has been let go."""

from __future__ import annotations

from guidance_svc.domain import FlightPlan
from guidance_svc.laws.instants import event_id
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import Navigation

CLEARLY_DRY_FRAC = 0.5  # of the spent stage's dry mass, and ...
CLEARLY_FRAC = 0.01  # ... of what is above it: a mass more than that over the upper part's is not the upper part's


def dropped(flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the present stage has been let go: by its number, an acknowledgement or the mass, if none is belied."""
    if still_on(flight, now, plan):
        return False
    if event_id(flight, "separate") in flight.seen:
        return True
    if now.stage is not None and flight.stage + 1 < len(plan.vehicle.stages):
        return now.stage > flight.stage
    return now.mass_kg <= 1.002 * plan.vehicle.mass_at_ignition_kg(flight.stage + 1)


def still_on(flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the state shows that the present stage has not been let go: by its number, or by far too large a mass.

    A vehicle whose last stage is let go flies on as that stage, so that its number says nothing.
    """
    vehicle = plan.vehicle
    if now.stage is not None and now.stage <= flight.stage and flight.stage + 1 < len(vehicle.stages):
        return True
    above = vehicle.mass_at_ignition_kg(flight.stage + 1)
    clearly = max(CLEARLY_DRY_FRAC * vehicle.stages[flight.stage].dry_mass_kg, CLEARLY_FRAC * above)
    return now.mass_kg > above + clearly

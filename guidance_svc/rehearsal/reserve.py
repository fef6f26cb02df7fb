"""What a return takes of its propellant, as its first law predicts it from where its rehearsal begins."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from guidance_svc.domain import FlightPlan, Frame
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import navigate
from guidance_svc.laws.table import LAWS
from guidance_svc.rehearsal.starts import at_start
from guidance_svc.sim.state import World, mass_kg
from guidance_svc.sim.telemetry import telemetry

CYCLES = 30  # of the first law, all from the same state: a boostback settles in about fifteen


def left_at_contact_kg(plan: FlightPlan) -> tuple[float, float] | None:
    """Propellant at the plan's [start], and what is left of it at contact, kg, as the first law predicts.

    Returns:
        None for a plan without a [start], or whose first law predicts no landing.

    Raises:
        GuidanceError: there is no way home from there.
    """
    if plan.start is None or plan.landing is None:
        return None
    world = World(plan.body, replace(plan.vehicle, payload_kg=0.0, cover_mass_kg=0.0))
    state = at_start(plan, plan.landing, plan.start, world)
    now = navigate(telemetry(state, world, Frame(), 0, "cartesian", None), plan, Frame())
    phase = plan.phases[0]
    row = LAWS[phase.law]
    memory = row.enter(Flight(begun=True, since_s=now.time_s), None, now, plan, phase)
    for _ in range(CYCLES):
        memory = row.solve(memory, now, plan, phase)
    margin_kg = row.numbers(memory, now, plan, phase).propellant_margin_kg
    if margin_kg is None:
        return None
    return mass_kg(state, world) - plan.vehicle.stages[-1].dry_mass_kg, margin_kg


def return_lines(plan: FlightPlan) -> Iterator[str]:
    """What `check` says of a return's propellant; nothing for a plan that has none."""
    if not any(phase.alone for phase in plan.phases) or plan.landing is None:
        return
    if plan.start is None:
        yield "  return   what reserve it needs is not reckoned: that takes a [start], the state after the separation"
        return
    try:
        found = left_at_contact_kg(plan)
    except GuidanceError as problem:
        yield f"  warning  no way home from [start]: {problem}"
        return
    if found is None:
        return
    had_kg, left_kg = found
    takes_kg, reserve_kg = had_kg - left_kg, plan.vehicle.stages[-1].reserve_kg
    yield f"  return   takes {takes_kg:.0f} kg of propellant from [start] to contact, where {left_kg:.0f} kg are left"
    if left_kg < 0.0:
        yield f"  warning  {-left_kg:.0f} kg of propellant are missing for the return"
    elif 0.0 < reserve_kg < takes_kg:
        yield f"  warning  reserve_kg is {reserve_kg:g}: {takes_kg - reserve_kg:.0f} kg less than the return takes"

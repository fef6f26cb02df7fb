"""What a return takes of its propellant, as its first law predicts it from where its rehearsal begins."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import inf
from typing import NamedTuple

from guidance_svc.core.return_flight import Home
from guidance_svc.domain import FlightPlan, Frame
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.boostback import BoostbackMemory
from guidance_svc.laws.boostback_plan import Boostback
from guidance_svc.laws.fall import FallMemory
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import navigate
from guidance_svc.laws.returning import late_s, push_of, soon_s
from guidance_svc.laws.table import LAWS
from guidance_svc.rehearsal.starts import at_start
from guidance_svc.sim.state import SimState, World, mass_kg
from guidance_svc.sim.telemetry import telemetry

CYCLES = 30  # of the first law, all from the same state: a boostback settles in about fifteen
LEAST_CYCLES = 6  # before a prediction may end early: a boostback does not aim in its first ones


class WayBack(NamedTuple):
    """A return as the first law of its plan predicts it.

    Args:
        had_kg, left_kg: propellant at the begin, at contact.
        burn_kg: of the boostback, if it begins with one.
        home: from the end of that law's own burn on; None where the law is neither a boostback nor a fall.
    """

    had_kg: float
    left_kg: float
    burn_kg: float
    home: Home | None

    @property
    def takes_kg(self) -> float:
        """What the return takes of the propellant."""
        return self.had_kg - self.left_kg


def way_back(plan: FlightPlan, state: SimState, settled_kg: float = 0.0) -> WayBack | None:
    """The return from a state, by a plan that begins with it.

    Args:
        settled_kg: a change of what is left between two cycles that ends the prediction early; 0: all of them.

    Returns:
        None where the first law predicts no landing.

    Raises:
        GuidanceError: there is no way home from there.
    """
    world = World(plan.body, replace(plan.vehicle, payload_kg=0.0, cover_mass_kg=0.0))
    now = navigate(telemetry(state, world, Frame(), 0, "cartesian", None), plan, Frame())
    phase = plan.phases[0]
    row = LAWS[phase.law]
    memory, left = row.enter(Flight(begun=True, since_s=now.time_s), None, now, plan, phase), inf
    for cycle in range(CYCLES):
        memory = row.solve(memory, now, plan, phase)
        before, margin = left, row.numbers(memory, now, plan, phase).propellant_margin_kg
        if margin is None:
            continue
        left = margin
        if cycle > LEAST_CYCLES and abs(left - before) < settled_kg:
            break
    if left == inf:
        return None
    own, stage, burn_kg = memory.own, plan.vehicle.stages[-1], 0.0
    if isinstance(own, BoostbackMemory) and isinstance(phase, Boostback):
        burn_s = own.cutoff_at_s + soon_s(stage) - own.light_at_s - late_s(stage)
        burn_kg = max(burn_s, 0.0) * push_of(stage, phase.engines, phase.throttle_frac).flow_kg_s
    home = own.home if isinstance(own, FallMemory | BoostbackMemory) else None
    return WayBack(mass_kg(state, world) - stage.dry_mass_kg, left, burn_kg, home)


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
    found = way_back(plan, at_start(plan, plan.landing, plan.start, world))
    return None if found is None else (found.had_kg, found.left_kg)


def return_lines(plan: FlightPlan) -> Iterator[str]:
    """What `check` says of a return's propellant; nothing for a plan that has none."""
    if not any(phase.alone for phase in plan.phases) or plan.landing is None:
        return
    if plan.start is None:
        how = "`guidance-svc boost` plans it" if plan.boost else "that takes a [start], the state after the separation"
        yield f"  return   what reserve it needs is not reckoned: {how}"
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

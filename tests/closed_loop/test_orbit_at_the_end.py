"""The orbit that a plan is said to end in is the one that the simulator flies; the demo's invented tanker."""

from __future__ import annotations

from math import degrees

import pytest

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.domain import Frame
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.orbits.drift import field_of, mean_of, rates
from guidance_svc.orbits.ending import orbit_at_the_end
from guidance_svc.orbits.values import OrbitState
from guidance_svc.sim.state import SimState, World, on_pad
from tests.closed_loop.flight import fly


def told(state: SimState) -> OrbitState:
    return OrbitState(state.time_s, state.position_m, state.velocity_m_s)


@pytest.mark.slow
def test_the_circle_after_the_plans_last_burn_is_foreseen_at_insertion() -> None:
    """460 km osculating at cutoff is 462.3 km on average; the target's osculating apogee is 468.6 km."""
    plan = load_library(default_folder()).plan("bargeman_to_lagoon", "tanker")
    assert plan.site is not None
    world = World(plan.body, plan.vehicle, step_s=0.1)
    flight = fly(plan, world, on_pad(plan.site, world, 0.0), tick_s=0.1, frame=Frame(meridian_at_zero_rad=0.0))
    (inserted, _), (ended, _) = flight.at_cutoff[-2:]
    field = field_of(plan.body)
    foreseen, flown = orbit_at_the_end(told(inserted), plan, field), mean_of(told(ended), field)
    assert foreseen.semi_major_m == pytest.approx(flown.semi_major_m, abs=30.0)
    assert flown.semi_major_m - plan.body.radius_m == pytest.approx(462.3e3, abs=100.0)
    ten_days_s = 10.0 * SECONDS_PER_DAY
    assert degrees(abs(rates(foreseen, field)[0] - rates(flown, field)[0]) * ten_days_s) < 0.001

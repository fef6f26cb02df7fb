"""The impulse after a cutoff: if known, taken off in advance; if wrong in the file, learnt at the first cutoff."""

from dataclasses import replace

import pytest

from guidance_svc.core.kepler import apsides
from guidance_svc.domain import Circularize, Coast, Insertion, Orbit
from tests.closed_loop.flight import fly
from tests.closed_loop.optimum_cases import insertion_case

TAIL_OFF_S = 0.15  # of full thrust; invented, 6.9 m/s at the end of the insertion


def flown(told_frac: float) -> tuple[float, float]:
    """Apogee error at insertion and spread of the circular orbit, m, when the file tells this part of the tail-off."""
    plan, world, state = insertion_case("V06")
    (stage,) = plan.vehicle.stages
    impulse = TAIL_OFF_S * stage.thrust_n
    told = replace(plan.vehicle, stages=(replace(stage, tail_off_impulse_n_s=told_frac * impulse),))
    true = replace(plan.vehicle, stages=(replace(stage, tail_off_impulse_n_s=impulse),))
    plan = replace(plan, vehicle=told, phases=(Insertion(), Coast(), Circularize(), Orbit()))
    flight = fly(plan, replace(world, vehicle=true), state, tick_s=0.1)
    (inserted, _), _ = flight.at_cutoff
    mu, target = world.body.mu_m3_s2, plan.target
    assert target is not None
    low, high = apsides(flight.state.position_m, flight.state.velocity_m_s, mu)
    return apsides(inserted.position_m, inserted.velocity_m_s, mu)[1] - target.apogee_radius_m, high - low


def test_a_known_tail_off_costs_no_accuracy() -> None:
    apogee, spread = flown(1.0)
    assert abs(apogee) < 30.0  # states 0.1 s apart; the tail-off uncompensated is 24 km
    assert spread < 30.0


@pytest.mark.parametrize("told_frac", [0.0, 0.5, 1.5])
def test_a_tail_off_wrong_in_the_file_is_learnt_for_the_next_burn(told_frac: float) -> None:
    apogee, spread = flown(told_frac)
    assert abs(apogee) > 5000.0  # the first cutoff cannot know
    assert spread < 60.0  # 7 m/s of tail-off unknown would leave 24 km

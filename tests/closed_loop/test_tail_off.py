"""The impulse after a cutoff: if known, taken off in advance; if wrong in the file, learnt at the first cutoff."""

from dataclasses import replace
from math import exp, radians

import pytest

from guidance_svc.core.kepler import apsides
from guidance_svc.core.vectors import dot
from guidance_svc.domain import Circularize, Coast, Frame, Insertion, Orbit, Phase, Vec
from guidance_svc.session.session import Session
from guidance_svc.sim.state import Controls, SimState, World
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry
from tests.closed_loop.flight import fly
from tests.closed_loop.optimum_cases import insertion_case
from tests.closed_loop.outcome import insertion_outcome

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


@pytest.mark.parametrize("told_frac", [0.5, *(pytest.param(frac, marks=pytest.mark.slow) for frac in (0.0, 1.5))])
def test_a_tail_off_wrong_in_the_file_is_learnt_for_the_next_burn(told_frac: float) -> None:
    apogee, spread = flown(told_frac)
    assert abs(apogee) > 5000.0  # the first cutoff cannot know
    assert spread < 60.0  # 7 m/s of tail-off unknown would leave 24 km


TAU_S = 0.5  # of a thrust that dies away exponentially: its impulse is that of full thrust for as long
TURN_RAD_S = radians(6.0)
TURNED = 0.9999  # cosine of 0.8 deg


def flown_with_slow_tail_off(phases: tuple[Phase, ...], thrust_told: bool) -> tuple[float, float, list[Vec]]:
    """Apogee error, plane error (deg) after a cutoff whose thrust dies away slowly, and the directions ordered then."""
    plan, world, state = insertion_case("V06")
    (stage,) = plan.vehicle.stages
    told = replace(stage, tail_off_impulse_n_s=TAU_S * stage.thrust_n)
    plan = replace(plan, vehicle=replace(plan.vehicle, stages=(told,)), phases=phases)
    soft = replace(stage, throttle_min_frac=1e-6)  # the simulator's own tail-off acts at once; this one is flown
    world = World(world.body, replace(plan.vehicle, stages=(soft,), turn_rate_limit_rad_s=TURN_RAD_S))
    session, off_s, ordered = Session(plan, Frame()), None, []
    for seq in range(5000):
        message = telemetry(state, world, session.frame, seq)
        if not thrust_told or off_s is None:
            message = message._replace(thrust_n=None, throttle_frac=None)
        command = session.state(message._replace(engine_on=off_s is None))
        session.work()
        at = command.cutoff_at_s
        tick = 0.1 if at is None or at < state.time_s + 20.0 else 0.5  # nothing happens before
        if off_s is None and at is not None and at <= state.time_s + tick:
            state = step(state, Controls(command.direction), max(at - state.time_s, 1e-6), world)
            off_s = state.time_s
            continue
        if off_s is not None:
            ordered.append(command.direction)
            tick = 0.02
            if state.time_s > off_s + 8.0 * TAU_S:
                return (*errors(state), ordered)
        throttle = 1.0 if off_s is None else exp(-(state.time_s + 0.5 * tick - off_s) / TAU_S)
        state = step(state, Controls(command.direction, throttle), tick, world)
    raise AssertionError("no cutoff")


def errors(state: SimState) -> tuple[float, float]:
    plan, _, _ = insertion_case("V06")
    outcome = insertion_outcome(plan, state, 1.0)
    assert outcome.plane_error_deg is not None
    return outcome.apogee_error_m, outcome.plane_error_deg


SHORT, WHOLE = (Insertion(), Orbit()), (Insertion(), Coast(), Circularize(), Orbit())


@pytest.mark.parametrize(
    ("phases", "thrust_told"),
    [(SHORT, False), (WHOLE, True), *(pytest.param(*row, marks=pytest.mark.slow) for row in (
        (SHORT, True), (WHOLE, False)))],
)  # fmt: skip
def test_the_attitude_is_held_until_a_known_tail_off_is_over(phases: tuple[Phase, ...], thrust_told: bool) -> None:
    apogee, plane, ordered = flown_with_slow_tail_off(phases, thrust_told)
    assert abs(apogee) < 40.0  # the tail-off is reckoned to act at once, and takes 4 s; uncompensated it is 80 km
    assert plane < 2e-4
    assert dot(ordered[0], ordered[100]) > TURNED
    assert dot(ordered[0], ordered[-1]) < TURNED

"""What a tick does at each instant inside it: cutoff, ignition, separation, release, empty tank, turning.

Vehicles are invented. Tolerances: 1e-6 m, the rounding of some thousand ticks, unless a line says another reason.
"""

from __future__ import annotations

from dataclasses import replace
from math import acos, dist, inf, log, pi, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guidance_svc.core.frames import site_state, state_to_bci, triad
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import dot, norm, sub
from guidance_svc.domain import Body, Frame, Site, Stage, Vehicle
from guidance_svc.errors import GuidanceError
from guidance_svc.sim.motion import slew
from guidance_svc.sim.state import Controls, SimState, World, burning_frac, mass_kg, on_pad, split
from guidance_svc.sim.step import coast, step
from guidance_svc.sim.telemetry import telemetry

EARTH = Body("Earth", 3.986004418e14, 6378137.0, 1.0 / 298.257223563, 1.0826267e-3, 7.292115e-5, "us1976")
VACUUM = replace(EARTH, atmosphere="none")
LOWER = Stage("lower", 2e4, 2e5, 4.5e6, 3000.0, 4.0, 0.5, tail_off_impulse_n_s=0.0)
UPPER = Stage("upper", 4e3, 3e4, 4e5, 3400.0, 0.0, 1.0)
STACK = Vehicle("stack", (LOWER, UPPER), 5e3, 10.0)
SITE = Site("Saltmarsh Point", 0.5, -1.2, 3.0)
HIGH = (7e6, 0.0, 0.0)
FAST = (0.0, 5000.0, 5000.0)


def high_up(stage: int = 0, **changes: object) -> SimState:
    state = SimState(0.0, HIGH, FAST, (0.0, 1.0, 0.0), (2e5, 3e4), stage, engine_on=True)
    return replace(state, **changes)  # type: ignore[arg-type]


def flown(state: SimState, controls: Controls, tick_s: float, until_s: float, world: World) -> SimState:
    while state.time_s < until_s:
        state = step(state, controls, min(tick_s, until_s - state.time_s), world)
    return state


@settings(max_examples=30, deadline=None)
@given(st.floats(0.2, 1.8), st.floats(0.011, 0.3), st.floats(0.001, 0.02))
def test_a_cutoff_acts_at_its_instant_whatever_the_phase_of_the_ticks(cut: float, tick: float, first: float) -> None:
    world, controls = World(VACUUM, STACK), Controls(cutoff_at_s=cut)
    whole = step(high_up(), controls, 2.0, world)
    ticked = flown(step(high_up(), controls, first, world), controls, tick, 2.0, world)
    assert not ticked.engine_on
    assert ticked.propellant_kg[0] == pytest.approx(2e5 - cut * LOWER.mass_flow_kg_s, abs=1e-6)
    assert dist(ticked.position_m, whole.position_m) < 1e-6
    assert dist(ticked.velocity_m_s, whole.velocity_m_s) < 1e-8


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 0.4), st.floats(0.5, 0.9), st.floats(1.0, 1.4), st.floats(0.013, 0.2))
def test_cutoff_separation_and_ignition_act_at_their_instants(
    cut: float, drop: float, light: float, tick: float
) -> None:
    world = World(VACUUM, STACK)
    controls = Controls(cutoff_at_s=cut, separate_at_s=drop, ignite_at_s=light)
    end = flown(high_up(), controls, tick, 2.0, world)
    assert end.stage == 1
    assert end.engine_on
    assert end.propellant_kg[1] == pytest.approx(3e4 - (2.0 - light) * UPPER.mass_flow_kg_s, abs=1e-6)
    assert mass_kg(end, world) == pytest.approx(4e3 + end.propellant_kg[1] + 5e3)
    assert dist(end.position_m, step(high_up(), controls, 2.0, world).position_m) < 1e-6


def test_an_event_on_the_boundary_of_two_ticks_acts_in_the_later_one_and_once() -> None:
    world, controls = World(VACUUM, STACK), Controls(separate_at_s=0.25)
    before = step(high_up(), controls, 0.25, world)
    after = step(before, controls, 0.25, world)
    later = step(after, controls, 0.25, world)
    assert (before.stage, after.stage, later.stage) == (0, 1, 1)


def test_a_stage_that_runs_dry_stops_in_the_middle_of_a_tick_with_the_rocket_equations_speed() -> None:
    nothing = Body("nothing", 1e-6, 1.0)
    world = World(nothing, STACK)
    burn = LOWER.propellant_kg / LOWER.mass_flow_kg_s
    end = step(high_up(velocity_m_s=(0.0, 0.0, 0.0)), Controls(), burn + 3.3, world)
    assert end.propellant_kg[0] == 0.0
    assert not end.engine_on
    full = STACK.mass_at_ignition_kg(0)
    assert end.velocity_m_s[1] == pytest.approx(3000.0 * log(full / (full - 2e5)), rel=1e-10)  # Tsiolkovsky
    # an empty stage does not light again
    assert burning_frac(step(end, Controls(engine_on=True), 0.1, world), world) == 0.0


@pytest.mark.parametrize(("commanded", "flown_at"), [(0.1, 0.5), (0.7, 0.7), (1.0, 1.0), (3.0, 1.0)])
def test_throttle_is_held_to_what_the_engine_can(commanded: float, flown_at: float) -> None:
    world = World(VACUUM, STACK)
    end = step(high_up(), Controls(throttle_frac=commanded), 1.0, world)
    assert 2e5 - end.propellant_kg[0] == pytest.approx(flown_at * LOWER.mass_flow_kg_s, rel=1e-9)
    assert burning_frac(end, world) == flown_at


def test_an_engine_that_does_not_throttle_burns_at_full_thrust() -> None:
    world = World(VACUUM, STACK)
    end = step(high_up(1), Controls(throttle_frac=0.2), 1.0, world)
    assert 3e4 - end.propellant_kg[1] == pytest.approx(UPPER.mass_flow_kg_s, rel=1e-9)


@given(st.floats(0.01, 0.5), st.floats(0.05, 3.0))
def test_the_vehicle_turns_at_its_limit_and_no_faster(rate: float, span_s: float) -> None:
    world = World(VACUUM, replace(STACK, turn_rate_limit_rad_s=rate))
    end = step(high_up(engine_on=False), Controls(pointing=(0.0, 0.0, 5.0)), span_s, world)
    turned = acos(max(-1.0, min(1.0, dot(end.pointing, (0.0, 1.0, 0.0)))))
    assert turned == pytest.approx(min(rate * span_s, pi / 2.0), abs=1e-8)
    assert norm(end.pointing) == pytest.approx(1.0, abs=1e-14)


def test_without_a_limit_the_vehicle_points_where_it_is_told_at_once() -> None:
    end = step(high_up(), Controls(pointing=(0.0, 0.0, -2.0)), 0.02, World(VACUUM, STACK))
    assert end.pointing == (0.0, 0.0, -1.0)
    assert end.velocity_m_s[2] < FAST[2]


@given(st.floats(0.001, 3.0), st.sampled_from([(1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (0.6, 0.0, 0.8)]))
def test_turning_straight_back_goes_some_way_round_and_not_through_nothing(angle: float, start: tuple) -> None:
    turned = slew(start, (-start[0], -start[1], -start[2]), angle)
    assert norm(turned) == pytest.approx(1.0, abs=1e-14)
    assert acos(max(-1.0, min(1.0, dot(start, turned)))) == pytest.approx(angle, abs=1e-7)


def test_on_the_pad_it_turns_with_the_body_however_the_engine_runs() -> None:
    world = World(EARTH, STACK, meridian_at_zero_rad=0.3)
    state = step(on_pad(SITE, world), Controls(engine_on=True), 2.0, world)
    place, speed = site_state(SITE, EARTH, 0.3, 2.0)
    assert dist(state.position_m, place) < 1e-6
    assert dist(state.velocity_m_s, speed) < 1e-9
    assert dist(state.pointing, triad(place, "geodetic", EARTH).up) < 1e-12
    assert state.propellant_kg[0] == pytest.approx(2e5 - 2.0 * LOWER.mass_flow_kg_s)


def test_at_release_it_rises_with_thrust_less_air_pressure_and_weight() -> None:
    world = World(EARTH, STACK)
    controls = Controls(engine_on=True, release_at_s=0.05)
    state = step(on_pad(SITE, world), controls, 0.1, world)
    still, _ = site_state(SITE, EARTH, 0.0, 0.1)
    up = triad(still, "geodetic", EARTH).up
    mass = STACK.mass_at_ignition_kg(0) - 0.05 * LOWER.mass_flow_kg_s
    # 101325 Pa at sea level (U.S. Standard Atmosphere 1976); 3 m up it is 36 Pa less
    push = (LOWER.thrust_n - (101325.0 - 36.0) * LOWER.exit_area_m2) / mass
    weight = -dot(acceleration(still, EARTH.mu_m3_s2, EARTH.radius_m, EARTH.j2), up)
    weight -= EARTH.rotation_rad_s**2 * (still[0] * up[0] + still[1] * up[1])
    rise = dot(sub(state.position_m, still), up)
    assert rise == pytest.approx(0.5 * (push - weight) * 0.05**2, rel=1e-3)  # thrust rises and mass falls meanwhile
    assert not state.held_down


def test_the_tail_off_gives_its_impulse_and_costs_its_propellant() -> None:
    tail = replace(LOWER, tail_off_impulse_n_s=5e4)
    world = World(VACUUM, replace(STACK, stages=(tail, UPPER)))
    controls = Controls(cutoff_at_s=0.5)
    with_tail, without = step(high_up(), controls, 1.0, world), step(high_up(), controls, 1.0, World(VACUUM, STACK))
    gain = with_tail.velocity_m_s[1] - without.velocity_m_s[1]
    mean_kg = mass_kg(without, world) - 0.5 * 5e4 / 3000.0  # the 17 kg that it burns are 6e-5 of the mass
    assert gain == pytest.approx(5e4 / mean_kg, rel=1e-5)
    assert without.propellant_kg[0] - with_tail.propellant_kg[0] == pytest.approx(5e4 / 3000.0, rel=1e-9)
    again = step(with_tail, replace(controls, engine_on=False), 1.0, world)
    assert again.propellant_kg == with_tail.propellant_kg


def test_thrust_comes_after_the_ignition_delay() -> None:
    world = World(VACUUM, STACK, ignition_delay_s=0.75)
    end = flown(high_up(engine_on=False), Controls(ignite_at_s=0.1), 0.02, 1.0, world)
    assert 2e5 - end.propellant_kg[0] == pytest.approx(0.15 * LOWER.mass_flow_kg_s, rel=1e-6)


def test_a_stack_splits_into_two_vehicles_that_weigh_what_it_weighed() -> None:
    world = World(VACUUM, STACK)
    state = step(high_up(), Controls(), 3.0, world)
    (below, low), (above, top) = split(state, world, 1)
    assert mass_kg(low, below) + mass_kg(top, above) == pytest.approx(mass_kg(state, world), rel=1e-15)
    assert below.vehicle.stages == (LOWER,)
    assert above.vehicle.stages == (UPPER,)
    assert not low.engine_on
    assert not top.engine_on
    assert top.stage == 0
    assert mass_kg(top, above) == pytest.approx(UPPER.dry_mass_kg + UPPER.propellant_kg + 5e3)
    assert (low.position_m, top.position_m) == (state.position_m, state.position_m)


def test_dropping_the_last_stage_leaves_the_payload() -> None:
    world = World(VACUUM, STACK)
    end = step(high_up(1), Controls(separate_at_s=0.5), 1.0, world)
    assert mass_kg(end, world) == 5e3
    still = step(end, Controls(engine_on=True, separate_at_s=1.5), 1.0, world)
    assert mass_kg(still, world) == 5e3
    assert telemetry(still, world, Frame(), 1).propellant_kg == 0.0


@pytest.mark.parametrize("dt_s", [0.0, -0.02, inf, float("nan")])
def test_a_tick_that_is_not_a_positive_time_is_refused(dt_s: float) -> None:
    with pytest.raises(GuidanceError, match="dt_s"):
        step(high_up(), Controls(), dt_s, World(VACUUM, STACK))


@pytest.mark.parametrize("pointing", [(0.0, 0.0, 0.0), (float("nan"), 0.0, 1.0), (inf, 0.0, 0.0)])
def test_a_pointing_without_direction_is_refused(pointing: tuple[float, float, float]) -> None:
    with pytest.raises(GuidanceError, match="pointing"):
        step(high_up(), Controls(pointing=pointing), 0.02, World(VACUUM, STACK))


def test_a_coast_under_power_or_on_the_pad_is_refused() -> None:
    world = World(VACUUM, STACK)
    with pytest.raises(GuidanceError, match="engine on"):
        coast(high_up(), 10.0, world)
    with pytest.raises(GuidanceError, match="held down"):
        coast(on_pad(SITE, world), 10.0, world)
    with pytest.raises(GuidanceError, match="duration_s"):
        coast(high_up(engine_on=False), -1.0, world)


@pytest.mark.parametrize("form", ["cartesian", "local"])
def test_telemetry_in_a_scripts_left_handed_turning_frame_is_the_true_state(form: str) -> None:
    world = World(EARTH, STACK, meridian_at_zero_rad=0.4)
    frame = Frame(turning=True, axes=("x", "z", "y"), meridian_at_zero_rad=0.4, up="geodetic", height_above="ellipsoid")
    state = step(high_up(), Controls(), 7.0, world)
    sent = telemetry(state, world, frame, 5, form, seen_event="e1")  # type: ignore[arg-type]
    position, velocity = state_to_bci(sent, frame, EARTH)
    assert dist(position, state.position_m) < 1e-6
    assert dist(velocity, state.velocity_m_s) < 1e-8
    assert (sent.local is None) == (form == "cartesian")
    assert (sent.seq, sent.time_s, sent.stage, sent.engine_on, sent.seen_event) == (5, 7.0, 0, True, "e1")
    assert sent.mass_kg == pytest.approx(STACK.mass_at_ignition_kg(0) - 7.0 * LOWER.mass_flow_kg_s)
    assert sent.thrust_n == pytest.approx(LOWER.thrust_n, rel=1e-9)  # 620 km up: vacuum to ten digits
    assert sent.propellant_kg == state.propellant_kg[0]


def test_time_far_from_zero_neither_hangs_nor_loses_propellant() -> None:
    world = World(VACUUM, replace(STACK, turn_rate_limit_rad_s=0.1))
    late = high_up(time_s=1e9, propellant_kg=(3000.0, 3e4))
    end = step(late, Controls(pointing=(0.6, 0.0, 0.8), cutoff_at_s=1e9 + 1.5), 5.0, world)
    assert end.time_s == 1e9 + 5.0
    # 1e9 s is resolved to 1.2e-7 s, which is 0.2 g of flow
    assert end.propellant_kg[0] == pytest.approx(3000.0 - 1.5 * LOWER.mass_flow_kg_s, abs=1e-3)
    dry = step(late, Controls(), 5.0, world)
    assert dry.propellant_kg[0] == 0.0
    assert sqrt(dot(dry.pointing, dry.pointing)) == pytest.approx(1.0, abs=1e-12)

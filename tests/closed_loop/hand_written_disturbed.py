"""The hand-written law under the same disturbances as the service: the table's comparison column.

Fair to it: it knows the vehicle as the file has it and reads mass; its cutoff is an instant on the vehicle's clock,
worked out from the energy still to gain by the rocket equation with the file's tail-off taken off, so that neither a
delay nor a slow rate costs it more than the service. It does not throttle and does not smooth: hardly any script does.
Common practice, no source.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from math import exp, radians, sqrt
from random import Random

from guidance_svc.core.vectors import dot, norm
from guidance_svc.domain import FlightPlan, Vec
from guidance_svc.rehearsal.disturbances import add_noise, true_world
from guidance_svc.sim.state import Controls, SimState, World, mass_kg
from guidance_svc.sim.step import step
from tests.closed_loop.disturbed import Disturbance, planned
from tests.closed_loop.hand_written_law import HandLaw, Tuning, energy_left_m2_s2, plane_to_hold

LEAST_PUSH = 0.1  # cosine of the thrust to the flight direction, below which energy says nothing of time


def measured(state: SimState, world: World, planned: World, d: Disturbance, draw: Random) -> SimState:
    """The state as the script reads it: noise on position and velocity, the true mass over the file's dry mass."""
    place = add_noise(state.position_m, d.noise_m, draw) or state.position_m
    speed = add_noise(state.velocity_m_s, d.noise_m_s, draw) or state.velocity_m_s
    dry = planned.vehicle.stages[0].dry_mass_kg + planned.vehicle.payload_kg
    return replace(
        state, position_m=place, velocity_m_s=speed,
        propellant_kg=(mass_kg(state, world) - dry,),
    )  # fmt: skip


def cutoff_at_s(plan: FlightPlan, seen: SimState, planned: World, direction: Vec) -> float | None:
    """When the energy will be the target's, by the rocket equation; None while that says nothing."""
    stage, mass = planned.vehicle.stages[0], mass_kg(seen, planned)
    speed = norm(seen.velocity_m_s)
    ahead = dot(direction, seen.velocity_m_s) / speed / norm(direction)
    if ahead < LEAST_PUSH:
        return None
    missing = sqrt(max(speed * speed + 2.0 * energy_left_m2_s2(plan, seen), 0.0)) - speed
    gain = missing / ahead - stage.tail_off_impulse_n_s / mass
    burnt = mass * (1.0 - exp(-max(gain, 0.0) / stage.exhaust_velocity_m_s))
    return seen.time_s + burnt / stage.mass_flow_kg_s


def fly_by_hand_disturbed(
    plan: FlightPlan, world: World, state: SimState, d: Disturbance, seed: int, burn_s: float, tuning: Tuning,
    tick_s: float = 0.02,
) -> SimState:  # fmt: skip
    """One burn of a single stage to its cutoff; the true end state."""
    draw = Random(seed)
    told = planned(world, d)
    world = true_world(told, d.flown(seed, state.time_s, burn_s, tick_s))
    normal = plane_to_hold(plan, state)
    law = HandLaw(plan, normal, radians(tuning.start_pitch_deg), tuning.close_s, tick_s * d.state_every)
    waiting: deque[tuple[Vec, float | None]] = deque()
    active: tuple[Vec, float | None] | None = None
    start, count, lost = state.time_s, 0, False
    while state.time_s - start < 3.0 * burn_s and norm(state.position_m) > plan.body.radius_m:
        if not lost and state.time_s - start >= d.lost_at * burn_s:
            lost = True
            world = replace(world, vehicle=replace(world.vehicle, stages=tuple(
                replace(s, thrust_n=s.thrust_n * d.thrust_kept) for s in world.vehicle.stages)))  # fmt: skip
        if count % d.state_every == 0:
            seen = measured(state, world, told, d, draw)
            direction = law.steer(seen, told)
            waiting.append((direction, cutoff_at_s(plan, seen, told, direction)))
        if count >= d.delay_ticks and len(waiting) > d.delay_ticks // d.state_every:
            active = waiting.popleft()
        state = step(state, controls_by_hand(active, state, d, tick_s), tick_s, world)
        count += 1
        if not state.engine_on and active is not None:
            break
    return state


def controls_by_hand(
    active: tuple[Vec, float | None] | None, state: SimState, d: Disturbance, tick_s: float
) -> Controls:
    """The command in force; the cutoff on a tick if the engine can be cut only there."""
    if active is None:
        return Controls(engine_on=True)
    direction, cutoff = active
    if cutoff is not None and d.cut_on_tick:
        cutoff = state.time_s if cutoff < state.time_s + 0.5 * tick_s else None
    return Controls(pointing=direction, cutoff_at_s=None if cutoff is None else max(cutoff, state.time_s))

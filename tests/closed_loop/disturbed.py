"""Closed-loop flights under seeded disturbances: noise, delay, coarse clock, wrong figures, tail-off, lost engine."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, replace

from guidance_svc.core.vectors import along
from guidance_svc.domain import Command, FlightPlan, Frame, Stage, Vec, VehicleState
from guidance_svc.session.session import Session
from guidance_svc.sim.state import Controls, SimState, World
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry


@dataclass(frozen=True)
class Disturbance:
    """What is wrong with this flight; all untold unless said.

    Args:
        noise_m_s, noise_m: white, one sigma per axis.
        delay_ticks: from a state to the command computed from it.
        cut_on_tick: the engine can be cut only at a tick; the nearest one is taken.
        thrust, isp, mass: true over planned (mass: of the dry stage and payload; the telemetry tells the true one).
        tail_off_s: true tail-off, in seconds of thrust; `tail_off_told` is the file's over the true one.
        thrust_kept, lost_at: thrust and flow left after a loss at this part of the nominal burn.
        throttle_min: of the engine; below 1 it tapers.
        state_every: ticks from one state to the next.
    """

    noise_m_s: float = 0.0
    noise_m: float = 0.0
    delay_ticks: int = 0
    cut_on_tick: bool = False
    thrust: float = 1.0
    isp: float = 1.0
    mass: float = 1.0
    tail_off_s: float = 0.0
    tail_off_told: float = 1.0
    thrust_kept: float = 1.0
    lost_at: float = 2.0
    throttle_min: float = 1.0
    state_every: int = 1


def planned_stage(stage: Stage, d: Disturbance) -> Stage:
    """The stage as the plan's file has it."""
    told = d.tail_off_s * d.tail_off_told * stage.thrust_n
    return replace(stage, throttle_min_frac=d.throttle_min, tail_off_impulse_n_s=told)


def true_stage(stage: Stage, d: Disturbance) -> Stage:
    """The stage as it flies."""
    thrust = stage.thrust_n * d.thrust
    return replace(
        stage, dry_mass_kg=stage.dry_mass_kg * d.mass, thrust_n=thrust,
        exhaust_velocity_m_s=stage.exhaust_velocity_m_s * d.isp, throttle_min_frac=d.throttle_min,
        tail_off_impulse_n_s=d.tail_off_s * thrust,
    )  # fmt: skip


def noisy(message: VehicleState, d: Disturbance, draw: random.Random) -> VehicleState:
    """The message with measurement noise; thrust is not told."""

    def shaken(vector: Vec | None, sigma: float) -> Vec | None:
        if vector is None or sigma == 0.0:
            return vector
        return along(vector, sigma, (draw.gauss(0, 1), draw.gauss(0, 1), draw.gauss(0, 1)))

    return replace(
        message,
        position_script_m=shaken(message.position_script_m, d.noise_m),
        velocity_script_m_s=shaken(message.velocity_script_m_s, d.noise_m_s),
        thrust_n=None,
    )


def fly_disturbed(
    plan: FlightPlan, world: World, state: SimState, d: Disturbance, seed: int, burn_s: float, tick_s: float = 0.02
) -> tuple[SimState, World, list[Command]]:
    """One insertion burn to its cutoff; returns the true end state and every command.

    Args:
        burn_s: nominal burn time, for `lost_at`.
    """
    draw = random.Random(seed)
    stages = world.vehicle.stages
    plan = replace(plan, vehicle=replace(plan.vehicle, stages=tuple(planned_stage(s, d) for s in stages)))
    world = replace(world, vehicle=replace(world.vehicle, stages=tuple(true_stage(s, d) for s in stages)))
    session, commands = Session(plan, Frame()), []
    waiting: deque[Command] = deque()
    active: Command | None = None
    lost = False
    start, count = state.time_s, 0
    while state.time_s - start < 3.0 * burn_s:
        if not lost and state.time_s - start >= d.lost_at * burn_s:
            lost = True
            world = replace(world, vehicle=replace(world.vehicle, stages=tuple(
                replace(s, thrust_n=s.thrust_n * d.thrust_kept) for s in world.vehicle.stages)))  # fmt: skip
        if count % d.state_every == 0:
            command = session.state(noisy(telemetry(state, world, session.frame, count), d, draw))
            session.work()
            commands.append(command)
            waiting.append(command)
        if count >= d.delay_ticks and len(waiting) > d.delay_ticks // d.state_every:
            active = waiting.popleft()
        state = step(state, controls_of(active, state, d, tick_s), tick_s, world)
        count += 1
        if not state.engine_on and active is not None:
            break
    return state, world, commands


def controls_of(command: Command | None, state: SimState, d: Disturbance, tick_s: float) -> Controls:
    """What the script makes of the command in force."""
    if command is None:
        return Controls(engine_on=True)
    cutoff = command.cutoff_at_s
    if not command.engine_on:
        return Controls(pointing=command.direction, engine_on=False, cutoff_at_s=state.time_s)
    if cutoff is not None and d.cut_on_tick:
        cutoff = state.time_s if cutoff < state.time_s + 0.5 * tick_s else None
    if cutoff is not None and cutoff < state.time_s:
        cutoff = state.time_s
    return Controls(pointing=command.direction, throttle_frac=command.throttle_frac, cutoff_at_s=cutoff)

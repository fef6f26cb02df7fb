"""Closed-loop flights of the disturbance table: the package's loop, with a plan that is wrong as each row says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf

from guidance_svc.domain import Command, FlightPlan, Frame, Stage, VehicleState
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.disturbances import Disturbances, true_world
from guidance_svc.rehearsal.loop import FlightLog, burnt_out, fly, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World


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

    def flown(self, seed: int, start_s: float, burn_s: float, tick_s: float) -> Disturbances:
        """As the loop takes it."""
        return Disturbances(
            seed, noise_m=self.noise_m, noise_m_s=self.noise_m_s, delay_s=self.delay_ticks * tick_s,
            cut_on_tick=self.cut_on_tick, thrust_frac=self.thrust, exhaust_frac=self.isp, dry_mass_frac=self.mass,
            tail_off_s=self.tail_off_s, thrust_kept_frac=self.thrust_kept, untold=("thrust_n",),
            engine_loss_at_s=start_s + self.lost_at * burn_s if self.thrust_kept != 1.0 else inf,
        )  # fmt: skip


def planned_stage(stage: Stage, d: Disturbance) -> Stage:
    """The stage as the plan's file has it."""
    impulse = d.tail_off_s * d.tail_off_told * stage.thrust_n
    return replace(stage, throttle_min_frac=d.throttle_min, tail_off_impulse_n_s=impulse)


def planned(world: World, d: Disturbance) -> World:
    """The world with the vehicle that the plan's file describes."""
    stages = tuple(planned_stage(stage, d) for stage in world.vehicle.stages)
    return replace(world, vehicle=replace(world.vehicle, stages=stages))


def fly_disturbed(
    plan: FlightPlan, world: World, state: SimState, d: Disturbance, seed: int, burn_s: float, tick_s: float = 0.02,
    note: Callable[[VehicleState, Command], None] = lambda message, command: None,
) -> tuple[SimState, World, list[Command]]:  # fmt: skip
    """One insertion burn to its cutoff; returns the true end state and every command.

    Args:
        burn_s: nominal burn time, for `lost_at`.
        note: called with every state and the answer to it.
    """
    world, commands = planned(world, d), list[Command]()

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        commands.append(command)
        note(message, command)

    session = Session(replace(plan, vehicle=world.vehicle), Frame())
    wrong = d.flown(seed, state.time_s, burn_s, tick_s)
    log = fly(
        Craft("disturbed", true_world(world, wrong), state), in_process(session), burnt_out, tick_s=tick_s,
        state_every=d.state_every, disturbances=wrong, most_s=3.0 * burn_s, watch=watch,
    )  # fmt: skip
    return log.state, log.world, commands

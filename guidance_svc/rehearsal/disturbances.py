"""What is wrong with a flight: a vehicle that is not as its file says, noisy readings, a link that delays and loses.

Pure: the same seed gives the same flight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from random import Random
from typing import Final, Literal

from guidance_svc.core.vectors import along
from guidance_svc.domain import Command, Stage, Vec, VehicleState
from guidance_svc.rehearsal.orders import off_at_s
from guidance_svc.sim.state import World
from guidance_svc.sim.weather import Weather

Untellable = Literal[
    "thrust_n", "throttle_frac", "pointing_script", "stage", "engine_on", "propellant_kg", "seen_event", "readings"
]
"""The fields of a state that a script may leave out."""


@dataclass(frozen=True, slots=True)
class Disturbances:
    """What is wrong with a flight; guidance is told none of it.

    Args:
        seed: of all that is drawn.
        noise_m, noise_m_s: white, one sigma an axis, of the positions and velocities that are told.
        noise_kg: the same of the mass.
        delay_s: from a state until the command computed from it is in force.
        lost_frac: of the states, and again of the replies.
        cut_on_tick: the engine is cut at a tick only, the one that is nearest to the instant told.
        thrust_frac, exhaust_frac, dry_mass_frac: true over planned thrust, exhaust velocity, dry mass of each stage.
        tail_off_s: true impulse after a cutoff, in seconds of full thrust; None: as the vehicle's file has it.
        thrust_kept_frac: of thrust and flow, by the stage that burns, from the first tick at or after
            `engine_loss_at_s` (vehicle's clock) on.
        lost_engine: number of an engine of the stage that burns which is dead from that time on; None: none.
        weather: of the day; None: still air, as modelled.
        ignition_s: true less the vehicle file's time from an ignition command to the first thrust, which never
            becomes less than none.
        lag_s: true time constant of the thrust; None: as the vehicle's file has it.
        turn_frac: true over planned limits of the turning rate and of its change.
        arms_north_m, arms_east_m: where the arms of the tower are, from where they should be.
        untold: fields of the state that the script leaves out.
    """

    seed: int = 0
    noise_m: float = 0.0
    noise_m_s: float = 0.0
    noise_kg: float = 0.0
    delay_s: float = 0.0
    lost_frac: float = 0.0
    cut_on_tick: bool = False
    thrust_frac: float = 1.0
    exhaust_frac: float = 1.0
    dry_mass_frac: float = 1.0
    tail_off_s: float | None = None
    thrust_kept_frac: float = 1.0
    engine_loss_at_s: float = inf
    lost_engine: int | None = None
    weather: Weather | None = None
    ignition_s: float = 0.0
    lag_s: float | None = None
    turn_frac: float = 1.0
    arms_north_m: float = 0.0
    arms_east_m: float = 0.0
    untold: tuple[Untellable, ...] = ()


NONE: Final = Disturbances()


def weather_of(
    north_m_s: float, east_m_s: float, gust_m_s: float, seed: int, density_frac: float, drag_frac: float
) -> Weather | None:
    """The air that a few numbers tell, with one wind at all heights; None where it is as modelled, and still."""
    if north_m_s == east_m_s == gust_m_s == 0.0 and density_frac == drag_frac == 1.0:
        return None
    wind = ((0.0, north_m_s, east_m_s),)
    return Weather(wind, gust_m_s, seed=seed, density_frac=density_frac, drag_frac=drag_frac)


def true_world(world: World, d: Disturbances) -> World:
    """The world with the vehicle as it flies, from the one with the vehicle as planned; all else that may go wrong in
    it is as `d` has it."""
    v, pad = world.vehicle, world.pad
    vehicle = replace(
        v, stages=tuple(true_stage(stage, d) for stage in v.stages),
        turn_rate_limit_rad_s=v.turn_rate_limit_rad_s * d.turn_frac,
        attitude_rate_limit_rad_s=v.attitude_rate_limit_rad_s * d.turn_frac,
        attitude_acceleration_limit_rad_s2=v.attitude_acceleration_limit_rad_s2 * d.turn_frac,
    )  # fmt: skip
    if pad is not None:
        pad = replace(pad, arms_north_m=d.arms_north_m, arms_east_m=d.arms_east_m)
    return replace(world, vehicle=vehicle, pad=pad, weather=d.weather, ignition_delay_s=d.ignition_s)


def true_stage(stage: Stage, d: Disturbances) -> Stage:
    """The stage as it flies."""
    thrust_n = stage.thrust_n * d.thrust_frac
    return replace(
        stage, dry_mass_kg=stage.dry_mass_kg * d.dry_mass_frac, thrust_n=thrust_n,
        exhaust_velocity_m_s=stage.exhaust_velocity_m_s * d.exhaust_frac,
        engine_lag_s=stage.engine_lag_s if d.lag_s is None else d.lag_s,
        tail_off_impulse_n_s=stage.tail_off_impulse_n_s if d.tail_off_s is None else d.tail_off_s * thrust_n,
    )  # fmt: skip


def after_engine_loss(world: World, stage: int, d: Disturbances) -> World:
    """The world once a part of a stage's thrust is lost; its exhaust velocity stays, so the flow falls as well."""
    stages = tuple(
        replace(s, thrust_n=s.thrust_n * d.thrust_kept_frac) if i == stage else s
        for i, s in enumerate(world.vehicle.stages)
    )
    return replace(world, vehicle=replace(world.vehicle, stages=stages))


def disturb_state(message: VehicleState, d: Disturbances, draw: Random) -> VehicleState:
    """The state as the script reads and tells it, from the true one."""
    if d.noise_m == d.noise_m_s == d.noise_kg == 0.0 and not d.untold:
        return message
    place, speed = add_noise(message.position_script_m, d.noise_m, draw), message.velocity_script_m_s
    speed = add_noise(speed, d.noise_m_s, draw)
    mass_kg = message.mass_kg + (draw.gauss(0.0, d.noise_kg) if d.noise_kg > 0.0 else 0.0)
    left_out = dict.fromkeys(d.untold)
    return message._replace(position_script_m=place, velocity_script_m_s=speed, mass_kg=mass_kg, **left_out)  # type: ignore[arg-type]


def add_noise(vector: Vec | None, sigma: float, draw: Random) -> Vec | None:
    """A reading with the noise of its sensor."""
    if vector is None or sigma == 0.0:
        return vector
    return along(vector, sigma, (draw.gauss(0, 1), draw.gauss(0, 1), draw.gauss(0, 1)))


def on_ticks(command: Command, time_s: float, tick_s: float) -> Command:
    """The command for an engine that is cut on ticks only: now, if no other tick is nearer to its cutoff."""
    off_s = off_at_s(command)
    if off_s == inf:
        return command
    return command._replace(cutoff_at_s=time_s if off_s < time_s + 0.5 * tick_s else None, latest_off_at_s=None)

"""What the simulator knows: the world a vehicle flies in, its state, and what it is told to do. All immutable."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf

from guidance_svc.core.atmosphere import air_model
from guidance_svc.core.frames import site_state, triad
from guidance_svc.domain import Body, Site, Stage, Vec, Vehicle
from guidance_svc.sim.motion import BodyNumbers


@dataclass(frozen=True, slots=True)
class World:
    """A body, the true vehicle, and how finely to integrate.

    Args:
        meridian_at_zero_rad: inertial angle of longitude 0 at time 0.
        step_s: longest integration step under thrust, in the air, or while turning.
        ignition_delay_s: from the ignition command to full thrust; no flow before.
        coast_step_s: longest integration step above `thick_air_below_m` without thrust.
        thick_air_below_m: below this height a coast uses `step_s`, in an atmosphere.
    """

    body: Body
    vehicle: Vehicle
    meridian_at_zero_rad: float = 0.0
    step_s: float = 0.02
    ignition_delay_s: float = 0.0
    coast_step_s: float = 5.0
    thick_air_below_m: float = 120e3
    body_numbers: BodyNumbers = field(init=False, repr=False)
    mach: tuple[float, ...] = field(init=False, repr=False)
    drag: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        b = self.body
        kind, rows = air_model(b)
        numbers = (b.mu_m3_s2, b.radius_m, b.j2, b.flattening, b.rotation_rad_s, kind)
        object.__setattr__(self, "body_numbers", (*(float(x) for x in numbers), rows))
        object.__setattr__(self, "mach", tuple(float(point[0]) for point in self.vehicle.drag_curve))
        object.__setattr__(self, "drag", tuple(float(point[1]) for point in self.vehicle.drag_curve))


@dataclass(frozen=True, slots=True)
class SimState:
    """A vehicle in flight; vectors BCI.

    Args:
        pointing: unit vector of the thrust axis.
        propellant_kg: on board, one number a stage of the vehicle; those of dropped stages stay as they were left.
        stage: index of the stage that burns now or next; those below are gone.
        engine_on: commanded; thrust comes from `thrust_from_s` on.
        throttle_frac: as last commanded, before the engine's own limits.
        held_down: on the pad, turning with the body.
        covered: the vehicle's cover, if it has one, is still on.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    pointing: Vec
    propellant_kg: tuple[float, ...]
    stage: int = 0
    engine_on: bool = False
    throttle_frac: float = 1.0
    held_down: bool = False
    thrust_from_s: float = -inf
    covered: bool = True


@dataclass(frozen=True, slots=True)
class Controls:
    """What the script tells the vehicle for the next tick; None leaves a thing as it is.

    Args:
        pointing: wanted unit vector, BCI; the vehicle turns towards it within its limit.
        throttle_frac: held to the engine's own [throttle_min_frac, 1].
        engine_on: at the start of the tick.
        ignite_at_s, cutoff_at_s, separate_at_s, release_at_s, drop_cover_at_s: vehicle times; each acts in the tick
            [time, time + dt) that holds it, at that very instant, and in no other tick.
    """

    pointing: Vec | None = None
    throttle_frac: float | None = None
    engine_on: bool | None = None
    ignite_at_s: float | None = None
    cutoff_at_s: float | None = None
    separate_at_s: float | None = None
    release_at_s: float | None = None
    drop_cover_at_s: float | None = None


def mass_kg(state: SimState, world: World) -> float:
    """Mass of the vehicle now: stages not yet dropped, their propellant, the payload, its cover while it is on."""
    mass = world.vehicle.payload_kg + (world.vehicle.cover_mass_kg if state.covered else 0.0)
    for stage, propellant in zip(world.vehicle.stages[state.stage :], state.propellant_kg[state.stage :], strict=True):
        mass += stage.dry_mass_kg + propellant
    return mass


def present_stage(state: SimState, world: World) -> Stage | None:
    """The stage that burns now or next; None when all are dropped."""
    stages = world.vehicle.stages
    return stages[state.stage] if state.stage < len(stages) else None


def tank_kg(state: SimState) -> float:
    """Propellant of the present stage; 0 when all stages are dropped."""
    return state.propellant_kg[state.stage] if state.stage < len(state.propellant_kg) else 0.0


def burning_frac(state: SimState, world: World) -> float:
    """Throttle at which the engine really runs now; 0 when it gives no thrust."""
    stage = present_stage(state, world)
    if stage is None or not state.engine_on or tank_kg(state) <= 0.0:
        return 0.0
    return 0.0 if state.time_s < state.thrust_from_s else min(1.0, max(stage.throttle_min_frac, state.throttle_frac))


def full_tanks(vehicle: Vehicle) -> tuple[float, ...]:
    """Propellant of each stage as loaded, kg."""
    return tuple(float(stage.propellant_kg) for stage in vehicle.stages)


def on_pad(site: Site, world: World, time_s: float = 0.0) -> SimState:
    """The vehicle held down at a site, tanks full, standing along the geodetic vertical."""
    position, velocity = site_state(site, world.body, world.meridian_at_zero_rad, time_s)
    up = triad(position, "geodetic", world.body).up
    return SimState(time_s, position, velocity, up, full_tanks(world.vehicle), held_down=True)


def split(state: SimState, world: World, first_upper: int) -> tuple[tuple[World, SimState], tuple[World, SimState]]:
    """A stack parted in two vehicles, as at separation, both with engines off.

    Args:
        first_upper: index of the lowest stage of the upper part, 1 or more.

    Returns:
        (world, state) of the lower part, then of the upper part; each part's stages count from 0 and the upper
        one carries the payload and its cover. The lower part has neither.
    """
    vehicle = world.vehicle
    lower = replace(vehicle, stages=vehicle.stages[:first_upper], payload_kg=0.0, cover_mass_kg=0.0)
    upper = replace(vehicle, stages=vehicle.stages[first_upper:])
    quiet = replace(state, engine_on=False, thrust_from_s=-inf)
    below = replace(quiet, propellant_kg=state.propellant_kg[:first_upper])
    above = replace(quiet, propellant_kg=state.propellant_kg[first_upper:], stage=max(0, state.stage - first_upper))
    return ((replace(world, vehicle=lower), below), (replace(world, vehicle=upper), above))

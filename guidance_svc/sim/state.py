"""What the simulator knows: the world a vehicle flies in, its state, and what it is told to do. All immutable."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf
from typing import Final

from guidance_svc.core.atmosphere import air_model
from guidance_svc.core.frames import site_state, triad
from guidance_svc.domain import Body, Site, Stage, Vec, Vehicle
from guidance_svc.sim.full_motion import Curve, Figures
from guidance_svc.sim.motion import BodyNumbers
from guidance_svc.sim.pad import Contact, Pad
from guidance_svc.sim.weather import Weather, winds_of

NO_LIFT: Final[Curve] = ((0.0,), (0.0,))
FAIR: Final = Weather()


@dataclass(frozen=True, slots=True)
class World:
    """A body, the true vehicle, and how finely to integrate.

    Args:
        meridian_at_zero_rad: inertial angle of longitude 0 at time 0.
        step_s: longest integration step under thrust, in the air, or while turning.
        ignition_delay_s: from the ignition command to full thrust, on top of the stage's own; no flow before. The sum
            counts where it is positive.
        coast_step_s: longest integration step above `thick_air_below_m` without thrust.
        thick_air_below_m: below this height a coast uses `step_s`, in an atmosphere.
        weather: None for air that is still and as modelled.
        pad: where the vehicle comes down; None for a vehicle that is not to: it falls through the ground.
        other_pads: where it may come down instead; the nearest counts.

    Made from these: `limits`, of the turning rate and of its change, and the centre of percussion, as the kernels take
    them; `full`, whether thrust lags, attitude cannot jump, or the air is more than drag against the motion.
    """

    body: Body
    vehicle: Vehicle
    meridian_at_zero_rad: float = 0.0
    step_s: float = 0.02
    ignition_delay_s: float = 0.0
    coast_step_s: float = 5.0
    thick_air_below_m: float = 120e3
    weather: Weather | None = None
    pad: Pad | None = None
    other_pads: tuple[Pad, ...] = ()
    full: bool = field(init=False, repr=False)
    limits: tuple[float, float, float] = field(init=False, repr=False)
    figures: Figures = field(init=False, repr=False)
    body_numbers: BodyNumbers = field(init=False, repr=False)
    mach: tuple[float, ...] = field(init=False, repr=False)
    drag: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        b, v = self.body, self.vehicle
        kind, rows = air_model(b)
        numbers = (b.mu_m3_s2, b.radius_m, b.j2, b.flattening, b.rotation_rad_s, kind)
        object.__setattr__(self, "body_numbers", (*(float(x) for x in numbers), rows))
        mach, drag = curve_of(v.drag_curve)
        object.__setattr__(self, "mach", mach)
        object.__setattr__(self, "drag", drag)
        rate = float(min(v.turn_rate_limit_rad_s, v.attitude_rate_limit_rad_s))
        acceleration = float(v.attitude_acceleration_limit_rad_s2)
        object.__setattr__(self, "limits", (rate, acceleration, float(v.percussion_m)))
        lags = any(stage.engine_lag_s > 0.0 for stage in v.stages)
        falls = bool(v.fall_drag_curve or v.fall_lift_curve)
        object.__setattr__(self, "full", lags or falls or acceleration < inf or self.weather is not None)
        weather = self.weather or FAIR
        fall_drag = curve_of(v.fall_drag_curve) if v.fall_drag_curve else (mach, drag)
        fall_lift = curve_of(v.fall_lift_curve) if v.fall_lift_curve else NO_LIFT
        fracs = (float(weather.density_frac), float(weather.drag_frac))
        area_m2, winds = float(v.drag_area_m2), winds_of(weather)
        figures = Figures(self.body_numbers, area_m2, (mach, drag), fall_drag, fall_lift, fracs, winds)
        object.__setattr__(self, "figures", figures)


def curve_of(points: tuple[tuple[float, float], ...]) -> Curve:
    """A vehicle's curve as the kernels take it."""
    return tuple(float(point[0]) for point in points), tuple(float(point[1]) for point in points)


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
        engines: how many were last asked for; None: all.
        burning: of them, while those that are being lit give no thrust yet.
        lost: numbers of the engines of the present stage that are dead, from 0.
        lightings: how often each stage's engines have been lit, where `Stage.ignitions` counts them.
        thrust_frac: of a stage whose thrust lags: thrust over that of all engines at full throttle.
        turn_rad_s: turning rate, of a vehicle whose attitude cannot jump.
        cut_on_contact: the engines are cut at contact.
        contact: what the contact was like, while the vehicle stands or hangs; `held_down` then.
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
    engines: int | None = None
    burning: int = 0
    lost: tuple[int, ...] = ()
    lightings: tuple[int, ...] = ()
    thrust_frac: float = 0.0
    turn_rad_s: Vec = (0.0, 0.0, 0.0)
    cut_on_contact: bool = False
    contact: Contact | None = None


@dataclass(frozen=True, slots=True)
class Controls:
    """What the script tells the vehicle for the next tick; None leaves a thing as it is.

    Args:
        pointing: wanted unit vector, BCI; the vehicle turns towards it within its limit.
        throttle_frac: held to the engine's own [throttle_min_frac, 1].
        engine_on: at the start of the tick.
        ignite_at_s, cutoff_at_s, separate_at_s, release_at_s, drop_cover_at_s: vehicle times; each acts in the tick
            [time, time + dt) that holds it, at that very instant, and in no other tick.
        engines: how many should burn, at the start of the tick.
        cut_on_contact: whether the engines are to be cut at contact.
    """

    pointing: Vec | None = None
    throttle_frac: float | None = None
    engine_on: bool | None = None
    ignite_at_s: float | None = None
    cutoff_at_s: float | None = None
    separate_at_s: float | None = None
    release_at_s: float | None = None
    drop_cover_at_s: float | None = None
    engines: int | None = None
    cut_on_contact: bool | None = None


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


def alive_count(state: SimState, stage: Stage) -> int:
    """Engines of the group that is asked for which are not lost."""
    group = stage.group_for(state.engines)
    return group - sum(index < group for index in state.lost) if state.lost else group


def lit_count(state: SimState, world: World) -> int:
    """How many engines burn now."""
    stage = present_stage(state, world)
    return 0 if stage is None else lit_of(state, stage)


def lit_of(state: SimState, stage: Stage) -> int:
    """How many engines of the present stage burn now."""
    if not state.engine_on or state.propellant_kg[state.stage] <= 0.0:
        return 0
    if state.time_s < state.thrust_from_s:
        return state.burning
    return alive_count(state, stage) if stage.groups or state.lost else stage.engine_count


def burning_frac(state: SimState, world: World) -> float:
    """Throttle to which the engines that burn are set; 0 when none does."""
    stage = present_stage(state, world)
    if stage is None or lit_of(state, stage) == 0:
        return 0.0
    return held_throttle_frac(state, stage)


def held_throttle_frac(state: SimState, stage: Stage) -> float:
    """The throttle last commanded, held to what an engine of the stage can."""
    return min(1.0, max(stage.throttle_min_frac, state.throttle_frac))


def asked_frac(state: SimState, world: World) -> float:
    """Thrust to which the engines are set, over that of all of them at full throttle."""
    stage = present_stage(state, world)
    return 0.0 if stage is None else asked_of(state, stage, lit_of(state, stage))


def asked_of(state: SimState, stage: Stage, lit: int) -> float:
    """The same of the present stage with so many engines lit."""
    return 0.0 if lit == 0 else held_throttle_frac(state, stage) * lit / stage.engine_count


def given_frac(state: SimState, world: World) -> float:
    """Thrust that they give, likewise: where it lags, on its way to what is asked."""
    stage = present_stage(state, world)
    lags = stage is not None and stage.engine_lag_s > 0.0
    return state.thrust_frac if lags else asked_frac(state, world)


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
    quiet = replace(state, engine_on=False, thrust_from_s=-inf, thrust_frac=0.0, burning=0)
    below = replace(
        quiet, propellant_kg=state.propellant_kg[:first_upper], lightings=state.lightings[:first_upper],
    )  # fmt: skip
    above = replace(
        quiet, propellant_kg=state.propellant_kg[first_upper:], lightings=state.lightings[first_upper:],
        stage=max(0, state.stage - first_upper), engines=None, lost=(),
    )  # fmt: skip
    return ((replace(world, vehicle=lower), below), (replace(world, vehicle=upper), above))

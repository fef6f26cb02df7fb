"""What a simulated vehicle tells of itself, in its script's own frame: the only thing guidance sees of it."""

from __future__ import annotations

from math import acos, inf
from typing import Literal

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.frames import (
    altitude_m,
    direction_from_bci,
    from_bci,
    ground_velocity,
    handedness,
    local_from_bci,
)
from guidance_svc.core.rocket import thrust_at_n
from guidance_svc.core.vectors import dot, norm, scale, sub
from guidance_svc.domain import Frame, Readings, Vec, VehicleState
from guidance_svc.sim.full_motion import air_velocity
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.state import (
    SimState,
    World,
    burning_frac,
    given_frac,
    lit_count,
    mass_kg,
    present_stage,
    tank_kg,
)


def thrust_n(state: SimState, world: World) -> float:
    """Thrust now, at the ambient pressure."""
    stage, frac = present_stage(state, world), given_frac(state, world)
    if stage is None or frac == 0.0:
        return 0.0
    in_air = world.body.atmosphere != "none"
    pressure = air_of(world.body, altitude_m(state.position_m, world.body, "ellipsoid"))[1] if in_air else 0.0
    area_m2 = stage.exit_area_m2 * lit_count(state, world) / stage.engine_count
    return thrust_at_n(frac * stage.thrust_n, area_m2, pressure)


def telemetry(
    state: SimState,
    world: World,
    frame: Frame,
    seq: int,
    form: Literal["cartesian", "local"] = "cartesian",
    seen_event: str | None = None,
) -> VehicleState:
    """One `state` message of the simulated vehicle.

    Args:
        frame: how the script counts; its `meridian_at_zero_rad` should be the world's.
        seq: number of the message.
        form: which of the two forms of position and velocity to send.
        seen_event: id of the last event that the script carried out.
    """
    place = speed = local = None
    if form == "local":
        local = local_from_bci(state.position_m, state.velocity_m_s, frame, world.body, state.time_s)
    else:
        place, speed = from_bci(state.position_m, state.velocity_m_s, frame, world.body, state.time_s)
    return VehicleState(
        seq=seq,
        time_s=state.time_s,
        mass_kg=mass_kg(state, world),
        position_script_m=place,
        velocity_script_m_s=speed,
        local=local,
        thrust_n=thrust_n(state, world),
        throttle_frac=burning_frac(state, world),
        pointing_script=direction_from_bci(state.pointing, frame, world.body, state.time_s),
        stage=state.stage,
        engine_on=state.engine_on,
        propellant_kg=tank_kg(state),
        seen_event=seen_event,
        readings=readings(state, world, frame),
    )


def readings(state: SimState, world: World, frame: Frame) -> Readings | None:
    """What the vehicle tells of its return, as far as it and its world have it; None where they have nothing of it.

    The contact above a pad, the engines of a stage that has several, the turning rate of an attitude that cannot jump,
    the angle of attack of a vehicle with a curve of its lift, the wind where the weather is told.
    """
    stage = present_stage(state, world)
    several = stage is not None and stage.engine_count > 1
    turns, lifts = world.limits[1] < inf, bool(world.vehicle.fall_lift_curve)
    told = world.weather is not None and world.weather.told
    if not (world.pad or several or turns or lifts or told):
        return None
    return Readings(
        contact=state.contact is not None if world.pad is not None else None,
        engines_lit=lit_count(state, world) if several else None,
        attitude_rate_script_rad_s=turning_in_script(state, world, frame) if turns else None,
        angle_of_attack_rad=angle_of_attack_rad(state, world) if lifts else None,
        wind_script_m_s=direction_from_bci(wind_m_s(state, world), frame, world.body, state.time_s) if told else None,
    )


def turning_in_script(state: SimState, world: World, frame: Frame) -> Vec:
    """Turning rate such that its cross product with the pointing, in the script's numbers, is the rate of that."""
    turn = direction_from_bci(state.turn_rad_s, frame, world.body, state.time_s)
    return scale(-1.0, turn) if handedness(frame.axes) == "left" else turn


def angle_of_attack_rad(state: SimState, world: World) -> float | None:
    """Between thrust axis and motion against the air; None where the vehicle does not move against it."""
    motion = sub(state.velocity_m_s, air_around(state, world))
    speed = norm(motion)
    return None if speed == 0.0 else acos(max(-1.0, min(1.0, dot(motion, state.pointing) / speed)))


def wind_m_s(state: SimState, world: World) -> Vec:
    """Velocity of the air over ground where the vehicle is, BCI."""
    return sub(air_around(state, world), ground_velocity(state.position_m, world.body.rotation_rad_s))


def air_around(state: SimState, world: World) -> Vec:
    """Velocity of the air where the vehicle is, BCI."""
    height_m = height_above_ellipsoid_m(state.position_m, world.body.radius_m, world.body.flattening)
    return air_velocity(state.position_m, height_m, state.time_s, world.body_numbers, world.figures.winds)

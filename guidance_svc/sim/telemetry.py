"""What a simulated vehicle tells of itself, in its script's own frame: the only thing guidance sees of it."""

from __future__ import annotations

from typing import Literal

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.frames import altitude_m, direction_from_bci, from_bci, local_from_bci
from guidance_svc.core.rocket import thrust_at_n
from guidance_svc.domain import Frame, VehicleState
from guidance_svc.sim.state import SimState, World, burning_frac, mass_kg, present_stage, tank_kg


def thrust_n(state: SimState, world: World) -> float:
    """Thrust now, at the ambient pressure."""
    stage, frac = present_stage(state, world), burning_frac(state, world)
    if stage is None or frac == 0.0:
        return 0.0
    in_air = world.body.atmosphere != "none"
    pressure = air_of(world.body, altitude_m(state.position_m, world.body, "ellipsoid"))[1] if in_air else 0.0
    return thrust_at_n(frac * stage.thrust_n, stage.exit_area_m2, pressure)


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
    )

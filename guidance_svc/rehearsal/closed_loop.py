"""An ascent from the pad to the end of the insertion, flown closed loop: rows, extremes and the orbit it came to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import acos, degrees, radians, sin

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.frames import ground_velocity
from guidance_svc.core.kepler import apsides
from guidance_svc.core.vectors import dot, norm, sub
from guidance_svc.domain import Boost, Command, Event, FlightPlan, Frame, Hold, Vec, VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.table import aim_of, is_from_ground
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import LOWEST_M, FlightLog, fly, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.state import SimState, World, burning_frac, mass_kg, on_pad, present_stage

SLOW_M_S = 20.0  # against the air; below it the angle of attack says nothing
ROW_EVERY_S = 1.0
LONGEST_S = 3000.0


@dataclass(frozen=True, slots=True)
class AscentRow:
    """One instant of an ascent; angle of attack between thrust axis and motion against the air; vectors BCI."""

    time_s: float
    phase: str
    stage: int
    height_m: float
    air_speed_m_s: float
    pitch_deg: float
    alpha_deg: float
    dynamic_pressure_pa: float
    acceleration_m_s2: float
    throttle_frac: float
    mass_kg: float
    position_m: Vec
    velocity_m_s: Vec


@dataclass
class AscentFlight:
    """What an ascent left behind.

    Args:
        state: at the end of the insertion.
        margin_kg: left in the last stage above its reserve.
        most_q_pa, most_q_alpha_pa, most_alpha_deg, most_acceleration_m_s2: greatest, under thrust of the first stage;
            the second is with the sine of the angle and over the upper stage's burn as well.
        perigee_m, apogee_m: radii of the orbit reached.
        parted: just after the first stage was let go; its propellant is what it keeps.
        events: what was carried out, in order.
    """

    state: SimState
    margin_kg: float = 0.0
    most_q_pa: float = 0.0
    most_q_alpha_pa: float = 0.0
    most_alpha_deg: float = 0.0
    most_acceleration_m_s2: float = 0.0
    perigee_m: float = 0.0
    apogee_m: float = 0.0
    parted: SimState | None = None
    rows: list[AscentRow] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    states: int = 0


def fly_ascent(
    plan: FlightPlan,
    world: World,
    tick_s: float = 0.02,
    on_row: Callable[[AscentRow], None] = lambda row: None,
    row_every_s: float = ROW_EVERY_S,
) -> AscentFlight:
    """From the pad to the end of the insertion; a state each tick, the command acts over the next one.

    A plan that begins with a hold is taken up one second before ignition; one without begins lit and let go at time 0.

    Raises:
        GuidanceError: the insertion has not ended after 3000 s, or the vehicle is in the ground.
    """
    if plan.site is None:
        raise GuidanceError("missing_field", "site", "a launch site", "none")
    frame = Frame(meridian_at_zero_rad=world.meridian_at_zero_rad)
    hold = plan.phases[0] if isinstance(plan.phases[0], Hold) else None
    start_s = hold.release_at_s - hold.ignition_lead_s - 1.0 if hold else 0.0
    pad = on_pad(plan.site, world, start_s)
    start = pad if hold else replace(pad, held_down=False, engine_on=True)
    flight, craft = AscentFlight(start), Craft(plan.vehicle.name, world, start)

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        flight.state, flight.states = craft.state, flight.states + 1
        if flight.parted is None and craft.state.stage > 0:
            flight.parted = craft.state
        if in_ascent(command.phase):
            note_ascent(flight, command, world, on_row, row_every_s)

    log = fly(
        craft, in_process(Session(plan, frame)), past_insertion, frame=frame, tick_s=tick_s, most_s=LONGEST_S,
        watch=watch,
    )  # fmt: skip
    if log.refused is not None:
        raise log.refused
    if not past_insertion(log):
        phase = log.last.phase if log.last else "none"
        raise GuidanceError("not_inserted", plan.name, f"an insertion within {LONGEST_S:g} s", phase)
    flight.events = log.events
    return close_ascent(flight, plan, world)


def past_insertion(log: FlightLog) -> bool:
    """The ascent is over."""
    return log.last is not None and not in_ascent(log.last.phase)


def in_ascent(phase: str) -> bool:
    """Whether a phase belongs to the way from the pad to the target."""
    return is_from_ground(phase) or aim_of(phase) == "target"


def note_ascent(
    flight: AscentFlight, command: Command, world: World, on_row: Callable[[AscentRow], None], every_s: float
) -> None:
    """Extremes, and a row from time to time."""
    row = row_of(flight.state, command, world)
    if row.height_m < LOWEST_M:
        raise GuidanceError("hit_the_ground", "phases", "a program that climbs", f"{row.time_s:z.0f} s")
    if row.acceleration_m_s2 > 0.0 and row.air_speed_m_s > SLOW_M_S:
        across = row.dynamic_pressure_pa * sin(radians(min(row.alpha_deg, 90.0)))
        flight.most_q_alpha_pa = max(flight.most_q_alpha_pa, across)
    if command.phase == Boost.law and row.acceleration_m_s2 > 0.0:
        flight.most_q_pa = max(flight.most_q_pa, row.dynamic_pressure_pa)
        flight.most_acceleration_m_s2 = max(flight.most_acceleration_m_s2, row.acceleration_m_s2)
        if row.air_speed_m_s > SLOW_M_S:
            flight.most_alpha_deg = max(flight.most_alpha_deg, row.alpha_deg)
    if not flight.rows or row.time_s >= flight.rows[-1].time_s + every_s:
        flight.rows.append(row)
        on_row(row)


def row_of(state: SimState, command: Command, world: World) -> AscentRow:
    """The instant as the simulator has it."""
    body, stage = world.body, present_stage(state, world)
    height = height_above_ellipsoid_m(state.position_m, body.radius_m, body.flattening)
    wind = sub(state.velocity_m_s, ground_velocity(state.position_m, body.rotation_rad_s))
    speed, mass = norm(wind), mass_kg(state, world)
    density, pressure = air_of(body, height)[:2]
    frac = burning_frac(state, world)
    thrust = max(0.0, frac * stage.thrust_n - pressure * stage.exit_area_m2) if stage and frac > 0.0 else 0.0
    alpha = degrees(acos(max(-1.0, min(1.0, dot(command.direction, wind) / speed)))) if speed > 1.0 else 0.0
    return AscentRow(
        state.time_s, command.phase, state.stage, height, speed, degrees(command.pitch_rad), alpha,
        0.5 * density * speed * speed, thrust / mass, frac, mass, state.position_m, state.velocity_m_s,
    )  # fmt: skip


def close_ascent(flight: AscentFlight, plan: FlightPlan, world: World) -> AscentFlight:
    """The flight with its outcome."""
    state, last = flight.state, len(world.vehicle.stages) - 1
    flight.margin_kg = state.propellant_kg[last] - world.vehicle.stages[last].reserve_kg
    flight.perigee_m, flight.apogee_m = apsides(state.position_m, state.velocity_m_s, plan.body.mu_m3_s2)
    return flight

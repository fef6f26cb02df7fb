"""The simulator's step: one tick of a vehicle, split at every instant where something jumps.

Pure: a state, what it is told, and a duration give the next state. Disturbances (noise, delay) would wrap
`Controls` on the way in and `telemetry` on the way out; nothing in here needs to know of them. Two kernels fly what
lies between the jumps: `motion.fly`, and `full_motion.fly_full` for a world that is `full`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import ceil, inf
from typing import Final

from guidance_svc.core.compiled import part
from guidance_svc.core.frames import turn_z
from guidance_svc.core.vectors import cross, dot, norm, scale, unit
from guidance_svc.domain import Vec
from guidance_svc.errors import GuidanceError
from guidance_svc.sim.attitude import SETTLED_RAD, SETTLED_RAD_S
from guidance_svc.sim.contact import LOOK_S, height_over_pad_m, near_m, pad_near, sink_m_s, stop_by_contact
from guidance_svc.sim.full_motion import Push, burnt_after_kg, fly_full, frac_after
from guidance_svc.sim.jumps import cut_off, drop_cover, ignite, regroup, release, separate, with_tank
from guidance_svc.sim.motion import angle_between_rad, fly, height_above_ellipsoid_m, slew
from guidance_svc.sim.state import (
    Controls,
    SimState,
    World,
    asked_of,
    lit_of,
    mass_kg,
    present_stage,
    tank_kg,
)

INSTANT_S = 1e-9  # two things closer than this happen together
JUST_LIT_FRAC: Final = 0.1  # of the thrust: below it, it may rise through the back pressure, where it has a kink
STEPS_A_LAG: Final = 50.0  # integration steps then in a time constant
NO_PUSH: Final = Push(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


Jump = Callable[[SimState, World], SimState]


def jumps_in(controls: Controls, start_s: float, end_s: float) -> list[tuple[float, Jump]]:
    """What happens in [start, end), in order; at one instant: cutoff, separation, cover, ignition, release."""
    planned: tuple[tuple[float | None, Jump], ...] = (
        (controls.cutoff_at_s, cut_off),
        (controls.separate_at_s, separate),
        (controls.drop_cover_at_s, drop_cover),
        (controls.ignite_at_s, ignite),
        (controls.release_at_s, release),
    )
    due = [(at_s, jump) for at_s, jump in planned if at_s is not None and start_s <= at_s < end_s]
    return sorted(due, key=lambda pair: pair[0])


def step(state: SimState, controls: Controls, dt_s: float, world: World) -> SimState:
    """The vehicle one tick later.

    Args:
        state: now.
        controls: held over the tick; times in it act at their instant inside the tick, which the length and
            phase of the ticks therefore do not change.
        dt_s: length of the tick, > 0; cut into integration steps of at most `world.step_s`.
        world: body and true vehicle.

    Returns:
        The state at `state.time_s + dt_s`. A stage that runs dry stops burning at that instant.

    Raises:
        GuidanceError: dt_s is not positive, or a wanted pointing is the null vector.

    Accuracy: against DOP853 (tests/sim) 4e-7 m after 300 s in vacuum, 1.4e-4 m after 120 s through the air with
        the kinks of a drag table, 1.6e-4 m after a fall of 15 km in gusts with two burns of engines that lag; ticks of
        0.02 s.
    """
    if not 0.0 < dt_s < inf:
        raise GuidanceError("step_not_positive", "dt_s", "a finite number above 0", dt_s)
    if controls.throttle_frac is not None and controls.throttle_frac != state.throttle_frac:
        state = replace(state, throttle_frac=controls.throttle_frac)
    if controls.cut_on_contact is not None and controls.cut_on_contact != state.cut_on_contact:
        state = replace(state, cut_on_contact=controls.cut_on_contact)
    if controls.engines is not None:
        state = regroup(state, world, controls.engines)
    if controls.engine_on is not None and controls.engine_on != state.engine_on:
        state = ignite(state, world) if controls.engine_on else cut_off(state, world)
    wanted = state.pointing if controls.pointing is None else wanted_unit(controls.pointing)
    end_s = state.time_s + dt_s
    for at_s, jump in jumps_in(controls, state.time_s, end_s):
        state = jump(advance(state, wanted, at_s, world), world)
    return advance(state, wanted, end_s, world)


def wanted_unit(pointing: Vec) -> Vec:
    """The pointing as an exact unit vector."""
    length = norm(pointing)
    if not 0.0 < length < inf:
        raise GuidanceError("direction_not_a_vector", "pointing", "a finite vector that is not null", pointing)
    return exact_unit(pointing)


@part
def exact_unit(pointing: Vec) -> Vec:
    """A pointing that is not null at length 1; one that has it stays as it is."""
    return pointing if norm(pointing) == 1.0 else unit(pointing)


def advance(state: SimState, wanted: Vec, until_s: float, world: World, to_contact: bool = False) -> SimState:
    """The state at a later instant, no command between; split at full thrust, empty tank, end of a turn, contact.

    Args:
        wanted: unit vector to turn to, BCI.
        to_contact: only as far as to a contact, if one comes.
    """
    state, ahead_s = settle(state, wanted, world)
    flying = not state.held_down
    while state.time_s < until_s:
        state = fly_to(state, wanted, min(until_s, state.time_s + ahead_s), world)
        state, ahead_s = settle(state, wanted, world)
        if to_contact and flying and state.held_down:
            break
    return state


def settle(state: SimState, wanted: Vec, world: World) -> tuple[SimState, float]:
    """The state with the changes made that come now, and the seconds until the next stop: something jumps without a
    command, or, above a pad, the contact is to be looked for."""
    ahead = changes_ahead_s(state, wanted, world)
    changed = settle_changes(state, wanted, ahead, world)
    if changed is not state:
        ahead = changes_ahead_s(changed, wanted, world)
    stop_s = min(ahead)
    pad = pad_near(changed, world)
    if pad is None or changed.held_down:
        return changed, stop_s
    height_m = height_over_pad_m(changed, world, pad)
    return changed, min(stop_s, max(LOOK_S, 0.5 * height_m / max(1.0, norm(changed.velocity_m_s))))


def fly_to(state: SimState, wanted: Vec, until_s: float, world: World) -> SimState:
    """The state after a stretch without jumps, or where a contact ends it earlier."""
    pad = pad_near(state, world)
    if pad is None or state.held_down:
        return stretch(state, wanted, until_s, world)
    return stop_by_contact(state, until_s, lambda at_s: stretch(state, wanted, at_s, world), world, pad)


def changes_ahead_s(state: SimState, wanted: Vec, world: World) -> tuple[float, float, float]:
    """Seconds until full thrust, until the tank runs dry, until the turn ends; infinite where none is ahead."""
    lit = state.thrust_from_s - state.time_s if state.engine_on and state.thrust_from_s > state.time_s else inf
    rate, acceleration, _ = world.limits
    turning = 0.0 < rate < inf and acceleration == inf and not state.held_down and state.pointing != wanted
    return (lit, time_to_dry_s(state, world), angle_between_rad(state.pointing, wanted) / rate if turning else inf)


def time_to_dry_s(state: SimState, world: World) -> float:
    """Seconds until the tank is empty as the engines are set; by Newton's method where their thrust lags."""
    stage = present_stage(state, world)
    asked = 0.0 if stage is None or not state.engine_on else asked_of(state, stage, lit_of(state, stage))
    if stage is None or asked == 0.0:
        return inf
    seconds = tank_kg(state) / (asked * stage.mass_flow_kg_s)
    if stage.engine_lag_s > 0.0:
        push = push_of(state, world)
        for _ in range(20):
            missing_kg = tank_kg(state) - burnt_after_kg(push, seconds)
            change_s = missing_kg / (push.flow_kg_s * frac_after(push, seconds))
            seconds = max(0.5 * seconds, seconds + change_s)
            if abs(change_s) < INSTANT_S:
                break
    return seconds


def settle_changes(state: SimState, wanted: Vec, ahead_s: tuple[float, float, float], world: World) -> SimState:
    """Changes that are nearer than the clock can resolve, made now; the others stay ahead by more than that.

    Args:
        ahead_s: as `changes_ahead_s` gives it.
    """
    near_s = INSTANT_S + 1e-15 * abs(state.time_s)
    lit, dry, turned = ahead_s
    if lit <= near_s:
        state = replace(state, thrust_from_s=state.time_s)
    if dry <= near_s or (state.engine_on and tank_kg(state) <= 0.0):
        tanks = with_tank(state.propellant_kg, state.stage, 0.0)
        state = replace(state, propellant_kg=tanks, engine_on=False, thrust_frac=0.0, burning=0)
    if turned <= near_s or is_settled(state, wanted, world):
        return replace(state, pointing=wanted, turn_rad_s=(0.0, 0.0, 0.0))
    return state


def is_settled(state: SimState, wanted: Vec, world: World) -> bool:
    """Whether an attitude that cannot jump is where it should be, but for what the control would take ages over."""
    if world.limits[1] == inf or state.held_down or state.pointing == wanted:
        return False
    return norm(state.turn_rad_s) < SETTLED_RAD_S and angle_between_rad(state.pointing, wanted) < SETTLED_RAD


def push_of(state: SimState, world: World) -> Push:
    """What the engines give from now on, as they are set."""
    stage = present_stage(state, world)
    if stage is None or not state.engine_on:
        return NO_PUSH
    lit, lag_s = lit_of(state, stage), float(stage.engine_lag_s)
    asked, area_m2 = asked_of(state, stage, lit), stage.exit_area_m2 * lit / stage.engine_count
    given = state.thrust_frac if lag_s > 0.0 else asked
    return Push(float(stage.thrust_n), area_m2, float(stage.mass_flow_kg_s), given, asked, lag_s)


def stretch(state: SimState, wanted: Vec, until_s: float, world: World) -> SimState:
    """The state at the end of a stretch in which nothing jumps."""
    span_s = until_s - state.time_s
    push, tanks = push_of(state, world), state.propellant_kg
    if push.asked_frac > 0.0 or push.frac > 0.0:
        tanks = with_tank(tanks, state.stage, max(0.0, tanks[state.stage] - burnt_after_kg(push, span_s)))
    if state.held_down:
        angle = world.body.rotation_rad_s * span_s
        place, speed = turn_z(state.position_m, angle), turn_z(state.velocity_m_s, angle)
        pointing, turn = turn_z(state.pointing, angle), state.turn_rad_s
    else:
        place, speed, pointing, turn = fly_stretch(state, wanted, span_s, push, world)
    given = frac_after(push, span_s) if push.lag_s > 0.0 else 0.0
    return SimState(
        until_s, place, speed, pointing, tanks, state.stage, state.engine_on, state.throttle_frac, state.held_down,
        state.thrust_from_s, state.covered, state.engines, state.burning, state.lost, state.lightings, given, turn,
        state.cut_on_contact, state.contact,
    )  # fmt: skip


def turn_for(state: SimState, wanted: Vec, span_s: float, world: World) -> Vec:
    """Pointing after turning towards the wanted one for a while, at a rate that may jump."""
    rate = world.limits[0]
    return wanted if rate == inf else slew(state.pointing, wanted, rate * span_s)


def fly_stretch(
    state: SimState, wanted: Vec, span_s: float, push: Push, world: World, step_s: float | None = None
) -> tuple[Vec, Vec, Vec, Vec]:
    """Position, velocity, pointing and turning rate after a stretch, in equal integration steps of at most `step_s`, by
    default those of the world."""
    step_s = step_s or world.step_s
    if push.lag_s > 0.0 and push.frac < JUST_LIT_FRAC * push.asked_frac:
        step_s = min(step_s, push.lag_s / STEPS_A_LAG)
    count = max(1, ceil(span_s / step_s - 1e-9))
    rate, mass = world.limits[0], mass_kg(state, world)
    if world.full:
        moving = (state.position_m, state.velocity_m_s, state.pointing, state.turn_rad_s)
        span = (state.time_s, span_s / count, count)
        place, speed, pointing, turn = fly_full(moving, wanted, mass, push, span, world.limits, world.figures)
        return place, speed, pointing, turn if world.limits[1] < inf else turn_at_limit(pointing, wanted, rate)
    attitude = (wanted, wanted, 0.0) if rate == inf else (state.pointing, wanted, rate)
    frac = push.asked_frac
    engine = (0.0, 0.0, 0.0) if frac == 0.0 else (frac * push.thrust_n, push.exit_area_m2, frac * push.flow_kg_s)
    place, speed = fly(
        state.position_m, state.velocity_m_s, mass, attitude, engine, (span_s / count, count),
        world.body_numbers, float(world.vehicle.drag_area_m2), world.mach, world.drag,
    )  # fmt: skip
    return place, speed, turn_for(state, wanted, span_s, world), state.turn_rad_s


def turn_at_limit(pointing: Vec, wanted: Vec, rate_rad_s: float) -> Vec:
    """Turning rate of a vehicle that turns at its limit at once; none where it has arrived."""
    axis = cross(pointing, wanted)
    size = norm(axis)
    return (0.0, 0.0, 0.0) if size == 0.0 or rate_rad_s == inf else scale(rate_rad_s / size, axis)


def coast(
    state: SimState, duration_s: float, world: World, wanted: Vec | None = None, to_contact: bool = False
) -> SimState:
    """The vehicle after a long unpowered time, in large steps where the air is thin.

    Args:
        state: engine off, not held down.
        duration_s: >= 0.
        wanted: attitude to turn to meanwhile, BCI; None holds the present one.
        to_contact: only as far as to a contact, if one comes.

    Raises:
        GuidanceError: the engine is on, the vehicle is held down, or the duration is negative or not finite.

    Accuracy: 1 mm from DOP853 after one low revolution with J2, 1 cm at eccentricity 0.6 (tests/sim).
    """
    if state.engine_on or state.held_down:
        got = "engine on" if state.engine_on else "held down"
        raise GuidanceError("coast_not_free", "state", "engine off and released", got)
    if not 0.0 <= duration_s < inf:
        raise GuidanceError("duration_not_positive", "duration_s", "a finite number, at least 0", duration_s)
    aim = state.pointing if wanted is None else wanted_unit(wanted)
    end_s = state.time_s + duration_s
    while state.time_s < end_s:
        span_s = min(end_s - state.time_s, 10.0 * world.coast_step_s)
        if needs_small_steps(state, aim, world):
            state = advance(state, aim, min(end_s, state.time_s + 1.0), world, to_contact)
            if to_contact and state.held_down:
                return state
            continue
        place, speed, turned, turn = fly_stretch(state, aim, span_s, push_of(state, world), world, world.coast_step_s)
        until_s = end_s if span_s >= end_s - state.time_s else state.time_s + span_s
        state = replace(
            state, time_s=until_s, position_m=place, velocity_m_s=speed, pointing=turned, turn_rad_s=turn
        )
    return state


def needs_small_steps(state: SimState, aim: Vec, world: World) -> bool:
    """Whether the coming 50 s cannot be flown in large steps: it stands, turns, or comes near air or ground."""
    if state.held_down or (world.limits[1] < inf and state.pointing != aim):
        return True
    pad = pad_near(state, world)
    if pad is not None:
        span_s, pull = 10.0 * world.coast_step_s, world.body.mu_m3_s2 / dot(state.position_m, state.position_m)
        fall_m = span_s * sink_m_s(state) + 0.5 * pull * span_s * span_s
        if height_over_pad_m(state, world, pad) < fall_m + near_m(world, pad):
            return True
    return in_thick_air(state, world)


def in_thick_air(state: SimState, world: World) -> bool:
    """Whether the coming 50 s may touch air that wants small steps: by height now, less the descent till then."""
    if world.body.atmosphere == "none":
        return False
    height_m = height_above_ellipsoid_m(state.position_m, world.body.radius_m, world.body.flattening)
    return height_m - 10.0 * world.coast_step_s * sink_m_s(state) < world.thick_air_below_m

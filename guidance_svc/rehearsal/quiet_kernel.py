"""The compiled flight loop: simulator, telemetry and law of a quiet burn, tick after tick, in one kernel."""

from __future__ import annotations

from math import ceil, inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.atmosphere import modelled_air
from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.core.frames import geodetic
from guidance_svc.core.rocket import thrust_at_n
from guidance_svc.core.thrust_line import Anchor, Reading
from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import Vec
from guidance_svc.laws.felt import Felt, Learnt
from guidance_svc.laws.last_seconds import NO_FINISH
from guidance_svc.laws.quiet_burn import Burning, Quiet, direction_of, follow_quietly, solve_quietly
from guidance_svc.sim.motion import BodyNumbers, angle_between_rad, fly, slew
from guidance_svc.sim.step import INSTANT_S, exact_unit

Rows = NDArray[np.float64]


class Ship(NamedTuple):
    """The true vehicle with one stage left.

    Args:
        rest_kg: above the stage.
        turn_rate_rad_s: inf for a vehicle that turns at once.
        step_s: longest integration step.
        lowest_m: from the body's centre; below it the vehicle is in the ground.
    """

    rest_kg: float
    dry_kg: float
    thrust_n: float
    exhaust_velocity_m_s: float
    exit_area_m2: float
    throttle_min_frac: float
    engine_count: float
    drag_area_m2: float
    turn_rate_rad_s: float
    step_s: float
    lowest_m: float


class Place(NamedTuple):
    """Where the vehicle is, where its thrust points (BCI), and what is in the tank."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    pointing: Vec
    tank_kg: float


class Stretch(NamedTuple):
    """What came of quiet ticks.

    Args:
        ticks: how many; with none, the rest is as it was before.
        told_s, told_kg: vehicle time and mass of the last state that was told.
        direction: ordered in the answer to it.
    """

    ticks: int
    quiet: Quiet
    place: Place
    told_s: float
    told_kg: float
    direction: Vec


@part
def felt_at(ship: Ship, body: BodyNumbers, place: Place, throttle_frac: float) -> Felt:
    """What the vehicle's state says, as `sim.telemetry` tells it and `laws.navigation` reads it.

    The engine count is multiplied and divided by as in `sim.state.asked_of`, whose last digit this may change.
    """
    frac, pressure_pa = min(1.0, max(ship.throttle_min_frac, throttle_frac)), 0.0
    if body[5] > 0.0:
        pressure_pa = modelled_air(geodetic(place.position_m, body[1], body[3])[1], body[5], body[6])[1]
    given = frac * ship.engine_count / ship.engine_count
    return Felt(
        place.time_s, place.position_m, place.velocity_m_s, ship.rest_kg + (ship.dry_kg + place.tank_kg),
        unit(place.pointing), frac, thrust_at_n(given * ship.thrust_n, ship.exit_area_m2, pressure_pa),
    )  # fmt: skip


@part
def turned_after_s(ship: Ship, pointing: Vec, wanted: Vec) -> float:
    """Seconds until the vehicle points where it should; infinite where it does."""
    if ship.turn_rate_rad_s == inf or pointing == wanted:
        return inf
    return angle_between_rad(pointing, wanted) / ship.turn_rate_rad_s


@part
def settle(ship: Ship, time_s: float, pointing: Vec, wanted: Vec) -> Vec:
    """The pointing, with a turn ended that is nearer to its end than the clock can resolve."""
    near = turned_after_s(ship, pointing, wanted) <= INSTANT_S + 1e-15 * abs(time_s)
    return wanted if near else pointing


@part
def tick_quietly(
    ship: Ship, body: BodyNumbers, mach: tuple[float, ...], drag: tuple[float, ...], place: Place, wanted: Vec,
    thrust_frac: float, until_s: float,
) -> Place:  # fmt: skip
    """The vehicle at a later instant, as `sim.step.advance` has it while its engine runs on.

    Args:
        thrust_frac: thrust to which the engines are set, over that of all of them at full throttle.
    """
    time_s, position, velocity, tank = place.time_s, place.position_m, place.velocity_m_s, place.tank_kg
    pointing = settle(ship, time_s, place.pointing, wanted)
    flow = thrust_frac * (ship.thrust_n / ship.exhaust_velocity_m_s)
    while time_s < until_s:
        end_s = min(until_s, time_s + turned_after_s(ship, pointing, wanted))
        span_s = end_s - time_s
        start, rate = (wanted, 0.0) if ship.turn_rate_rad_s == inf else (pointing, ship.turn_rate_rad_s)
        count = max(1, ceil(span_s / ship.step_s - 1e-9))
        position, velocity = fly(
            position, velocity, ship.rest_kg + (ship.dry_kg + tank), (start, wanted, rate),
            (thrust_frac * ship.thrust_n, ship.exit_area_m2, flow), (span_s / count, count), body, ship.drag_area_m2,
            mach, drag,
        )  # fmt: skip
        tank = max(0.0, tank - flow * span_s)
        pointing = wanted if ship.turn_rate_rad_s == inf else slew(pointing, wanted, ship.turn_rate_rad_s * span_s)
        time_s = end_s
        pointing = settle(ship, time_s, pointing, wanted)
    return Place(time_s, position, velocity, pointing, tank)


@part
def with_rows(quiet: Quiet, anchors: Rows, readings: Rows) -> Quiet:
    """The same before the last seconds, with the estimator's anchors and readings, which cross over as rows."""
    e = quiet.learnt.estimate
    old = [
        Anchor(
            a[0], int(a[1]), (a[2], a[3], a[4]), (a[5], a[6], a[7]), a[8], a[9], a[10], a[11], a[12], a[13], a[14],
            a[15], a[16],
        )
        for a in anchors
    ]  # fmt: skip
    new = [Reading(r[0], (r[1], r[2], r[3]), (r[4], r[5], r[6]), r[7], r[8]) for r in readings]
    estimate = EngineEstimate(
        old, new, e.fresh, e.last, e.before, e.known, e.line, e.tested, e.noise, e.jumped_at_s  # type: ignore[arg-type]
    )
    return Quiet(
        Learnt(estimate, quiet.learnt.told_scale, True), quiet.flown, quiet.is_flown, quiet.steady, quiet.steady_scale,
        quiet.is_steady, quiet.throttle_frac, quiet.force, quiet.solved_at_s, quiet.margin_kg, quiet.doubt_kg,
        NO_FINISH, quiet.tracked,
    )  # fmt: skip


@kernel
def fly_quiet_ticks(
    ship: Ship, body: BodyNumbers, mach: tuple[float, ...], drag: tuple[float, ...], burning: Burning, quiet: Quiet,
    anchors: Rows, readings: Rows, place: Place, times_s: Rows,
) -> Stretch:  # fmt: skip
    """Fly until a state, a cycle or a tick is not quiet, or to the last of the times.

    Args:
        quiet: with no anchors and no readings in its estimate: these come as rows.
        times_s: end of each tick.
    """
    now = with_rows(quiet, anchors, readings)
    ticks, told_s, told_kg, direction = 0, place.time_s, 0.0, place.pointing
    for k in range(len(times_s)):
        felt = felt_at(ship, body, place, now.throttle_frac)
        step = follow_quietly(burning, now, felt)
        wanted = direction_of(step.after.force, felt.time_s)
        if step.quiet and felt.time_s - step.after.solved_at_s >= burning.major_cycle_s:
            step = solve_quietly(
                burning, step.after, felt.time_s, felt.position_m, felt.velocity_m_s, felt.mass_kg
            )
        frac = min(1.0, max(ship.throttle_min_frac, step.after.throttle_frac)) * ship.engine_count / ship.engine_count
        flow = frac * (ship.thrust_n / ship.exhaust_velocity_m_s)
        if not step.quiet or place.tank_kg < 2.0 * flow * (times_s[k] - place.time_s):
            break
        there = tick_quietly(ship, body, mach, drag, place, exact_unit(wanted), frac, times_s[k])
        if norm(there.position_m) < ship.lowest_m:
            break
        now, place, ticks = step.after, there, ticks + 1
        told_s, told_kg, direction = felt.time_s, felt.mass_kg, wanted
    return Stretch(ticks, now, place, told_s, told_kg, direction)

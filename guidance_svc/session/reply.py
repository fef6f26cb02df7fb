"""From a phase law's order to the command that goes out: angles, rates, pointing in the script's own frame."""

from __future__ import annotations

from math import isfinite, pi

from guidance_svc.core.finite import not_finite
from guidance_svc.core.frames import direction_from_bci, pitch_and_heading, triad
from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.vectors import add
from guidance_svc.domain import Command, Detail, FlightPlan, Frame
from guidance_svc.errors import NotConverged
from guidance_svc.session.engine import flown_stage
from guidance_svc.session.events import next_event
from guidance_svc.session.memory import Memory, Numbers, Order
from guidance_svc.session.navigation import Navigation
from guidance_svc.session.stack import burn_left_s

TURNING_KEPT_S = 0.25  # the rates of a steering law change by a hundredth of themselves in that time
LOWEST_THROTTLE_FRAC = 0.01  # an engine that is on is reckoned to burn at this at least
STRAIGHT_UP_RAD = 1.55  # above this pitch a heading rate means nothing and is sent as zero


def command_for(
    seq: int, order: Order, memory: Memory, now: Navigation, plan: FlightPlan, frame: Frame, numbers: Numbers | None
) -> Command:
    """The reply to one state.

    Args:
        numbers: None for scripts that did not ask for detail.

    Raises:
        NotConverged: a number that goes out is not finite.
    """
    pitch, heading = pitch_and_heading(order.direction, now.local)
    pitch_rate, heading_rate, _ = memory.turning or (0.0, 0.0, now.time_s)
    cutoff = order.cutoff_at_s
    command = Command(
        seq=seq,
        time_s=now.time_s,
        phase=plan.phases[memory.phase].law,
        direction=order.direction,
        pointing_script=direction_from_bci(order.direction, frame, plan.body, now.time_s),
        pitch_rad=pitch,
        heading_rad=heading,
        pitch_rate_rad_s=pitch_rate,
        heading_rate_rad_s=heading_rate,
        throttle_frac=order.throttle_frac,
        engine_on=order.engine_on,
        cutoff_at_s=cutoff,
        time_to_cutoff_s=None if cutoff is None else max(cutoff - now.time_s, 0.0),
        event=next_event(order, memory, now.time_s),
        next_contact_s=order.next_contact_s,
        status=order.status,
        warnings=order.warnings,
        detail=detail_for(numbers, memory, now, plan) if numbers else None,
        throttle_down=order.throttle_down,
        latest_off_at_s=latest_off_s(order, memory, now, plan),
    )
    require_finite(command)
    return command


def latest_off_s(order: Order, memory: Memory, now: Navigation, plan: FlightPlan) -> float | None:
    """Vehicle time beyond which the engine must not burn, whatever becomes of the link; None while it is off.

    It is the cutoff where one is planned, else the time at which the stage has burnt all it may at this throttle.
    """
    if not order.engine_on or order.cutoff_at_s is not None:
        return order.cutoff_at_s if order.engine_on else None
    throttle = max(order.throttle_frac, flown_stage(memory, plan).throttle_min_frac, LOWEST_THROTTLE_FRAC)
    return now.time_s + burn_left_s(plan.vehicle, memory.stage, now.mass_kg, memory.flown) / throttle


def turning(
    order: Order, before: tuple[float, float, float] | None, now: Navigation, plan: FlightPlan, frame: Frame
) -> tuple[float, float, float]:
    """Rates of pitch and heading over the next second, and when they were worked out; kept for a quarter second."""
    if before is not None and before[2] <= now.time_s < before[2] + TURNING_KEPT_S:
        return before
    pitch, heading = pitch_and_heading(order.direction, now.local)
    later = triad(add(now.position_m, now.velocity_m_s), frame.up, plan.body)
    pitch_soon, heading_soon = pitch_and_heading(order.direction_soon, later)
    turn = (heading_soon - heading + pi) % (2.0 * pi) - pi
    return (pitch_soon - pitch, turn if abs(pitch) < STRAIGHT_UP_RAD else 0.0, now.time_s)


def detail_for(numbers: Numbers, memory: Memory, now: Navigation, plan: FlightPlan) -> Detail:
    """The numbers behind the command."""
    law, stage = memory.trial, flown_stage(memory, plan)
    return Detail(
        velocity_to_gain_m_s=numbers.velocity_to_gain_m_s,
        present_orbit=orbit_report(now.position_m, now.velocity_m_s, plan.body),
        predicted_orbit=numbers.predicted_orbit,
        radius_spread_m=memory.spread_m,
        height_spread_m=memory.height_spread_m,
        propellant_margin_kg=numbers.propellant_margin_kg,
        exhaust_velocity_m_s=stage.exhaust_velocity_m_s,
        mass_flow_kg_s=stage.mass_flow_kg_s,
        solver_residual=law.position_miss_m if law and isfinite(law.position_miss_m) else None,
    )


def require_finite(command: Command) -> None:
    """Never send NaN or infinity."""
    bad = not_finite(command)
    if bad is not None:
        raise NotConverged("not_finite", bad[0], "a finite number", bad[1])

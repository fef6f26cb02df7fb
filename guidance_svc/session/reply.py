"""From a phase law's order to the command that goes out: angles, rates, pointing in the script's own frame."""

from __future__ import annotations

from math import atan2, cos, inf, isfinite, pi, radians, sin

from guidance_svc.core.finite import first_not_finite, total_of
from guidance_svc.core.frames import TWO_PI, Triad, direction_from_bci, pitch_and_heading, triad, turn_z
from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.vectors import add, dot
from guidance_svc.domain import Arrival, Command, Detail, FlightPlan, Frame, Vec
from guidance_svc.errors import NotConverged
from guidance_svc.laws.engine import flown_stage
from guidance_svc.laws.events import Instant
from guidance_svc.laws.memory import Flight, Numbers, Order, Turning, rates_kept
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import mass_at_burnout_kg

LOWEST_THROTTLE_FRAC = 0.01  # an engine that is on is reckoned to burn at this at least
HELD_RAD = radians(2.0)  # off the vertical, up or down: within this the heading is held and its rate is zero
OWN_RAD = radians(4.0)  # from here on the heading is the direction's own; between the two it goes over smoothly
STANDSTILL_M_S = 1.0  # over ground: slower than this is no direction of flight


def command_for(
    seq: int, order: Order, instant: Instant, flight: Flight, rates: Turning | None, now: Navigation, plan: FlightPlan,
    frame: Frame, numbers: Numbers | None,
) -> Command:  # fmt: skip
    """The reply to one state.

    Args:
        instant: what the order comes to at this state.
        rates: of pitch and heading; None while there are none.
        numbers: None for scripts that did not ask for detail.

    Raises:
        NotConverged: a number that goes out is not finite.
    """
    direction, time_s, cutoff, engine_on = order.direction, now.time_s, order.cutoff_at_s, instant.engine_on
    pitch, heading = angles_to_send(direction, now.local, rates.heading_rad if rates else held_heading_rad(flight, now))
    command = Command(
        seq,
        time_s,
        plan.phases[flight.phase].law,
        direction,
        direction if frame.canonical else direction_from_bci(direction, frame, plan.body, time_s),
        pitch,
        heading,
        rates.pitch_rad_s if rates else 0.0,
        rates.heading_rad_s if rates else 0.0,
        order.throttle_frac,
        engine_on,
        cutoff,
        None if cutoff is None else max(cutoff - time_s, 0.0),
        instant.event,
        instant.next_contact_s,
        order.status,
        warnings_of(order, instant, flight, time_s),
        detail_for(numbers, flight, now, plan) if numbers else None,
        order.throttle_down,
        (latest_off_s(order, flight, now, plan) if cutoff is None else cutoff) if engine_on else None,
        order.engines,
        order.cut_on_contact,
        None if order.arrivals is None else tuple(shown_to(one, now, plan, frame) for one in order.arrivals),
        order.clearance,
        order.decide_at_s,
    )
    if not isfinite(total_of(command)):
        raise_not_finite(command)
    return command


def shown_to(arrival: Arrival, now: Navigation, plan: FlightPlan, frame: Frame) -> Arrival:
    """An arrival with its position in the frame of the tower's script."""
    position = turn_z(arrival.position_fixed_m, now.meridian_rad)
    return arrival._replace(position_script_m=direction_from_bci(position, frame, plan.body, now.time_s))


def warnings_of(order: Order, instant: Instant, flight: Flight, time_s: float) -> tuple[str, ...]:
    """What the law says, what is overdue, and for the first half minute and all the time on the pad first what did not
    fit at the first state."""
    words = order.warnings + instant.late if instant.late else order.warnings
    return flight.doubts + words if flight.doubts and time_s <= flight.doubts_until_s else words


def latest_off_s(order: Order, flight: Flight, now: Navigation, plan: FlightPlan) -> float:
    """Vehicle time beyond which an engine for which no cutoff is planned must not burn, whatever becomes of the link.

    It is the time at which the stage has burnt all it may at this throttle: a script without a link holds it, so an
    acceleration limit makes the propellant last no longer.
    """
    stage = flown_stage(flight, plan)
    throttle = max(order.throttle_frac, stage.throttle_min_frac, LOWEST_THROTTLE_FRAC)
    left_kg = max(now.mass_kg - mass_at_burnout_kg(plan.vehicle, flight.stage), 0.0)
    return now.time_s + left_kg / (throttle * stage.mass_flow_kg_s)


def turning(order: Order, flight: Flight, now: Navigation, plan: FlightPlan, frame: Frame) -> Turning:
    """Rates of pitch and heading over the next second, and when they were worked out; kept for a quarter second."""
    before = flight.turning
    if before is not None and rates_kept(before, now.time_s):
        return before
    held = before.heading_rad if before is not None else held_heading_rad(flight, now)
    pitch, heading = angles_to_send(order.direction, now.local, held)
    later = triad(add(now.position_m, now.velocity_m_s), frame.up, plan.body)
    pitch_soon, heading_soon = angles_to_send(order.direction_soon or order.direction, later, heading)
    turn = (heading_soon - heading + pi) % TWO_PI - pi
    steep = 0.5 * pi - abs(pitch) < HELD_RAD
    return Turning(pitch_soon - pitch, 0.0 if steep else turn, now.time_s, heading)


def keep_heading(before: Turning | None) -> Turning | None:
    """What a new phase takes over: the heading last sent; the rates are worked out at once."""
    return None if before is None else Turning(before.pitch_rad_s, before.heading_rad_s, -inf, before.heading_rad)


def held_heading_rad(flight: Flight, now: Navigation) -> float:
    """The heading to hold while the thrust is vertical and none has been sent: that of the ascent, else the flight's.

    Returns:
        [0, 2 pi), clockwise from north; east where nothing has a direction.
    """
    if flight.heading_rad is not None:
        return flight.heading_rad
    north, east = (dot(now.ground_velocity_m_s, axis) for axis in (now.local.north, now.local.east))
    return atan2(east, north) % TWO_PI if abs(north) + abs(east) > STANDSTILL_M_S else 0.5 * pi


def angles_to_send(direction: Vec, local: Triad, held_rad: float) -> tuple[float, float]:
    """Pitch and heading as they are sent: near the vertical, where a heading means nothing, a held one.

    Within 2 deg of the vertical the heading is the held one, from 4 deg on the direction's own, and between them a
    smooth mean. The pitch is then that of the nearest direction with this heading: at most 2 deg from the true one.

    >>> from guidance_svc.core.frames import triad_at
    >>> [round(angle, 3) for angle in angles_to_send((1.0, 0.0, 0.0), triad_at(0.0, 0.0), 1.0)]
    [1.571, 1.0]
    """
    pitch, own = pitch_and_heading(direction, local)
    lean = 0.5 * pi - abs(pitch)
    if lean >= OWN_RAD:
        return (pitch, own)
    part = min(max((lean - HELD_RAD) / (OWN_RAD - HELD_RAD), 0.0), 1.0)
    turn = (own - held_rad + pi) % TWO_PI - pi
    heading = (held_rad + part * part * (3.0 - 2.0 * part) * turn) % TWO_PI
    shown = 0.5 * pi - atan2(max(0.0, sin(lean) * cos(own - heading)), cos(lean))
    return (shown if pitch > 0.0 else -shown, heading if heading < TWO_PI else 0.0)


def detail_for(numbers: Numbers, flight: Flight, now: Navigation, plan: FlightPlan) -> Detail:
    """The numbers behind the command."""
    law, stage = numbers.trial, flown_stage(flight, plan)
    return Detail(
        velocity_to_gain_m_s=numbers.velocity_to_gain_m_s,
        present_orbit=orbit_report(now.position_m, now.velocity_m_s, plan.body),
        predicted_orbit=numbers.predicted_orbit,
        radius_spread_m=numbers.radius_spread_m,
        height_spread_m=numbers.height_spread_m,
        propellant_margin_kg=numbers.propellant_margin_kg,
        exhaust_velocity_m_s=stage.exhaust_velocity_m_s,
        mass_flow_kg_s=stage.mass_flow_kg_s,
        solver_residual=law.position_miss_m if law and isfinite(law.position_miss_m) else None,
        landing=numbers.landing,
        reach=numbers.reach,
        divert=numbers.divert,
    )


def raise_not_finite(command: Command) -> None:
    """Never send NaN or infinity: name the first such number, if there is one after all."""
    bad = first_not_finite(command)
    if bad is not None:
        raise NotConverged("not_finite", bad[0], "a finite number", bad[1])

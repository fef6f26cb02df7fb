"""A first burn that is held at the floor instead of dipping below it.

The cheapest burn into a low orbit may sink on its way, because speed comes before height. Where that would lead below
the floor, the cheapest burn that keeps it comes level at the floor at some speed, is held there by pitching up as far
as the remaining weight asks for, and is cut off at the low orbit's perigee, which is the floor. The entry speed is
right when the pitch does not jump there: the vertical acceleration at entry is zero.

Source: a path bounded in height is a state constraint of second order, on whose boundary arc the control joins
smoothly; A. E. Bryson, Y.-C. Ho, Applied Optimal Control, section 3.11 (from memory). Measured: 0.03 kg above the
optimum of a direct collocation that keeps the same floor (tests/core/test_detour_search.py).
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, log, sin, sqrt

from guidance_svc.core.arcs import fly_arc
from guidance_svc.core.burns import Arc, allot, open_arcs
from guidance_svc.core.conditions import target_normal
from guidance_svc.core.effort import CALL_STEPS, spend
from guidance_svc.core.steering import Problem, Steering, refine, steps_for
from guidance_svc.core.vectors import along, cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Body, Target, Vec

PIECE_S = 4.0  # of the held stretch; the error of its duration goes with the fourth power: 1e-4 s
MOST_PIECES = 400
ENTER_WITHIN_S = 6.0  # of the entry: the floor is held from here on, the pitch is the same to a tenth of a degree
LEAVE_BEFORE_S = 40.0  # of the cutoff: the steering law proper sinks by a few metres in such a time
HEIGHT_RATE = 0.15  # 1/s, of the return to the floor's height
PLANE_RATE = 0.05  # 1/s, of the return to a fixed plane
MOST_RETURN_M_S2 = 1.0
MOST_SIDE = 0.1  # part of the thrust that may go into the plane
STEEPEST = 0.95  # sine of the pitch


def entry_target(floor_m: float, entry_m_s: float, low_orbit: Target) -> Target:
    """Level at the floor with the entry speed."""
    return replace(
        low_orbit, perigee_radius_m=floor_m, apogee_radius_m=floor_m, cutoff_radius_m=floor_m,
        cutoff_speed_m_s=entry_m_s, cutoff_flight_path_angle_rad=0.0,
    )  # fmt: skip


def entry_problem(problem: Problem, floor_m: float, entry_m_s: float, low_orbit: Target) -> Problem:
    """The burn up to the entry: without the throttled end, which comes after it."""
    target = entry_target(floor_m, entry_m_s, low_orbit)
    return replace(problem, target=target, arcs=open_arcs(problem.arcs), tail_m_s=0.0)


def push_m_s2(arc: Arc, time_s: float) -> float:
    """Thrust acceleration some time into an arc."""
    return arc.held_m_s2 if arc.held_m_s2 > 0.0 else arc.thrust_n / arc.mass_after_kg(time_s)


def weight_m_s2(radius_m: float, level_m_s: float, body: Body) -> float:
    """What is left of gravity at a level speed."""
    return body.mu_m3_s2 / (radius_m * radius_m) - level_m_s * level_m_s / radius_m


def ride_s(arcs: tuple[Arc, ...], from_s: float, entry_m_s: float, low_orbit: Target, body: Body) -> float | None:
    """How long the burn is held at the floor, from a burn time on; None where thrust or propellant do not do it.

    Args:
        arcs: of the whole burn; the held stretch must lie in arcs under thrust, with no pause.
        low_orbit: whose cutoff is the end.
    """
    filled = open_arcs(arcs)
    at, left = 0, from_s
    while at < len(filled) and (not filled[at].powered or left > filled[at].duration_s):
        left -= filled[at].duration_s if filled[at].powered else 0.0
        at += 1
    if at == len(filled):
        return None
    speed, total, arc = entry_m_s, 0.0, filled[at]
    for _ in range(MOST_PIECES):
        spend(CALL_STEPS)
        gained = level_gain_m_s(arc, left, PIECE_S, speed, low_orbit.cutoff_radius_m, body)
        if gained is None:
            return None
        end = low_orbit.cutoff_speed_m_s - closing_gain_m_s(arcs, arc.mass_after_kg(left + 0.5 * PIECE_S))
        if speed + gained >= end:
            return total + last_piece_s(arc, left, gained, (speed, end), low_orbit.cutoff_radius_m, body)
        speed, total, left = speed + gained, total + PIECE_S, left + PIECE_S
        if left > arc.duration_s and at + 1 < len(filled):
            at, left = at + 1, left - arc.duration_s
            arc = filled[at]
            if not arc.powered:
                return None
    return None


def last_piece_s(
    arc: Arc, at_s: float, gained_m_s: float, speeds_m_s: tuple[float, float], radius_m: float, body: Body
) -> float:
    """The part of a piece after which the second speed is reached."""
    speed, end = speeds_m_s
    part = PIECE_S * (end - speed) / gained_m_s
    for _ in range(3):
        gained = level_gain_m_s(arc, at_s, part, speed, radius_m, body)
        if not gained:
            break
        part *= (end - speed) / gained
    return part


def level_gain_m_s(
    arc: Arc, at_s: float, piece_s: float, speed_m_s: float, radius_m: float, body: Body
) -> float | None:
    """Level speed gained in a piece (Runge and Kutta, fourth order); None where thrust cannot bear level flight."""

    def slope(after_s: float, level_m_s: float) -> float:
        push = push_m_s2(arc, at_s + after_s)
        weight = weight_m_s2(radius_m, level_m_s, body)
        return sqrt(max(push * push - weight * weight, 0.0))

    if not abs(weight_m_s2(radius_m, speed_m_s, body)) < STEEPEST * push_m_s2(arc, at_s):
        return None
    if at_s + piece_s >= arc.longest_s:
        return None
    a = slope(0.0, speed_m_s)
    b = slope(0.5 * piece_s, speed_m_s + 0.5 * piece_s * a)
    c = slope(0.5 * piece_s, speed_m_s + 0.5 * piece_s * b)
    d = slope(piece_s, speed_m_s + piece_s * c)
    return piece_s * (a + 2.0 * b + 2.0 * c + d) / 6.0


def closing_gain_m_s(arcs: tuple[Arc, ...], mass_kg: float) -> float:
    """Speed that the throttled end gives from a mass on."""
    end = arcs[-1]
    burnt = end.thrust_n / end.exhaust_velocity_m_s * end.duration_s if end.closing else 0.0
    return -end.exhaust_velocity_m_s * log(max(1.0 - burnt / mass_kg, 0.01)) if burnt > 0.0 else 0.0


def lift_at_entry_m_s2(problem: Problem, law: Steering) -> float:
    """Vertical acceleration at the end of a law into the entry: positive where the path comes down to the floor."""
    r, v, p, rate, last = problem.position_m, problem.velocity_m_s, law.steer, law.steer_rate, problem.arcs[0]
    body, push = problem.body, 0.0
    for last, duration in allot(problem.arcs, law.burn_s):
        steps = steps_for(last, duration)
        spend(steps + CALL_STEPS)
        r, v, p, rate = fly_arc(
            r, v, p, rate, last.mass_kg, last.thrust_n, last.exhaust_velocity_m_s, last.held_m_s2,
            duration, steps, body.mu_m3_s2, body.radius_m, body.j2,
        )  # fmt: skip
        push = push_m_s2(last, duration) if last.powered else 0.0
    up = unit(r)
    level = norm(along(v, -dot(v, up), up))
    return push * dot(unit(p), up) - weight_m_s2(norm(r), level, body)


def riding_law(
    problem: Problem, start: Steering, entry_m_s: float, ride_guess_s: float, iterations: int
) -> Steering:
    """The law of a burn that is held at the floor: into the entry, along the floor, or the last seconds' own.

    Args:
        problem: with the low orbit as its target, cutoff at perigee.
        start: the last law, its burn time to the cutoff.
        ride_guess_s: about how long it is held.
    """
    low_orbit, arc = problem.target, problem.arcs[0]
    if low_orbit is None:
        return start
    if start.burn_s < LEAVE_BEFORE_S:
        return refine(problem, start, iterations)
    floor_m = low_orbit.cutoff_radius_m
    level = level_speed_m_s(problem.position_m, problem.velocity_m_s)
    if arc.powered and entry_m_s - level < ENTER_WITHIN_S * push_m_s2(arc, 0.0):
        return along_floor(problem, low_orbit, level)
    before = entry_problem(problem, floor_m, entry_m_s, low_orbit)
    law = refine(before, replace(start, burn_s=max(start.burn_s - ride_guess_s, 1e-3)), iterations)
    held = ride_s(problem.arcs, law.burn_s, entry_m_s, low_orbit, problem.body) if law.converged else None
    if held is None:
        return replace(law, burn_s=law.burn_s + ride_guess_s, cutoff_s=law.cutoff_s + ride_guess_s, converged=False)
    return with_ride(problem, law, held, low_orbit)


def with_ride(problem: Problem, law: Steering, held_s: float, low_orbit: Target) -> Steering:
    """A law into the entry with the held stretch added: time, and where it ends."""
    turned = level_arc_rad(law.velocity_m_s, low_orbit, held_s)
    up = unit(law.position_m)
    ahead = unit(cross(cross(law.position_m, law.velocity_m_s), law.position_m))
    up, ahead = (
        along(scale(cos(turned), up), sin(turned), ahead), along(scale(cos(turned), ahead), -sin(turned), up)
    )  # fmt: skip
    closing = problem.arcs[-1].duration_s if problem.arcs[-1].closing else 0.0
    return replace(
        law, burn_s=law.burn_s + held_s, cutoff_s=law.cutoff_s + held_s + closing,
        position_m=scale(low_orbit.cutoff_radius_m, up), velocity_m_s=scale(low_orbit.cutoff_speed_m_s, ahead),
    )  # fmt: skip


def level_arc_rad(velocity_m_s: Vec, low_orbit: Target, held_s: float) -> float:
    """Angle flown along the floor, the speed taken as growing evenly."""
    return 0.5 * (norm(velocity_m_s) + low_orbit.cutoff_speed_m_s) * held_s / low_orbit.cutoff_radius_m


def level_speed_m_s(position_m: Vec, velocity_m_s: Vec) -> float:
    """Speed along the horizon."""
    return norm(cross(position_m, velocity_m_s)) / norm(position_m)


def along_floor(problem: Problem, low_orbit: Target, level_m_s: float) -> Steering:
    """Level at the floor from here to the cutoff; a start off it is led back."""
    r, v, arc = problem.position_m, problem.velocity_m_s, problem.arcs[0]
    normal = target_normal(low_orbit)
    now = floor_direction(r, v, push_m_s2(arc, 0.0), low_orbit.cutoff_radius_m, normal, problem.body)
    pull = scale(-problem.body.mu_m3_s2 / norm(r) ** 3, r)
    later_v = along(along(v, push_m_s2(arc, 0.0), now), 1.0, pull)
    later_r = along(r, 0.5, along(v, 1.0, later_v))
    soon = floor_direction(later_r, later_v, push_m_s2(arc, 1.0), low_orbit.cutoff_radius_m, normal, problem.body)
    held = ride_s(problem.arcs, 0.0, level_m_s, low_orbit, problem.body)
    law = Steering(problem.time_s, now, sub(soon, now), 0.0, problem.time_s, r, v, 0.0, 0.0, held is not None)
    return with_ride(problem, law, held, low_orbit) if held is not None else law


def floor_direction(r: Vec, v: Vec, thrust_m_s2: float, floor_m: float, normal: Vec | None, body: Body) -> Vec:
    """Thrust direction that bears the weight left, and leads back to the floor's height and the plane."""
    up, across = unit(r), unit(cross(r, v))
    ahead = cross(across, up)
    rising, level = dot(v, up), dot(v, ahead)
    back = -2.0 * HEIGHT_RATE * rising - HEIGHT_RATE**2 * (norm(r) - floor_m)
    back = max(-MOST_RETURN_M_S2, min(MOST_RETURN_M_S2, back))
    sine = max(-STEEPEST, min(STEEPEST, (weight_m_s2(norm(r), level, body) + back) / thrust_m_s2))
    side = 0.0
    if normal is not None:
        aside = -2.0 * PLANE_RATE * dot(v, normal) - PLANE_RATE**2 * dot(r, normal)
        side = max(-MOST_SIDE, min(MOST_SIDE, aside / thrust_m_s2))
        across = normal
    return unit(along(along(scale(sine, up), sqrt(1.0 - sine * sine), ahead), side, across))


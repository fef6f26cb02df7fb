"""Coasting part of the way to the target, where that saves propellant.

One long burn must be lofted to reach a high perigee level. Where the engine can be lit again it is cheaper to
insert low, coast half a revolution to the target's perigee height, and make up the speed there. Found here: the
low height that costs least, and what it saves against the burn without a pause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, pi, remainder, sqrt

from guidance_svc.core.burns import mass_at_end_kg
from guidance_svc.core.coast import coast, time_to_apoapsis_s
from guidance_svc.core.kepler import inclination_rad, node_rad
from guidance_svc.core.shortfall import at_perigee, reach
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, Target

ROUNDS = 9  # golden-section steps over the low height: 200 km down to 3 km, where the cost is flat
GOLDEN = 0.6180339887498949
SETTLING_ROUNDS = 3  # each takes the miss of the coast's end down by a hundred times
LEVEL_RAD = 1e-6  # a cutoff at an apsis, which is what the second burn ends in
CIRCLE_FRAC = 1e-9  # how near to the target's own perigee the search goes


@dataclass(frozen=True, slots=True)
class Detour:
    """An insertion with a coast.

    Args:
        target: of the first burn.
        law: that leads there.
        second_m_s: ideal speed gain of the second burn.
        saved_kg: against the burn without a pause.
    """

    target: Target
    law: Steering
    second_m_s: float
    saved_kg: float


def way_point(low_m: float, wanted: Target, body: Body) -> Target:
    """First target: cutoff at a low perigee, apogee where the wanted orbit has its cutoff, in the wanted plane."""
    return at_perigee(low_m, wanted.cutoff_radius_m, body, wanted, wanted.plane)


def settled(problem: Problem, detour: Detour) -> Detour:
    """The detour aimed so that the flown coast, not the osculating ellipse, ends at the wanted height and plane.

    With J2 the two differ by kilometres of height and tenths of a degree of node.
    """
    wanted, body = problem.target, problem.body
    if wanted is None:
        return detour
    for _ in range(SETTLING_ROUNDS if body.j2 else 0):
        law, target = detour.law, detour.target
        coast_s = time_to_apoapsis_s(law.position_m, law.velocity_m_s, body)
        r, v = coast(law.position_m, law.velocity_m_s, coast_s, body)
        high = target.apogee_radius_m + wanted.cutoff_radius_m - norm(r)
        aimed = at_perigee(target.perigee_radius_m, high, body, wanted, wanted.plane)
        aimed = replace(
            aimed,
            inclination_rad=target.inclination_rad + wanted.inclination_rad - inclination_rad(r, v),
            node_rad=target.node_rad + remainder(wanted.node_rad - node_rad(r, v), 2.0 * pi),
        )
        law = reach(problem, aimed, law)
        if not law.converged:
            break
        detour = replace(detour, target=aimed, law=law)
    return detour


def second_gain_m_s(low_m: float, wanted: Target, body: Body) -> float:
    """Speed missing at the apogee of the way-point orbit."""
    high = wanted.cutoff_radius_m
    return wanted.cutoff_speed_m_s - sqrt(2.0 * body.mu_m3_s2 * low_m / (high * (low_m + high)))


def cheapest_detour(problem: Problem, direct: Steering, lowest_radius_m: float) -> Detour | None:
    """The detour that leaves most propellant; None where the target is not reached level or the floor is above it.

    Args:
        direct: converged on the problem's own target.
        lowest_radius_m: floor for the coast.
    """
    wanted, body = problem.target, problem.body
    if wanted is None or abs(wanted.cutoff_flight_path_angle_rad) > LEVEL_RAD:
        return None
    top = wanted.cutoff_radius_m * (1.0 - CIRCLE_FRAC)
    if lowest_radius_m >= top:
        return None
    directly_kg = mass_at_end_kg(problem.arcs, direct.burn_s)

    def tried(low_m: float, guess: Steering) -> Detour:
        target = way_point(low_m, wanted, body)
        law = reach(problem, target, guess)
        gain = second_gain_m_s(low_m, wanted, body)
        after = mass_at_end_kg(problem.arcs, law.burn_s) * exp(-gain / problem.arcs[-1].exhaust_velocity_m_s)
        return Detour(target, law, gain, after - directly_kg if law.converged else -directly_kg)

    low, high = lowest_radius_m, top
    left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_left = tried(left, direct)
    at_right = tried(right, at_left.law if at_left.law.converged else direct)
    best = tried(low, at_left.law if at_left.law.converged else direct)
    for _ in range(ROUNDS):
        if at_left.saved_kg > at_right.saved_kg:
            high, right, at_right = right, left, at_left
            left = high - GOLDEN * (high - low)
            at_left = tried(left, at_right.law)
        else:
            low, left, at_left = left, right, at_right
            right = low + GOLDEN * (high - low)
            at_right = tried(right, at_left.law)
    best = max((best, at_left, at_right), key=lambda detour: detour.saved_kg)
    return settled(problem, best) if best.law.converged else None

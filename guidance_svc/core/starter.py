"""A first steering law from nothing but the state and the target: the powered-explicit-guidance loop.

Velocity to gain, burn time by the rocket equation over the stages, thrust integrals, a linear-tangent law with
its reference time, averaged gravity; repeated a few times. Good to a few degrees and per cent, which
is what Newton's method in core.steering wants to begin with.

Source: C. H. Jaggers, "An explicit solution to the exoatmospheric powered flight guidance and trajectory
optimization problem for rocket propelled vehicles", AIAA 77-1051, 1977; McHenry et al. 1979 (see core.burns).
"""

from __future__ import annotations

from math import asin, cos, pi, sin

from guidance_svc.core.burns import burn_for_gain_s, thrust_integrals
from guidance_svc.core.conditions import target_normal
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import add, along, cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Target, Vec

ROUNDS = 6
EAST_SPEED_FLOOR_M_S = 1.0  # below this horizontal speed the direction of flight is taken as east


def flight_direction(position_m: Vec, velocity_m_s: Vec) -> Vec:
    """Horizontal unit vector along the motion; east when there is none."""
    up = unit(position_m)
    flat = along(velocity_m_s, -dot(velocity_m_s, up), up)
    if norm(flat) > EAST_SPEED_FLOOR_M_S:
        return unit(flat)
    east = cross((0.0, 0.0, 1.0), up)
    return unit(east) if norm(east) > 1e-9 else (1.0, 0.0, 0.0)


def wanted_normal(problem: Problem) -> Vec:
    """Normal of the plane to begin with: the target's, or the nearest one that it allows."""
    fixed = target_normal(problem.target)
    if fixed is not None:
        return fixed
    up = unit(problem.position_m)
    ahead = flight_direction(problem.position_m, problem.velocity_m_s)
    present = cross(up, ahead)
    if problem.target is None or problem.target.plane == "free":
        return present
    return nearest_normal(up, present, problem.target.inclination_rad)


def nearest_normal(up: Vec, present: Vec, inclination_rad: float) -> Vec:
    """Normal perpendicular to `up`, at the given inclination, nearest to `present`.

    Where the latitude is above the inclination there is none; the answer is then the extreme one.
    """
    east = unit(cross((0.0, 0.0, 1.0), up)) if abs(up[2]) < 1.0 - 1e-12 else (0.0, 1.0, 0.0)
    north = cross(up, east)
    across = (1.0 - up[2] ** 2) ** 0.5
    ratio = cos(inclination_rad) / across if across > 1e-9 else 1.0
    azimuth = asin(max(-1.0, min(1.0, ratio)))
    options = [cross(up, add(scale(cos(a), north), scale(sin(a), east))) for a in (azimuth, pi - azimuth)]
    return max(options, key=lambda n: dot(n, present))


def wanted_target(problem: Problem) -> Target:
    """The insertion target; a circular burn has none and needs no such start."""
    if problem.target is None:
        raise ValueError("a burn without an insertion target starts from circular_guess")
    return problem.target


def circular_guess(problem: Problem) -> Steering:
    """Start of a burn to a circle, or to the speed of the target's energy: along the missing velocity."""
    mu, radius = problem.body.mu_m3_s2, norm(problem.position_m)
    ahead = flight_direction(problem.position_m, problem.velocity_m_s)
    squared = mu / radius
    if problem.target is not None:
        squared = 2.0 * mu / radius - 2.0 * mu / (problem.target.perigee_radius_m + problem.target.apogee_radius_m)
    wanted = scale(squared**0.5, ahead)
    missing = sub(wanted, problem.velocity_m_s)
    burn = burn_for_gain_s(problem.arcs, norm(missing))
    steer = unit(missing) if norm(missing) > 1e-6 else ahead
    cutoff = problem.time_s + burn
    return Steering(problem.time_s, steer, (0.0, 0.0, 0.0), burn, cutoff, problem.position_m, wanted)


def first_guess(problem: Problem) -> Steering:
    """The starting law; `converged` is False."""
    target, mu = wanted_target(problem), problem.body.mu_m3_s2
    r, v = problem.position_m, problem.velocity_m_s
    normal = wanted_normal(problem)
    cos_fpa, sin_fpa = cos(target.cutoff_flight_path_angle_rad), sin(target.cutoff_flight_path_angle_rad)
    gravity = scale(-mu / norm(r) ** 3, r)
    to_go = sub(scale(target.cutoff_speed_m_s, unit(cross(normal, r))), v)
    reach = r
    law: tuple[Vec, Vec, float] = (unit(to_go), (0.0, 0.0, 0.0), 0.0)
    for _ in range(ROUNDS):
        burn = burn_for_gain_s(problem.arcs, norm(to_go))
        k = thrust_integrals(problem.arcs, burn)
        along_gain, mid = unit(to_go), k.first_moment_m / max(k.speed_gain_m_s, 1e-9)
        fall = along(scale(k.total_s, v), 0.5 * k.total_s**2, gravity)
        flat = along(reach, -dot(reach, normal), normal)
        wanted = scale(target.cutoff_radius_m, unit(flat))
        gap = sub(wanted, add(r, fall))
        downrange = unit(cross(normal, wanted))
        gap = along(gap, -dot(gap, downrange), downrange)
        share = dot(along_gain, downrange)
        short = k.distance_m - dot(along_gain, gap)
        gap = along(gap, short / share if abs(share) > 0.2 else 0.0, downrange)
        moment = k.distance_moment_m_s - k.distance_m * mid
        rate = scale(1.0 / moment, along(gap, -k.distance_m, along_gain)) if abs(moment) > 1e-6 else (0.0, 0.0, 0.0)
        rate = scale(min(1.0, 3.0 / k.total_s / max(norm(rate), 1e-12)), rate)
        law = (along(along_gain, -mid, rate), rate, burn)
        reach = add(add(r, fall), gap)
        middle = scale(0.5, add(r, wanted))
        gravity = scale(-mu / norm(middle) ** 3, middle)
        horizontal = unit(cross(normal, wanted))
        at_cutoff = add(scale(target.cutoff_speed_m_s * cos_fpa, horizontal),
                        scale(target.cutoff_speed_m_s * sin_fpa, unit(wanted)))  # fmt: skip
        to_go = sub(sub(at_cutoff, v), scale(k.total_s, gravity))
    size = norm(law[0])
    return Steering(problem.time_s, scale(1 / size, law[0]), scale(1 / size, law[1]), law[2], problem.time_s + law[2])


def lofted_guess(problem: Problem, pitch_rad: float) -> Steering:
    """A plainer start for when `first_guess` leads nowhere: a given pitch in the wanted plane, falling off."""
    normal = wanted_normal(problem)
    up = unit(problem.position_m)
    ahead = unit(cross(normal, up))
    speed = (problem.body.mu_m3_s2 / norm(problem.position_m)) ** 0.5
    gain = norm(sub(scale(wanted_target(problem).cutoff_speed_m_s, ahead), problem.velocity_m_s)) * 1.1
    burn = burn_for_gain_s(problem.arcs, gain)
    steer = add(scale(cos(pitch_rad), ahead), scale(sin(pitch_rad), up))
    rate = scale(-0.6 * speed / norm(problem.position_m), up)
    return Steering(problem.time_s, steer, rate, burn, problem.time_s + burn)

"""Whether a stationary steering law is a minimum: the conditions that a spurious root of Newton's method fails.

A law that meets the target and the stationarity conditions may be a maximum or a saddle: it turns the vehicle round and
burns twice the propellant. Two conditions tell it apart.

First, at the cutoff more thrust must lead nearer to the target: H = p.(g + a) - p'.v > 0, the Hamiltonian of the
minimum-time problem, positive at any minimum.

Second, along each freedom that the target leaves (place along the orbit, node, plane) the burn time must have a
minimum. Turning the end of the path about an axis e changes the burn time at the rate e.C / H, with
C = v x p - r x p'; so the changes of C with the turn must form a positive matrix.

Source: A. E. Bryson, Y.-C. Ho, Applied Optimal Control, Hemisphere 1975, sections 2.7 and 6.3 (from memory); C is
Lawden's constant (see core.arcs). Not looked at: conjugate points of the path with its end held.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.burns import allot, counts, flat
from guidance_svc.core.compiled import column
from guidance_svc.core.conditions import FIXED, INCLINED, Wanted
from guidance_svc.core.effort import spend
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.newton import hard_rows
from guidance_svc.core.steering import Problem, Steering, gravity_of, predict, wanted_at
from guidance_svc.core.vectors import cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Vec

Unknowns = NDArray[np.float64]

DIFFERENCE = 1e-5  # of the dimensionless unknowns
SADDLE_FRAC = 1e-5  # of the largest curvature: one more negative than this is no rounding, which is 1e-9


def is_minimum(problem: Problem, law: Steering) -> bool:
    """Whether a converged law meets both conditions; True where it leaves nothing free."""
    if hamiltonian_m_s2(problem, law) <= 0.0:
        return False
    curvature = curvatures(problem, law)
    return curvature.size == 0 or float(curvature.min()) > -SADDLE_FRAC * float(np.abs(curvature).max())


def hamiltonian_m_s2(problem: Problem, law: Steering) -> float:
    """H at the cutoff, with the acceleration of the last burn whose length is free."""
    arrival = predict(problem, law.steer, law.steer_rate, law.burn_s)
    parts = [(arc, duration) for arc, duration in allot(problem.arcs, law.burn_s) if arc.powered and not arc.closing]
    arc, duration = parts[-1]
    push = arc.held_m_s2 if arc.held_m_s2 > 0.0 else arc.thrust_n / arc.mass_after_kg(duration)
    body = problem.body
    pull = acceleration(arrival.position_m, body.mu_m3_s2, body.radius_m, body.j2)
    p, rate = arrival.steer, arrival.steer_rate
    return (dot(p, pull) + push * norm(p) - dot(rate, arrival.velocity_m_s)) / norm(p)


def free_axes(c: Wanted, position_m: Vec, velocity_m_s: Vec) -> list[Vec]:
    """Axes about which the target lets the end of the path turn."""
    if c.plane == FIXED:
        return [c.normal]
    if c.plane == INCLINED:
        return [(0.0, 0.0, 1.0), unit(cross(position_m, velocity_m_s))]
    return [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)]


def curvatures(problem: Problem, law: Steering) -> Unknowns:
    """Second derivatives of the burn time along the freedoms: eigenvalues, dimensionless, of any positive scale."""
    c, arcs, r, v = wanted_at(problem), problem.arcs, problem.position_m, problem.velocity_m_s
    x = np.array([*law.steer, *scale(c.time_s, law.steer_rate), law.burn_s / c.time_s])
    end = predict(problem, law.steer, law.steer_rate, law.burn_s)
    axes = free_axes(c, end.position_m, end.velocity_m_s)
    fixed = (r, v, problem.tail_m_s), flat(arcs), counts(arcs), gravity_of(problem.body), tuple(c)

    def rows(y: Unknowns) -> Unknowns:
        px, py, pz, qx, qy, qz, burn = y.tolist()
        steer, rate = (px, py, pz), scale(1.0 / c.time_s, (qx, qy, qz))
        counted = column([0.0])
        hard, position, velocity = hard_rows(*fixed, (steer, rate, burn * c.time_s), counted)
        spend(int(counted[0]))
        about = scale(1.0 / c.speed_m_s, sub(cross(v, steer), cross(r, rate)))
        soft = [dot(about, axis) for axis in axes]
        place = [*scale(1.0 / c.length_m, position), *scale(1.0 / c.speed_m_s, velocity)]
        return np.array(hard + soft + place)

    slope = np.empty((len(rows(x)), 7))
    for k in range(7):
        step = np.zeros(7)
        step[k] = DIFFERENCE
        slope[:, k] = (rows(x + step) - rows(x - step)) / (2.0 * DIFFERENCE)
    count = len(axes)
    hard = slope[: -6 - count]
    free = np.linalg.svd(hard)[2][-count:].T
    ends = scale(1.0 / c.length_m, end.position_m), scale(1.0 / c.speed_m_s, end.velocity_m_s)
    turned = np.array([[*cross(axis, ends[0]), *cross(axis, ends[1])] for axis in axes]).T
    turns = np.linalg.lstsq(turned, slope[-6:] @ free, rcond=None)[0]
    matrix = (slope[-6 - count : -6] @ free) @ np.linalg.pinv(turns)
    return np.asarray(np.linalg.eigvalsh(0.5 * (matrix + matrix.T)), dtype=np.float64)

"""A second opinion on powered flight: the equations written again with NumPy, integrated by scipy's DOP853."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from guidance_svc.core.burns import Arc
from guidance_svc.core.gravity import potential
from guidance_svc.domain import Body, Vec

Array = NDArray[np.float64]


def gravity(r: Array, body: Body, step_m: float = 20.0) -> Array:
    """Minus the gradient of the potential, fourth-order differences: independent of the acceleration's formula."""
    out = np.empty(3)
    for k in range(3):
        d = np.zeros(3)
        d[k] = step_m
        u = [potential(tuple((r + n * d).tolist()), body.mu_m3_s2, body.radius_m, body.j2) for n in (-2, -1, 1, 2)]
        out[k] = -(u[0] - 8.0 * u[1] + 8.0 * u[2] - u[3]) / (12.0 * step_m)
    return out


def rates(t: float, y: Array, arc: Arc, body: Body) -> Array:
    """d/dt of (r, v, p, p'); Vallado section 8.6.1 for J2, Lawden's primer equation for p."""
    r, v, p, dp = y[0:3], y[3:6], y[6:9], y[9:12]
    size = np.linalg.norm(r)
    mu = body.mu_m3_s2
    pull = -mu / size**3 * r
    if body.j2:
        q, s = 1.5 * body.j2 * mu * body.radius_m**2 / size**5, 5.0 * (r[2] / size) ** 2
        pull = pull - q * r * np.array([1.0 - s, 1.0 - s, 3.0 - s])
    push = arc.held_m_s2 if arc.held_m_s2 > 0.0 else arc.thrust_n / arc.mass_after_kg(t) if arc.powered else 0.0
    thrust = push * p / np.linalg.norm(p) if push else np.zeros(3)
    turn = mu / size**3 * (3.0 * np.dot(r, p) / size**2 * r - p)
    return np.concatenate([v, pull + thrust, dp, turn])


def flown(
    position: Sequence[float], velocity: Sequence[float], steer: Vec, steer_rate: Vec,
    arcs: Sequence[tuple[Arc, float]], body: Body,
) -> Array:  # fmt: skip
    """(r, v, p, p') after the arcs, rtol 1e-12."""
    y = np.array([*position, *velocity, *steer, *steer_rate])
    for arc, duration_s in arcs:
        if duration_s > 0.0:
            done = solve_ivp(
                rates, (0.0, duration_s), y, "DOP853", args=(arc, body), rtol=1e-12,
                atol=[1e-6] * 3 + [1e-9] * 3 + [1e-13] * 6,
            )  # fmt: skip
            y = done.y[:, -1]
    return y

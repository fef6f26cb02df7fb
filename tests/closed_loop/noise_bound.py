"""The least errors of the final orbit that noisy states allow: the Cramer-Rao bound of a row of the disturbance table.

What is unknown is the first state, the thrust over the file's, and what the thrust does from second to second (white
noise and a random walk of the acceleration: `core.state_filter.Wander`). The information of every state is carried to
the cutoff by the linearised motion along the same flight without noise. Guidance is taken to have steered whatever is
known there to the target, so what is left is what is not known; an untold part of a tail-off is added as it is.

Source: H. L. Van Trees, Detection, Estimation, and Modulation Theory, part I (1968), section 2.4; for a linear system
with Gaussian noise the covariance of the Kalman filter reaches it (A. Gelb, ed., Applied Optimal Estimation, 1974,
section 4.2, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from math import degrees, erf, sqrt

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.kepler import apsides, inclination_rad, node_rad
from guidance_svc.core.state_filter import Wander
from guidance_svc.domain import Command, FlightPlan, Vec, VehicleState
from tests.closed_loop.disturbance_rows import BURN_S, TICK_S, Miss, miss_of, started
from tests.closed_loop.disturbed import Disturbance, fly_disturbed

Matrix = NDArray[np.float64]
THRUST_SIGMA = 0.05  # of the file's thrust: what is known before the burn, as `core.estimator.PRIOR_FRAC`
AFTER_LOSS_SIGMA = 0.3  # of the thrust, once a part of it may be lost
FIRST_SIGMA = (1e3, 10.0)  # m, m/s: of the state before anything is heard
STEADY = Wander(0.0, 0.0)  # thrust that is the same part of the file's all along
PLACE, SPEED, SCALE, BIAS = slice(0, 3), slice(3, 6), 6, slice(7, 10)


@dataclass(frozen=True)
class Instant:
    """A state as it was told on a flight without noise."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec


@dataclass(frozen=True)
class Path:
    """A flight without noise: its states until the cutoff, and by how much it misses the target."""

    plan: FlightPlan
    told: tuple[Instant, ...]
    miss: Miss


@cache
def path_of(disturbance: Disturbance, seed: int = 0) -> Path:
    """The flight of a row without its noise."""
    plan, world, state = started(seed, 0.5, TICK_S)
    told: list[Instant] = []

    def note(message: VehicleState, command: Command) -> None:
        place, speed = message.position_script_m, message.velocity_script_m_s
        assert place is not None
        assert speed is not None
        told.append(Instant(message.time_s, place, speed))

    quiet = replace(disturbance, noise_m=0.0, noise_m_s=0.0)
    end, _, _ = fly_disturbed(plan, world, state, quiet, seed, BURN_S, TICK_S, note)
    if end.time_s - told[-1].time_s <= disturbance.state_every * TICK_S:  # else it was cut at the state before
        told.append(Instant(end.time_s, end.position_m, end.velocity_m_s))
    return Path(plan, tuple(told), miss_of(plan, end))


def pull(position_m: Matrix, mu_m3_s2: float) -> tuple[Matrix, Matrix]:
    """Gravity of a sphere, and its gradient."""
    r = float(np.linalg.norm(position_m))
    k = -mu_m3_s2 / r**3
    return k * position_m, k * (np.eye(3) - 3.0 * np.outer(position_m, position_m) / r**2)


def moved(here: Instant, later: Instant, mu_m3_s2: float, wander: Wander) -> tuple[Matrix, Matrix]:
    """Transition matrix between two states, and the noise that the thrust adds.

    Columns: place, speed, thrust over the file's, and acceleration unknown besides.
    """
    dt = later.time_s - here.time_s
    gravity, gradient = pull(0.5 * (np.array(here.position_m) + np.array(later.position_m)), mu_m3_s2)
    push = (np.array(later.velocity_m_s) - np.array(here.velocity_m_s)) / dt - gravity
    step = np.eye(10)
    step[PLACE, PLACE] += 0.5 * dt**2 * gradient
    step[PLACE, SPEED] = dt * np.eye(3)
    step[SPEED, PLACE] = dt * gradient
    step[SPEED, SPEED] += 0.5 * dt**2 * gradient
    step[PLACE, SCALE], step[SPEED, SCALE] = 0.5 * dt**2 * push, dt * push
    step[PLACE, BIAS], step[SPEED, BIAS] = 0.5 * dt**2 * np.eye(3), dt * np.eye(3)
    q, b = wander.velocity_m2_s3, wander.bias_m2_s5
    shape = q * np.array([[dt**3 / 3.0, dt**2 / 2.0, 0.0], [dt**2 / 2.0, dt, 0.0], [0.0, 0.0, 0.0]]) + b * np.array([
        [dt**5 / 20.0, dt**4 / 8.0, dt**3 / 6.0], [dt**4 / 8.0, dt**3 / 3.0, dt**2 / 2.0],
        [dt**3 / 6.0, dt**2 / 2.0, dt],
    ])  # fmt: skip
    noise = np.zeros((10, 10))
    rows = np.r_[PLACE, SPEED, BIAS]
    noise[np.ix_(rows, rows)] = np.kron(shape, np.eye(3))
    return step, noise


def take_in(known: Matrix, disturbance: Disturbance) -> Matrix:
    """The covariance after one more state."""
    noise = np.diag([disturbance.noise_m**2] * 3 + [disturbance.noise_m_s**2] * 3)
    gain = np.linalg.solve(known[:6, :6] + noise, known[:6]).T
    rest = np.eye(len(known))
    rest[:, :6] -= gain
    left: Matrix = rest @ known @ rest.T + gain @ noise @ gain.T  # Joseph's form: never less than nothing
    return left


def known_at_cutoff(disturbance: Disturbance, wander: Wander) -> Matrix:
    """The least covariance of place and speed at the end of the flight."""
    path = path_of(disturbance)
    told, mu = path.told, path.plan.body.mu_m3_s2
    lost_at_s = told[0].time_s + disturbance.lost_at * BURN_S
    known = np.diag([FIRST_SIGMA[0] ** 2] * 3 + [FIRST_SIGMA[1] ** 2] * 3 + [THRUST_SIGMA**2] + [0.0] * 3)
    for here, later in pairwise(told):
        known = take_in(known, disturbance)
        if disturbance.thrust_kept != 1.0 and here.time_s <= lost_at_s < later.time_s:
            known[SCALE, SCALE] += AFTER_LOSS_SIGMA**2
        step, noise = moved(here, later, mu, wander)
        known = step @ known @ step.T + noise
    return known[:6, :6]


def figures(end: Matrix, mu_m3_s2: float) -> Matrix:
    """Perigee and apogee, m; inclination and node, deg."""
    place, speed = (end[0], end[1], end[2]), (end[3], end[4], end[5])
    low, high = apsides(place, speed, mu_m3_s2)
    return np.array([low, high, degrees(inclination_rad(place, speed)), degrees(node_rad(place, speed))])


def slopes(end: Instant, mu_m3_s2: float) -> Matrix:
    """Derivatives of the four figures by place and speed, by central differences."""
    state = np.array([*end.position_m, *end.velocity_m_s])
    shift = np.diag([1.0] * 3 + [1e-2] * 3)
    columns = [(figures(state + s, mu_m3_s2) - figures(state - s, mu_m3_s2)) / (2.0 * s.sum()) for s in shift]
    return np.array(columns).T


def least_sigmas(disturbance: Disturbance, wander: Wander = STEADY) -> Miss:
    """One sigma of each error of the final orbit that no guidance can go below."""
    path, known = path_of(disturbance), known_at_cutoff(disturbance, wander)
    by = slopes(path.told[-1], path.plan.body.mu_m3_s2)
    low, high, tilt, node = (sqrt(x) for x in np.diag(by @ known @ by.T))
    return Miss(float(low), float(high), float(tilt), float(node))


def least_p95(disturbance: Disturbance, wander: Wander = STEADY) -> Miss:
    """What 95 % of the absolute errors stay below at best; what stays of them without noise is added as it is."""
    sigmas, left = four(least_sigmas(disturbance, wander)), four(path_of(disturbance).miss)
    return Miss(*(p95(sigma, off) for sigma, off in zip(sigmas, left, strict=True)))


def p95(sigma: float, off: float) -> float:
    """What 95 % of the absolute values stay below, of a normal error that is off by something known."""
    low, high = 0.0, abs(off) + 4.0 * sigma
    for _ in range(60):
        middle = 0.5 * (low + high)
        within = 0.5 * (erf((middle - off) / (sigma * sqrt(2.0))) + erf((middle + off) / (sigma * sqrt(2.0))))
        low, high = (middle, high) if within < 0.95 else (low, middle)
    return high


def four(miss: Miss) -> tuple[float, float, float, float]:
    """The figures of a miss."""
    return miss.perigee_m, miss.apogee_m, miss.inclination_deg, miss.node_deg

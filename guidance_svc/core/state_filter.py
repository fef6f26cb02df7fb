"""Position, velocity and a slowly changing unmodelled acceleration, from noisy states: a Kalman filter.

The three axes have the same noise, so they share one covariance of three by three. The noise of the states is measured
from their own differences; how fast the unmodelled acceleration may change is the caller's, phase by phase.

Source: R. E. Kalman, A New Approach to Linear Filtering and Prediction Problems, J. Basic Engineering 82 (1960), 35-45;
discrete white noise of the third derivative as in Y. Bar-Shalom et al., Estimation with Applications to Tracking and
Navigation (2001), section 6.2.
"""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.compiled import part
from guidance_svc.core.vectors import add, along, dot, scale, sub
from guidance_svc.domain import Vec

LEAST_POSITION_M = 1e-4  # noise that is always reckoned with: rounding of what is sent
LEAST_VELOCITY_M_S = 1e-4
NOISE_STATES = 60.0  # over which the noise is averaged
TRUSTED_STATES = 12.0  # after so many the noise is known well enough to filter, and for outliers to be told
OUTLIER = 9.0  # times the variance: a square difference beyond counts as this much
SECOND_DIFFERENCE = 6.0  # variance of a second difference (1, -2, 1) over that of one number


class Spread(NamedTuple):
    """Covariance of position, velocity and bias of one axis: SI, row by row of its upper half."""

    rr: float
    rv: float
    ra: float
    vv: float
    va: float
    aa: float


class Noise(NamedTuple):
    """What the states' own differences show of their noise.

    Args:
        position_m2, velocity_m2_s2: variances of one axis.
        states: so many have been heard.
        raw_position_m, raw_velocity_m_s: of the last state, less what was predicted from the state before it.
    """

    position_m2: float
    velocity_m2_s2: float
    states: float
    raw_position_m: Vec
    raw_velocity_m_s: Vec


class Filtered(NamedTuple):
    """The best knowledge of where the vehicle is.

    Args:
        bias_m_s2: acceleration that the model lacks.
        heard_position_m, heard_velocity_m_s: the last state as it came.
    """

    position_m: Vec
    velocity_m_s: Vec
    bias_m_s2: Vec
    spread: Spread
    noise: Noise
    heard_position_m: Vec
    heard_velocity_m_s: Vec


class Wander(NamedTuple):
    """How uncertain the model's acceleration is.

    Args:
        velocity_m2_s3: white noise of acceleration.
        bias_m2_s5: random walk of the bias.
    """

    velocity_m2_s3: float
    bias_m2_s5: float


NOTHING = (0.0, 0.0, 0.0)


@part
def first_filtered(position_m: Vec, velocity_m_s: Vec, bias_sigma_m_s2: float) -> Filtered:
    """Begin with a state; until its noise is known the states are taken as they come.

    Args:
        bias_sigma_m_s2: one sigma of the model's acceleration.
    """
    spread = Spread(0.0, 0.0, 0.0, 0.0, 0.0, bias_sigma_m_s2 * bias_sigma_m_s2)
    noise = Noise(LEAST_POSITION_M**2, LEAST_VELOCITY_M_S**2, 0.0, NOTHING, NOTHING)
    return Filtered(position_m, velocity_m_s, NOTHING, spread, noise, position_m, velocity_m_s)


@part
def spread_later(s: Spread, dt_s: float, wander: Wander) -> Spread:
    """The covariance after a time without news."""
    q, b = wander.velocity_m2_s3, wander.bias_m2_s5
    half = 0.5 * dt_s * dt_s
    va, aa = s.va + dt_s * s.aa, s.aa
    vv = s.vv + 2.0 * dt_s * s.va + dt_s * dt_s * s.aa
    ra = s.ra + dt_s * s.va + half * s.aa
    rv = s.rv + dt_s * (s.vv + s.ra) + (dt_s * dt_s + half) * s.va + dt_s * half * s.aa
    rr = s.rr + 2.0 * dt_s * (s.rv + half * s.va) + dt_s * dt_s * s.vv + 2.0 * half * s.ra + half * half * s.aa
    t2, t3 = dt_s * dt_s, dt_s * dt_s * dt_s
    return Spread(
        rr + q * t3 / 3.0 + b * t3 * t2 / 20.0, rv + q * half + b * t2 * t2 / 8.0, ra + b * t3 / 6.0,
        vv + q * dt_s + b * t3 / 3.0, va + b * half, aa + b * dt_s,
    )  # fmt: skip


@part
def take_in_position(s: Spread, noise_m2: float) -> tuple[Spread, tuple[float, float, float]]:
    """The covariance after a position, and the gains for position, velocity and bias."""
    k = 1.0 / (s.rr + noise_m2)
    a, b, c = k * s.rr, k * s.rv, k * s.ra
    return Spread(
        s.rr - a * s.rr, s.rv - a * s.rv, s.ra - a * s.ra, s.vv - b * s.rv, s.va - b * s.ra, s.aa - c * s.ra
    ), (a, b, c)


@part
def take_in_velocity(s: Spread, noise_m2_s2: float) -> tuple[Spread, tuple[float, float, float]]:
    """The covariance after a velocity, and the gains for position, velocity and bias."""
    k = 1.0 / (s.vv + noise_m2_s2)
    a, b, c = k * s.rv, k * s.vv, k * s.va
    return Spread(
        s.rr - a * s.rv, s.rv - a * s.vv, s.ra - a * s.va, s.vv - b * s.vv, s.va - b * s.va, s.aa - c * s.va
    ), (a, b, c)


@part
def learn_variance(mean: float, least: float, difference: Vec, samples: float) -> float:
    """The mean of one axis after one more second difference of all three."""
    shown = dot(difference, difference) / (3.0 * SECOND_DIFFERENCE)
    if samples > TRUSTED_STATES:
        shown = min(shown, OUTLIER * mean)
    return max(mean + (shown - mean) / min(samples, NOISE_STATES), least * least)


@part
def learn_noise(noise: Noise, raw_position_m: Vec, raw_velocity_m_s: Vec) -> Noise:
    """The noise after one more state."""
    heard = noise.states + 1.0
    position, velocity = noise.position_m2, noise.velocity_m2_s2
    if heard >= 2.0:
        shift, change = sub(raw_position_m, noise.raw_position_m), sub(raw_velocity_m_s, noise.raw_velocity_m_s)
        position = learn_variance(position, LEAST_POSITION_M, shift, heard - 1.0)
        velocity = learn_variance(velocity, LEAST_VELOCITY_M_S, change, heard - 1.0)
    return Noise(position, velocity, heard, raw_position_m, raw_velocity_m_s)


@part
def take_in(
    before: Filtered, position_m: Vec, velocity_m_s: Vec, model_m_s2: Vec, dt_s: float, wander: Wander
) -> Filtered:
    """The knowledge after one more state.

    Args:
        position_m, velocity_m_s: as the state says.
        model_m_s2: acceleration since the state before, as the model has it.
        dt_s: seconds since the state before, > 0.
    """
    acceleration = add(model_m_s2, before.bias_m_s2)
    moved = along(scale(dt_s, before.velocity_m_s), 0.5 * dt_s * dt_s, acceleration)
    raw_position = sub(sub(position_m, before.heard_position_m), moved)
    raw_velocity = along(sub(velocity_m_s, before.heard_velocity_m_s), -dt_s, acceleration)
    noise = learn_noise(before.noise, raw_position, raw_velocity)
    if noise.states < TRUSTED_STATES:
        spread = Spread(noise.position_m2, 0.0, 0.0, noise.velocity_m2_s2, 0.0, before.spread.aa)
        return Filtered(position_m, velocity_m_s, before.bias_m_s2, spread, noise, position_m, velocity_m_s)
    r, v, b = add(before.position_m, moved), along(before.velocity_m_s, dt_s, acceleration), before.bias_m_s2
    spread, gain = take_in_position(spread_later(before.spread, dt_s, wander), noise.position_m2)
    off = sub(position_m, r)
    r, v, b = along(r, gain[0], off), along(v, gain[1], off), along(b, gain[2], off)
    spread, gain = take_in_velocity(spread, noise.velocity_m2_s2)
    off = sub(velocity_m_s, v)
    r, v, b = along(r, gain[0], off), along(v, gain[1], off), along(b, gain[2], off)
    return Filtered(r, v, b, spread, noise, position_m, velocity_m_s)

"""What a state tells of a burning engine, in numbers: into the engine estimate, and into the filter of the states."""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.burn_flight import Gravity
from guidance_svc.core.burn_state import NOISY_M_S, Told, Tracked, is_believed, track
from guidance_svc.core.burns import Motor
from guidance_svc.core.compiled import part
from guidance_svc.core.estimator import EngineEstimate, noise_of, watch
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import scale
from guidance_svc.domain import Vec


class Felt(NamedTuple):
    """What a state tells of a burning engine; vectors BCI, a thrust of 0 where none is told."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    pointing: Vec
    throttle_frac: float
    thrust_n: float


class Learnt(NamedTuple):
    """The engine estimate, the told thrust over the file's, and whether the engine as flown is what it was before."""

    estimate: EngineEstimate
    told_scale: float
    same: bool


@part
def take_in(learnt: Learnt, motor: Motor, gravity: Gravity, felt: Felt) -> Learnt:
    """What is known of the engine after one more state of its burn.

    Args:
        motor: by the vehicle file.
    """
    before, told, flow = learnt.estimate, learnt.told_scale, motor.thrust_n / motor.exhaust_velocity_m_s
    if felt.thrust_n > 0.0 and felt.throttle_frac > 0.0:
        told = felt.thrust_n / (felt.throttle_frac * motor.thrust_n)
    push = scale(told * motor.thrust_n / felt.mass_kg, felt.pointing)
    pull = acceleration(felt.position_m, gravity.mu_m3_s2, gravity.radius_m, gravity.j2)
    estimate = watch(
        before, felt.time_s, felt.velocity_m_s, pull, push, felt.throttle_frac, felt.mass_kg, told * flow
    )
    return Learnt(estimate, told, told == learnt.told_scale and estimate.known.thrust == before.known.thrust)


@part
def is_filtered(tracked: Tracked, estimate: EngineEstimate, time_s: float) -> bool:
    """Whether a state is noisy, as far as is known, and filtering it is worth it."""
    return time_s >= tracked.rests_until_s and noise_of(estimate.noise) > NOISY_M_S


@part
def track_felt(
    before: Tracked, learnt: Learnt, motor: Motor, gravity: Gravity, felt: Felt, told: tuple[bool, bool]
) -> Tracked:
    """The filter after one more state.

    Args:
        motor: by the vehicle file.
        told: whether the state tells its pointing and its throttle.
    """
    pull = acceleration(felt.position_m, gravity.mu_m3_s2, gravity.radius_m, gravity.j2)
    estimate, push = learnt.estimate, learnt.told_scale * motor.thrust_n / felt.mass_kg
    return track(before, Told(
        felt.time_s, felt.position_m, felt.velocity_m_s, pull, push, felt.pointing, told[0], felt.throttle_frac,
        told[1], estimate.known.thrust, estimate.jumped_at_s,
    ))  # fmt: skip


class Place(NamedTuple):
    """Position and velocity, BCI."""

    position_m: Vec
    velocity_m_s: Vec


@part
def best_place(tracked: Tracked, time_s: float, position_m: Vec, velocity_m_s: Vec) -> Place:
    """Where the vehicle is by a state: filtered where that is better."""
    if tracked.time_s != time_s or not is_believed(tracked.filtered.noise):
        return Place(position_m, velocity_m_s)
    return Place(tracked.filtered.position_m, tracked.filtered.velocity_m_s)

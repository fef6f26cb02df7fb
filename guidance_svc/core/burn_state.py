"""Where a vehicle is while its engine burns: noisy states filtered, with the thrust as it is known for a model.

The filter's bias is what the model lacks: thrust off its estimate, a pointing that was not told. The thrust estimate is
renewed on the way; what it has changed by is taken out of the bias, so that their sum stays what the filter has found.
"""

from __future__ import annotations

from math import inf
from typing import NamedTuple

from guidance_svc.core.compiled import part
from guidance_svc.core.state_filter import TRUSTED_STATES, Filtered, Noise, Wander, first_filtered, take_in
from guidance_svc.core.vectors import add, along, dot, scale, sub
from guidance_svc.domain import Vec

NOISY_M_S = 0.002  # velocity noise below which states are taken as they come
REST_S = 10.0  # after no noise was found, until it is looked for again
LONGEST_GAP_S = 5.0  # between states; beyond it the filter begins anew
BIAS_SIGMA_M_S2 = 1.0  # at first
QUIET = Wander(1e-7, 1e-9)  # an engine that burns on
AS_ORDERED = Wander(1e-5, 1e-6)  # the same, where its pointing is not told: it turns later than ordered
CHANGING = Wander(2e-2, 30.0)  # a thrust that has jumped
TRANSIENT_S = 1.2  # so long after a change
LATE_S = 0.3  # one sigma of when a throttle step comes that is not told
STEP_KNOWN_FRAC = 1e-4  # of a told change of the thrust: how well its size is known, until states say otherwise
STEP_SIGMAS2 = 16.0  # squares of what a state may be off by at a step that was told; beyond it, it came between states
STEP = 0.02  # of the throttle: a larger one that is not told comes when it likes
DRIFT_STATES = 100.0  # over which the filter's errors are averaged to see whether they are noise
DRIFT_ODDS = 20.0  # sum of three squares over their variance: by chance once in 6000 independent means (chi-square)


class Tracked(NamedTuple):
    """The filter of a burn, and what its model needs of the last state.

    Args:
        time_s: of the last state; minus infinity before the first (UNTRACKED).
        pull_m_s2: gravity there.
        full_push_m_s2: nominal acceleration at full throttle.
        pointing: unit thrust direction.
        throttle_frac: at which the engine ran up to it.
        thrust_scale: true thrust over the nominal one, as estimated.
        drift_m_s: fading mean of what the filter was off by in velocity.
        changed_at_s: vehicle time at which the thrust last changed unforeseen, or was to change.
        step_m2_s4: square of that change, where it was ordered; 0 where it was unforeseen.
        rests_until_s: vehicle time before which nothing is filtered, because there was no noise.
    """

    filtered: Filtered
    time_s: float
    pull_m_s2: Vec
    full_push_m_s2: float
    pointing: Vec
    throttle_frac: float
    thrust_scale: float
    drift_m_s: Vec
    changed_at_s: float
    step_m2_s4: float
    rests_until_s: float


NOTHING = (0.0, 0.0, 0.0)
UNTRACKED = Tracked(
    first_filtered(NOTHING, NOTHING, 0.0), -inf, NOTHING, 0.0, NOTHING, 0.0, 1.0, NOTHING, -inf, 0.0, -inf
)


class Told(NamedTuple):
    """A state of a burn, BCI; see `Tracked`.

    Args:
        pointing_told, throttle_told: by the state; else as ordered.
        jumped_at_s: vehicle time at which the thrust last jumped.
    """

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    pull_m_s2: Vec
    full_push_m_s2: float
    pointing: Vec
    pointing_told: bool
    throttle_frac: float
    throttle_told: bool
    thrust_scale: float
    jumped_at_s: float


@part
def is_quiet(noise: Noise) -> bool:
    """Whether the states have been found to be so good that each is better than a filter's memory."""
    return noise.states >= TRUSTED_STATES and noise.velocity_m2_s2 <= NOISY_M_S * NOISY_M_S


@part
def is_believed(noise: Noise) -> bool:
    """Whether there is noise, and it is known well enough for the filter."""
    return noise.states >= TRUSTED_STATES and noise.velocity_m2_s2 > NOISY_M_S * NOISY_M_S


@part
def track(before: Tracked, now: Told) -> Tracked:
    """The filter after one more state; begun with it after a gap, at rest where it has found no noise."""
    dt_s = now.time_s - before.time_s
    if not 0.0 < dt_s <= LONGEST_GAP_S:
        filtered = first_filtered(now.position_m, now.velocity_m_s, BIAS_SIGMA_M_S2)
        return Tracked(
            filtered, now.time_s, now.pull_m_s2, now.full_push_m_s2, now.pointing, now.throttle_frac,
            now.thrust_scale, NOTHING, -inf, 0.0, -inf,
        )  # fmt: skip
    push = push_since(before, now)
    filtered = with_bias(before.filtered, bias_now(before, now, push))
    model = along(scale(0.5, add(before.pull_m_s2, now.pull_m_s2)), now.thrust_scale * now.throttle_frac, push)
    foreseen = along(filtered.velocity_m_s, dt_s, add(model, filtered.bias_m_s2))
    change = changed(before, now, dot(push, push), sub(now.velocity_m_s, foreseen))
    filtered = take_in(filtered, now.position_m, now.velocity_m_s, model, dt_s, wander_now(change, now, dt_s))
    return Tracked(
        filtered, now.time_s, now.pull_m_s2, now.full_push_m_s2, now.pointing, now.throttle_frac, now.thrust_scale,
        change.drift_m_s, change.at_s, change.ordered_m2_s4,
        now.time_s + REST_S if is_quiet(filtered.noise) else -inf,
    )  # fmt: skip


class Change(NamedTuple):
    """The last change of the thrust that was not told when it came: `Tracked` has its parts.

    Args:
        told_m2_s4: square of a step that this state tells of.
    """

    at_s: float
    ordered_m2_s4: float
    drift_m_s: Vec
    told_m2_s4: float


@part
def changed(before: Tracked, now: Told, square_m2_s4: float, off_m_s: Vec) -> Change:
    """What a state says of changes of the thrust.

    Args:
        square_m2_s4: of the acceleration at full throttle.
        off_m_s: velocity, less what was foreseen.
    """
    stepped = now.throttle_frac - before.throttle_frac
    step, noise = stepped * stepped * square_m2_s4, before.filtered.noise
    if now.jumped_at_s > before.changed_at_s:
        return Change(now.jumped_at_s, 0.0, NOTHING, step)
    if abs(stepped) > STEP and not now.throttle_told:
        return Change(now.time_s, step, NOTHING, 0.0)
    if noise.states < TRUSTED_STATES or now.time_s - before.changed_at_s < TRANSIENT_S:
        return Change(before.changed_at_s, before.step_m2_s4, NOTHING, step)
    drift = along(before.drift_m_s, 1.0 / DRIFT_STATES, sub(off_m_s, before.drift_m_s))
    variance = noise.velocity_m2_s2 + before.filtered.spread.vv
    drifts = dot(drift, drift) > DRIFT_ODDS * variance / (2.0 * DRIFT_STATES - 1.0)
    if drifts or (abs(stepped) > STEP and dot(off_m_s, off_m_s) > STEP_SIGMAS2 * variance):
        return Change(now.time_s, 0.0, NOTHING, step)
    return Change(before.changed_at_s, before.step_m2_s4, drift, step)


@part
def push_since(before: Tracked, now: Told) -> Vec:
    """Mean nominal acceleration at full throttle since the last state.

    A vehicle that tells its pointing has turned since then to where it points, and held that.
    """
    begins, ends = 0.5 * before.full_push_m_s2, 0.5 * now.full_push_m_s2
    if now.pointing_told:
        return scale(begins + ends, now.pointing)
    return along(scale(begins, before.pointing), ends, now.pointing)


@part
def bias_now(before: Tracked, now: Told, push_m_s2: Vec) -> Vec:
    """The bias with what the thrust estimate has changed by taken out, and its part along the thrust throttled."""
    bias = along(before.filtered.bias_m_s2, before.throttle_frac * (before.thrust_scale - now.thrust_scale), push_m_s2)
    square = dot(push_m_s2, push_m_s2)
    if square <= 0.0 or before.throttle_frac <= 0.0 or now.throttle_frac == before.throttle_frac:
        return bias
    return along(bias, (now.throttle_frac / before.throttle_frac - 1.0) * dot(bias, push_m_s2) / square, push_m_s2)


@part
def with_bias(f: Filtered, bias_m_s2: Vec) -> Filtered:
    """The same with another bias."""
    return Filtered(
        f.position_m, f.velocity_m_s, bias_m_s2, f.spread, f.noise, f.heard_position_m, f.heard_velocity_m_s
    )


@part
def wander_now(change: Change, now: Told, dt_s: float) -> Wander:
    """How uncertain the model is since the last state."""
    wander = QUIET if now.pointing_told else AS_ORDERED
    white, walk = wander.velocity_m2_s3, wander.bias_m2_s5
    if now.time_s - change.at_s < TRANSIENT_S:
        if change.ordered_m2_s4 == 0.0:
            return CHANGING
        white += LATE_S * LATE_S * change.ordered_m2_s4 / TRANSIENT_S
    return Wander(white, walk + STEP_KNOWN_FRAC * STEP_KNOWN_FRAC * change.told_m2_s4 / dt_s)

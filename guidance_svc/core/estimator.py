"""Thrust and mass flow as flown, from velocity, attitude and mass; and when they jump.

With y = velocity less what gravity has given since the burn began, and P = what the nominal engine would have
given (the integral of nominal thrust over mass along the pointing), y = constant + k P: a straight line whose
slope k is the true thrust over the nominal one. Least squares over anchors about half a second apart, over the
last ten seconds; the scatter about the line is the measured noise, and alarm levels and trust follow it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, sqrt

from guidance_svc.core.vectors import add, along, dot, norm, scale, sub
from guidance_svc.domain import Vec

SAMPLE_EVERY_S = 0.0999  # a little under 0.1, for clocks that are not exact
THROTTLE_STEP = 0.01  # a larger change begins the integrals anew
ANCHOR_EVERY_S = 0.5
MOST_ANCHORS = 20
LONGEST_GAP_S = 5.0  # between states; beyond it the integrals are begun anew
PRIOR_FRAC = 0.05  # trust in the vehicle file: one sigma
PRIOR_AFTER_JUMP_FRAC = 0.3  # trust in the first estimate after a jump
NOISE_FLOOR_M_S = 1e-4  # of the integrals themselves
NOISE_AT_FIRST_M_S = 0.1  # until there are enough anchors to measure it; doubled by each alarm before that
ALARM_SIGMAS = 6.0
ALARM_FRAC = 0.04  # a jump smaller than this part of the thrust is left to the least squares
FEWEST_FOR_NOISE = 5
LEAST_SCALE = 0.02  # an engine that gives less than this of its nominal figures is not burning
MASS_STEP_KG = 1.0  # how coarsely a script may round its mass


@dataclass(frozen=True, slots=True)
class Sample:
    """One state of the burn, with its running integrals.

    Args:
        velocity_m_s: measured, BCI.
        gravity_m_s2: at this state.
        throttle_frac: at which the engine has run up to this state.
        full_push_m_s2: nominal thrust acceleration along the pointing, at full throttle.
        fallen_m_s: integral of gravity since the first sample.
        pushed_m_s: integral of the nominal thrust acceleration since the first sample.
        mass_kg: measured.
        nominal_burnt_kg: integral of the nominal mass flow.
    """

    time_s: float
    velocity_m_s: Vec
    gravity_m_s2: Vec
    throttle_frac: float
    full_push_m_s2: Vec
    fallen_m_s: Vec
    pushed_m_s: Vec
    mass_kg: float
    nominal_burnt_kg: float

    @property
    def own_m_s(self) -> Vec:
        """Velocity less what gravity gave."""
        return sub(self.velocity_m_s, self.fallen_m_s)


@dataclass(frozen=True, slots=True)
class EngineEstimate:
    """What the telemetry says of the engine.

    Args:
        thrust_scale, flow_scale: true over nominal, the prior blended in as far as the data are weak.
        thrust_sigma: one sigma of `thrust_scale`.
        noise_m_s: measured velocity noise, one sigma per axis.
        jumped_at_s: when the thrust last jumped; None while it has not.
    """

    anchors: tuple[Sample, ...] = ()
    last: Sample | None = None
    prior_thrust: float = 1.0
    prior_flow: float = 1.0
    prior_sigma: float = PRIOR_FRAC
    thrust_scale: float = 1.0
    flow_scale: float = 1.0
    thrust_sigma: float = PRIOR_FRAC
    noise_m_s: float = NOISE_AT_FIRST_M_S
    jumped_at_s: float | None = None


def sample_after(
    last: Sample | None,
    time_s: float,
    velocity_m_s: Vec,
    gravity_m_s2: Vec,
    full_push_m_s2: Vec,
    throttle_frac: float,
    mass_kg: float,
    full_flow_kg_s: float,
) -> Sample:
    """The next sample; integrals by the trapezoid rule, at the throttle seen now."""
    if last is None:
        nothing = (0.0, 0.0, 0.0)
        return Sample(time_s, velocity_m_s, gravity_m_s2, throttle_frac, full_push_m_s2, nothing, nothing, mass_kg, 0.0)
    half = 0.5 * (time_s - last.time_s)
    fallen = along(last.fallen_m_s, half, add(last.gravity_m_s2, gravity_m_s2))
    pushed = along(last.pushed_m_s, half * throttle_frac, add(last.full_push_m_s2, full_push_m_s2))
    burnt = last.nominal_burnt_kg + 2.0 * half * throttle_frac * full_flow_kg_s
    return Sample(time_s, velocity_m_s, gravity_m_s2, throttle_frac, full_push_m_s2, fallen, pushed, mass_kg, burnt)


def watch(
    engine: EngineEstimate,
    time_s: float,
    velocity_m_s: Vec,
    gravity_m_s2: Vec,
    full_push_m_s2: Vec,
    throttle_frac: float,
    mass_kg: float,
    full_flow_kg_s: float,
) -> EngineEstimate:
    """Take one state of a burn into account.

    Args:
        velocity_m_s, gravity_m_s2: BCI.
        full_push_m_s2: nominal full thrust over measured mass, along the pointing, BCI.
        throttle_frac: at which the engine has run since the last state.
        full_flow_kg_s: nominal mass flow at full throttle.
    """
    last = engine.last
    if last is not None and abs(throttle_frac - last.throttle_frac) > THROTTLE_STEP:
        engine, last = begun_anew(engine), None
    if last is not None and not 0.0 < time_s - last.time_s <= LONGEST_GAP_S:
        engine, last = replace(engine, anchors=(), last=None), None
    here = sample_after(
        last, time_s, velocity_m_s, gravity_m_s2, full_push_m_s2, throttle_frac, mass_kg, full_flow_kg_s
    )
    if not engine.anchors:
        return replace(engine, anchors=(here,), last=here)
    engine = replace(engine, last=here)
    if jumped(engine, here):
        return after_jump(engine, here)
    if time_s - engine.anchors[-1].time_s < ANCHOR_EVERY_S:
        return engine
    return fitted(replace(engine, anchors=(*engine.anchors, here)[-MOST_ANCHORS:]))


def begun_anew(engine: EngineEstimate) -> EngineEstimate:
    """Forget the anchors and keep what they taught as the prior: the throttle stepped somewhere between two states."""
    return replace(
        engine, anchors=(), last=None, prior_thrust=engine.thrust_scale, prior_flow=engine.flow_scale,
        prior_sigma=engine.thrust_sigma,
    )  # fmt: skip


def due(engine: EngineEstimate, time_s: float, throttle_frac: float) -> bool:
    """Whether a state adds anything: ten a second are enough while the throttle stands."""
    last = engine.last
    return last is None or time_s - last.time_s >= SAMPLE_EVERY_S or time_s <= last.time_s or (
        abs(throttle_frac - last.throttle_frac) > THROTTLE_STEP)  # fmt: skip


def jumped(engine: EngineEstimate, here: Sample) -> bool:
    """Whether the speed gained since the last anchors, or the mass burnt, departs from the line by a true jump."""
    since = engine.anchors[-1] if here.time_s - engine.anchors[-1].time_s > 0.3 or len(engine.anchors) < 2 else (
        engine.anchors[-2])  # fmt: skip
    pushed = sub(here.pushed_m_s, since.pushed_m_s)
    gained = norm(pushed)
    if gained == 0.0 or len(engine.anchors) < 2:
        return False
    burnt = here.nominal_burnt_kg - since.nominal_burnt_kg
    flow_gap = abs((since.mass_kg - here.mass_kg) - engine.flow_scale * burnt)
    speed_gap = abs(dot(sub(here.own_m_s, since.own_m_s), pushed) / gained - engine.thrust_scale * gained)
    flow_known = 3.0 * MASS_STEP_KG + ALARM_FRAC * burnt
    speed_known = ALARM_SIGMAS * sqrt(2.0) * engine.noise_m_s + ALARM_FRAC * gained
    return speed_gap > speed_known or (flow_gap > flow_known and speed_gap > 0.5 * speed_known)


def after_jump(engine: EngineEstimate, here: Sample) -> EngineEstimate:
    """Forget what was before the jump; begin with the ratio since the last anchor.

    An alarm before the noise has been measured may be noise: the next one asks for twice as much.
    """
    noise = engine.noise_m_s if len(engine.anchors) >= FEWEST_FOR_NOISE else 2.0 * engine.noise_m_s
    since = engine.anchors[-1]
    pushed, own = sub(here.pushed_m_s, since.pushed_m_s), sub(here.own_m_s, since.own_m_s)
    size = dot(pushed, pushed)
    thrust = max(dot(own, pushed) / size, LEAST_SCALE) if size > 0.0 else engine.thrust_scale
    burnt = here.nominal_burnt_kg - since.nominal_burnt_kg
    flow = max((since.mass_kg - here.mass_kg) / burnt, LEAST_SCALE) if burnt > 0.0 else engine.flow_scale
    return replace(
        engine, anchors=(here,), prior_thrust=thrust, prior_flow=flow, prior_sigma=PRIOR_AFTER_JUMP_FRAC,
        thrust_scale=thrust, flow_scale=flow, thrust_sigma=PRIOR_AFTER_JUMP_FRAC, jumped_at_s=here.time_s,
        noise_m_s=noise,
    )  # fmt: skip


def fitted(engine: EngineEstimate) -> EngineEstimate:
    """Least squares over the anchors, blended with the prior by their variances."""
    anchors = engine.anchors
    count = len(anchors)
    mean_push = scale(1.0 / count, summed([a.pushed_m_s for a in anchors]))
    mean_own = scale(1.0 / count, summed([a.own_m_s for a in anchors]))
    spread = cross_sum = own_sum = 0.0
    for a in anchors:
        p, y = sub(a.pushed_m_s, mean_push), sub(a.own_m_s, mean_own)
        spread += dot(p, p)
        cross_sum += dot(p, y)
        own_sum += dot(y, y)
    if spread <= 0.0:
        return engine
    slope = cross_sum / spread
    scatter = max(own_sum - slope * cross_sum, 0.0) / max(3 * count - 4, 1)
    noise = max(sqrt(scatter), NOISE_FLOOR_M_S) if count >= FEWEST_FOR_NOISE else engine.noise_m_s
    sigma = noise / sqrt(spread)
    thrust, thrust_sigma = blended(slope, sigma, engine.prior_thrust, engine.prior_sigma)
    thrust = max(thrust, LEAST_SCALE)
    burnt = anchors[-1].nominal_burnt_kg - anchors[0].nominal_burnt_kg
    lost = anchors[0].mass_kg - anchors[-1].mass_kg
    flow_sigma = MASS_STEP_KG / burnt if burnt > 0.0 else inf
    flow, _ = blended(lost / burnt if burnt > 0.0 else 1.0, flow_sigma, engine.prior_flow, engine.prior_sigma)
    flow = max(flow, LEAST_SCALE)
    return replace(engine, thrust_scale=thrust, thrust_sigma=thrust_sigma, flow_scale=flow, noise_m_s=noise)


def summed(vectors: list[Vec]) -> Vec:
    """Sum of vectors."""
    return (sum(v[0] for v in vectors), sum(v[1] for v in vectors), sum(v[2] for v in vectors))


def blended(value: float, sigma: float, prior: float, prior_sigma: float) -> tuple[float, float]:
    """Two independent estimates of one number, weighted by their variances."""
    if sigma == inf:
        return prior, prior_sigma
    weight, prior_weight = 1.0 / sigma**2, 1.0 / prior_sigma**2
    return (value * weight + prior * prior_weight) / (weight + prior_weight), 1.0 / sqrt(weight + prior_weight)

"""Thrust and mass flow as flown, from velocity, attitude and mass; and when they jump.

With y = velocity less what gravity has given since the burn began, and P = what the nominal engine would have
given (the integral of nominal thrust over mass along the pointing), y = constant + k P: a straight line whose
slope k is the true thrust over the nominal one. `core.thrust_line` fits it through means over half a second of the
last ten seconds, weighed against the vehicle file; its scatter is the measured noise.

A jump is believed on odds of a thousand to one. An engine is taken to jump once in a hundred thousand states, so
the readings must be a hundred million times as likely with the jump as without it (`log_odds`).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import copysign, exp, inf, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import keep_last, part
from guidance_svc.core.thrust_line import (
    JUMP_LOG_ODDS,
    LEAST_SCALE,
    NO_LINE,
    NO_NOISE,
    Anchor,
    Known,
    Line,
    Noise,
    Reading,
    anchor_of,
    is_line,
    line_through,
    log_odds,
)
from guidance_svc.core.vectors import add, along, sub
from guidance_svc.domain import Vec

SAMPLE_EVERY_S = 0.0999  # a little under 0.1, for clocks that are not exact
THROTTLE_STEP = 0.01  # a larger change begins the integrals anew
ANCHOR_EVERY_S = 0.5
MOST_ANCHORS = 20
MOST_READINGS = 12  # the newest, in which a jump is looked for
LONGEST_GAP_S = 5.0  # between states; beyond it the integrals are begun anew
PRIOR_FRAC = 0.05  # trust in the vehicle file's thrust: one sigma
PRIOR_EXHAUST_FRAC = 0.02  # trust in its exhaust velocity: one sigma
PRIOR_ANEW_FRAC = 0.01  # least doubt after a gap
PRIOR_AFTER_JUMP, MOST_PRIOR_AFTER_JUMP = 0.05, 0.3  # least and most doubt in the first estimate after a jump
JUMP_FRAC = 0.04  # a jump smaller than this part of the thrust is left to the least squares
KNOWN_WELL = 0.1  # one sigma of a jump, of the nominal thrust
DRIFT = 1.3  # 2 (1 - 1/e): how far slow noise drifts at worst while a jump is looked for, over its variance
LOOK_SIGMAS = 2.2  # of the newest reading's departure from the line: below it no jump is looked for
FIRST = Known(1.0, 1.0, PRIOR_FRAC, PRIOR_EXHAUST_FRAC)


class Sample(NamedTuple):
    """One state of the burn, with its running integrals; its time is minus infinity while there is none (NO_SAMPLE).

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


NOTHING = (0.0, 0.0, 0.0)
NO_SAMPLE = Sample(-inf, NOTHING, NOTHING, 0.0, NOTHING, NOTHING, NOTHING, 0.0, 0.0)


class EngineEstimate(NamedTuple):
    """What the telemetry says of the engine.

    Args:
        anchors: means of the readings of half a second each, oldest first.
        readings: the newest ones; the last `fresh` of them are in no anchor yet.
        last: state that was taken in.
        before: what was known without the anchors: the vehicle file, or what earlier anchors taught.
        known: what is known with them; `thrust_scale`, `flow_scale` and their sigmas are its parts.
        line: through the anchors.
        tested: the line without the newest anchor, from which a jump must depart.
        noise: of a reading, as measured since there were two anchors.
        jumped_at_s: when the thrust last jumped; minus infinity while it has not.
    """

    anchors: tuple[Anchor, ...] = ()
    readings: tuple[Reading, ...] = ()
    fresh: int = 0
    last: Sample = NO_SAMPLE
    before: Known = FIRST
    known: Known = FIRST
    line: Line = NO_LINE
    tested: Line = NO_LINE
    noise: Noise = NO_NOISE
    jumped_at_s: float = -inf

    @property
    def thrust_scale(self) -> float:
        """True thrust over the nominal one."""
        return self.known.thrust

    @property
    def flow_scale(self) -> float:
        """True mass flow over the nominal one."""
        return self.known.flow

    @property
    def thrust_sigma(self) -> float:
        """One sigma of `thrust_scale`."""
        return self.known.thrust * self.known.thrust_sigma

    @property
    def exhaust_sigma(self) -> float:
        """One sigma of the exhaust velocity, as a part of it."""
        return self.known.exhaust_sigma

    @property
    def noise_m_s(self) -> float:
        """Measured velocity noise of a state, one sigma per axis."""
        return noise_of(self.noise)

    @property
    def mass_noise_kg(self) -> float:
        """Measured noise of the mass of a state, one sigma; 0 until it has been measured."""
        return mass_noise_of(self.noise)


@part
def noise_of(noise: Noise) -> float:
    """Velocity noise of a state, one sigma per axis, m/s."""
    return sqrt(noise.fast_m_s * noise.fast_m_s + noise.slow_m_s * noise.slow_m_s)


@part
def mass_noise_of(noise: Noise) -> float:
    """Noise of the mass of a state, one sigma, kg."""
    return sqrt(noise.mass_fast_kg * noise.mass_fast_kg + noise.mass_slow_kg * noise.mass_slow_kg)


class Jump(NamedTuple):
    """A change of the thrust that would explain the newest readings; one that is none (NO_JUMP) is of no known size.

    Args:
        step, sigma: change of the thrust over the nominal one, and one sigma of it.
        log_odds: of the readings with the change against without it, the mass counted no more than the speed.
        fit: the same with all that the mass says: which of several jumps it was.
    """

    step: float
    sigma: float
    log_odds: float
    fit: float


NO_JUMP = Jump(0.0, inf, 0.0, 0.0)


@part
def sample_after(
    last: Sample,
    time_s: float,
    velocity_m_s: Vec,
    gravity_m_s2: Vec,
    full_push_m_s2: Vec,
    throttle_frac: float,
    mass_kg: float,
    full_flow_kg_s: float,
) -> Sample:
    """The next sample; integrals by the trapezoid rule, at the throttle seen now."""
    if last.time_s == -inf:
        return Sample(time_s, velocity_m_s, gravity_m_s2, throttle_frac, full_push_m_s2, NOTHING, NOTHING, mass_kg, 0.0)
    half = 0.5 * (time_s - last.time_s)
    fallen = along(last.fallen_m_s, half, add(last.gravity_m_s2, gravity_m_s2))
    pushed = along(last.pushed_m_s, half * throttle_frac, add(last.full_push_m_s2, full_push_m_s2))
    burnt = last.nominal_burnt_kg + 2.0 * half * throttle_frac * full_flow_kg_s
    return Sample(time_s, velocity_m_s, gravity_m_s2, throttle_frac, full_push_m_s2, fallen, pushed, mass_kg, burnt)


@part
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
    if engine.last.time_s > -inf:
        if abs(throttle_frac - engine.last.throttle_frac) > THROTTLE_STEP:
            engine = begin_anew(engine, 0.0)
        elif not 0.0 < time_s - engine.last.time_s <= LONGEST_GAP_S:
            engine = begin_anew(engine, PRIOR_ANEW_FRAC)
    here = sample_after(
        engine.last, time_s, velocity_m_s, gravity_m_s2, full_push_m_s2, throttle_frac, mass_kg, full_flow_kg_s
    )
    engine = close_anchor(engine, time_s)
    fresh = engine.fresh + 1
    readings = keep_last(engine.readings, reading_of(here), max(MOST_READINGS, fresh))
    jump = jump_in(engine, readings)
    if jump.sigma < KNOWN_WELL:
        return after_jump(engine, here, jump)
    return EngineEstimate(
        engine.anchors, readings, fresh, here, engine.before, engine.known, engine.line, engine.tested, engine.noise,
        engine.jumped_at_s,
    )  # fmt: skip


@part
def begin_anew(engine: EngineEstimate, doubt: float) -> EngineEstimate:
    """Forget the anchors and keep what they taught: the throttle stepped somewhere between two states, or a gap came.

    Args:
        doubt: least relative sigma of what they taught.
    """
    return EngineEstimate(
        engine.anchors[:0], engine.readings[:0], 0, NO_SAMPLE, doubt_figures(engine.known, doubt, doubt), engine.known,
        NO_LINE, NO_LINE, engine.noise, engine.jumped_at_s,
    )  # fmt: skip


@part
def doubt_figures(known: Known, thrust_sigma: float, exhaust_sigma: float) -> Known:
    """The same figures, trusted less."""
    return Known(
        known.thrust, known.flow, max(known.thrust_sigma, thrust_sigma), max(known.exhaust_sigma, exhaust_sigma)
    )


@part
def due(engine: EngineEstimate, time_s: float, throttle_frac: float) -> bool:
    """Whether a state adds anything: ten a second are enough while the throttle stands."""
    last = engine.last
    return time_s - last.time_s >= SAMPLE_EVERY_S or time_s <= last.time_s or (
        abs(throttle_frac - last.throttle_frac) > THROTTLE_STEP)  # fmt: skip


@part
def close_anchor(engine: EngineEstimate, time_s: float) -> EngineEstimate:
    """The readings of the last half second made an anchor, and the line fitted, once they span it."""
    e = engine
    if e.fresh == 0 or time_s - e.readings[-e.fresh].time_s < ANCHOR_EVERY_S - 0.5 * SAMPLE_EVERY_S:
        return e
    anchors = keep_last(e.anchors, anchor_of(e.readings[-e.fresh :]), MOST_ANCHORS)
    if len(anchors) >= 2:
        line, noise = line_through(anchors, e.before)
        if is_line(line):
            return EngineEstimate(
                anchors, e.readings, 0, e.last, e.before, line.known, line, e.line, noise, e.jumped_at_s
            )
    return EngineEstimate(
        anchors, e.readings, 0, e.last, e.before, e.known, e.line, e.tested, e.noise, e.jumped_at_s
    )  # fmt: skip


@part
def jump_in(engine: EngineEstimate, readings: Sequence[Reading]) -> Jump:
    """The jump that the newest readings show, if they show one on the odds that are asked for."""
    line, noise = engine.tested, engine.noise
    if not is_line(line):
        return NO_JUMP
    newest = readings[-1]
    px, py, pz = sub(newest.pushed_m_s, line.pushed_m_s)
    gained = sqrt(px * px + py * py + pz * pz)
    if gained == 0.0:
        return NO_JUMP
    way = (px / gained, py / gained, pz / gained)
    off = departure(newest, line, way).off_m_s
    turned = line.thrust_sigma * gained
    unsure = noise.slow_m_s * noise.slow_m_s + line.middle_m_s * line.middle_m_s + turned * turned
    if off * off < LOOK_SIGMAS * LOOK_SIGMAS * (noise.fast_m_s * noise.fast_m_s + unsure):
        return NO_JUMP
    return likeliest(readings, line, noise, way, unsure)


class Departure(NamedTuple):
    """How far a reading is along the line, and how far off it: along the thrust."""

    along_m_s: float
    off_m_s: float


@part
def departure(reading: Reading, line: Line, way: Vec) -> Departure:
    """Where a reading stands to the line."""
    (a, b, c), (d, e, f) = reading.pushed_m_s, reading.own_m_s
    (g, h, i), (j, k, m) = line.pushed_m_s, line.own_m_s
    x, y, z = way
    far = (a - g) * x + (b - h) * y + (c - i) * z
    return Departure(far, (d - j) * x + (e - k) * y + (f - m) * z - line.thrust * far)


class Ramp(NamedTuple):
    """A departure that grows from one reading on: its rate, and the variance of that from fast noise and from drift.

    Where nothing can be said of it (NO_RAMP) the variances are infinite.
    """

    step: float
    fast: float
    drift: float


NO_RAMP = Ramp(0.0, inf, inf)


@part
def ramps(places: Sequence[float], offs: Sequence[float], fast: float, shared: float, slow: float) -> list[Ramp]:
    """The ramp from each reading on, by least squares, latest beginning first.

    Args:
        places: along the line, rising.
        offs: departures from it.
        fast, shared, slow: variances of one reading: independent, common to all, and of noise that may drift.
    """
    count, newest = len(places), places[-1]
    common = shared / (fast + count * shared)
    rest = common * sum(offs)
    ww = w1 = wr = total = 0.0
    last, off = newest, offs[-1]
    out = [NO_RAMP for _ in range(count - 1)]
    for n in range(1, count):
        here = places[-1 - n]
        w, total = last - here, total + off
        ww, w1, wr = ww + w * (2.0 * w1 + n * w), w1 + n * w, wr + w * total
        last, off = here, offs[-1 - n]
        told = ww - common * w1 * w1
        span = newest - here
        if told > 0.0:
            out[n - 1] = Ramp((wr - rest * w1) / told, fast / told, DRIFT * slow / (span * span))
    return out


@part
def likeliest(readings: Sequence[Reading], line: Line, noise: Noise, way: Vec, unsure: float) -> Jump:
    """The likeliest instant of a jump among the readings, and the jump; none below the odds that are asked for.

    From the jump on, the departure from the line grows in proportion to what has been pushed since: one unknown, the
    step. The mass confirms a jump that the speed shows; it never accuses alone, for something may have been dropped.

    Args:
        unsure: variance that all readings share: slow noise, and the line's own.
    """
    places, offs = [0.0 for _ in readings], [0.0 for _ in readings]
    burnt, lost = [0.0 for _ in readings], [0.0 for _ in readings]
    for k in range(len(readings)):
        r = readings[k]
        places[k], offs[k] = departure(r, line, way)
        burnt[k], lost[k] = r.burnt_kg, line.mass_kg - r.mass_kg - line.flow * (r.burnt_kg - line.burnt_kg)
    fast, slow = noise.fast_m_s * noise.fast_m_s, noise.slow_m_s * noise.slow_m_s
    fast_mass, slow_mass = noise.mass_fast_kg * noise.mass_fast_kg, noise.mass_slow_kg * noise.mass_slow_kg
    speed = ramps(places, offs, fast, unsure, slow)
    mass = ramps(burnt, lost, fast_mass, line.middle_kg * line.middle_kg + slow_mass, slow_mass)
    jumps = [judge_jump(speed[k], mass[k], line, noise) for k in range(len(speed))]
    return average_jump([jump for jump in jumps if jump.sigma < inf], line.known.thrust)


@part
def average_jump(jumps: Sequence[Jump], thrust: float) -> Jump:
    """The mean jump over the instants at which it may have been, weighed by their odds; none below those asked for.

    A jump that is sure but of unknown size waits for more readings: guidance can make nothing of it.
    Before a jump is looked at, the thrust after it is anything from none to what it was: half of it, give or take half.
    """
    most = best = 0.0
    for k in range(len(jumps)):
        most = max(most, jumps[k].log_odds)
        best = jumps[k].fit if k == 0 else max(best, jumps[k].fit)
    if most < JUMP_LOG_ODDS:
        return NO_JUMP
    weights = step = square = 0.0
    wide = (0.5 * thrust) * (0.5 * thrust)
    for jump in jumps:
        variance = jump.sigma * jump.sigma
        share = variance / (variance + wide)
        weight = exp(jump.fit - best)
        shrunk = jump.step + share * (copysign(0.5 * thrust, jump.step) - jump.step)
        weights, step = weights + weight, step + weight * shrunk
        square += weight * (shrunk * shrunk + variance * (1.0 - share))
    step /= weights
    return Jump(step, sqrt(max(square / weights - step * step, 0.0)), most, best)


@part
def judge_jump(ramp: Ramp, confirming: Ramp, line: Line, noise: Noise) -> Jump:
    """A ramp of the speed as a jump of the thrust, with its odds; no jump where there is no ramp."""
    if ramp.fast == inf:
        return NO_JUMP
    step, variance = ramp.step, ramp.fast + ramp.drift
    beyond = max(abs(step) - JUMP_FRAC * line.known.thrust, 0.0)
    score = beyond * beyond / variance
    fast, drift = ramp.fast * ramp.fast / noise.freedom, ramp.drift * ramp.drift / noise.slow_freedom
    freedom = variance * variance / (fast + drift)
    mass_score = 0.0
    if confirming.fast < inf and confirming.step * step > 0.0:
        doubt = confirming.fast + confirming.drift
        mass_score = confirming.step * confirming.step / doubt
        weight = variance / (variance + doubt + JUMP_FRAC * JUMP_FRAC)
        step, variance = step + weight * (confirming.step - step), variance * (1.0 - weight)
    odds = log_odds(score + min(score, mass_score), freedom)
    return Jump(step, sqrt(variance), odds, log_odds(score + mass_score, freedom))


@part
def after_jump(engine: EngineEstimate, here: Sample, jump: Jump) -> EngineEstimate:
    """Begin anew with the thrust after the jump; the exhaust velocity, which a lost engine leaves as it was, stands."""
    base = engine.tested.known if is_line(engine.tested) else engine.known
    thrust = max(base.thrust + jump.step, LEAST_SCALE)
    flow = max(thrust * base.flow / base.thrust, LEAST_SCALE)
    doubt = min(max(3.0 * jump.sigma, PRIOR_AFTER_JUMP), MOST_PRIOR_AFTER_JUMP) / thrust
    now = Known(thrust, flow, doubt, max(base.exhaust_sigma, PRIOR_EXHAUST_FRAC))
    readings = keep_last(engine.readings[:0], reading_of(here), 1)
    return EngineEstimate(
        engine.anchors[:0], readings, 1, here, now, now, NO_LINE, NO_LINE, engine.noise, here.time_s
    )


@part
def reading_of(here: Sample) -> Reading:
    """What the fit needs of a sample: its velocity less what gravity gave."""
    own = sub(here.velocity_m_s, here.fallen_m_s)
    return Reading(here.time_s, here.pushed_m_s, own, here.mass_kg, here.nominal_burnt_kg)

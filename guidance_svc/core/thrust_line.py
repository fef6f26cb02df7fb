"""The straight line behind the engine estimate: fitted to means of states, weighed against what was known before.

Two numbers are sought: thrust over the nominal one, and mass flow over the nominal one. Before a burn both are known
from the vehicle file to a few per cent, and their ratio (the exhaust velocity) better than either, because chamber
pressure changes both alike. The telemetry adds one slope for each. The estimate is the mean of the normal
distribution that follows from both (linear Gaussian estimation: A. Gelb, ed., Applied Optimal Estimation, MIT Press
1974, chapter 4, from memory).

Noise is measured on the way. A reading's noise has a part that is independent from state to state (seen within
half a second) and a slow part (what the means of half a second scatter beyond that).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, log, log1p, sqrt
from typing import NamedTuple

from guidance_svc.core.compiled import part
from guidance_svc.domain import Vec

NOISE_FLOOR_M_S = 1e-4  # of the integrals themselves
MASS_FLOOR_FRAC = 1e-7  # of the mass: of the integrals themselves
NOISE_AT_FIRST_M_S = 0.1  # where nothing has been measured
MASS_AT_FIRST_KG = 0.3  # likewise: a mass rounded to 1 kg
ENOUGH_ANCHORS = 5  # whose scatter stands alone; fewer are helped by the scatter within them
HELP_COUNT = 4.0  # readings that this help is worth
JUMP_LOG_ODDS = log(1e5) + log(1e3)  # asked of the readings: rarity of a jump, and the odds that are wanted
GIVEN_WAY_FRAC = 0.5  # trust in a figure that the telemetry contradicts: one sigma
LEAST_SCALE = 0.02  # an engine that gives less than this of its nominal figures is not burning


class Reading(NamedTuple):
    """One state: velocity less what gravity gave, integrals of the nominal thrust and flow, mass."""

    time_s: float
    pushed_m_s: Vec
    own_m_s: Vec
    mass_kg: float
    burnt_kg: float


class Anchor(NamedTuple):
    """The mean of the readings of about half a second, and how they scatter about the line within it.

    Args:
        time_s: of the first reading.
        states: how many readings.
        middle_s: mean time of the readings.
        pp, py, yy: sums of squares and products about the mean, of `pushed_m_s` and `own_m_s`, over three axes.
        bb, bm, mm: likewise of `burnt_kg` and the mass lost.
    """

    time_s: float
    states: int
    pushed_m_s: Vec
    own_m_s: Vec
    mass_kg: float
    burnt_kg: float
    pp: float
    py: float
    yy: float
    bb: float
    bm: float
    mm: float
    middle_s: float


class Known(NamedTuple):
    """What is known of an engine: thrust and flow over nominal, relative sigma of thrust and of exhaust velocity."""

    thrust: float
    flow: float
    thrust_sigma: float
    exhaust_sigma: float


class Noise(NamedTuple):
    """One sigma of a reading per axis: the part that is independent, the slow part; how many numbers say so of each.

    None say so while nothing has been measured (NO_NOISE).
    """

    fast_m_s: float
    slow_m_s: float
    mass_fast_kg: float
    mass_slow_kg: float
    freedom: float
    slow_freedom: float


class Line(NamedTuple):
    """A fitted line: its middle and slopes, with one sigma of each; what they are taken for in `known`.

    The middle of a line that is none (NO_LINE) is infinitely unsure.
    """

    pushed_m_s: Vec
    own_m_s: Vec
    mass_kg: float
    burnt_kg: float
    thrust: float
    flow: float
    thrust_sigma: float
    middle_m_s: float
    middle_kg: float
    known: Known


class Fitted(NamedTuple):
    """A line with the noise about it."""

    line: Line
    noise: Noise


class Sums(NamedTuple):
    """Mean of some readings or anchors, and their sums of squares about it, as in `Anchor`."""

    pushed_m_s: Vec
    own_m_s: Vec
    mass_kg: float
    burnt_kg: float
    pp: float
    py: float
    yy: float
    bb: float
    bm: float
    mm: float


NO_NOISE = Noise(NOISE_AT_FIRST_M_S, 0.0, 0.0, 0.0, 0.0, 0.0)
NO_LINE = Line((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 0.0, 0.0, 0.0, 0.0, 0.0, inf, inf, Known(0.0, 0.0, 0.0, 0.0))


@part
def is_line(line: Line) -> bool:
    """Whether it has been fitted."""
    return line.middle_m_s < inf


@part
def sums_of(points: Sequence[Reading] | Sequence[Anchor]) -> Sums:
    """Of pushed, own, mass and burnt of each point, in two passes."""
    k = 1.0 / len(points)
    px = py = pz = yx = yy = yz = mass = burnt = 0.0
    for point in points:
        (a, b, c), (d, e, f) = point.pushed_m_s, point.own_m_s
        px, py, pz, yx, yy, yz = px + a, py + b, pz + c, yx + d, yy + e, yz + f
        mass, burnt = mass + point.mass_kg, burnt + point.burnt_kg
    px, py, pz, yx, yy, yz, mass, burnt = k * px, k * py, k * pz, k * yx, k * yy, k * yz, k * mass, k * burnt
    pp = pq = qq = bb = bm = mm = 0.0
    for point in points:
        (a, b, c), (d, e, f) = point.pushed_m_s, point.own_m_s
        a, b, c, d, e, f = a - px, b - py, c - pz, d - yx, e - yy, f - yz
        m, u = point.mass_kg - mass, point.burnt_kg - burnt
        pp, pq, qq = pp + a * a + b * b + c * c, pq + a * d + b * e + c * f, qq + d * d + e * e + f * f
        bb, bm, mm = bb + u * u, bm - u * m, mm + m * m
    return Sums((px, py, pz), (yx, yy, yz), mass, burnt, pp, pq, qq, bb, bm, mm)


@part
def anchor_of(readings: Sequence[Reading]) -> Anchor:
    """The mean of some readings and their scatter."""
    total_s = 0.0
    for reading in readings:
        total_s += reading.time_s
    s, count = sums_of(readings), len(readings)
    return Anchor(
        readings[0].time_s, count, s.pushed_m_s, s.own_m_s, s.mass_kg, s.burnt_kg, s.pp, s.py, s.yy, s.bb, s.bm, s.mm,
        total_s / count,
    )  # fmt: skip


@part
def line_through(anchors: Sequence[Anchor], before: Known) -> Fitted:
    """The line through at least two anchors, weighed against what was known; NO_LINE where nothing was pushed."""
    s, count = sums_of(anchors), len(anchors)
    if s.pp <= 0.0 or s.bb <= 0.0:
        return Fitted(NO_LINE, NO_NOISE)
    slope, flow_slope = s.py / s.pp, s.bm / s.bb
    states, shares = 0, 0.0
    for anchor in anchors:
        states, shares = states + anchor.states, shares + 1.0 / anchor.states
    within, share = states - count, shares / count
    fast, mass_fast = fast_parts(anchors, slope, flow_slope, within)
    expected, mass_expected = fast * share, mass_fast * share
    if within == 0:
        expected, mass_expected = NOISE_AT_FIRST_M_S * NOISE_AT_FIRST_M_S, MASS_AT_FIRST_KG * MASS_AT_FIRST_KG
    least, least_mass = NOISE_FLOOR_M_S * NOISE_FLOOR_M_S, (MASS_FLOOR_FRAC * s.mass_kg) * (MASS_FLOOR_FRAC * s.mass_kg)
    mean = max(spread_of(s.yy - slope * s.py, 3 * count - 4, expected, count), least)
    mass_mean = max(spread_of(s.mm - flow_slope * s.bm, count - 2, mass_expected, count), least_mass)
    surely = count >= ENOUGH_ANCHORS
    between = float(max(3 * count - 4, 1))
    fast_sigma, slow_sigma = part_noise(fast, mean, within, share, least, surely)
    mass_sigma, slow_mass_sigma = part_noise(mass_fast, mass_mean, within, share, least_mass, surely)
    freedom = 3.0 * within if within > 0 else between
    noise = Noise(fast_sigma, slow_sigma, mass_sigma, slow_mass_sigma, freedom, between)
    sigma, flow_sigma = sqrt(mean / s.pp), sqrt(mass_mean / s.bb)
    before = give_way(before, slope, sigma, flow_slope, flow_sigma, freedom)
    weighed = weigh_slopes(before, slope, sigma, flow_slope, flow_sigma)
    thrust, flow = weighed.thrust, weighed.flow
    known = Known(max(thrust, LEAST_SCALE), max(flow, LEAST_SCALE), weighed.thrust_sigma, weighed.exhaust_sigma)
    line = Line(
        s.pushed_m_s, s.own_m_s, s.mass_kg, s.burnt_kg, thrust, flow, known.thrust_sigma * known.thrust,
        sqrt(mean / count), sqrt(mass_mean / count), known,
    )  # fmt: skip
    return Fitted(line, noise)


@part
def spread_of(squares: float, freedom: int, expected: float, count: int) -> float:
    """Variance of an anchor about the line; few anchors are helped by what the readings within them lead to expect."""
    squares = max(squares, 0.0)
    if count >= ENOUGH_ANCHORS:
        return squares / freedom
    return (squares + HELP_COUNT * expected) / (max(freedom, 0) + HELP_COUNT)


@part
def fast_parts(anchors: Sequence[Anchor], slope: float, flow_slope: float, within: int) -> tuple[float, float]:
    """Variance of a reading about the line within its anchor: of velocity per axis, and of mass; 0 where none shows."""
    if within == 0:
        return 0.0, 0.0
    squares = mass_squares = 0.0
    for a in anchors:
        squares += a.yy + slope * (slope * a.pp - 2.0 * a.py)
        mass_squares += a.mm + flow_slope * (flow_slope * a.bb - 2.0 * a.bm)
    return max(squares, 0.0) / (3.0 * within), max(mass_squares, 0.0) / within


@part
def part_noise(
    fast: float, mean: float, within: int, share_frac: float, least: float, surely: bool
) -> tuple[float, float]:
    """Independent and slow part of a reading's noise, one sigma, from variances within and of anchors.

    Args:
        share_frac: of the variance of a reading that its anchor's mean keeps.
        surely: there are anchors enough; with fewer the noise may all be slow.
    """
    if within == 0:
        return sqrt(mean), 0.0
    slow = max(mean - fast * share_frac, 0.0 if surely else fast)
    return sqrt(max(fast, least)), sqrt(max(slow, 0.0))


@part
def give_way(
    before: Known, thrust: float, thrust_sigma: float, flow: float, flow_sigma: float, freedom: float
) -> Known:
    """The prior, trusted far less where the measured slopes contradict it on the odds of a jump."""
    gap = thrust / before.thrust - 1.0
    off = thrust_sigma / before.thrust
    if log_odds(gap * gap / (off * off + before.thrust_sigma * before.thrust_sigma), freedom) >= JUMP_LOG_ODDS:
        before = Known(before.thrust, before.flow, GIVEN_WAY_FRAC, before.exhaust_sigma)
    ratio, was = flow / max(thrust, LEAST_SCALE), before.flow / before.thrust
    gap = ratio / was - 1.0
    flow_off, off = flow_sigma / max(flow, LEAST_SCALE), thrust_sigma / max(thrust, LEAST_SCALE)
    doubt = flow_off * flow_off + off * off
    if log_odds(gap * gap / (doubt + before.exhaust_sigma * before.exhaust_sigma), freedom) >= JUMP_LOG_ODDS:
        before = Known(before.thrust, before.flow, before.thrust_sigma, GIVEN_WAY_FRAC)
    return before


@part
def log_odds(score: float, freedom: float) -> float:
    """Logarithm of a likelihood ratio whose noise has itself been estimated, from so many readings.

    Args:
        score: square of the departure over its sigma.

    Source: the likelihood ratio of two means with a common unknown variance; Mood, Graybill, Boes, Introduction to the
    Theory of Statistics, 3rd ed., section IX.4 (from memory). Six sigma where the noise is well known, 15 with ten
    readings.
    """
    return 0.5 * (freedom + 1.0) * log1p(score / freedom)


@part
def weigh_slopes(before: Known, thrust: float, thrust_sigma: float, flow: float, flow_sigma: float) -> Known:
    """Thrust and flow from the prior, whose errors go together, and from one measured slope of each.

    The normal equations of two unknowns, solved about the prior.
    """
    ratio = before.flow / before.thrust
    spread, flow_spread = before.thrust_sigma * before.thrust, before.thrust * ratio * before.exhaust_sigma
    loose = 1.0 / (flow_spread * flow_spread)  # of the flow, thrust given
    told, flow_told = 1.0 / (thrust_sigma * thrust_sigma), 1.0 / (flow_sigma * flow_sigma)
    a = 1.0 / (spread * spread) + ratio * ratio * loose + told
    b, c = -ratio * loose, loose + flow_told
    gap, flow_gap = told * (thrust - before.thrust), flow_told * (flow - before.flow)
    det = a * c - b * b
    thrust, flow = before.thrust + (c * gap - b * flow_gap) / det, before.flow + (a * flow_gap - b * gap) / det
    k, f = max(thrust, LEAST_SCALE), max(flow, LEAST_SCALE)
    exhaust = c / (k * k) + a / (f * f) + 2.0 * b / (k * f)
    return Known(thrust, flow, sqrt(c / det) / k, sqrt(max(exhaust / det, 0.0)))

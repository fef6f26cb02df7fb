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
from math import log, log1p, sqrt
from typing import NamedTuple

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
    """One sigma of a reading per axis: the part that is independent, the slow part; how many numbers say so of each."""

    fast_m_s: float
    slow_m_s: float
    mass_fast_kg: float
    mass_slow_kg: float
    freedom: float
    slow_freedom: float


class Line(NamedTuple):
    """A fitted line: its middle and slopes, with one sigma of each; what they are taken for in `known`."""

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


def sums_of(points: Sequence[tuple[Vec, Vec, float, float]]) -> Sums:
    """Of pushed, own, mass and burnt of each point, in two passes."""
    k = 1.0 / len(points)
    px = py = pz = yx = yy = yz = mass = burnt = 0.0
    for (a, b, c), (d, e, f), m, u in points:
        px, py, pz, yx, yy, yz, mass, burnt = px + a, py + b, pz + c, yx + d, yy + e, yz + f, mass + m, burnt + u
    px, py, pz, yx, yy, yz, mass, burnt = k * px, k * py, k * pz, k * yx, k * yy, k * yz, k * mass, k * burnt
    pp = pq = qq = bb = bm = mm = 0.0
    for (a, b, c), (d, e, f), m, u in points:
        a, b, c, d, e, f, m, u = a - px, b - py, c - pz, d - yx, e - yy, f - yz, m - mass, u - burnt
        pp, pq, qq = pp + a * a + b * b + c * c, pq + a * d + b * e + c * f, qq + d * d + e * e + f * f
        bb, bm, mm = bb + u * u, bm - u * m, mm + m * m
    return Sums((px, py, pz), (yx, yy, yz), mass, burnt, pp, pq, qq, bb, bm, mm)


def anchor_of(readings: Sequence[Reading]) -> Anchor:
    """The mean of some readings and their scatter."""
    middle_s = sum([r.time_s for r in readings]) / len(readings)
    return Anchor(readings[0].time_s, len(readings), *sums_of([r[1:] for r in readings]), middle_s)


def line_through(anchors: Sequence[Anchor], before: Known) -> tuple[Line, Noise] | None:
    """The line through at least two anchors, weighed against what was known before; None where nothing was pushed."""
    s, count = sums_of([a[2:6] for a in anchors]), len(anchors)
    if s.pp <= 0.0 or s.bb <= 0.0:
        return None
    slope, flow_slope = s.py / s.pp, s.bm / s.bb
    within, part = sum([a.states for a in anchors]) - count, sum([1.0 / a.states for a in anchors]) / count
    fast, mass_fast = fast_parts(anchors, slope, flow_slope, within)
    expected, mass_expected = (
        (fast * part, mass_fast * part) if within else (NOISE_AT_FIRST_M_S**2, MASS_AT_FIRST_KG**2)
    )
    mean = spread_of(s.yy - slope * s.py, 3 * count - 4, expected, count)
    mass_mean = spread_of(s.mm - flow_slope * s.bm, count - 2, mass_expected, count)
    least, least_mass = NOISE_FLOOR_M_S**2, (MASS_FLOOR_FRAC * s.mass_kg) ** 2
    mean, mass_mean = max(mean, least), max(mass_mean, least_mass)
    surely = count >= ENOUGH_ANCHORS
    between = float(max(3 * count - 4, 1))
    noise = Noise(
        *part_noise(fast, mean, within, part, least, surely),
        *part_noise(mass_fast, mass_mean, within, part, least_mass, surely),
        3.0 * within if within else between, between,
    )  # fmt: skip
    sigma, flow_sigma = sqrt(mean / s.pp), sqrt(mass_mean / s.bb)
    before = given_way(before, slope, sigma, flow_slope, flow_sigma, noise.freedom)
    thrust, flow, thrust_sigma, exhaust_sigma = weigh_slopes(before, slope, sigma, flow_slope, flow_sigma)
    known = Known(max(thrust, LEAST_SCALE), max(flow, LEAST_SCALE), thrust_sigma, exhaust_sigma)
    line = Line(
        s.pushed_m_s, s.own_m_s, s.mass_kg, s.burnt_kg, thrust, flow, thrust_sigma * known.thrust, sqrt(mean / count),
        sqrt(mass_mean / count), known,
    )  # fmt: skip
    return line, noise


def spread_of(squares: float, freedom: int, expected: float, count: int) -> float:
    """Variance of an anchor about the line; few anchors are helped by what the readings within them lead to expect."""
    squares = max(squares, 0.0)
    if count >= ENOUGH_ANCHORS:
        return squares / freedom
    return (squares + HELP_COUNT * expected) / (max(freedom, 0) + HELP_COUNT)


def fast_parts(anchors: Sequence[Anchor], slope: float, flow_slope: float, within: int) -> tuple[float, float]:
    """Variance of a reading about the line within its anchor: of velocity per axis, and of mass; 0 where none shows."""
    if not within:
        return 0.0, 0.0
    squares = mass_squares = 0.0
    for _, _, _, _, _, _, pp, py, yy, bb, bm, mm, _ in anchors:
        squares += yy + slope * (slope * pp - 2.0 * py)
        mass_squares += mm + flow_slope * (flow_slope * bb - 2.0 * bm)
    return max(squares, 0.0) / (3.0 * within), max(mass_squares, 0.0) / within


def part_noise(
    fast: float, mean: float, within: int, part: float, least: float, surely: bool
) -> tuple[float, float]:  # fmt: skip
    """Independent and slow part of a reading's noise, one sigma, from variances within and of anchors.

    Args:
        surely: there are anchors enough; with fewer the noise may all be slow.
    """
    if not within:
        return sqrt(mean), 0.0
    slow = max(mean - fast * part, 0.0 if surely else fast)
    return sqrt(max(fast, least)), sqrt(max(slow, 0.0))


def given_way(
    before: Known, thrust: float, thrust_sigma: float, flow: float, flow_sigma: float, freedom: float
) -> Known:
    """The prior, trusted far less where the measured slopes contradict it on the odds of a jump."""
    gap = thrust / before.thrust - 1.0
    doubt = (thrust_sigma / before.thrust) ** 2
    if log_odds(gap * gap / (doubt + before.thrust_sigma**2), freedom) >= JUMP_LOG_ODDS:
        before = before._replace(thrust_sigma=GIVEN_WAY_FRAC)
    ratio, was = flow / max(thrust, LEAST_SCALE), before.flow / before.thrust
    gap = ratio / was - 1.0
    doubt = (flow_sigma / max(flow, LEAST_SCALE)) ** 2 + (thrust_sigma / max(thrust, LEAST_SCALE)) ** 2
    if log_odds(gap * gap / (doubt + before.exhaust_sigma**2), freedom) >= JUMP_LOG_ODDS:
        before = before._replace(exhaust_sigma=GIVEN_WAY_FRAC)
    return before


def log_odds(score: float, freedom: float) -> float:
    """Logarithm of a likelihood ratio whose noise has itself been estimated, from so many readings.

    Args:
        score: square of the departure over its sigma.

    Source: the likelihood ratio of two means with a common unknown variance; Mood, Graybill, Boes, Introduction to the
    Theory of Statistics, 3rd ed., section IX.4 (from memory). Six sigma where the noise is well known, 15 with ten
    readings.
    """
    return 0.5 * (freedom + 1.0) * log1p(score / freedom)


def weigh_slopes(before: Known, thrust: float, thrust_sigma: float, flow: float, flow_sigma: float) -> Known:
    """Thrust and flow from the prior, whose errors go together, and from one measured slope of each.

    The normal equations of two unknowns, solved about the prior.
    """
    ratio = before.flow / before.thrust
    loose = 1.0 / (before.thrust * ratio * before.exhaust_sigma) ** 2  # of the flow, thrust given
    told, flow_told = 1.0 / thrust_sigma**2, 1.0 / flow_sigma**2
    a = 1.0 / (before.thrust_sigma * before.thrust) ** 2 + ratio * ratio * loose + told
    b, c = -ratio * loose, loose + flow_told
    gap, flow_gap = told * (thrust - before.thrust), flow_told * (flow - before.flow)
    det = a * c - b * b
    thrust, flow = before.thrust + (c * gap - b * flow_gap) / det, before.flow + (a * flow_gap - b * gap) / det
    k, f = max(thrust, LEAST_SCALE), max(flow, LEAST_SCALE)
    exhaust = c / (k * k) + a / (f * f) + 2.0 * b / (k * f)
    return Known(thrust, flow, sqrt(c / det) / k, sqrt(max(exhaust / det, 0.0)))

"""An acceleration limit that is missing in the plan, learnt from a thrust acceleration that stays while the mass falls.

Two straight lines are fitted to the speed that the engine has given over the last five seconds: against the integral of
one over the mass (constant thrust), and against time (constant acceleration). What scatters less is the truer one; the
odds are those of the two scatters with their noise unknown, n / 2 times the logarithm of their ratio (normal
distribution, profile likelihood).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import log
from typing import NamedTuple

from guidance_svc.core.compiled import part
from guidance_svc.core.estimator import EngineEstimate, begin_anew
from guidance_svc.core.thrust_line import Anchor
from guidance_svc.core.vectors import dot, norm, sub, unit
from guidance_svc.domain import FlightPlan, Stage
from guidance_svc.laws.memory import Flight, LimitLearnt, Steady
from guidance_svc.laws.stack import engine_as_flown

ANCHORS = 10  # the last ones, about five seconds
FEWEST = 8
CERTAIN = 12.0  # logarithm of the odds that a limit asks for: one in 160,000
STEADY = 3.0  # and of those that a constant thrust is taken by, whose figures stand when a limit is found
FALLEN_FRAC = 0.01  # of the mass: less than that tells nothing
FLOOR_M_S = 1e-3  # of the scatter: the integrals' own error
FULL = 0.999  # of the throttle: below it guidance itself throttles
OVER_FRAC = 0.03  # more acceleration than this above the limit, and it is none
BY_ITSELF_FRAC = 0.02  # lowest throttle of an engine that some limit throttles, whatever the plan says of it


class Fits(NamedTuple):
    """How well two engines explain the speed given.

    Args:
        held_odds: logarithm of the odds for a held acceleration; 0 while the anchors say too little (NO_FITS).
        acceleration_m_s2: which one.
    """

    held_odds: float
    acceleration_m_s2: float


NO_FITS = Fits(0.0, 0.0)


class Scatter(NamedTuple):
    """Sum of squares about a least-squares line, and its slope."""

    squares: float
    slope: float


@part
def scatter_about_line(x: Sequence[float], y: Sequence[float]) -> Scatter:
    """How y scatters about its least-squares line over x."""
    count = len(x)
    mean_x, mean_y = sum(x) / count, sum(y) / count
    xx = xy = yy = 0.0
    for k in range(count):
        a, b = x[k] - mean_x, y[k] - mean_y
        xx, xy, yy = xx + a * a, xy + a * b, yy + b * b
    slope = xy / xx if xx > 0.0 else 0.0
    return Scatter(max(yy - slope * xy, 0.0), slope)


@part
def fits_of(anchors: Sequence[Anchor]) -> Fits:
    """Both lines through the last anchors."""
    last = anchors[-ANCHORS:]
    if len(last) < FEWEST or last[-1].mass_kg > (1.0 - FALLEN_FRAC) * last[0].mass_kg:
        return NO_FITS
    gained = sub(last[-1].own_m_s, last[0].own_m_s)
    if norm(gained) == 0.0:
        return NO_FITS
    ahead = unit(gained)
    speeds = [dot(sub(a.own_m_s, last[0].own_m_s), ahead) for a in last]
    lightness = [0.0 for _ in last]
    for k in range(1, len(last)):
        a, b = last[k - 1], last[k]
        lightness[k] = lightness[k - 1] + 0.5 * (b.middle_s - a.middle_s) * (1.0 / a.mass_kg + 1.0 / b.mass_kg)
    floor = len(last) * (FLOOR_M_S * FLOOR_M_S)
    thrust = scatter_about_line(lightness, speeds)
    held = scatter_about_line([a.middle_s for a in last], speeds)
    return Fits(0.5 * len(last) * log((thrust.squares + floor) / (held.squares + floor)), held.slope)


@part
def is_new_anchor(before: Sequence[Anchor], anchors: Sequence[Anchor]) -> bool:
    """Whether the last anchor is one that was not there before."""
    return len(anchors) > 0 and (len(before) == 0 or anchors[-1].time_s != before[-1].time_s)


def watch_limit(before: EngineEstimate, flight: Flight, plan: FlightPlan) -> Flight:
    """The flight with a limit learnt or taken back, after the engine estimate has taken a state in.

    Args:
        before: the estimate before this state.
    """
    estimate = flight.engine.estimate
    anchors = estimate.anchors
    if not is_new_anchor(before.anchors, anchors):
        return flight
    fits = fits_of(anchors)
    if fits == NO_FITS:
        return flight
    limit = flight.engine.limit
    if limit is not None:
        over = fits.acceleration_m_s2 > (1.0 + OVER_FRAC) * limit.acceleration_m_s2
        if over or fits.held_odds < -CERTAIN:
            return with_limit(flight, plan, None)
        return measure_again(flight, plan, limit._replace(acceleration_m_s2=held_acceleration(anchors)))
    if flight.throttle_frac < FULL:
        return flight
    if fits.held_odds < -STEADY:
        steady = Steady(estimate.known, flight.engine.told_scale)
        return flight._replace(engine=flight.engine._replace(steady=steady))
    if fits.held_odds < CERTAIN:
        return flight
    return with_limit(flight, plan, LimitLearnt(fits.acceleration_m_s2, anchors[-ANCHORS:][0].time_s))


def with_limit(flight: Flight, plan: FlightPlan, limit: LimitLearnt | None) -> Flight:
    """The flight with a limit, or without one, and the engine as it was when its thrust was last constant."""
    engine = flight.engine
    steady, estimate, told = engine.steady, engine.estimate, engine.told_scale
    if steady is not None:
        estimate, told = estimate._replace(known=steady.known), steady.told_scale
    flown = within_limit(engine_as_flown(plan.vehicle.stages[flight.stage], estimate, told), limit)
    engine = engine._replace(estimate=begin_anew(estimate, 0.0), told_scale=told, limit=limit, flown=flown)
    return flight._replace(engine=engine)


def held_acceleration(anchors: tuple[Anchor, ...]) -> float:
    """Mean acceleration over all anchors, along what they have gained."""
    ahead = unit(sub(anchors[-1].own_m_s, anchors[0].own_m_s))
    speeds = [dot(sub(a.own_m_s, anchors[0].own_m_s), ahead) for a in anchors]
    return scatter_about_line([a.middle_s for a in anchors], speeds).slope


def measure_again(flight: Flight, plan: FlightPlan, limit: LimitLearnt) -> Flight:
    """The flight with the limit as the anchors since it was learnt have it: the first ones were not all held."""
    told = plan.vehicle.stages[flight.stage].acceleration_limit_m_s2
    flown = flight.engine.flown
    if flown is not None:
        flown = replace(flown, acceleration_limit_m_s2=min(told, limit.acceleration_m_s2))
    return flight._replace(engine=flight.engine._replace(limit=limit, flown=flown))


def within_limit(stage: Stage, limit: LimitLearnt | None) -> Stage:
    """A stage with the limit that was learnt, which something in the vehicle keeps whatever is ordered."""
    if limit is None:
        return stage
    level = min(stage.acceleration_limit_m_s2, limit.acceleration_m_s2)
    return replace(stage, acceleration_limit_m_s2=level, throttle_min_frac=min(BY_ITSELF_FRAC, stage.throttle_min_frac))


def ordered_throttle(flight: Flight, plan: FlightPlan) -> float:
    """The throttle to order: not below what the plan's engine can, where a limit is kept by the vehicle itself."""
    if flight.engine.limit is None:
        return flight.throttle_frac
    return max(flight.throttle_frac, plan.vehicle.stages[flight.stage].throttle_min_frac)


def limit_words(limit: LimitLearnt | None) -> tuple[str, ...]:
    """A limit that was learnt, in words."""
    if limit is None:
        return ()
    return (
        f"the thrust acceleration has stayed at {limit.acceleration_m_s2:.1f} m/s2 since "
        f"{limit.since_s:.0f} s while the mass fell: taken as a limit that is missing in the plan "
        "(acceleration_limit_m_s2)",
    )

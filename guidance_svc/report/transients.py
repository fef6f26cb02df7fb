"""Spool-up after ignition and tail-off after cutoff: what velocity and mass say beside the steady line."""

from __future__ import annotations

from math import hypot, sqrt
from typing import NamedTuple

import numpy as np

from guidance_svc.report.engine_fit import SETTLE_S, Estimate, Fit
from guidance_svc.report.track import Floats, Ints, Track

WINDOW_S = 3.0  # of states on either side of the change
SETTLED_AFTER_CUTOFF_S = 1.0
EVENT_LEAD_S = 10.0  # longest from an ignition event to thrust
TIME_FLOOR_S = 5e-4  # half a millisecond: rounding of clocks
GAP_FLOOR_FRAC = 0.002  # of the time between states: trapezoid rule (0.0029 s at 2 s, measured)
SURE_SIGMAS = 2.0  # a tail-off below this is not told from none
NEGATIVE_SIGMAS = 3.0
COARSE_FRAC = 0.25  # an instant known no better than this part of the answer tells nothing


class Change(NamedTuple):
    """An engine's start or stop between two states, on which `before` is the last."""

    before: int
    at_s: float
    at_sigma_s: float


def spool_up(track: Track, index: int, fit: Fit) -> Estimate | str:
    """Seconds of full thrust lost after the ignition command, or why they cannot be seen."""
    starts = changes(track, index, lit=True)
    if not starts:
        return "spool-up: no ignition in the recording"
    tries = [way(track, fit, change) for change in starts for way in (lost_by_velocity, lost_by_mass)]
    found = [estimate for estimate in tries if estimate is not None]
    if not found:
        gap = min(float(track.gaps_s[change.before]) for change in starts)
        return f"spool-up: the states around the ignition are {gap:z.2f} s apart, or too few follow it"
    mean = pool_estimates(found, time_floor_s(track))
    unsure = max(change.at_sigma_s for change in starts)
    if unsure > TIME_FLOOR_S and (unsure > COARSE_FRAC * abs(mean.value)):
        return f"spool-up: the ignition command's instant is known to {unsure:z.2f} s only"
    return Estimate(mean.value, hypot(mean.sigma, unsure))


def tail_off(track: Track, index: int, fit: Fit, thrust: Estimate) -> Estimate | str:
    """Impulse after a cutoff command at full throttle (N s), or why it cannot be seen."""
    stops = changes(track, index, lit=False)
    if not stops:
        return "tail-off: no cutoff in the recording"
    tries = [tail_of(track, fit, change, thrust) for change in stops]
    found = [got for got in tries if isinstance(got, Estimate)]
    reasons = [got for got in tries if isinstance(got, str)]
    if not found:
        return reasons[0]
    mean = pool_estimates(found, time_floor_s(track) * thrust.value)
    if mean.value < -NEGATIVE_SIGMAS * mean.sigma:
        return (
            f"tail-off: {mean.value:.3g} N s, one sigma {mean.sigma:.2g}, which no engine gives: the engine stopped "
            "before the commanded instant, or throttle or attitude before it are not those told"
        )
    if mean.value < SURE_SIGMAS * mean.sigma:
        most = max(mean.value, 0.0) + SURE_SIGMAS * mean.sigma
        return f"tail-off: too small to tell from noise; below {most:.2g} N s (two sigma)"
    return mean


def changes(track: Track, index: int, lit: bool) -> list[Change]:
    """Ignitions or cutoffs of a stage, each with the commanded instant where it was commanded."""
    on, stage = track.engine_on, track.stage
    swap = (on[1:] & ~on[:-1]) if lit else (~on[1:] & on[:-1])
    told = track.ignite_at_s if lit else track.cutoff_at_s
    found = []
    for i in np.flatnonzero(swap & (stage[1:] == index) & (stage[:-1] == index)):
        start, end = track.times_s[i], track.times_s[i + 1]
        recent = told[max(0, i - 500) : i + 1]
        given = recent[~np.isnan(recent)]
        earliest = start - EVENT_LEAD_S if lit else start - 1e-6
        if given.size and earliest <= given[-1] <= end + 1e-6:
            found.append(Change(int(i), float(given[-1]), 0.0))
        else:
            found.append(Change(int(i), 0.5 * float(start + end), float(end - start) / sqrt(12.0)))
    return found


def after(track: Track, change: Change, settle_s: float, stretches: Ints) -> Ints:
    """Settled states after a change, in the stretch that begins with it."""
    rows = np.flatnonzero(stretches == stretches[change.before + 1])
    span = track.times_s[rows[-1]] - change.at_s
    since = track.times_s[rows] - change.at_s
    wait = min(settle_s, 0.5 * span)
    settled: Ints = rows[(since >= wait) & (since <= wait + WINDOW_S)]
    return settled


def ahead(track: Track, change: Change, stretches: Ints) -> Ints:
    """States shortly before a change, in the stretch that ends with it."""
    rows = np.flatnonzero(stretches == stretches[change.before])
    near: Ints = rows[track.times_s[rows] >= track.times_s[change.before] - WINDOW_S]
    return near


def lost_by_velocity(track: Track, fit: Fit, change: Change) -> Estimate | None:
    """Spool-up from the velocity that is missing; only in free flight."""
    first, pre = change.before + 1, ahead(track, change, track.pieces)
    post = after(track, change, SETTLE_S, track.pieces)
    same_run = track.runs[first] == track.runs[change.before]
    if not same_run or len(post) < 2 or track.standing[change.before] or track.standing[first]:
        return None
    push = fit.push_m_s2[first]
    size = float(np.linalg.norm(push))
    if size == 0.0:
        return None
    given = track.integral(fit.push_m_s2)
    expected = given[post] - given[first] + push * (track.times_s[first] - change.at_s)
    gained = fit.rest_m_s[post] - fit.rest_m_s[pre].mean(axis=0)
    lost = (expected - gained) @ push / size**2
    sigma = mean_noise_m_s(track, fit, pre, post) / size
    line = thrust_frac(fit) * float(np.mean(track.times_s[post] - change.at_s))
    return Estimate(float(lost.mean()), hypot(sigma, line))


def lost_by_mass(track: Track, fit: Fit, change: Change) -> Estimate | None:
    """Spool-up from the mass that was not burnt."""
    first, pre, post = change.before + 1, ahead(track, change, track.burns), after(track, change, SETTLE_S, track.burns)
    same_run = track.runs[first] == track.runs[change.before]
    flow = float(fit.flow_kg_s[-1])
    throttle = float(track.throttle_frac[first]) or float(np.median(track.throttle_frac[post])) if len(post) else 0.0
    if not same_run or len(post) < 3 or flow <= 0.0 or throttle <= 0.0:
        return None
    burnt = track.integral(track.throttle_frac * track.engine_on)
    expected = burnt[post] - burnt[first] + throttle * (track.times_s[first] - change.at_s)
    lost = (expected - (track.masses_kg[pre].mean() - track.masses_kg[post]) / flow) / throttle
    noise = float(np.std(lost - np.polyval(np.polyfit(track.times_s[post], lost, 1), track.times_s[post])))
    line = sqrt(max(float(fit.flow_covariance[-1, -1]), 0.0)) / flow * float(np.mean(track.times_s[post] - change.at_s))
    return Estimate(float(lost.mean()), hypot(noise * sqrt(1.0 / len(pre) + 1.0 / len(post)), line))


def tail_of(track: Track, fit: Fit, change: Change, thrust: Estimate) -> Estimate | str:
    """Tail-off of one cutoff, or why it cannot be seen."""
    last, first = change.before, change.before + 1
    if track.runs[last] != track.runs[first]:
        gap = track.times_s[first] - track.times_s[last]
        return f"tail-off: the states around the cutoff are {gap:z.2f} s apart, or the stage was dropped between them"
    pre, post = ahead(track, change, track.pieces), after(track, change, SETTLED_AFTER_CUTOFF_S, track.pieces)
    push = fit.push_m_s2[last]
    size, mass, throttle = float(np.linalg.norm(push)), float(track.masses_kg[last]), float(track.throttle_frac[last])
    if size == 0.0 or throttle == 0.0 or not len(post):
        return "tail-off: no thrust, throttle or attitude told before the cutoff"
    unsure = change.at_sigma_s
    if unsure > 0.0:
        tick = track.times_s[first] - track.times_s[last]
        return (
            f"tail-off: no cutoff instant was commanded between the states around it, {tick:z.2f} s apart; "
            f"the engine's stop is known to {unsure * thrust.value:.2g} N s only"
        )
    given = track.integral(fit.push_m_s2)
    until = given[last] + push * (change.at_s - track.times_s[last]) - given[pre]
    gained = (fit.rest_m_s[post].mean(axis=0) - (fit.rest_m_s[pre] + until)) @ push / size
    noise = mean_noise_m_s(track, fit, pre, post)
    line = thrust_frac(fit) * float(np.mean(np.linalg.norm(until, axis=1)))
    return Estimate(float(gained.mean()) * mass / throttle, hypot(noise, line) * mass / throttle)


def time_floor_s(track: Track) -> float:
    """The method's own error of an instant."""
    return TIME_FLOOR_S + GAP_FLOOR_FRAC * float(np.median(np.abs(track.gaps_s)))


def mean_noise_m_s(track: Track, fit: Fit, pre: Ints, post: Ints) -> float:
    """One sigma of the difference of two means of velocities: what is independent, and what hangs together."""
    spans = [float(np.ptp(track.times_s[rows])) for rows in (pre, post)]
    slow = [fit.slow.of_mean(span) for span in spans]
    return hypot(fit.noise_m_s * sqrt(1.0 / len(pre) + 1.0 / len(post)), *slow)


def thrust_frac(fit: Fit) -> float:
    """Relative uncertainty of the thrust, without the method's own error."""
    top = len(fit.levels) - 1
    return sqrt(max(float(fit.covariance[top, top]), 0.0)) / abs(float(fit.values[top]))


def pool_estimates(found: list[Estimate], floor: float) -> Estimate:
    """Mean by inverse variance with a floor under each; less sure where they scatter more than they should."""
    sigmas = np.array([hypot(e.sigma, floor) for e in found])
    weights: Floats = sigmas**-2.0
    value = float(np.average([e.value for e in found], weights=weights))
    scatter = sum(w * (e.value - value) ** 2 for w, e in zip(weights, found, strict=True)) / max(len(found) - 1, 1)
    return Estimate(value, max(sqrt(max(scatter, 1.0) / float(np.sum(weights))), floor))

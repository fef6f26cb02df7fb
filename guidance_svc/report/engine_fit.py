"""Thrust, flow, exit area and drag area of one stage from a track of states, by linear least squares.

Within a stretch where nothing jumps, velocity less the integral of gravity is, but for a constant, a sum of

    k_j  x  integral of (throttle share j x pointing / mass)       thrust of an engine at throttle level j
    A    x  integral of (- pressure x pointing / mass)             nozzle exit area
    L    x  integral of (rate of pointing x throttle / mass)       thrust times the lag of the told attitude
    S_i  x  integral of (- dynamic pressure x Mach share i x wind direction / mass)   drag area at Mach number i

and mass is a constant less a sum of flows: both are linear. Noise is measured from the residuals and scales every
uncertainty, the more so where residuals hang together (then something flew that is not in the sum). The told
attitude may be half a state old, which a turning vehicle shows; L takes that up. Exit area and drag area begin
with a vague guess, the flight plan's value give or take all of it, and count as seen only when the flight has at
least halved that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from guidance_svc.domain import Stage, Vehicle
from guidance_svc.report.correlated import Slow, with_correlation
from guidance_svc.report.track import Bools, Floats, Ints, Track

SETTLE_S = 3.0  # after ignition: spool-up, left out of the steady figures
SHORTEST_LEVEL_S = 2.0  # of steady flight at a throttle, to count as a level
SHORTEST_BURN_S = 1.0
LEVEL_WIDTH = 0.05
FULL = 0.99
SEEN = 0.5  # of the vague guess's uncertainty
SYSTEMATIC_FRAC = 5e-5  # of thrust: trapezoid rule and half a tick of attitude lag (measured on clean flights)
FLOOR_M_S = 1e-6
WORTH_TELLING_M_S = 0.02  # residuals below this are the trapezoid rule's
AFTER_CUTOFF_S = 2.0
DEFAULT_MACH = (0.0, 0.6, 0.9, 1.1, 1.4, 2.0, 3.0, 5.0, 8.0)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number and its one-sigma uncertainty, in the same unit."""

    value: float
    sigma: float


@dataclass(frozen=True)
class Fit:
    """A solved least-squares problem.

    Args:
        levels: throttle of each level; the first parameters are their full-throttle thrusts.
        values, covariance: of all parameters: levels, attitude lag, exit area (if any), drag areas (if any).
        flow_kg_s, flow_covariance: full-throttle mass flow of each level.
        rest_m_s: velocity less gravity, attitude lag, exit-area loss and drag, (n, 3).
        push_m_s2: fitted thrust acceleration without air, (n, 3).
        noise_m_s: one sigma per axis.
        ripple: residual over the noise between neighbouring states; well above 1 where something is not modelled.
        slow: the part of the velocity noise that hangs together over seconds, m/s.
    """

    levels: Floats
    values: Floats
    covariance: Floats
    flow_kg_s: Floats
    flow_covariance: Floats
    rest_m_s: Floats
    push_m_s2: Floats
    noise_m_s: float
    ripple: float
    slow: Slow


def stage_fit(track: Track, index: int, known: Vehicle) -> tuple[Fit | str, Bools]:
    """Least squares over one stage's steady burning (and free fall in air), and which states were used.

    Returns a sentence instead of a fit where there is too little to see.
    """
    used = steady(track, index)
    levels = throttle_levels(track, used)
    if len(levels) == 0 or burning_s(track, used) < SHORTEST_BURN_S:
        return f"stage {index}: no steady burn of {SHORTEST_BURN_S:g} s or more", used
    stage = known.stages[min(index, len(known.stages) - 1)]
    shares = level_shares(track.throttle_frac, levels) * track.engine_on[:, None]
    flow, flow_covariance, masses = fitted_flow(track, shares, used, index)
    push = [share[:, None] * track.pointing / masses[:, None] for share in shares.T]
    air, guess, vague = air_columns(track, masses, index, known, stage)
    pushed = [track.integral(np.nan_to_num(rate)) for rate in push]
    others = [swung(track, masses), *(track.integral(np.nan_to_num(rate)) for rate in air)]
    guess, vague = [0.0, *guess], [stage.thrust_n * float(np.median(np.abs(track.gaps_s))), *vague]
    own = track.velocities_m_s - track.integral(track.gravity_m_s2)
    in_flight = (used | falling_in_air(track, index)) & ~track.standing
    solved = solved_lines(track, own, [*pushed, *others], in_flight, guess, vague, len(levels))
    if solved is None:
        return f"stage {index}: fewer than 5 states in flight under steady thrust", used
    values, covariance, noise, ripple, slow = solved
    rest = own - np.sum([v * c for v, c in zip(values[len(levels) :], others, strict=True)], axis=0)
    thrust = np.nan_to_num(sum((v * p for v, p in zip(values, push, strict=False)), np.zeros((len(masses), 3))))
    return Fit(levels, values, covariance, flow, flow_covariance, rest, thrust, noise, ripple, slow), used


def steady(track: Track, index: int) -> Bools:
    """States of a stage under settled thrust, with an attitude."""
    used = (track.stage == index) & track.engine_on & ~np.isnan(track.pointing[:, 0])
    lit = np.flatnonzero(track.engine_on[1:] & ~track.engine_on[:-1]) + 1
    for i in lit:
        rest = np.flatnonzero(~track.engine_on[i:])
        end = i + int(rest[0]) - 1 if rest.size else len(used) - 1
        wait = min(SETTLE_S, (track.times_s[end] - track.times_s[i]) / 3.0)
        used[i : end + 1] &= track.times_s[i : end + 1] >= track.times_s[i] + wait
    return np.asarray(used)


def burning_s(track: Track, used: Bools) -> float:
    """Seconds of steady burning between used states."""
    both = used[1:] & used[:-1] & (np.diff(track.pieces) == 0)
    return float(np.sum(track.gaps_s[both]))


def falling_in_air(track: Track, index: int) -> Bools:
    """States of a stage without thrust where air matters, the tail-off over."""
    off = ~track.engine_on & (track.stage == index)
    push_pa = 0.5 * track.air[:, 0] * np.sum(track.wind_m_s**2, axis=1)
    last_on = np.where(track.engine_on, track.times_s, -np.inf)
    over = track.times_s - np.maximum.accumulate(last_on) > AFTER_CUTOFF_S
    return np.asarray(off & over & (push_pa > 10.0))


def throttle_levels(track: Track, used: Bools) -> Floats:
    """Mean throttle of each level that was flown long enough; the longest alone if none was."""
    both = used[1:] & used[:-1] & (np.diff(track.pieces) == 0)
    throttle, spent = track.throttle_frac[1:][both], track.gaps_s[both]
    if not throttle.size:
        return np.zeros(0)
    bins = np.round(throttle / LEVEL_WIDTH).astype(int)
    rows = [(float(np.sum(spent[bins == b])), b) for b in np.unique(bins) if b > 0]
    kept = [b for s, b in rows if s >= SHORTEST_LEVEL_S] or [max(rows)[1]] if rows else []
    return np.array([np.average(throttle[bins == b], weights=spent[bins == b]) for b in sorted(kept)])


def level_shares(throttle: Floats, levels: Floats) -> Floats:
    """Throttle times the share of each level in it (linear between levels, the nearest outside), (n, levels)."""
    hats = np.column_stack([np.interp(throttle, levels, row) for row in np.eye(len(levels))])
    return hats * throttle[:, None]


def fitted_flow(track: Track, shares: Floats, used: Bools, index: int) -> tuple[Floats, Floats, Floats]:
    """Full-throttle mass flow of each level, its covariance, and the masses smoothed by it."""
    burnt = track.integral(shares)
    groups = track.pieces
    y, columns = -centre_column(track.masses_kg, groups, used), centre_column(burnt, groups, used)
    count = pieces_in(groups, used)
    normal = columns.T @ columns
    flow, inverse, rest, _, _ = solved_normal(normal, columns.T @ y, y, columns, count, 1e-9)
    nothing = np.zeros(len(flow))
    covariance, _ = with_correlation(track.times_s[used], groups[used], columns, rest, inverse, 1, nothing)
    masses = track.masses_kg.copy()
    for group in np.unique(groups[used]):
        here = used & (groups == group)
        whole = (groups == group) & (track.stage == index)
        line = -(burnt @ flow)
        masses[whole] = line[whole] + np.mean(track.masses_kg[here] - line[here])
    return flow, covariance, np.maximum(masses, 1e-9)


def swung(track: Track, masses: Floats) -> Floats:
    """Integral of the pointing's own rate, times throttle over mass (1/kg); flat where anything jumps."""
    joined = (np.diff(track.pieces) == 0) & track.engine_on[1:]
    weight = np.where(joined, track.throttle_frac[1:] / masses[1:], 0.0)
    steps = np.nan_to_num(np.diff(track.pointing, axis=0) * weight[:, None])
    return np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])


def air_columns(
    track: Track, masses: Floats, index: int, known: Vehicle, stage: Stage
) -> tuple[list[Floats], list[float], list[float]]:
    """Rates (per m2) of exit-area loss and drag at each Mach number, their vague guesses and uncertainties."""
    here = (track.stage == index) & ~track.standing
    density, pressure = track.air[:, 0], track.air[:, 1]
    if not np.any(density[here] > 0.0):
        return [], [], []
    wind = track.wind_m_s
    drag = -0.5 * (density * np.linalg.norm(wind, axis=1) / masses)[:, None] * wind
    knots = mach_knots(known)
    curve = np.interp(knots, [m for m, _ in known.drag_curve], [c for _, c in known.drag_curve]) * known.drag_area_m2
    vague = max(float(np.max(curve)), 1e-6 * stage.thrust_n)
    hats = [np.interp(track.mach, knots, row) for row in np.eye(len(knots))]
    flown = [(hat, area) for hat, area in zip(hats, curve, strict=True) if np.any(hat[here] > 0.0)]
    loss = -(track.engine_on * pressure / masses)[:, None] * track.pointing
    columns = [loss, *(hat[:, None] * drag for hat, _ in flown)]
    guesses = [stage.exit_area_m2, *(float(area) for _, area in flown)]
    return columns, guesses, [max(stage.exit_area_m2, 5e-7 * stage.thrust_n), *([vague] * len(flown))]


def mach_knots(known: Vehicle) -> Sequence[float]:
    """Mach numbers at which drag is estimated: those of the vehicle's file, or a usual set."""
    return tuple(m for m, _ in known.drag_curve) if len(known.drag_curve) > 1 else DEFAULT_MACH


def flown_knots(track: Track, index: int, known: Vehicle) -> list[float]:
    """Those Mach numbers that the stage's flight touches, in the order of `air_columns`."""
    here, knots = (track.stage == index) & ~track.standing, mach_knots(known)
    rows = zip(knots, np.eye(len(knots)), strict=True)
    return [m for m, row in rows if np.any(np.interp(track.mach[here], knots, row) > 0.0)]


def solved_lines(
    track: Track, own: Floats, integrals: list[Floats], used: Bools, guess: list[float], vague: list[float], free: int
) -> tuple[Floats, Floats, float, float, Slow] | None:
    """Parameters, covariance, noise, ripple (residual over quick noise) and slow noise of the velocity equations."""
    groups = track.pieces
    if np.count_nonzero(used) < 5:
        return None
    y = centre_column(own, groups, used).ravel()
    columns = np.column_stack([centre_column(c, groups, used).ravel() for c in integrals])
    prior = np.concatenate([np.zeros(free), guess])
    weight = np.concatenate([np.zeros(free), np.array(vague) ** -2.0])
    noise = max(track.quick_noise_m_s, FLOOR_M_S)
    for _ in range(3):  # the vague guess's weight follows the noise
        normal = columns.T @ columns + np.diag(weight * noise**2)
        right = columns.T @ y + weight * noise**2 * prior
        vague_weight = weight * noise**2
        values, inverse, rest, noise, together = solved_normal(
            normal, right, y, columns, 3 * pieces_in(groups, used), FLOOR_M_S, stride=3
        )
    covariance, slow = with_correlation(
        track.times_s[used], groups[used], columns, rest, inverse, 3, vague_weight * noise**2
    )
    ripple = noise / max(track.quick_noise_m_s, WORTH_TELLING_M_S) if together > 0.5 else 1.0
    return values, covariance, noise, ripple, slow


def solved_normal(
    normal: Floats, right: Floats, y: Floats, columns: Floats, constants: int, floor: float, stride: int = 1
) -> tuple[Floats, Floats, Floats, float, float]:
    """Solution, inverse, residuals, their noise and how far neighbouring ones hang together (0 to 1)."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-13) / np.outer(scale, scale)
    values = inverse @ right
    rest = y - columns @ values
    freedom = max(len(y) - constants - len(values), 1)
    noise = max(float(np.sqrt(rest @ rest / freedom)), floor)
    after = float(rest[stride:] @ rest[:-stride]) / max(float(rest @ rest), 1e-300)
    return values, inverse, rest, noise, min(max(after, 0.0), 0.98)


def centre_column(column: Floats, groups: Ints, used: Bools) -> Floats:
    """Used rows less the mean of their stretch: each stretch has a constant of its own."""
    _, place = np.unique(groups[used], return_inverse=True)
    rows = column[used].reshape(np.count_nonzero(used), -1)
    sums = np.zeros((place.max() + 1 if place.size else 0, rows.shape[1]))
    np.add.at(sums, place, rows)
    means = sums / np.bincount(place)[:, None]
    return (rows - means[place]).reshape(column[used].shape)


def pieces_in(groups: Ints, used: Bools) -> int:
    """Number of stretches among the used states."""
    return len(np.unique(groups[used]))

"""Engine and drag figures of a vehicle from its recorded states, with one-sigma uncertainties.

From mass, velocity and attitude alone; told thrust is used where it agrees. What the states do not show is not
estimated, and a sentence says why. Method: engine_fit; spool-up and tail-off are what the velocity (and for
spool-up the mass) lacks or has gained beside the steady line, at the commanded instant.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from math import hypot, sqrt

import numpy as np

from guidance_svc.domain import Vehicle
from guidance_svc.report.engine_fit import (
    FULL,
    SEEN,
    SYSTEMATIC_FRAC,
    Estimate,
    Fit,
    air_columns,
    burning_s,
    flown_knots,
    stage_fit,
)
from guidance_svc.report.track import Bools, Floats, Track
from guidance_svc.report.transients import spool_up, tail_off

AGREES_SIGMAS = 4.0
SURE_SIGMAS = 5.0  # a thrust below this is none
TOLD_FLOOR_FRAC = 1e-4
AIR_TOLD_FRAC = 0.05  # of drag; the 1976 atmosphere itself is no better on a given day (common practice, no source)
AIR_MISFIT = 4.0  # chi-square over its freedom; more, and one factor does not explain it
RIPPLE_TOLD = 1.5  # residuals this many times the noise are worth a sentence


@dataclass(frozen=True, slots=True)
class StageEstimate:
    """What a recording says of one stage; None is what it does not say, and `unseen` tells why.

    Args:
        index: of the stage in its vehicle.
        burn_s: steady burning that was used.
        noise_m_s: velocity noise as measured, one sigma per axis.
        thrust_n, mass_flow_kg_s: in vacuum at full throttle; by proportion from the highest level if that was less.
        levels: (throttle, vacuum thrust there in N).
        exit_area_m2: of the nozzles.
        drag_area_m2: (Mach number, area times coefficient).
        spool_up_s: seconds of full thrust lost after the ignition command.
        tail_off_n_s: impulse after a cutoff command at full throttle.
    """

    index: int
    burn_s: float
    noise_m_s: float
    thrust_n: Estimate
    mass_flow_kg_s: Estimate | None
    exhaust_velocity_m_s: Estimate | None
    levels: tuple[tuple[float, Estimate], ...]
    exit_area_m2: Estimate | None = None
    drag_area_m2: tuple[tuple[float, Estimate], ...] = ()
    spool_up_s: Estimate | None = None
    tail_off_n_s: Estimate | None = None
    unseen: tuple[str, ...] = ()


def calibrate(track: Track, known: Vehicle) -> tuple[tuple[StageEstimate, ...], tuple[str, ...]]:
    """Every stage that burned, and sentences about those that could not be seen.

    Args:
        track: the states of one vehicle.
        known: the vehicle as its flight plan has it; guides which Mach numbers are asked for, and is the vague
            guess (give or take all of it) for exit area and drag area.

    Accuracy: tests/report/test_calibration.py; thrust within 0.1 % in 10 s at 0.1 m/s noise and 20 states a second.
    """
    found: list[StageEstimate] = []
    missed: list[str] = []
    for index in np.unique(track.stage):
        if not np.any(track.engine_on & (track.stage == index)):
            continue
        fit, used = stage_fit(track, int(index), known)
        if isinstance(fit, str):
            missed.append(fit)
        elif not pushes(fit):
            missed.append(
                f"stage {index}: no thrust along the told attitude beyond the noise of {fit.noise_m_s:.2g} m/s; "
                "is the frame right, and does the attitude belong to these states?"
            )
        else:
            found.append(stage_estimate(track, int(index), known, fit, used))
    return tuple(found), tuple(missed)


def stage_estimate(track: Track, index: int, known: Vehicle, fit: Fit, used: Bools) -> StageEstimate:
    """The figures of one stage out of its fit."""
    unseen: list[str] = []
    full = len(fit.levels) - 1
    own = hypot(SYSTEMATIC_FRAC, throttle_lag_frac(track, used))
    thrusts = [widen_estimate(fit.values[j], fit.covariance[j, j], own) for j in range(len(fit.levels))]
    flows = [widen_estimate(fit.flow_kg_s[j], fit.flow_covariance[j, j], own) for j in range(len(fit.levels))]
    thrust = thrusts[full]
    if fit.levels[full] < FULL:
        unseen.append(f"full throttle: the highest steady level was {fit.levels[full]:z.2f}; thrust by proportion")
    if fit.ripple > RIPPLE_TOLD:
        unseen.append(
            f"a clean fit: what is left over is {fit.ripple:.1f} times the noise between neighbouring states and "
            f"hangs together over {fit.slow.memory_s:.1g} s; thrust changed, wind, air unlike the flight plan's, or "
            "telemetry that drifts; the uncertainties allow for it"
        )
    exhaust, flow = exhaust_velocity(thrusts, flows, unseen)
    area, drag = air_figures(track, index, known, fit, unseen)
    spool = spool_up(track, index, fit)
    tail = tail_off(track, index, fit, thrust)
    unseen.extend(text for text in (spool, tail) if isinstance(text, str))
    result = StageEstimate(
        index, burning_s(track, used), fit.noise_m_s, thrust, flow, exhaust,
        tuple((float(level), scale_estimate(t, float(level))) for level, t in zip(fit.levels, thrusts, strict=True)),
        area, drag, None if isinstance(spool, str) else spool, None if isinstance(tail, str) else tail,
        tuple(unseen),
    )  # fmt: skip
    return with_told_thrust(track, used, fit, result)


def pushes(fit: Fit) -> bool:
    """Whether there is a thrust along the attitude at every level."""
    count = len(fit.levels)
    sigmas = np.sqrt(np.maximum(np.diag(fit.covariance)[:count], 0.0))
    return bool(np.all(fit.values[:count] > SURE_SIGMAS * sigmas))


def throttle_lag_frac(track: Track, used: Bools) -> float:
    """What a told throttle that may be half a state old is wrong by while it moves, relative."""
    both = used[1:] & used[:-1] & (np.diff(track.pieces) == 0)
    if not np.any(both):
        return 0.0
    return float(0.5 * np.mean(np.abs(np.diff(track.throttle_frac))[both]) / np.mean(track.throttle_frac[1:][both]))


def widen_estimate(value: float, variance: float, own_frac: float) -> Estimate:
    """An estimate with the method's own relative error added."""
    return Estimate(float(value), hypot(sqrt(max(float(variance), 0.0)), own_frac * abs(float(value))))


def scale_estimate(estimate: Estimate, factor: float) -> Estimate:
    """An estimate times an exact number."""
    return Estimate(estimate.value * factor, estimate.sigma * factor)


def exhaust_velocity(
    thrusts: list[Estimate], flows: list[Estimate], unseen: list[str]
) -> tuple[Estimate | None, Estimate | None]:
    """Thrust over mass flow, the mean over levels where they agree, else at the highest; and the full flow."""
    if flows[-1].value <= 2.0 * flows[-1].sigma:
        unseen.append("mass flow and exhaust velocity: the told mass does not fall while the engine burns")
        return None, None
    ratios = [
        Estimate(t.value / w.value, t.value / w.value * hypot(t.sigma / t.value, w.sigma / w.value))
        for t, w in zip(thrusts, flows, strict=True)
        if w.value > 0.0 and t.value > 0.0
    ]
    if not ratios:
        unseen.append("exhaust velocity: no thrust along the attitude; the frame or the attitude is wrong")
        return None, flows[-1]
    mean = weighted_mean(ratios)
    if any(abs(r.value - mean.value) > AGREES_SIGMAS * r.sigma for r in ratios):
        unseen.append("one exhaust velocity for all throttles: the levels differ; the one at the highest is given")
        return ratios[-1], flows[-1]
    return mean, flows[-1]


def weighted_mean(estimates: list[Estimate]) -> Estimate:
    """Mean by inverse variance; not surer than the method's own error."""
    weights = np.array([1.0 / e.sigma**2 for e in estimates])
    value = float(np.average([e.value for e in estimates], weights=weights))
    return Estimate(value, max(float(1.0 / sqrt(np.sum(weights))), SYSTEMATIC_FRAC * abs(value)))


def air_figures(
    track: Track, index: int, known: Vehicle, fit: Fit, unseen: list[str]
) -> tuple[Estimate | None, tuple[tuple[float, Estimate], ...]]:
    """Exit area and drag areas, as far as the flight has narrowed the vague guess."""
    first = len(fit.levels) + 1  # behind the attitude lag
    if len(fit.values) == first:
        unseen.append("exit area and drag area: no flight in air")
        return None, ()
    stage = known.stages[min(index, len(known.stages) - 1)]
    columns, _, vague = air_columns(track, track.masses_kg, index, known, stage)
    own = [SYSTEMATIC_FRAC * fit.values[first - 2] / force_pa(track, index, column) for column in columns]
    sigmas = np.hypot(np.sqrt(np.maximum(np.diag(fit.covariance)[first:], 0.0)), own)
    found = [Estimate(float(v), float(s)) for v, s in zip(fit.values[first:], sigmas, strict=True)]
    seen = [e.sigma < SEEN * v for e, v in zip(found, vague, strict=True)]
    knots = flown_knots(track, index, known)
    blind = [f"{mach:g}" for mach, ok in zip(knots, seen[1:], strict=True) if not ok]
    if not seen[0]:
        unseen.append("exit area: the thrust's loss to the air's pressure is too small to tell from noise")
    if blind:
        unseen.append(f"drag area at Mach {', '.join(blind)}: its deceleration is too small to tell from noise")
    drag = tuple((m, e) for m, e, ok in zip(knots, found[1:], seen[1:], strict=True) if ok)
    unseen.extend(air_or_drag(drag, known))
    return (found[0] if seen[0] else None), drag


def air_or_drag(drag: tuple[tuple[float, Estimate], ...], known: Vehicle) -> Iterator[str]:
    """A sentence where the drag is the flight plan's times one factor: air of another density gives that too."""
    ratios = [
        Estimate(e.value / plan_m2, e.sigma / plan_m2)
        for mach, e in drag
        if (plan_m2 := known.drag_area_m2 * planned_drag(known, mach)) > 0.0
    ]
    if not ratios:
        return
    mean = weighted_mean(ratios)
    misfit = sum(((r.value - mean.value) / r.sigma) ** 2 for r in ratios) / max(len(ratios) - 1, 1)
    if abs(mean.value - 1.0) > max(AGREES_SIGMAS * mean.sigma, AIR_TOLD_FRAC) and misfit < AIR_MISFIT:
        yield (
            f"air or drag: at every Mach number flown the drag is {mean.value:.3g} times that of the flight plan (one "
            f"sigma {mean.sigma:.2g}); air {mean.value:.3g} times as dense as the plan's looks the same, so these drag "
            "areas hold in the plan's air only"
        )


def planned_drag(known: Vehicle, mach: float) -> float:
    """Drag coefficient of the flight plan's curve, linear between its points, flat outside."""
    curve = known.drag_curve
    if mach <= curve[0][0]:
        return curve[0][1]
    for (m0, c0), (m1, c1) in pairwise(curve):
        if mach < m1:
            return c0 + (c1 - c0) * (mach - m0) / (m1 - m0)
    return curve[-1][1]


def force_pa(track: Track, index: int, column: Floats) -> float:
    """The greatest force per square metre that a column of `air_columns` stands for, N/m2."""
    here = (track.stage == index) & ~track.standing
    force = np.linalg.norm(np.nan_to_num(column[here]), axis=1) * track.masses_kg[here]
    return max(float(np.max(force)), 1e-12)


def with_told_thrust(track: Track, used: Bools, fit: Fit, result: StageEstimate) -> StageEstimate:
    """The estimate with told thrust blended in where it agrees with the felt one; a sentence where it does not."""
    told = used & ~np.isnan(track.thrust_n) & (track.throttle_frac >= fit.levels[-1] - 0.01)
    if np.count_nonzero(told) < 5:
        return result
    loss = track.air[told, 1] * (result.exit_area_m2.value if result.exit_area_m2 else 0.0)
    if np.max(track.air[told, 1]) > 0.0 and result.exit_area_m2 is None:
        told = told & (track.air[:, 1] < 10.0)  # Pa: less than 1e-4 of a thrust for any nozzle
        loss = np.zeros(np.count_nonzero(told))
        if np.count_nonzero(told) < 5:
            return result
    vacuum: Floats = (track.thrust_n[told] + loss) / track.throttle_frac[told]
    value = float(np.mean(vacuum))
    sigma = hypot(float(np.std(vacuum)) / sqrt(len(vacuum)), TOLD_FLOOR_FRAC * value)
    if result.exit_area_m2 is not None:
        sigma = hypot(sigma, float(np.mean(track.air[told, 1])) * result.exit_area_m2.sigma)
    felt = result.thrust_n
    if abs(value - felt.value) > AGREES_SIGMAS * hypot(sigma, felt.sigma):
        text = f"told thrust: {value:z.0f} N at full throttle, felt {felt.value:z.0f} N; the felt one is kept"
        return replace(result, unseen=(*result.unseen, text))
    return replace(result, thrust_n=weighted_mean([felt, Estimate(value, sigma)]))

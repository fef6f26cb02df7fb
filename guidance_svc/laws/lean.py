"""An engine that cannot throttle, cut on ticks alone: the odd fraction of a tick is spent by leaning to the side.

The cutoff is put on the first tick at which there is speed enough; what the engine gives too much by then is lost to
the cosine of a small angle off the steering law's direction, at right angles to the motion. The angle goes to one side,
to the other for twice as long, and back: speed and place across cancel. Trapezoids of one slope, so that a
vehicle with a limited turn rate can follow.

With lobes of lengths L, M, L, angle A and slope w, and speed across zero at the end: M = 2 L - A / w; the loss is
a A^2 / 2 (T - 4 A / w) for a small angle, T = 2 L + M; the lobes hold their angle while A <= w T / 7.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil, cos, sin, sqrt

from guidance_svc.core.burns import Arc
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.core.steering import Problem, Steering
from guidance_svc.core.vectors import along, cross, dot, scale, unit
from guidance_svc.domain import FlightPlan, Vec
from guidance_svc.laws.memory import Burn, Lean
from guidance_svc.laws.navigation import Navigation

FASTEST_RAD_S = 0.175  # 10 deg/s: no reason to lean faster, even where nothing limits it
RATE_USED_FRAC = 0.75  # of the vehicle's turn rate; the rest is the steering law's
ROOM = 1.6  # over what a whole tick's loss needs, in the cube of the time
SHORTEST_S, LONGEST_S = 4.0, 40.0
SPARE_TICK = 0.1  # of a tick at least is leant away, so that there is something to tune
TUNE_FRAC = 0.1  # of the loss: when less than this is still to come the angle stands
TUNE_BY = 2.0  # times, at most, that one state may change the angle by
PIECES = 48  # of the integrals over what is still to come
NOISY_FRAC = 0.25  # of a tick's speed: telemetry with more noise than this knows no fraction of a tick


def lean_span_s(plan: FlightPlan) -> float:
    """How long a lean takes that can spend a whole tick's speed."""
    rate = lean_rate_rad_s(plan)
    needed = ROOM * plan.vehicle.cutoff_tick_s * 2.0 * 49.0 * 7.0 / 3.0 / rate**2
    return min(max(float(needed ** (1.0 / 3.0)), SHORTEST_S), LONGEST_S)


def lean_rate_rad_s(plan: FlightPlan) -> float:
    """How fast the lean turns."""
    return min(RATE_USED_FRAC * plan.vehicle.turn_rate_limit_rad_s, FASTEST_RAD_S)


def angle_at(lean: Lean, time_s: float) -> float:
    """Angle off the law's direction, positive towards `side`."""
    angle, slope = lean.angle_rad, lean.rate_rad_s
    total, since = lean.end_s - lean.start_s, time_s - lean.start_s
    if not 0.0 < since < total:
        return 0.0
    first = 0.25 * (total + angle / slope)
    since = min(since, total - since)  # the same backwards
    if since <= first:
        return min(angle, slope * since, slope * (first - since))
    return -min(angle, slope * (since - first))


def lean_direction(direction: Vec, lean: Lean | None, time_s: float) -> Vec:
    """A direction of the law with the lean on it."""
    angle = angle_at(lean, time_s) if lean is not None else 0.0
    if lean is None or angle == 0.0:
        return direction
    side = unit(along(lean.side, -dot(lean.side, direction), direction))
    return along(scale(cos(angle), direction), sin(angle), side)


def still_to_come(lean: Lean, time_s: float, arc: Arc) -> tuple[float, float, float, float]:
    """What the rest of a lean takes from the burn along the law and gives across.

    Args:
        arc: the burn from `time_s` on.

    Returns:
        Speed and way lost along, speed and way gained across, each at the lean's end (m/s, m, m/s, m).
    """
    start = max(time_s, lean.start_s)
    piece = (lean.end_s - start) / PIECES
    if piece <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    lost = lost_way = across = across_way = 0.0
    for k in range(PIECES):
        at = start + (k + 0.5) * piece
        push = arc.thrust_n / arc.mass_after_kg(at - time_s) * piece
        angle = angle_at(lean, at)
        short, aside = push * (1.0 - cos(angle)), push * sin(angle)
        lost += short
        lost_way += short * (lean.end_s - at)
        across += aside
        across_way += aside * (lean.end_s - at)
    return lost, lost_way, across, across_way


def with_lean(problem: Problem, burn: Burn) -> Problem:
    """The problem of a burn straight along the law that ends where the leaning one ends."""
    lean, law = burn.lean, burn.law
    if lean is None or law is None or problem.time_s >= lean.end_s:
        return problem
    arc = next(arc for arc in problem.arcs if arc.powered)
    lost, lost_way, across, across_way = still_to_come(lean, problem.time_s, arc)
    ahead = unit(law.vector_at(problem.time_s))
    side = unit(along(lean.side, -dot(lean.side, ahead), ahead))
    left = lean.end_s - problem.time_s
    velocity = along(along(problem.velocity_m_s, -lost, ahead), across, side)
    place = along(along(problem.position_m, lost * left - lost_way, ahead), across_way - across * left, side)
    return replace(problem, position_m=place, velocity_m_s=velocity)


def lean_planned(
    burn: Burn, now: Navigation, plan: FlightPlan, law: Steering, arc: Arc, engine: EngineEstimate
) -> Burn:
    """The burn with a lean once it is near enough to its end, for a vehicle that is cut on ticks.

    Args:
        law: converged at this state.
        arc: the burn from here on, at full thrust.
    """
    tick, left = plan.vehicle.cutoff_tick_s, law.cutoff_s - now.time_s
    if tick <= 0.0 or burn.lean is not None or burn.finish is not None or burn.ignite_at_s is not None:
        return burn
    span = lean_span_s(plan)
    if not 0.0 < left <= span + plan.major_cycle_s or arc.duration_s <= left:
        return burn
    push = arc.thrust_n / arc.mass_after_kg(left)
    if engine.noise_m_s > NOISY_FRAC * tick * push and engine.anchors:
        return burn
    end = now.time_s + ceil(left / tick + SPARE_TICK) * tick
    start = max(now.time_s, end - span)
    side = unit(cross(now.position_m, now.velocity_m_s))
    lean = Lean(start, end, 0.0, lean_rate_rad_s(plan), side, 0.0)
    excess = push * (end - law.cutoff_s)
    lean = lean._replace(angle_rad=angle_for(lean, excess, push), planned_m_s=excess)
    return burn._replace(lean=lean, cutoff_at_s=end)


def angle_for(lean: Lean, excess_m_s: float, push_m_s2: float) -> float:
    """Angle whose lean loses this much speed, or as much as the turn rate lets it."""
    total, slope = lean.end_s - lean.start_s, lean.rate_rad_s
    low, high = 0.0, slope * total / 7.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if 0.5 * push_m_s2 * middle * middle * (total - 4.0 * middle / slope) < excess_m_s:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def tune_lean(burn: Burn, now: Navigation, cutoff_s: float, arc: Arc, tick_s: float) -> Burn:
    """The lean with its angle set so that the straight burn of the problem ends on the lean's tick.

    Args:
        cutoff_s: where it ends with the angle as it is.
    """
    lean = burn.lean
    if lean is None or now.time_s >= lean.end_s:
        return burn
    to_come, _, _, _ = still_to_come(lean, now.time_s, arc)
    wanted = to_come + arc.thrust_n / arc.mass_after_kg(lean.end_s - now.time_s) * (lean.end_s - cutoff_s)
    if to_come <= TUNE_FRAC * lean.planned_m_s or lean.angle_rad == 0.0:
        return on_nearest_tick(burn, lean, cutoff_s, tick_s)
    factor = min(max(sqrt(max(wanted, 0.0) / to_come), 1.0 / TUNE_BY), TUNE_BY)
    most = lean.rate_rad_s * (lean.end_s - lean.start_s) / 7.0
    return burn._replace(lean=lean._replace(angle_rad=min(factor * lean.angle_rad, most)), cutoff_at_s=lean.end_s)


def on_nearest_tick(burn: Burn, lean: Lean, cutoff_s: float, tick_s: float) -> Burn:
    """The cutoff on the tick that is nearest once nothing is left to lean: a disturbance may have cost a whole one."""
    ticks = round((cutoff_s - lean.end_s) / tick_s)
    return burn._replace(cutoff_at_s=lean.end_s + ticks * tick_s)

"""When the cover goes on the way that a steering law leads."""

from __future__ import annotations

from math import ceil, inf, log

from guidance_svc.core.arcs import fly_arc
from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.boost import heating_w_m2
from guidance_svc.core.burns import allot
from guidance_svc.core.effort import CALL_STEPS, spend
from guidance_svc.core.frames import altitude_m, ground_velocity
from guidance_svc.core.steering import Problem, Steering, steps_of
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Body, Vec, Vehicle

THICK_KG_M3 = 1e-3  # about 50 km: below, heating is not that of free molecules
PIECE_S = 5.0  # between two looks at least
MOST_PIECES = 200  # and one more for each arc: a wait before ignition may last for weeks


def missing_for_drop(position_m: Vec, velocity_m_s: Vec, vehicle: Vehicle, body: Body) -> tuple[float, float]:
    """What the two conditions for the drop still lack: height (m), and the logarithm of the heating over its limit.

    Positive while it lacks; -inf for a condition that the vehicle does not have.
    """
    height = altitude_m(position_m, body, "ellipsoid")
    low = vehicle.drop_cover_above_m - height if vehicle.drop_cover_above_m < inf else -inf
    if vehicle.drop_cover_below_w_m2 <= 0.0 or body.atmosphere == "none":
        return low, -inf
    density = air_of(body, height)[0]
    if density > THICK_KG_M3:
        return low, inf
    warm = heating_w_m2(density, norm(sub(velocity_m_s, ground_velocity(position_m, body.rotation_rad_s))))
    return low, log(warm / vehicle.drop_cover_below_w_m2) if warm > 0.0 else -inf


def cover_drop_s(problem: Problem, law: Steering, vehicle: Vehicle) -> float:
    """Seconds from the problem's time to the first instant on a law's way at which the cover may go.

    Returns:
        inf where the conditions are not met before the cutoff, or where the vehicle has none.

    Raises:
        BudgetSpent: the look takes more than the allowance has left.

    Accuracy: 0.5 s, a minute ahead on a burn of minutes (tests/closed_loop/test_cover_carried.py).
    """
    if vehicle.drop_cover_above_m == inf and vehicle.drop_cover_below_w_m2 <= 0.0:
        return inf
    body = problem.body
    r, v, p, rate = problem.position_m, problem.velocity_m_s, law.steer, law.steer_rate
    before, elapsed = missing_for_drop(r, v, vehicle, body), 0.0
    if max(before) <= 0.0:
        return 0.0
    parts = allot(problem.arcs, law.burn_s)
    piece_s = max(PIECE_S, sum(duration for _, duration in parts) / MOST_PIECES)
    for (arc, duration), count in zip(parts, steps_of(parts), strict=True):
        pieces = max(1, ceil(duration / piece_s))
        span, steps = duration / pieces, max(1, count // pieces)
        spend(pieces * (steps + CALL_STEPS))
        for k in range(pieces):
            r, v, p, rate = fly_arc(
                r, v, p, rate, arc.mass_after_kg(k * span), arc.thrust_n, arc.exhaust_velocity_m_s, arc.held_m_s2,
                span, steps, body.mu_m3_s2, body.radius_m, body.j2,
            )  # fmt: skip
            after = missing_for_drop(r, v, vehicle, body)
            if max(after) <= 0.0:
                return elapsed + span * max(part_until_met(a, b) for a, b in zip(before, after, strict=True))
            before, elapsed = after, elapsed + span
    return inf


def part_until_met(before: float, after: float) -> float:
    """Part of a stretch after which a condition that lacks `before` at its start and not at its end is met."""
    if before <= 0.0:
        return 0.0
    return 1.0 if before == inf or after == -inf else before / (before - after)

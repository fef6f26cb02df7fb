"""The horizontal channel of a landing: where the thrust leans so that the vehicle comes over the contact point.

Two laws. The quartic ends upright, at rest, over the contact point; it is what flies the last part of every landing.
Linear tangents lean as little as the way allows (the optimal direction where thrust is constant and the air is thin)
and end leaning; they fly what the quartic cannot, or only dearly, and are solved on the predictor.

Source of the quartic: A. R. Klumpp, Apollo Lunar Descent Guidance, Automatica 10 (1974), 133-146: a = aT + 12 (rT -
r)/tgo^2 - 6 (vT + v)/tgo, here with rT, vT and aT zero. Linear tangents: D. F. Lawden, Optimal Trajectories for Space
Navigation (1963), chapter 5.
"""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.compiled import part

QUARTIC, TANGENTS = 0, 1


class Aim(NamedTuple):
    """How the thrust leans over the time of a prediction.

    Args:
        law: QUARTIC or TANGENTS.
        end_s: contact, from now; what the quartic counts down to.
        tangent: of the lean towards east and north, now.
        tangent_rate_s: its change, 1/s.
        upright_s: so long before contact the tangents' lean begins to close, evenly, so that the quartic can take over.
    """

    law: int
    end_s: float
    tangent: tuple[float, float]
    tangent_rate_s: tuple[float, float]
    upright_s: float


class Curve(NamedTuple):
    """Level acceleration at `left_s` before contact: linear_m_s3 left_s + square_m_s4 left_s^2, along each axis."""

    linear_m_s3: tuple[float, float]
    square_m_s4: tuple[float, float]


@part
def quartic(
    position_m: float, velocity_m_s: float, left_s: float, target_m: float = 0.0, target_m_s: float = 0.0,
    target_m_s2: float = 0.0,
) -> float:  # fmt: skip
    """Acceleration along one axis that leads to a target's position, velocity and acceleration, m/s2.

    Args:
        left_s: to the target, > 0.

    >>> round(quartic(2286.0, -44.0, 140.0, 30.0, -0.9, 0.08), 6)
    0.623061
    """
    return (
        target_m_s2 + 12.0 * (target_m - position_m) / (left_s * left_s) - 6.0 * (target_m_s + velocity_m_s) / left_s
    )


@part
def curve_to_rest(position_m: tuple[float, float], velocity_m_s: tuple[float, float], left_s: float) -> Curve:
    """The way on which the quartic leads from here to rest over the contact point, nothing disturbing it."""
    a, b = quartic(position_m[0], velocity_m_s[0], left_s), quartic(position_m[1], velocity_m_s[1], left_s)
    u, v = velocity_m_s[0] / left_s, velocity_m_s[1] / left_s
    square = left_s * left_s
    return Curve(
        ((-6.0 * u - 2.0 * a) / left_s, (-6.0 * v - 2.0 * b) / left_s),
        ((3.0 * a + 6.0 * u) / square, (3.0 * b + 6.0 * v) / square),
    )


@part
def closing_at(left_s: float, upright_s: float) -> float:
    """Part of their lean that is left to the tangents so long before contact."""
    return min(max(left_s / upright_s, 0.0), 1.0)

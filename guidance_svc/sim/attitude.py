"""The attitude control of a simulated vehicle whose turning rate cannot jump."""

from __future__ import annotations

from math import sqrt
from typing import Final

from guidance_svc.core.compiled import kernel
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Vec
from guidance_svc.sim.motion import angle_between_rad, turning_axis

GAIN_1_S: Final = 2.0  # wanted rate over angle, for small angles; invented: an attitude settles within two seconds
RATE_GAIN_1_S: Final = 4.0 * GAIN_1_S  # of the rate towards the wanted one: critically damped
BRAKING_FRAC: Final = 0.7  # of the acceleration limit that a large turn reckons to be braked with
SETTLED_RAD: Final = 1e-7
SETTLED_RAD_S: Final = 1e-8


@kernel
def turning_acceleration(pointing: Vec, turn_rad_s: Vec, wanted: Vec, limits: tuple[float, float, float]) -> Vec:
    """How the turning rate changes, rad/s2, BCI.

    Args:
        pointing, wanted: unit vectors.
        turn_rad_s: turning rate.
        limits: of the turning rate (rad/s) and of its change (rad/s2, finite); the third is not used.

    The rate is steered towards the angle times a gain, for large angles towards what can still be braked, along
    the short way; straight opposite about a perpendicular nearest to z.
    """
    axis, angle = turning_axis(pointing, wanted), angle_between_rad(pointing, wanted)
    sine = norm(axis)
    braking = BRAKING_FRAC * limits[1]
    small = braking / (GAIN_1_S * GAIN_1_S)
    rate = GAIN_1_S * angle if angle <= small else sqrt(braking * (2.0 * angle - small))
    k = min(rate, limits[0]) / sine
    x = RATE_GAIN_1_S * (k * axis[0] - turn_rad_s[0])
    y = RATE_GAIN_1_S * (k * axis[1] - turn_rad_s[1])
    z = RATE_GAIN_1_S * (k * axis[2] - turn_rad_s[2])
    size = sqrt(x * x + y * y + z * z)
    if size > limits[1]:
        k = limits[1] / size
        return (k * x, k * y, k * z)
    return (x, y, z)

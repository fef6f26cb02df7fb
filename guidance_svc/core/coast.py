"""Unpowered flight in the vehicle's own gravity: where it goes, when it is highest, how round it is."""

from __future__ import annotations

from math import inf, pi, sqrt

from guidance_svc.core.compiled import kernel
from guidance_svc.core.effort import spend
from guidance_svc.core.vectors import dot, norm
from guidance_svc.domain import Body, Vec
from guidance_svc.errors import BudgetSpent, OrbitNotClosed

STEP_RAD = 2.0 * pi / 72.0  # of a circular orbit: 1 m after one revolution in a low one (tests/core/test_coast.py)
MOST_STEPS = 1500  # one revolution takes 72 on a circle, 310 at 1e-9 below escape speed
YEAR_S = 31_557_600.0  # Julian year, IAU
LONGEST_PERIOD_S = 100.0 * YEAR_S  # beyond it no apoapsis is waited for, as on an escape path
SECANT_ROUNDS = 60


def local_period_s(position_m: Vec, velocity_m_s: Vec, body: Body) -> float:
    """Two-body period of the osculating orbit.

    Raises:
        OrbitNotClosed: the state is parabolic or hyperbolic, or so near to it that a revolution takes longer than
            LONGEST_PERIOD_S.
    """
    period = period_or_inf_s(position_m, velocity_m_s, body)
    if period == inf:
        raise OrbitNotClosed("orbit_not_closed", "velocity_m_s", "less than escape speed", norm(velocity_m_s))
    if period > LONGEST_PERIOD_S:
        years = f"{period / YEAR_S:.3g} years"
        raise OrbitNotClosed("orbit_too_long", "velocity_m_s", "a revolution of at most 100 years", years)
    return period


def period_or_inf_s(position_m: Vec, velocity_m_s: Vec, body: Body) -> float:
    """Two-body period of the osculating orbit; infinite on an escape path."""
    alpha = 2.0 / norm(position_m) - dot(velocity_m_s, velocity_m_s) / body.mu_m3_s2
    cube = alpha**3 * body.mu_m3_s2
    return 2.0 * pi * sqrt(1.0 / cube) if alpha > 0.0 and cube > 0.0 else inf


def coast(position_m: Vec, velocity_m_s: Vec, duration_s: float, body: Body) -> tuple[Vec, Vec]:
    """Position and velocity after an unpowered stretch, BCI; `duration_s` may be negative.

    Each step follows the radius and the speed where it begins, so that their number grows with the logarithm of how
    far out the path leads.

    Raises:
        BudgetSpent: more than MOST_STEPS.

    Accuracy: 1.2 m after one revolution in a low orbit, 15 m on one of 200 x 20,000 km (tests/core/test_coast.py).
    """
    oblate = 1.5 * body.j2 * body.radius_m * body.radius_m
    r, v, left, steps = fall(position_m, velocity_m_s, duration_s, MOST_STEPS, body.mu_m3_s2, oblate)
    spend(steps)
    if left != 0.0:
        expected = "a coast that goes round a few times at most and not through the centre of the body"
        raise BudgetSpent("coast_too_long", "velocity_m_s", expected, f"{duration_s:g} s in over {MOST_STEPS} steps")
    return r, v


@kernel
def pull(x: float, y: float, z: float, mu_m3_s2: float, oblate_m2: float) -> tuple[float, float, float]:
    """Gravitational acceleration; `oblate_m2` is 1.5 J2 radius^2."""
    r2 = x * x + y * y + z * z
    k = -mu_m3_s2 / (r2 * sqrt(r2))
    if oblate_m2 == 0.0:
        return (k * x, k * y, k * z)
    q = oblate_m2 / r2
    w = 5.0 * z * z / r2
    level = k * (1.0 + q * (1.0 - w))
    return (level * x, level * y, k * (1.0 + q * (3.0 - w)) * z)


@kernel
def fall(
    position_m: Vec, velocity_m_s: Vec, duration_s: float, most_steps: int, mu_m3_s2: float, oblate_m2: float
) -> tuple[Vec, Vec, float, int]:
    """Position and velocity after a coast of at most so many steps, the time that is left then, and the steps taken.

    Nystroem's fifth-order method (see core.arcs) without thrust.
    """
    x, y, z = position_m
    vx, vy, vz = velocity_m_s
    left = duration_s
    steps = 0
    while left != 0.0 and steps < most_steps:
        r = sqrt(x * x + y * y + z * z)
        circle = sqrt(mu_m3_s2 / r)
        speed = sqrt(vx * vx + vy * vy + vz * vz)
        h = STEP_RAD * r / circle
        if speed > circle:  # half of that at escape speed: what is lost at a low perigee shows far out
            h = STEP_RAD * r * max(circle / (speed * speed), sqrt(0.5) / speed)
        if not h < abs(left):  # also where a number is none any more
            h = abs(left)
        if left < 0.0:
            h = -h
        left = left - h
        steps += 1
        k1, l1, m1 = pull(x, y, z, mu_m3_s2, oblate_m2)
        s, a = 0.2 * h, h * h / 50.0
        k2, l2, m2 = pull(x + s * vx + a * k1, y + s * vy + a * l1, z + s * vz + a * m1, mu_m3_s2, oblate_m2)
        s, a = h * 2.0 / 3.0, h * h / 27.0
        k3, l3, m3 = pull(
            x + s * vx + a * (7.0 * k2 - k1), y + s * vy + a * (7.0 * l2 - l1), z + s * vz + a * (7.0 * m2 - m1),
            mu_m3_s2, oblate_m2,
        )  # fmt: skip
        a = h * h / 70.0
        k4, l4, m4 = pull(
            x + h * vx + a * (21.0 * k1 - 4.0 * k2 + 18.0 * k3),
            y + h * vy + a * (21.0 * l1 - 4.0 * l2 + 18.0 * l3),
            z + h * vz + a * (21.0 * m1 - 4.0 * m2 + 18.0 * m3), mu_m3_s2, oblate_m2,
        )  # fmt: skip
        a, s = h * h / 336.0, h / 336.0
        x += h * vx + a * (14.0 * k1 + 100.0 * k2 + 54.0 * k3)
        y += h * vy + a * (14.0 * l1 + 100.0 * l2 + 54.0 * l3)
        z += h * vz + a * (14.0 * m1 + 100.0 * m2 + 54.0 * m3)
        vx += s * (14.0 * k1 + 125.0 * k2 + 162.0 * k3 + 35.0 * k4)
        vy += s * (14.0 * l1 + 125.0 * l2 + 162.0 * l3 + 35.0 * l4)
        vz += s * (14.0 * m1 + 125.0 * m2 + 162.0 * m3 + 35.0 * m4)
    return (x, y, z), (vx, vy, vz), left, steps


def time_to_apoapsis_s(position_m: Vec, velocity_m_s: Vec, body: Body) -> float:
    """Seconds to the next instant at which the vehicle stops rising, in the body's own gravity.

    Raises:
        OrbitNotClosed: the vehicle never stops rising, or does not within two revolutions (a circle), or a revolution
            takes longer than LONGEST_PERIOD_S.
        BudgetSpent: it takes too many steps.
    """
    period = local_period_s(position_m, velocity_m_s, body)
    step = period / 36.0
    r, v, elapsed = position_m, velocity_m_s, 0.0
    rising = dot(r, v) > 0.0
    for _ in range(72):
        r1, v1 = coast(r, v, step, body)
        if rising and dot(r1, v1) <= 0.0:
            return elapsed + fall_instant_s(r, v, step, body)
        rising = dot(r1, v1) > 0.0
        r, v, elapsed = r1, v1, elapsed + step
    raise OrbitNotClosed("no_apoapsis", "velocity_m_s", "an orbit that rises and falls", norm(velocity_m_s))


def fall_instant_s(position_m: Vec, velocity_m_s: Vec, within_s: float, body: Body) -> float:
    """Instant in [0, within_s] at which the radial speed passes through zero (secant, bracketed)."""
    low, high = 0.0, within_s
    f_low = dot(position_m, velocity_m_s)
    f_high = dot(*coast(position_m, velocity_m_s, high, body))
    t = low
    for _ in range(SECANT_ROUNDS):
        t = high - f_high * (high - low) / (f_high - f_low)
        f = dot(*coast(position_m, velocity_m_s, t, body))
        if abs(f) < 1e-3 or high - low < max(1e-7, 1e-15 * high):  # r v_r of 1e-3 m2/s: 1e-10 m/s of radial speed
            break
        if f > 0.0:
            low, f_low, f_high = t, f, 0.5 * f_high
        else:
            high, f_high, f_low = t, f, 0.5 * f_low
    return t


def vertex(before: float, here: float, after: float) -> float:
    """Extreme of the parabola through three equally spaced values if it lies between them, else the middle one."""
    bend = before - 2.0 * here + after
    slope = 0.5 * (after - before)
    if abs(bend) <= abs(slope):
        return here
    return here - 0.5 * slope * slope / bend

"""The predictor: flies the real steering law through the real gravity, one arc of constant engine setting at a time.

State and steering vectors together form a second-order system without velocity terms,

    r'' = g(r) + a(t) unit(p),      p'' = G(r) p,

with p the steering vector (thrust points along it), a(t) the thrust acceleration and G the gradient of
spherical gravity. Where gravity does not vary, G = 0 and p = p0 + p0' t: the linear-tangent law. With G the
law is that of Lawden's primer vector, which is the fuel-optimal one; the difference is the turn that a long
flat burn asks for.

Source: D. F. Lawden, Optimal Trajectories for Space Navigation, Butterworths 1963, chapter 3 (from memory);
integration: Nystroem's fifth-order method, Hairer, Norsett, Wanner, Solving Ordinary Differential Equations I,
2nd ed., table II.14.1 (from memory; the order is checked by a test).
"""

from __future__ import annotations

from math import exp, sqrt

from guidance_svc.core.compiled import kernel, part
from guidance_svc.domain import Vec


@part
def second_rates(
    x: float, y: float, z: float, a: float, b: float, c: float, push_m_s2: float, mu_m3_s2: float, oblate_m2: float
) -> tuple[float, float, float, float, float, float]:
    """r'' and p'' at position (x, y, z) with steering vector (a, b, c); `oblate_m2` is 1.5 J2 radius^2."""
    r2 = x * x + y * y + z * z
    k = -mu_m3_s2 / (r2 * sqrt(r2))
    t = 0.0
    if push_m_s2 != 0.0:
        t = push_m_s2 / sqrt(a * a + b * b + c * c)
    s = 3.0 * (x * a + y * b + z * c) / r2
    gx = k
    gz = k
    if oblate_m2 != 0.0:
        q = oblate_m2 / r2
        w = 5.0 * z * z / r2
        gx = k * (1.0 + q * (1.0 - w))
        gz = k * (1.0 + q * (3.0 - w))
    return (
        gx * x + t * a, gx * y + t * b, gz * z + t * c,
        k * (a - s * x), k * (b - s * y), k * (c - s * z),
    )  # fmt: skip


@part
def thrust_acceleration(mass_kg: float, thrust_n: float, mass_flow_kg_s: float, held_m_s2: float, t_s: float) -> float:
    """Thrust acceleration `t_s` into an arc: `held_m_s2` if that is positive, else thrust over the falling mass."""
    if held_m_s2 > 0.0:
        return held_m_s2
    if thrust_n == 0.0:
        return 0.0
    return thrust_n / (mass_kg - mass_flow_kg_s * t_s)


@part
def mass_after(mass_kg: float, thrust_n: float, exhaust_velocity_m_s: float, held_m_s2: float, t_s: float) -> float:
    """Mass `t_s` into an arc, for constant thrust or held acceleration."""
    if held_m_s2 > 0.0:
        return mass_kg * exp(-held_m_s2 * t_s / exhaust_velocity_m_s)
    return mass_kg - thrust_n / exhaust_velocity_m_s * t_s


@kernel
def fly_arc(
    position_m: Vec, velocity_m_s: Vec, steer: Vec, steer_rate: Vec,
    mass_kg: float, thrust_n: float, exhaust_velocity_m_s: float, held_m_s2: float,
    duration_s: float, steps: int, mu_m3_s2: float, radius_m: float, j2: float,
) -> tuple[Vec, Vec, Vec, Vec]:  # fmt: skip
    """Position, velocity, steering vector and its rate after one arc.

    Args:
        steer: steering vector p, BCI; only its direction matters for thrust.
        steer_rate: its rate, 1/s in units of p.
        mass_kg: at the start of the arc.
        thrust_n: constant; 0 for a coast.
        exhaust_velocity_m_s: thrust over mass flow.
        held_m_s2: > 0 for an arc throttled to hold this acceleration instead of a thrust.
        duration_s: of the arc, >= 0, shorter than the propellant lasts.
        steps: of the integrator.

    Accuracy: 16 steps over a 360 s burn to orbit: 0.5 m and 4 mm/s (tests/core/test_arcs.py).
    """
    x, y, z = position_m
    vx, vy, vz = velocity_m_s
    a, b, c = steer
    da, db, dc = steer_rate
    flow = thrust_n / exhaust_velocity_m_s
    ob = 1.5 * j2 * radius_m * radius_m
    h = duration_s / steps
    h2 = h * h
    h50 = h2 / 50.0
    h27 = h2 / 27.0
    h70 = h2 / 70.0
    h336 = h / 336.0
    hh336 = h2 / 336.0
    for i in range(steps):
        t = i * h
        q1 = thrust_acceleration(mass_kg, thrust_n, flow, held_m_s2, t)
        q2 = thrust_acceleration(mass_kg, thrust_n, flow, held_m_s2, t + 0.2 * h)
        q3 = thrust_acceleration(mass_kg, thrust_n, flow, held_m_s2, t + h * 2.0 / 3.0)
        q4 = thrust_acceleration(mass_kg, thrust_n, flow, held_m_s2, t + h)
        k1, l1, m1, n1, o1, p1 = second_rates(x, y, z, a, b, c, q1, mu_m3_s2, ob)
        s = 0.2 * h
        k2, l2, m2, n2, o2, p2 = second_rates(
            x + s * vx + h50 * k1, y + s * vy + h50 * l1, z + s * vz + h50 * m1,
            a + s * da + h50 * n1, b + s * db + h50 * o1, c + s * dc + h50 * p1, q2, mu_m3_s2, ob,
        )  # fmt: skip
        s = h * 2.0 / 3.0
        k3, l3, m3, n3, o3, p3 = second_rates(
            x + s * vx + h27 * (7.0 * k2 - k1), y + s * vy + h27 * (7.0 * l2 - l1), z + s * vz + h27 * (7.0 * m2 - m1),
            a + s * da + h27 * (7.0 * n2 - n1), b + s * db + h27 * (7.0 * o2 - o1), c + s * dc + h27 * (7.0 * p2 - p1),
            q3, mu_m3_s2, ob,
        )  # fmt: skip
        k4, l4, m4, n4, o4, p4 = second_rates(
            x + h * vx + h70 * (21.0 * k1 - 4.0 * k2 + 18.0 * k3),
            y + h * vy + h70 * (21.0 * l1 - 4.0 * l2 + 18.0 * l3),
            z + h * vz + h70 * (21.0 * m1 - 4.0 * m2 + 18.0 * m3),
            a + h * da + h70 * (21.0 * n1 - 4.0 * n2 + 18.0 * n3),
            b + h * db + h70 * (21.0 * o1 - 4.0 * o2 + 18.0 * o3),
            c + h * dc + h70 * (21.0 * p1 - 4.0 * p2 + 18.0 * p3),
            q4, mu_m3_s2, ob,
        )  # fmt: skip
        x += h * vx + hh336 * (14.0 * k1 + 100.0 * k2 + 54.0 * k3)
        y += h * vy + hh336 * (14.0 * l1 + 100.0 * l2 + 54.0 * l3)
        z += h * vz + hh336 * (14.0 * m1 + 100.0 * m2 + 54.0 * m3)
        a += h * da + hh336 * (14.0 * n1 + 100.0 * n2 + 54.0 * n3)
        b += h * db + hh336 * (14.0 * o1 + 100.0 * o2 + 54.0 * o3)
        c += h * dc + hh336 * (14.0 * p1 + 100.0 * p2 + 54.0 * p3)
        vx += h336 * (14.0 * k1 + 125.0 * k2 + 162.0 * k3 + 35.0 * k4)
        vy += h336 * (14.0 * l1 + 125.0 * l2 + 162.0 * l3 + 35.0 * l4)
        vz += h336 * (14.0 * m1 + 125.0 * m2 + 162.0 * m3 + 35.0 * m4)
        da += h336 * (14.0 * n1 + 125.0 * n2 + 162.0 * n3 + 35.0 * n4)
        db += h336 * (14.0 * o1 + 125.0 * o2 + 162.0 * o3 + 35.0 * o4)
        dc += h336 * (14.0 * p1 + 125.0 * p2 + 162.0 * p3 + 35.0 * p4)
    return (x, y, z), (vx, vy, vz), (a, b, c), (da, db, dc)

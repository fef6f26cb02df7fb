"""A rigid launch vehicle of its own, apart from the simulator: attitude, gimbal, slow engine, air, coarse telemetry.

Nothing of `guidance_svc.sim` is used: equations of motion, integrator and gravity are written again here. Position,
velocity, attitude quaternion, two body rates (roll is held), two gimbal angles and mass; classical Runge-Kutta steps of
50 ms. Constants of the body: WGS 84 (mu, radius), EGM96 (J2); air: one exponential, invented to be of the usual size.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, cos, exp, radians, sin, sqrt
from typing import Final

MU: Final = 3.986004418e14
RADIUS_M: Final = 6378137.0
J2: Final = 1.08262668e-3
STEP_S: Final = 0.05
LENGTH_M, ARM_M = 20.0, 8.0  # of the stack; from centre of mass to gimbal
GIMBAL_LAG_S, GIMBAL_MOST_RAD = 0.1, radians(6.0)
RATE_MOST_RAD_S = radians(4.0)
RISE_S = 0.4  # of the thrust after ignition
DRAG_AREA_M2 = 3.0  # with its coefficient
AIR_KG_M3, AIR_SCALE_M = 1.5, 7000.0

Vec = tuple[float, float, float]
State = tuple[float, ...]
"""x y z, vx vy vz, quaternion w x y z (body to inertial), rates y z, gimbal y z (part of the thrust), mass."""


@dataclass(frozen=True)
class Engine:
    """One stage as it truly is."""

    dry_kg: float
    propellant_kg: float
    thrust_n: float
    exhaust_m_s: float
    offset: tuple[float, float] = (0.004, -0.003)  # sideways parts of the thrust that nobody knows of


def turned(q: State, v: Vec) -> Vec:
    """A vector of the body in the inertial frame."""
    w, x, y, z = q
    a, b, c = v
    tx, ty, tz = 2.0 * (y * c - z * b), 2.0 * (z * a - x * c), 2.0 * (x * b - y * a)
    return (a + w * tx + y * tz - z * ty, b + w * ty + z * tx - x * tz, c + w * tz + x * ty - y * tx)


def turned_back(q: State, v: Vec) -> Vec:
    """An inertial vector in the body's frame."""
    return turned((q[0], -q[1], -q[2], -q[3]), v)


def attitude(nose: Vec) -> State:
    """The quaternion that turns the body's x axis to `nose`."""
    w, y, z = 1.0 + nose[0], -nose[2], nose[1]
    k = 1.0 / sqrt(w * w + y * y + z * z)
    return (k * w, 0.0, k * y, k * z)


def rates(
    s: State, thrust_n: float, exhaust_m_s: float, offset: tuple[float, float], order: tuple[float, float]
) -> State:
    """Time derivatives of the whole state."""
    x, y, z, vx, vy, vz, qw, qx, qy, qz, wy, wz, gy, gz, mass = s
    r2 = x * x + y * y + z * z
    r = sqrt(r2)
    k, q, w5 = -MU / (r2 * r), 1.5 * J2 * RADIUS_M**2 / r2, 5.0 * z * z / r2
    fy, fz = gy + offset[0], gz + offset[1]
    push = thrust_n / mass
    ax, ay, az = turned((qw, qx, qy, qz), (push, push * fy, push * fz))
    speed = sqrt(vx * vx + vy * vy + vz * vz)
    drag = 0.5 * AIR_KG_M3 * exp(-(r - RADIUS_M) / AIR_SCALE_M) * speed * DRAG_AREA_M2 / mass
    turn = thrust_n * ARM_M / (mass * LENGTH_M**2 / 12.0)
    plane = k * (1.0 + q * (1.0 - w5))
    return (
        vx, vy, vz,
        plane * x + ax - drag * vx, plane * y + ay - drag * vy, k * (1.0 + q * (3.0 - w5)) * z + az - drag * vz,
        0.5 * (-qy * wy - qz * wz), 0.5 * (qy * wz - qz * wy), 0.5 * (qw * wy - qx * wz), 0.5 * (qw * wz + qx * wy),
        turn * fz, -turn * fy, (order[0] - gy) / GIMBAL_LAG_S, (order[1] - gz) / GIMBAL_LAG_S,
        -thrust_n / exhaust_m_s,
    )  # fmt: skip


def stepped(
    s: State, h: float, thrust_n: float, exhaust_m_s: float, offset: tuple[float, float], order: tuple[float, float]
) -> State:
    """One classical Runge-Kutta step."""

    def moved(k: State, part: float) -> State:
        return tuple(a + part * b for a, b in zip(s, k, strict=True))

    k1 = rates(s, thrust_n, exhaust_m_s, offset, order)
    k2 = rates(moved(k1, 0.5 * h), thrust_n, exhaust_m_s, offset, order)
    k3 = rates(moved(k2, 0.5 * h), thrust_n, exhaust_m_s, offset, order)
    k4 = rates(moved(k3, h), thrust_n, exhaust_m_s, offset, order)
    return tuple(a + h / 6.0 * (b + 2.0 * c + 2.0 * d + e) for a, b, c, d, e in zip(s, k1, k2, k3, k4, strict=True))


def gimbal_order(s: State, towards: Vec, thrust_n: float) -> tuple[float, float]:
    """The attitude controller: rate in proportion to the angle, limited; gimbal in proportion to the missing rate."""
    ahead = turned_back(s[6:10], towards)
    across = sqrt(ahead[1] ** 2 + ahead[2] ** 2)
    angle = acos(max(-1.0, min(1.0, ahead[0])))
    rate = min(0.8 * angle, RATE_MOST_RAD_S) / across if across > 1e-9 else 0.0
    turn = max(thrust_n, 1.0) * ARM_M / (s[14] * LENGTH_M**2 / 12.0)
    fz = 2.0 * (-ahead[2] * rate - s[10]) / turn
    fy = -2.0 * (ahead[1] * rate - s[11]) / turn
    return max(-GIMBAL_MOST_RAD, min(GIMBAL_MOST_RAD, fy)), max(-GIMBAL_MOST_RAD, min(GIMBAL_MOST_RAD, fz))


class Plant:
    """The vehicle in flight."""

    def __init__(
        self, stages: tuple[Engine, ...], payload_kg: float, position_m: Vec, velocity_m_s: Vec, nose: Vec
    ) -> None:
        self.stages, self.payload_kg, self.stage = stages, payload_kg, 0
        mass = payload_kg + sum(e.dry_kg + e.propellant_kg for e in stages)
        self.state: State = (*position_m, *velocity_m_s, *attitude(nose), 0.0, 0.0, 0.0, 0.0, mass)
        self.time_s = 0.0
        self.engine_on = False
        self.lit_s = 0.0
        self.throttle_frac = 1.0
        self.thrust_kept = 1.0

    @property
    def burnout_kg(self) -> float:
        """Mass of the stack when the present tank is empty."""
        later = sum(e.dry_kg + e.propellant_kg for e in self.stages[self.stage + 1 :])
        return self.payload_kg + later + self.stages[self.stage].dry_kg

    @property
    def mass_kg(self) -> float:
        return self.state[14]

    @property
    def position_m(self) -> Vec:
        return self.state[0:3]  # type: ignore[return-value]

    @property
    def velocity_m_s(self) -> Vec:
        return self.state[3:6]  # type: ignore[return-value]

    @property
    def nose(self) -> Vec:
        """Direction of the body's x axis."""
        return turned(self.state[6:10], (1.0, 0.0, 0.0))

    @property
    def empty(self) -> bool:
        return self.mass_kg <= self.burnout_kg + 1e-6

    def light(self) -> None:
        """Ignition, unless it burns or the tank is empty."""
        if not self.engine_on and not self.empty:
            self.engine_on, self.lit_s = True, self.time_s

    def drop(self) -> None:
        """Separation of the present stage."""
        self.stage += 1
        self.engine_on = False
        self.state = (
            *self.state[:14],
            self.payload_kg + sum(e.dry_kg + e.propellant_kg for e in self.stages[self.stage :]),
        )

    def advance(self, towards: Vec, until_s: float) -> None:
        """Fly on, nose commanded to a direction; the engine stops by itself when the tank is empty."""
        while until_s - self.time_s > 1e-9:
            h = min(STEP_S, until_s - self.time_s)
            engine = self.stages[self.stage]
            thrust = 0.0
            if self.engine_on:
                risen = min(1.0, (self.time_s + 0.5 * h - self.lit_s) / RISE_S)
                thrust = engine.thrust_n * self.throttle_frac * self.thrust_kept * risen
                left = (self.mass_kg - self.burnout_kg) * engine.exhaust_m_s / thrust
                if left <= h:
                    h, self.engine_on = max(left, 1e-9), False
            order = gimbal_order(self.state, towards, thrust)
            self.state = stepped(self.state, h, thrust, engine.exhaust_m_s, engine.offset, order)
            self.time_s += h


def start(
    latitude_rad: float, height_m: float, up_m_s: float, along_m_s: float, azimuth_rad: float, pitch_rad: float
) -> tuple[Vec, Vec, Vec]:
    """Position, velocity and nose, inertial, over the zero meridian."""
    c, s = cos(latitude_rad), sin(latitude_rad)
    up: Vec = (c, 0.0, s)
    north: Vec = (-s, 0.0, c)
    east: Vec = (0.0, 1.0, 0.0)
    ahead = tuple(cos(azimuth_rad) * n + sin(azimuth_rad) * e for n, e in zip(north, east, strict=True))
    place = tuple((RADIUS_M + height_m) * u for u in up)
    speed = tuple(up_m_s * u + along_m_s * a for u, a in zip(up, ahead, strict=True))
    nose = tuple(sin(pitch_rad) * u + cos(pitch_rad) * a for u, a in zip(up, ahead, strict=True))
    return place, speed, nose  # type: ignore[return-value]

"""The rows of the table of landing errors: what is wrong in each, and one seeded flight of it.

Case L07 with contact at 0.30 m/s. Every flight begins with a spread of its own (one sigma: 20 m and 1 m/s along both
level axes, 3 m/s down) and a sign of its own for each error.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, radians
from random import Random
from typing import NamedTuple

from guidance_svc.core.compiled import column
from guidance_svc.core.landing_guide import begin
from tests.closed_loop.landing_cases import Case, Soft, landing_case
from tests.closed_loop.landing_plant import Craft, Landed, Truth, land, told

NOISE_STATES = 1500
SPREAD_M, SPREAD_M_S, SPREAD_DOWN_M_S = 20.0, 1.0, 3.0
SOFT = Soft(15.0, 0.6)
CONTACT_M_S = 0.3


class Row(NamedTuple):
    """One row.

    Args:
        truth: its scales, delays and winds are taken with a random sign each, where one makes sense.
        noise_m, noise_m_s: one sigma, of each number in a state.
        soft: whether it ends softly.
    """

    name: str
    truth: Truth = Truth()
    noise_m: float = 0.0
    noise_m_s: float = 0.0
    soft: bool = True


class Contact(NamedTuple):
    """How a landing ended."""

    miss_m: float
    speed_m_s: float
    lean_rad: float
    propellant_kg: float
    touched: bool


USUAL = Truth(turn_lag_s=0.2, turn_rad_s=radians(15.0))
ALL = USUAL._replace(
    thrust_scale=1.03, drag_scale=1.1, mass_scale=1.005, delay_s=0.04, ignition_s=0.1, wind_m_s=8.0, gust_m_s=2.0
)
GIMBAL_M = 8.0
CLEAN_ROWS = (
    Row("none", USUAL),
    Row("thrust 3 %", USUAL._replace(thrust_scale=1.03)),
    Row("delay 40 ms", USUAL._replace(delay_s=0.04)),
    Row("lag 0.12 s, untold", USUAL._replace(lag_s=0.12)),
    Row("10 Hz", USUAL._replace(tick_s=0.1)),
    Row("wind 8 m/s, gusts", USUAL._replace(wind_m_s=8.0, gust_m_s=2.0)),
    Row("drag 15 %", USUAL._replace(drag_scale=1.15)),
    Row("ignition 0.15 s", USUAL._replace(ignition_s=0.15)),
    Row("mass 1 %", USUAL._replace(mass_scale=1.01)),
    Row("turns at 5 deg/s", USUAL._replace(turn_rad_s=radians(5.0))),
    Row("all at once", ALL),
    Row("gimbal", USUAL._replace(percussion_m=GIMBAL_M)),
    Row("all at once, gimbal", ALL._replace(percussion_m=GIMBAL_M)),
)
NOISY_ROWS = (
    Row("noise 0.1 m, 0.02 m/s", USUAL, 0.1, 0.02),
    Row("all + noise 0.1 m, 0.02 m/s", ALL, 0.1, 0.02),
    Row("all, gimbal + noise 0.1 m, 0.02 m/s", ALL._replace(percussion_m=GIMBAL_M), 0.1, 0.02),
    Row("noise 0.3 m, 0.05 m/s", USUAL, 0.3, 0.05),
    Row("all + noise 0.3 m, 0.05 m/s", ALL, 0.3, 0.05),
)
HARD_ROWS = tuple(row._replace(name=f"{row.name}, hard end", soft=False) for row in (*CLEAN_ROWS, *NOISY_ROWS))


def signed(truth: Truth, random: Random) -> Truth:
    """The errors with signs of their own."""
    def either(scale: float) -> float:
        return 1.0 + (scale - 1.0) * random.choice((-1.0, 1.0))

    return truth._replace(
        thrust_scale=either(truth.thrust_scale), drag_scale=either(truth.drag_scale),
        mass_scale=either(truth.mass_scale), ignition_s=truth.ignition_s * random.choice((-1.0, 1.0)),
        wind_m_s=truth.wind_m_s * random.choice((-1.0, 1.0)),
    )  # fmt: skip


def noise_of(row: Row, random: Random) -> Sequence[float]:
    """Six numbers a state."""
    if row.noise_m == 0.0:
        return column([0.0] * 6)
    sigmas = (*(row.noise_m,) * 3, *(row.noise_m_s,) * 3)
    return column([random.gauss(0.0, sigma) for _ in range(NOISE_STATES) for sigma in sigmas])


def flown_case(case: Case, truth: Truth, noise: Sequence[float]) -> Landed:
    """One landing on the plant."""
    keys = case.keys._replace(percussion_m=truth.percussion_m)
    upright, still = (0.0, 0.0, 1.0), (0.0, 0.0, 0.0)
    craft = Craft(0.0, case.position_m, case.velocity_m_s, case.mass_kg, keys.idle_frac, upright, still)
    first = begin(case.lander, keys, told(craft, truth, noise, 0), False).guided
    return land(case.lander, keys, case.field, truth, first, craft, noise)


def contact_of(row: Row, seed: int) -> Contact:
    """One flight of a row."""
    random = Random(seed)
    case = landing_case("L07", CONTACT_M_S, SOFT if row.soft else None)
    (x, y, z), (u, v, w) = case.position_m, case.velocity_m_s
    case = case._replace(
        position_m=(x + random.gauss(0.0, SPREAD_M), y + random.gauss(0.0, SPREAD_M), z),
        velocity_m_s=(
            u + random.gauss(0.0, SPREAD_M_S), v + random.gauss(0.0, SPREAD_M_S), w + random.gauss(0.0, SPREAD_DOWN_M_S)
        ),
    )  # fmt: skip
    out = flown_case(case, signed(row.truth, random), noise_of(row, random))
    speed = hypot(*out.velocity_m_s) if out.touched else fall_speed(out.velocity_m_s, out.position_m[2])
    return Contact(hypot(*out.position_m[:2]), speed, out.lean_rad, case.mass_kg - out.mass_kg, out.touched)


def fall_speed(velocity_m_s: Sequence[float], height_m: float) -> float:
    """Speed at contact of a vehicle whose engine stops above it."""
    gravity = 9.80665
    return hypot(velocity_m_s[0], velocity_m_s[1], (2.0 * gravity * max(height_m, 0.0)) ** 0.5)

"""The predictor's integrator against scipy's DOP853 on equations written a second time (tests/core/dense.py)."""

from __future__ import annotations

import subprocess
import sys
from math import exp, log2
from typing import Any

import numpy as np
import pytest

from guidance_svc.core.arcs import fly_arc, mass_after, second_rates, thrust_acceleration
from guidance_svc.core.burns import Arc
from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.domain import Body
from tests.core.dense import flown, gravity

EARTH = Body("earth", 3.986004418e14, 6378137.0, j2=1.08262668e-3)
SPHERE = Body("sphere", 3.986004418e14, 6378137.0)
POSITION, VELOCITY = (5.2e6, 2.1e6, 3.2e6), (-1500.0, 3200.0, 600.0)
STEER, RATE = (-0.35, 0.85, 0.3), (-1.1e-3, -4e-4, -6e-4)
BURN = Arc(30000.0, 1e9, 260e3, 3400.0)  # T/W 0.88, 360 s: 92 % of the mass would be gone at 361 s
HELD = Arc(30000.0, 1e9, 260e3, 3400.0, held_m_s2=20.0)
COAST = Arc(30000.0, 300.0)


def ours(arc: Arc, duration_s: float, steps: int, body: Body) -> np.ndarray[Any, Any]:
    parts = fly_arc(
        POSITION, VELOCITY, STEER, RATE, arc.mass_kg, arc.thrust_n, arc.exhaust_velocity_m_s, arc.held_m_s2,
        duration_s, steps, body.mu_m3_s2, body.radius_m, body.j2,
    )  # fmt: skip
    return np.array([x for part in parts for x in part])


@pytest.mark.parametrize("body", [SPHERE, EARTH], ids=["sphere", "j2"])
@pytest.mark.parametrize("arc", [BURN, HELD, COAST], ids=["burn", "held acceleration", "coast"])
def test_an_arc_agrees_with_dop853(arc: Arc, body: Body) -> None:
    duration_s = 200.0
    truth = flown(POSITION, VELOCITY, STEER, RATE, [(arc, duration_s)], body)
    got = ours(arc, duration_s, 128, body)
    assert np.linalg.norm(got[0:3] - truth[0:3]) < 1e-4  # 0.1 mm: rounding of 6e6 m over 128 steps is 1e-7
    assert np.linalg.norm(got[3:6] - truth[3:6]) < 1e-6
    assert np.linalg.norm(got[6:9] - truth[6:9]) < 1e-9
    assert np.linalg.norm(got[9:12] - truth[9:12]) < 1e-12


def test_sixteen_steps_over_a_burn_to_orbit_are_within_half_a_metre_and_four_millimetres_a_second() -> None:
    # 360 s that leave 27 % of the mass: what core.arcs states as its accuracy.
    arc = Arc(30000.0, 1e9, 206e3, 3400.0)
    truth = flown(POSITION, VELOCITY, STEER, RATE, [(arc, 360.0)], EARTH)
    got = ours(arc, 360.0, 16, EARTH)
    assert np.linalg.norm(got[0:3] - truth[0:3]) < 0.5
    assert np.linalg.norm(got[3:6] - truth[3:6]) < 4e-3


@pytest.mark.parametrize("part", [slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 12)], ids=["r", "v", "p", "rate"])
def test_the_integrator_is_of_fifth_order(part: slice) -> None:
    # Hairer, Norsett, Wanner, table II.14.1: halving the step divides the error by 32.
    arc = HELD  # smooth, so that the leading term shows
    truth = flown(POSITION, VELOCITY, STEER, RATE, [(arc, 400.0)], EARTH)
    errors = [float(np.linalg.norm((ours(arc, 400.0, n, EARTH) - truth)[part])) for n in (8, 16, 32)]
    assert log2(errors[0] / errors[1]) > 4.5
    assert log2(errors[1] / errors[2]) > 4.5


def test_a_negative_duration_flies_back_to_where_it_came_from() -> None:
    there = fly_arc(POSITION, VELOCITY, STEER, RATE, 1.0, 0.0, 1.0, 0.0, 600.0, 64,
                    EARTH.mu_m3_s2, EARTH.radius_m, EARTH.j2)  # fmt: skip
    back = fly_arc(*there, 1.0, 0.0, 1.0, 0.0, -600.0, 64, EARTH.mu_m3_s2, EARTH.radius_m, EARTH.j2)
    assert back[0] == pytest.approx(POSITION, abs=1e-2)  # truncation of 64 steps, there and back
    assert back[1] == pytest.approx(VELOCITY, abs=1e-5)


@pytest.mark.parametrize("body", [SPHERE, EARTH], ids=["sphere", "j2"])
def test_gravity_in_the_kernel_is_the_gradient_of_the_potential(body: Body) -> None:
    oblate = 1.5 * body.j2 * body.radius_m**2
    pull = second_rates(*POSITION, *STEER, 0.0, body.mu_m3_s2, oblate)[:3]
    assert pull == pytest.approx(gravity(np.array(POSITION), body), abs=2e-9)  # rounding of the differences


def test_steering_vector_turns_with_the_gradient_of_spherical_gravity() -> None:
    turn = np.array(second_rates(*POSITION, *STEER, 0.0, SPHERE.mu_m3_s2, 0.0)[3:])
    d = 50.0 * np.array(STEER)
    difference = (gravity(np.array(POSITION) + d, SPHERE) - gravity(np.array(POSITION) - d, SPHERE)) / 100.0
    assert turn == pytest.approx(difference, rel=1e-4)  # rounding of 9.8 m/s2 over 100 m


def test_mass_under_held_acceleration_follows_the_rocket_equation() -> None:
    # dm/dt = -m a / ve (Sutton and Biblarz, chapter 2), so m = m0 exp(-a t / ve)
    assert mass_after(1000.0, 5e4, 3000.0, 25.0, 60.0) == pytest.approx(1000.0 * exp(-25.0 * 60.0 / 3000.0))
    assert mass_after(1000.0, 3e4, 3000.0, 0.0, 60.0) == 400.0


def test_thrust_acceleration_rises_as_the_mass_falls_and_is_nothing_in_a_coast() -> None:
    assert thrust_acceleration(1000.0, 3e4, 10.0, 0.0, 50.0) == 60.0
    assert thrust_acceleration(1000.0, 3e4, 10.0, 25.0, 50.0) == 25.0
    assert thrust_acceleration(1000.0, 0.0, 0.0, 0.0, 50.0) == 0.0


PLAIN = """
import sys
sys.modules["numba"] = None
from guidance_svc.core.compiled import HAVE_NUMBA
assert not HAVE_NUMBA
from tests.core.test_arcs import BURN, EARTH, ours
print(*[x.hex() for x in ours(BURN, 200.0, 16, EARTH).tolist()])
"""


@pytest.mark.skipif(not HAVE_NUMBA, reason="only one form of the kernels without the extra `fast`")
def test_plain_and_compiled_kernels_differ_by_rounding_only() -> None:
    run = subprocess.run([sys.executable, "-c", PLAIN], capture_output=True, text=True, timeout=60, check=True)
    plain = np.array([float.fromhex(x) for x in run.stdout.split()])
    compiled = ours(BURN, 200.0, 16, EARTH)
    assert len(plain) == 12
    assert compiled == pytest.approx(plain, rel=1e-12)  # contraction and libm: a few units of the last digit a step

"""The whole ascent from the pad against optimal control: payload and propellant left, and every limit on the way.

Source of the optimum: direct collocation (CasADi, IPOPT), four starts to the same mass, flown again with DOP853 to
2 mm; see tests/reference/build_full_ascent.py. Differences of the world: tests/closed_loop/full_ascent.py.

How the demand is read: payload plus propellant left at cutoff, as a fraction of the mass at lift-off, must be at
least 99 % of the optimum's fraction, 4798.76 kg of 178,500 kg: within 48 kg. Limits: the reference's, plus 1 %.
Measured when written: 7.3 kg short of the optimum (0.15 %), dynamic pressure 34.88 kPa, its product with the sine of
the angle of attack 1930 Pa, angle 8.5 deg: the planner leaves a quarter of the angle of attack's limits to the flight.
Planned up to the limits it is 5 kg short, and thrust 3 % low ends in the ground.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import exp, radians

import numpy as np
import pytest

from guidance_svc.core.atmosphere import air
from guidance_svc.domain import Boost, Insertion
from guidance_svc.planning.boost.ascent_trial import ascent_of
from guidance_svc.planning.boost.search import plan_boost
from guidance_svc.rehearsal.closed_loop import AscentFlight, fly_ascent
from tests.closed_loop.full_ascent import CASE, MACHS, drag_coefficient, drag_table, plan, world

FRACTION_KEPT = 0.99
LIMITS_PLUS = 1.01
APSIS_M = 20.0  # 6 mm/s at this perigee, as in test_against_optimum
# what the planner found when this was written; the slow test finds it anew
PITCH_DEG = ((14.9, 82.741), (28.6, 81.669), (45.1, 70.438), (62.9, 56.103), (80.8, 43.801), (100.0, 37.721),
             (120.6, 36.814), (145.3, 33.818))  # fmt: skip


def stored_program() -> Boost:
    boost = next(p for p in plan().phases if isinstance(p, Boost))
    return replace(boost, pitch_over_rad=0.0, pitch=tuple((t, radians(angle)) for t, angle in PITCH_DEG))


@cache
def flown(tick_s: float) -> AscentFlight:
    return fly_ascent(plan(stored_program()), world(), tick_s)


def assert_near_the_optimum_within_limits(flight: AscentFlight) -> None:
    limits, optimum = CASE["limits"], CASE["optimum"]["payload_plus_remaining_kg"]
    lift_off_kg = CASE["vehicle"]["m0"]
    reached = (CASE["vehicle"]["payload"] + flight.margin_kg) / lift_off_kg
    assert reached >= FRACTION_KEPT * optimum / lift_off_kg
    # more than this above the optimum would mean a wrong simulator: 1 % of drag is worth 2.1 kg, and the air of the two
    # worlds differs by 1.3 % at most (see below)
    assert reached <= (optimum + 3.0) / lift_off_kg
    assert flight.most_q_pa <= LIMITS_PLUS * limits["q_max"]
    assert flight.most_q_alpha_pa <= LIMITS_PLUS * limits["qalpha_max"]
    assert flight.most_alpha_deg <= LIMITS_PLUS * limits["alpha_max_deg"]
    assert min(row.throttle_frac for row in flight.rows if row.throttle_frac > 0.0) >= limits["thr_min"]


@pytest.mark.parametrize("tick_s", [0.1, pytest.param(0.02, marks=pytest.mark.slow)])
def test_planned_ascent_flown_closed_loop_is_within_one_per_cent_of_the_optimum_and_its_limits(tick_s: float) -> None:
    assert_near_the_optimum_within_limits(flown(tick_s))


def test_planned_ascent_meets_the_cutoff_orbit() -> None:
    target = plan().target
    assert target is not None
    assert abs(flown(0.1).perigee_m - target.perigee_radius_m) < APSIS_M
    assert abs(flown(0.1).apogee_m - target.apogee_radius_m) < APSIS_M


def test_dynamic_pressure_really_binds_on_this_ascent() -> None:
    whole = plan(replace(stored_program(), max_dynamic_pressure_pa=1e9))
    boost = tuple(phase for phase in whole.phases if not isinstance(phase, Insertion))
    flight = fly_ascent(replace(whole, phases=boost), world(), tick_s=0.1)
    assert flight.most_q_pa > LIMITS_PLUS * CASE["limits"]["q_max"]


def test_vehicle_lifts_off_with_the_references_thrust_over_weight() -> None:
    v, body = world().vehicle, world().body
    booster = v.stages[0]
    thrust = booster.thrust_n - booster.exit_area_m2 * air(0.0)[1]
    weight = v.mass_at_ignition_kg(0) * body.mu_m3_s2 / body.radius_m**2
    # the reference divides by standard gravity, 0.14 % from the sphere's own at its radius
    assert thrust / weight == pytest.approx(CASE["vehicle_thrust_to_weight_liftoff"], rel=2e-3)


@pytest.mark.slow
def test_planned_ascent_reaches_orbit_with_three_per_cent_of_thrust_missing_untold() -> None:
    vehicle = world().vehicle
    weak = replace(vehicle.stages[0], thrust_n=0.97 * vehicle.stages[0].thrust_n)  # mass flow falls with it
    weak_world = replace(world(), vehicle=replace(vehicle, stages=(weak, vehicle.stages[1])))
    flight = fly_ascent(plan(stored_program()), weak_world, 0.1)
    assert flight.margin_kg > 0.0
    assert flight.most_q_alpha_pa <= LIMITS_PLUS * CASE["limits"]["qalpha_max"]


@pytest.mark.slow
def test_planner_finds_a_program_within_one_per_cent_of_the_optimum_by_itself() -> None:
    found = plan_boost(ascent_of(plan(), world()))
    assert_near_the_optimum_within_limits(fly_ascent(plan(found.boost), world()))


def reference_density(height_m: float) -> float:
    e = CASE["environment"]
    z = 2.0 * (height_m / (height_m + 50e3)) / e["UMAX"] - 1.0
    return exp(np.polynomial.chebyshev.chebval(z, e["rho_coef"]))


def test_air_of_this_world_is_that_of_the_reference_within_one_and_a_half_per_cent() -> None:
    # up to separation; the fit is the reference's model and smooths the standard's kinks, which is where the two part
    heights = np.arange(0.0, 60e3, 250.0)
    differences = [reference_density(h) / air(float(h))[0] - 1.0 for h in heights]
    assert max(map(abs, differences)) < 0.015
    assert abs(float(np.mean(differences))) < 0.0005


def test_drag_table_follows_the_formula() -> None:
    xs, ys = zip(*drag_table(), strict=True)
    fine = np.linspace(0.0, MACHS[-1], 4000)
    wrong = np.abs(np.interp(fine, xs, ys) - [drag_coefficient(float(m)) for m in fine])
    assert float(wrong.max()) < 0.0015

"""Cutoff states of `plan.targets` against published apsis speeds and the optimal-control reference cases.

Sources: H. D. Curtis, Orbital Mechanics for Engineering Students, 3rd ed., Example 2.7 (data/two_body.json, TB-09,
from memory); data/optimum.json, computed outside this project by indirect shooting.
"""

from __future__ import annotations

import json
from math import cos

import pytest
from cases import DATA, load, value

from guidance_svc.domain import Body
from guidance_svc.plan.targets import resolve_target

CURTIS = load("two_body")["TB-09"]
BODY = Body("earth", 1e9 * value(CURTIS, "inputs", "mu"), 1e3 * value(CURTIS, "inputs", "R_E"))
PERIGEE_M, APOGEE_M = (1e3 * value(CURTIS, "inputs", key) for key in ("zp", "za"))


@pytest.mark.parametrize(("altitude_m", "key"), [(PERIGEE_M, "vp"), (APOGEE_M, "va")])
def test_the_speed_at_an_apsis_is_curtis_example_2_7(altitude_m: float, key: str) -> None:
    target = resolve_target(BODY, PERIGEE_M, APOGEE_M, altitude_m)
    # printed with 4 digits: half of the last one is 0.5 m/s
    assert target.cutoff_speed_m_s == pytest.approx(1e3 * value(CURTIS, "outputs", key), abs=0.5)
    assert target.cutoff_flight_path_angle_rad == 0.0


@pytest.mark.parametrize("altitude_km", [400.0, 1000.0, 2500.0, 4000.0])
def test_the_angular_momentum_anywhere_is_curtis_example_2_7(altitude_km: float) -> None:
    target = resolve_target(BODY, PERIGEE_M, APOGEE_M, 1e3 * altitude_km)
    momentum = target.cutoff_radius_m * target.cutoff_speed_m_s * cos(target.cutoff_flight_path_angle_rad)
    assert momentum == pytest.approx(1e6 * value(CURTIS, "outputs", "h"), abs=0.5e6)  # printed to 1 km2/s


OPTIMUM = json.loads((DATA / "optimum.json").read_text())
ELLIPTIC = {name: case for name, case in OPTIMUM.items() if "perigee_alt_m" in case["target"]}


def test_reference_cases_with_a_perigee_are_there() -> None:
    assert {"V01", "V03", "V04"} <= set(ELLIPTIC)


@pytest.mark.parametrize("name", sorted(ELLIPTIC))
def test_the_cutoff_is_that_of_the_optimal_control_case(name: str) -> None:
    case = ELLIPTIC[name]["target"]
    body = Body("of the case", ELLIPTIC[name]["mu_m3_s2"], ELLIPTIC[name]["R_m"])
    target = resolve_target(body, case["perigee_alt_m"], case["apogee_alt_m"])
    assert target.cutoff_radius_m == pytest.approx(case["radius_m"], abs=1e-3)
    assert target.cutoff_speed_m_s == pytest.approx(case["speed_m_s"], abs=1e-6)  # rounding of both

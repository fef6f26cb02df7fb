"""The Moon against DE421 (Folkner and others 2009) at three dates; values in data/moon.json, computed with skyfield."""

from __future__ import annotations

from math import acos, degrees
from typing import Any

import numpy as np
import pytest

from guidance_svc.orbits.third_body import equator_of_date, moon_plane, state_of_date, states
from tests.reference.cases import load, value

CASES = load("moon")
POINTING_DEG = 0.05  # what the project promises


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_the_moon_stands_where_de421_has_it(case: dict[str, Any]) -> None:
    r, v = states("moon", np.array([value(case, "inputs", "jd_tt")]))
    wanted = 1e3 * np.array(value(case, "outputs", "r_gcrs_de421"))
    cosine = float(r[:, 0] @ wanted / np.linalg.norm(r) / np.linalg.norm(wanted))
    assert degrees(acos(min(1.0, cosine))) < POINTING_DEG
    assert np.linalg.norm(r) == pytest.approx(1e3 * value(case, "outputs", "distance"), abs=20e3)  # 5e-5: the series'
    assert np.linalg.norm(v[:, 0] - 1e3 * np.array(value(case, "outputs", "v_gcrs_de421"))) < 0.1  # m/s of 1000


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_the_plane_of_the_moon_is_that_of_de421(case: dict[str, Any]) -> None:
    tilt, node = moon_plane(value(case, "inputs", "jd_tt"))
    plane = case["outputs"]["plane_true_equator_of_date"]
    assert degrees(tilt) == pytest.approx(plane["i"]["value"], abs=POINTING_DEG)
    assert degrees(node) == pytest.approx(plane["raan"]["value"], abs=POINTING_DEG)


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_the_equator_of_date_turns_lengths_into_themselves(case: dict[str, Any]) -> None:
    date = value(case, "inputs", "jd_tt")
    r, _ = state_of_date("moon", date)
    before = states("moon", np.array([date]))[0][:, 0]
    assert np.linalg.norm(r) == pytest.approx(float(np.linalg.norm(before)), rel=1e-12)
    assert abs(degrees(acos((float(np.trace(equator_of_date(date))) - 1.0) / 2.0))) < 0.5  # 26 years of precession


def test_the_sun_stands_on_the_equator_at_the_equinox() -> None:
    """March equinox 2026: 20 March 14:46 UTC (U.S. Naval Observatory, Earth's Seasons; from memory, to the minute)."""
    jd_tt = 2461120.0 + (2.0 + 46.0 / 60.0) / 24.0 + 69.184 / 86400.0
    (x, y, z), _ = state_of_date("sun", jd_tt)
    # 1 minute is 0.0007 deg of longitude, and light time with aberration 0.0057 deg
    assert abs(degrees(np.arctan2(y, x))) < 0.01
    assert abs(degrees(np.arcsin(z / np.linalg.norm((x, y, z))))) < 0.01

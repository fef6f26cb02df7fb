"""Phasing, deorbit and burn sums against published and recomputed cases (data/descent_and_rendezvous.json).

Landings, relative motion and returns are not computed by this project; their cases are not copied.
"""

from __future__ import annotations

from math import degrees, pi, radians, sqrt

import pytest

from guidance_svc.core.burns import Arc
from guidance_svc.core.kepler import propagate, vis_viva_speed
from guidance_svc.core.vectors import dot, norm
from guidance_svc.domain import Body
from guidance_svc.planning.campaign.phasing import phasing
from tests.reference.cases import last_digit, load, value

CASES = load("descent_and_rendezvous")


def test_phasing_in_one_revolution_takes_the_published_time_and_speed() -> None:
    """RV-01: one revolution of each. The published -20 deg shortens the revolution: the target is ahead by that."""
    case = CASES["RV-01"]
    mu, radius = 1e9 * value(case, "inputs", "mu"), 1e3 * value(case, "inputs", "a")
    ahead = radians(-value(case, "inputs", "phase_angle"))
    body = Body("sphere", mu, 6378136.3)
    period = 2.0 * pi * sqrt(radius**3 / mu)
    way = phasing(ahead, radius, 0.5, body, 1.2 * period, 6.5e6)
    assert way is not None
    assert way.revolutions == 1
    assert way.time_s == pytest.approx(value(case, "outputs", "t_phase"), rel=1e-9)
    assert way.in_plane_m_s == pytest.approx(abs(1e3 * value(case, "outputs", "dv_total_signed")), rel=1e-9)


def test_a_deorbit_burn_leads_to_the_entry_state() -> None:
    """RV-07: from a 300 km circle to a 60 km perigee, looked at on the way down through 120 km."""
    case = CASES["RV-07"]
    mu, ground = 1e9 * value(case, "inputs", "mu"), 1e3 * value(case, "inputs", "R_E")
    high, low = ground + 1e3 * value(case, "inputs", "h"), ground + 1e3 * value(case, "inputs", "h_perigee")
    speed = vis_viva_speed(high, 0.5 * (high + low), mu)
    assert vis_viva_speed(high, high, mu) - speed == pytest.approx(value(case, "outputs", "dv"), abs=1e-6)
    r, v = propagate((high, 0.0, 0.0), (0.0, speed, 0.0), value(case, "outputs", "t_to_entry"), mu)
    assert norm(r) - ground == pytest.approx(1e3 * value(case, "inputs", "h_entry"), abs=0.01)
    assert norm(v) == pytest.approx(value(case, "outputs", "v_entry"), abs=1e-4)
    tilt = degrees(dot(r, v) / (norm(r) * norm(v)))
    assert tilt == pytest.approx(value(case, "outputs", "fpa_entry"), abs=5e-5)  # sine for angle: 4e-5 of 0.9 deg


@pytest.mark.parametrize("name", ["DR-05", "DR-07"])
def test_a_vertical_stop_needs_the_speed_that_the_burn_gives(name: str) -> None:
    """The speed lost is the one carried plus what gravity adds meanwhile; and DR-07's propellant."""
    case = CASES[name]
    time_s, down = value(case, "outputs", "t_burn"), value(case, "inputs", "v_down")
    if name == "DR-05":
        arc = Arc(1.0, 1e9, value(case, "inputs", "thrust_acceleration"), 1e12)
    else:
        exhaust = value(case, "inputs", "Isp") * value(case, "inputs", "g0")
        arc = Arc(value(case, "inputs", "m0"), 1e9, value(case, "inputs", "F"), exhaust)
        fuel = arc.mass_kg - arc.mass_after_kg(time_s)
        assert fuel == pytest.approx(value(case, "outputs", "fuel"), abs=10.0 * last_digit(fuel, 9))
    needed = down + value(case, "inputs", "g") * time_s
    assert arc.speed_gain_m_s(time_s) == pytest.approx(needed, abs=1e-3)
    assert arc.time_for_gain_s(needed) == pytest.approx(time_s, abs=1e-3)

"""The way home predicted: against DOP853 and closed forms."""

from __future__ import annotations

from math import exp, inf, log
from random import Random

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from guidance_svc.core.fall_flight import (
    AGAINST,
    HEIGHT,
    NO_PUSH,
    PRESSURE,
    Falling,
    Field,
    Gate,
    Load,
    Push,
    fall_to,
    flow_m_s,
    fly_burn,
    greatest_of,
    height_m,
    load_at,
)
from guidance_svc.core.frames import turn_z
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.lander import Leg, air_around, legs_of
from guidance_svc.core.return_flight import Entry, Homing, Landing, come_home, load_after
from guidance_svc.core.vectors import add, along, cross, norm, scale, sub, unit
from guidance_svc.domain import Body, Vec

RADIUS_M, MU, SPIN, J2 = 6.378e6, 3.986e14, 7.29e-5, 1.0826e-3
AIR = tuple((h, 1.225 * exp(-h / 7200.0), 101325.0 * exp(-h / 7000.0), 300.0) for h in (-1000.0, 200e3))
BARE = Body("bare", MU, RADIUS_M, j2=J2, rotation_rad_s=SPIN)
AIRY = Body("airy", MU, RADIUS_M, j2=J2, rotation_rad_s=SPIN, atmosphere="table", air=AIR)
THREE = Push(2.6e6, 2.6e6 / 3050.0, 2.2)


def field_of(body: Body, wind: tuple[float, float] = (0.0, 0.0)) -> Field:
    air = air_around(body, 0.0, 10.8, ((0.0, 0.75), (0.7, 0.75), (1.3, 1.25)))
    return Field(MU, RADIUS_M, body.j2, 0.0, body.rotation_rad_s, air, 1.0, wind)


def start(height_over_m: float, up_m_s: float, along_m_s: float, mass_kg: float = 40e3) -> Falling:
    """At 30 degrees of latitude, flying north-east; turning with the body."""
    up = unit((0.8, 0.2, 0.55))
    east = unit(cross((0.0, 0.0, 1.0), up))
    ahead = unit(add(east, cross(up, east)))
    velocity = along(scale(up_m_s, up), along_m_s, ahead)
    return Falling(0.0, scale(RADIUS_M + height_over_m, up), velocity, mass_kg, 0)


def inertial(here: Falling) -> tuple[Vec, Vec]:
    """Position and velocity in axes that do not turn, equal at time 0."""
    (x, y, _), (u, v, w) = here.position_m, here.velocity_m_s
    return turn_z(here.position_m, SPIN * here.time_s), turn_z((u - SPIN * y, v + SPIN * x, w), SPIN * here.time_s)


def by_dop853(body: Body, begin: Falling, until_s: float) -> np.ndarray:
    """The same fall, in inertial axes, its equations written a second time."""

    def rates(_: float, y: np.ndarray) -> np.ndarray:
        r, v = y[:3], y[3:]
        a = np.array(acceleration((r[0], r[1], r[2]), MU, RADIUS_M, body.j2))
        if body.atmosphere != "none":
            flow = v - np.cross([0.0, 0.0, SPIN], r)
            speed, high = np.linalg.norm(flow), np.linalg.norm(r) - RADIUS_M
            density = 1.225 * exp(-high / 7200.0) if high <= 200e3 else 0.0
            drag = np.interp(speed / 300.0, [0.0, 0.7, 1.3], [0.75, 0.75, 1.25])
            a = a - 0.5 * density * speed * 10.8 * drag / begin.mass_kg * flow
        return np.concatenate([v, a])

    position, velocity = inertial(begin)
    out = solve_ivp(rates, (0.0, until_s), [*position, *velocity], "DOP853", rtol=1e-11, atol=1e-6)
    return np.asarray(out.y[:, -1])


@pytest.mark.parametrize(("body", "near_m"), [(BARE, 0.05), (AIRY, 3.0)])
def test_a_fall_over_the_turning_body_is_that_of_dop853(body: Body, near_m: float) -> None:
    """From 90 km up at 500 m/s to 20 km, 700 m/s across: 1 cm in vacuum, 1.6 m with air as measured."""
    begin = start(90e3, 500.0, -700.0)
    end, reached = fall_to(field_of(body), Gate(HEIGHT, 20e3), begin)
    assert reached
    assert height_m(field_of(body), end.position_m) == pytest.approx(20e3, abs=1e-3)
    true = by_dop853(body, begin, end.time_s)
    assert norm(sub(inertial(end)[0], (true[0], true[1], true[2]))) < near_m


def test_a_gate_of_dynamic_pressure_is_met_on_the_way_down() -> None:
    field = field_of(AIRY)
    end, reached = fall_to(field, Gate(PRESSURE, 8e3), start(62e3, 400.0, 300.0))
    assert reached
    assert load_at(field, end).pressure_pa == pytest.approx(8e3, rel=1e-6)
    assert end.time_s > 60.0  # not on the way up


def test_a_fall_that_never_meets_its_gate_says_so() -> None:
    _, reached = fall_to(field_of(BARE), Gate(PRESSURE, 8e3), start(62e3, 400.0, 300.0))
    assert not reached


def test_wind_is_taken_off_the_motion_along_east_and_north() -> None:
    here = start(1e3, 0.0, 0.0)
    east = unit(cross((0.0, 0.0, 1.0), here.position_m))
    flow = flow_m_s(field_of(AIRY, (7.0, 0.0)), here.position_m, (0.0, 0.0, 0.0))
    assert norm(add(flow, scale(7.0, east))) < 1e-12
    north = unit(cross(here.position_m, east))
    flow = flow_m_s(field_of(AIRY, (0.0, 5.0)), here.position_m, (0.0, 0.0, 0.0))
    assert norm(add(flow, scale(5.0, north))) < 1e-12


def test_a_burn_without_air_gives_the_speed_of_the_rocket_equation() -> None:
    """Against the motion; weight is what is left over."""
    begin = start(300e3, 0.0, 1500.0)
    end, _ = fly_burn(field_of(BARE), THREE, AGAINST, 0.0, begin, 8.0, 2.0)
    lost = 3050.0 * log(begin.mass_kg / end.mass_kg)
    free, _ = fly_burn(field_of(BARE), NO_PUSH, AGAINST, 0.0, begin, 8.0, 2.0)
    assert norm(sub(end.velocity_m_s, free.velocity_m_s)) == pytest.approx(lost, rel=0.01)


def test_the_greatest_load_of_a_ballistic_entry_is_that_of_allen_and_eggers() -> None:
    """Straight, without gravity: the peak of dynamic pressure follows from the greatest deceleration.

    Source: Allen and Eggers 1958, NACA Report 1381, equation 14: greatest deceleration = v^2 sin(angle) / (2 e H),
    so q = m / (Cd A) of it. Drag alone: gravity is a thousandth of what there is elsewhere.
    """
    body = Body("light", MU * 1e-3, RADIUS_M, atmosphere="table", air=AIR)
    air = air_around(body, 0.0, 10.8, ((0.0, 1.0),))
    field = Field(body.mu_m3_s2, RADIUS_M, 0.0, 0.0, 0.0, air, 1.0, (0.0, 0.0))
    speed, mass = 3000.0, 40e3
    load, _ = load_after(field, Falling(0.0, (RADIUS_M + 120e3, 0.0, 0.0), (-speed, 0.0, 0.0), mass, 0))
    deceleration = speed * speed / (2.0 * exp(1.0) * 7200.0)
    assert load.pressure_pa == pytest.approx(mass / 10.8 * deceleration, rel=2e-3)


def homing(limit: Load, body: Body = AIRY) -> Homing:
    """Three engines from 38 km on, one to the ground."""
    entry = Entry(True, False, Gate(HEIGHT, 38e3), THREE, 0.0, 60.0, limit, (0.0, 0.0))
    leg = Leg(880e3, 880e3 / 3050.0, 0.74, 0.3, 0.0, 1)
    return Homing(field_of(body), entry, Landing(legs_of([leg]), 1, 0.95, 12.0), (0.0, 0.0))


@pytest.mark.parametrize("limit", [Load(60e3, inf), Load(45e3, inf), Load(inf, 2.5e7)])
def test_an_entry_burn_is_as_long_as_the_limit_asks_for(limit: Load) -> None:
    home = come_home(homing(limit), start(95e3, 430.0, -480.0), 0.0)
    assert home.reached
    share = max(home.load.pressure_pa / limit.pressure_pa, home.load.heating_w_m2 / limit.heating_w_m2)
    assert share == pytest.approx(1.0, abs=1e-4)
    assert home.entry_s > 3.0


def test_no_entry_burn_is_flown_where_the_fall_is_within_its_limits() -> None:
    home = come_home(homing(Load(1e6, inf)), start(95e3, 430.0, -480.0), 5.0)
    assert home.entry_s == 0.0
    assert home.load.pressure_pa < 1e6


def test_a_landing_burn_ends_at_the_contact_point_with_the_speed_asked_for() -> None:
    wanted = homing(Load(60e3, inf))
    home = come_home(wanted, start(95e3, 430.0, -480.0), 9.0)
    assert height_m(wanted.field, home.position_m) == pytest.approx(12.0, abs=0.03)
    assert norm(home.velocity_m_s) < 2.0
    assert home.light_at_s < home.time_s


def test_a_small_change_at_the_start_moves_the_end_by_as_much_from_wherever_it_is_predicted() -> None:
    """Newton's method needs a smooth prediction: 1e-3 m/s moves the end by its derivative within 1 %."""
    wanted, begin = homing(Load(60e3, inf)), start(95e3, 430.0, -480.0)
    base = come_home(wanted, begin, 9.0)
    far, near = (
        sub(come_home(wanted, begin._replace(velocity_m_s=add(begin.velocity_m_s, (dv, 0.0, 0.0))), 9.0).position_m,
            base.position_m) for dv in (1.0, 1e-3)
    )  # fmt: skip
    assert norm(sub(far, scale(1e3, near))) < 0.02 * norm(far)


def test_one_that_does_not_come_down_says_so_after_a_bounded_number_of_steps() -> None:
    home = come_home(homing(Load(60e3, inf)), start(300e3, 0.0, 7900.0), 0.0)
    assert not home.reached
    assert home.steps <= 200


def test_no_prediction_takes_more_steps_than_a_message_may() -> None:
    """From heights, speeds and masses at random: 2400 counted steps are 600 of these."""
    draw, most = Random(7), 0
    for _ in range(60):
        begin = start(draw.uniform(30e3, 300e3), draw.uniform(-1500.0, 1500.0), draw.uniform(-4e3, 4e3))
        limit = Load(draw.uniform(5e3, 1e5), inf)
        most = max(most, come_home(homing(limit), begin._replace(mass_kg=draw.uniform(2e4, 2e5)), 0.0).steps)
    assert most <= 600


def test_the_top_of_a_parabola_is_found_between_its_points() -> None:
    points = [(t, 5.0 - (t - 1.3) ** 2) for t in (0.0, 1.0, 3.0)]
    assert greatest_of(points[0], points[1], points[2]) == pytest.approx(5.0)

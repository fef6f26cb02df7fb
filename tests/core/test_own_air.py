"""A body's own table of air: a table of the standard's values flies like the standard, in simulator and guidance."""

from __future__ import annotations

from dataclasses import replace
from math import exp
from typing import Any

import pytest

from guidance_svc.core.atmosphere import air, air_of
from guidance_svc.domain import AirRow, Body, Frame
from guidance_svc.errors import ConfigError
from guidance_svc.laws.air import air_here
from guidance_svc.laws.navigation import navigate
from guidance_svc.plan.checks import check_plan
from guidance_svc.sim.state import Controls, World
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry
from guidance_svc.wire.plans import BodyModel, parse_table
from tests.session.exchange import CLIMB, EARTH, flown, pad_start

HEIGHTS_M = tuple(500.0 * k for k in range(181))  # 0 to 90 km
ROWS: tuple[AirRow, ...] = tuple((h, *air(h)[:3]) for h in HEIGHTS_M)
STANDARD, OWN = replace(EARTH, atmosphere="us1976"), replace(EARTH, atmosphere="table", air=ROWS)
TABLE: dict[str, Any] = {"mu_m3_s2": 3.986e14, "radius_m": 6378137.0, "atmosphere": "table"}
GOOD = [[0.0, 1.2, 1e5, 340.0], [1e4, 0.4, 2.6e4, 300.0]]


@pytest.mark.parametrize("height_m", [-100.0, 0.0, 250.0, 11_250.0, 49_999.0, 89_900.0])
def test_a_table_of_the_standards_values_gives_the_standard_back(height_m: float) -> None:
    # between rows 500 m apart: a gradient of 6.5 K/km makes 4e-5 of pressure against an even logarithm
    want = air(max(height_m, 0.0))
    assert air_of(OWN, height_m)[:3] == pytest.approx(want[:3], rel=3e-4)
    assert air_of(STANDARD, height_m) == air(height_m)
    assert air_of(EARTH, height_m)[:2] == (0.0, 0.0)


def test_between_rows_the_air_is_that_of_an_even_scale_height() -> None:
    # an isothermal atmosphere is exponential: rho0 exp(-h/H), U.S. Standard Atmosphere 1976, equation 33b
    rows = ((0.0, 2.0, 8e4, 250.0), (7e3, 2.0 / exp(1), 8e4 / exp(1), 250.0))
    body = Body("b", 1e13, 2e6, atmosphere="table", air=rows)
    for height_m in (0.0, 1234.0, 6999.0):
        assert air_of(body, height_m)[:2] == pytest.approx([2.0 * exp(-height_m / 7e3), 8e4 * exp(-height_m / 7e3)])
    assert air_of(body, 7000.1)[:2] == (0.0, 0.0)


def test_a_boost_through_the_table_ends_where_the_standards_ends() -> None:
    ends = []
    for body in (STANDARD, OWN):
        vehicle = replace(CLIMB.vehicle, drag_area_m2=12.0)
        plan = replace(CLIMB, body=body, vehicle=vehicle)
        _, state = pad_start()
        exchanges = flown(plan, (World(body, vehicle), state), 0.5, 140)
        ends.append(exchanges[-1])
        here = navigate(exchanges[-1].message, plan, Frame())
        assert air_here(here, body)[0] > 0.0
    (standard, own) = (end.message.position_script_m or (0.0, 0.0, 0.0) for end in ends)
    assert own == pytest.approx(standard, abs=30.0)  # of 40 km climbed; without air it is kilometres off
    assert ends[0].message.thrust_n == pytest.approx(ends[1].message.thrust_n, rel=1e-3)


def test_lift_off_is_checked_at_the_tables_pressure() -> None:
    heavy = replace(CLIMB.vehicle.stages[0], thrust_n=1.2e6, exit_area_m2=1.0)
    vehicle = replace(CLIMB.vehicle, stages=(heavy, *CLIMB.vehicle.stages[1:]))
    thick = replace(OWN, air=((0.0, 12.0, 1e6, 340.0), (1e5, 1e-6, 0.1, 300.0)))
    # 1 MPa falling to 0.1 Pa in 100 km as an exponential: 806 Pa less at the pad's 5 m
    with pytest.raises(ConfigError, match="999194 N for the air's pressure"):
        check_plan(replace(CLIMB, body=thick, vehicle=vehicle))


def test_a_table_is_read_and_flown() -> None:
    body = parse_table(BodyModel, {**TABLE, "air": GOOD}).to_domain("j2")
    assert body.air == ((0.0, 1.2, 1e5, 340.0), (1e4, 0.4, 2.6e4, 300.0))
    world, state = World(body, CLIMB.vehicle), pad_start()[1]
    after = step(replace(state, held_down=False), Controls(pointing=state.pointing), 0.5, world)
    assert telemetry(after, world, Frame(), 1).mass_kg > 0.0


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"air": [GOOD[1], GOOD[0]]}, "rising heights; after 10000 m comes 0 m"),
        ({"air": [GOOD[0], GOOD[0]]}, "rising heights; after 0 m comes 0 m"),
        ({"air": [GOOD[0], [1e4, 0.0, 1.0, 300.0]]}, "positive numbers"),
        ({"air": [GOOD[0], [1e4, -1.0, 1.0, 300.0]]}, "positive numbers"),
        ({"air": [GOOD[0], [2e6, 0.1, 1.0, 300.0]]}, "heights from -10 to 1000 km"),
        ({"air": [GOOD[0], [1e4, 0.1, 1.0, 1e13]]}, "numbers up to"),
        ({"air": [GOOD[0]]}, "2"),
        ({"air": [GOOD[0], GOOD[1][:3]]}, "4"),
        ({}, 'air with atmosphere = "table", and only then'),
        ({"atmosphere": "us1976", "air": GOOD}, 'air with atmosphere = "table", and only then'),
    ],
)
def test_a_table_that_is_none_is_refused(changed: dict[str, Any], expected: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_table(BodyModel, {**TABLE, **changed})
    assert expected in str(caught.value)

"""Several vehicles in one world on one clock. Vehicles are invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from guidance_svc.domain import Stage, Vehicle
from guidance_svc.errors import GuidanceError
from guidance_svc.sim.scene import Scene, part_stack, step_all
from guidance_svc.sim.state import Controls, World, mass_kg
from guidance_svc.sim.step import step
from guidance_svc.sim.weather import Weather
from tests.sim.falling import EARTH, PAD, STAGE, VEHICLE, WIND, above

CURLEW = Stage("Curlew", 4600.0, 105e3, 9.8e5, 3420.0)
STACK = replace(VEHICLE, stages=(STAGE, CURLEW), payload_kg=13800.0)
ALONE = Vehicle("Curlew", (CURLEW,), 13800.0, 10.8, turn_rate_limit_rad_s=0.09)


def stack() -> tuple[World, Scene]:
    world = World(EARTH, STACK, weather=Weather(WIND, gust_m_s=3.0), pad=PAD)
    state = above(60e3, world, -900.0, 0.0, 1500.0)
    return world, Scene({"Sandpiper": (world, state)})


def test_a_stack_that_parts_goes_on_as_two_that_weigh_what_it_weighed() -> None:
    world, scene = stack()
    both = part_stack(scene, "Sandpiper", "Curlew", ALONE)
    assert list(both.vehicles) == ["Sandpiper", "Curlew"]
    whole = mass_kg(scene.vehicles["Sandpiper"][1], world)
    assert sum(mass_kg(state, own) for own, state in both.vehicles.values()) == pytest.approx(whole, rel=1e-15)
    assert both.vehicles["Curlew"][0].vehicle == ALONE
    assert both.vehicles["Sandpiper"][0].vehicle.stages == (STAGE,)
    assert part_stack(scene, "Sandpiper", "Curlew").vehicles["Curlew"][0].vehicle.stages == (CURLEW,)


def test_each_vehicle_flies_as_if_it_were_alone_and_the_clock_is_one() -> None:
    _, scene = stack()
    scene = part_stack(scene, "Sandpiper", "Curlew", ALONE)
    low, high = scene.vehicles["Sandpiper"], scene.vehicles["Curlew"]
    back = Controls(pointing=(0.0, -1.0, 0.1), engines=3, ignite_at_s=0.3)
    orders = {"Sandpiper": back, "Curlew": Controls(engine_on=True)}
    flown = step_all(scene, orders, 2.0)
    turned = Scene(dict(reversed(scene.vehicles.items())))
    assert step_all(turned, orders, 2.0).vehicles == flown.vehicles
    assert flown.time_s == 2.0
    assert flown.vehicles["Sandpiper"][1] == step(low[1], orders["Sandpiper"], 2.0, low[0])
    assert flown.vehicles["Curlew"][1] == step(high[1], orders["Curlew"], 2.0, high[0])
    on = step_all(flown, {}, 1.0).vehicles["Curlew"][1]
    assert on.engine_on
    assert on.propellant_kg[0] < flown.vehicles["Curlew"][1].propellant_kg[0]


def test_what_is_not_one_world_or_one_clock_is_refused() -> None:
    world, scene = stack()
    state = scene.vehicles["Sandpiper"][1]
    with pytest.raises(GuidanceError, match=r"not one clock; expected 0.0 s, as the others; got 1.0"):
        Scene({"a": (world, state), "b": (world, replace(state, time_s=1.0))})
    with pytest.raises(GuidanceError, match="not one world"):
        Scene({"a": (world, state), "b": (replace(world, meridian_at_zero_rad=0.1), state)})
    with pytest.raises(GuidanceError, match="one of Sandpiper"):
        step_all(scene, {"Curlew": Controls()}, 1.0)
    with pytest.raises(GuidanceError, match="a new name"):
        part_stack(scene, "Sandpiper", "Sandpiper")

"""A small vehicle in vacuum and a guide that says what a test wants: the loop without any guidance. All invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from guidance_svc.domain import Body, Command, Stage, Vehicle, VehicleState
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.disturbances import NONE, Disturbances, true_world
from guidance_svc.rehearsal.loop import FlightLog, Guide, fly
from guidance_svc.sim.state import SimState, World, full_tanks, mass_kg

BODY = Body("ball", 4.0e14, 6.4e6)
STAGE = Stage("only", 1000.0, 9000.0, 100e3, 4000.0, throttle_min_frac=0.4)
FLOW_KG_S = 25.0  # 100 kN over 4000 m/s
EAST = (0.0, 1.0, 0.0)


def craft_with(d: Disturbances = NONE, engine_on: bool = True) -> Craft:
    """In a circular orbit 300 km up, pointing along it."""
    vehicle = Vehicle("small", (STAGE,), 0.0)
    state = SimState(0.0, (6.7e6, 0.0, 0.0), (0.0, 7726.0, 0.0), EAST, full_tanks(vehicle), engine_on=engine_on)
    return Craft("small", true_world(World(BODY, vehicle), d), state)


def command(message: VehicleState, **changes: Any) -> Command:
    """Burn on, straight ahead, unless changed."""
    said = Command(message.seq, message.time_s, "insertion", EAST, EAST, 0.0, 1.57, 0.0, 0.0, 1.0, True, None, None,
                   None, 1.0, "ok")  # fmt: skip
    return said._replace(**changes)


def steady(**changes: Any) -> Guide:
    """Says the same to every state."""
    return lambda message: command(message, **changes)


def flown(
    guide: Guide, d: Disturbances = NONE, seconds: float = 10.0, engine_on: bool = True,
    done: Callable[[FlightLog], bool] = lambda log: False, **how: Any,
) -> FlightLog:  # fmt: skip
    """For so long, unless it is done before."""
    return fly(craft_with(d, engine_on), guide, done, disturbances=d, most_s=seconds - 1e-6, **how)


def mass_now_kg(log: FlightLog) -> float:
    """True mass."""
    return mass_kg(log.state, log.world)

"""Real states for the load: an insertion flown beforehand in this process, as packed messages."""

from __future__ import annotations

from math import cos, radians, sin
from pathlib import Path
from typing import Any

import msgpack

from guidance_svc.domain import Command, FlightPlan, Frame, VehicleState
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, fly, in_phase
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World, full_tanks

TICK_S = 0.02
PLAN: dict[str, Any] = {
    "name": "bench", "body": "earth", "gravity": "j2",
    "vehicle": {
        "name": "bench",
        "stages": [{"name": "upper", "dry_mass_kg": 5000.0, "propellant_kg": 27000.0, "thrust_n": 250e3,
                    "exhaust_velocity_m_s": 4300.0}],
    },
    "target": {"perigee_altitude_km": 200.0, "apogee_altitude_km": 460.0, "plane": "inclination",
               "inclination_deg": 30.0},
    "phases": [{"law": "insertion"}, {"law": "orbit"}],
}  # fmt: skip
"""An invented upper stage; a burn of several minutes, two solutions a second."""


def plan() -> FlightPlan:
    """The plan as the service resolves it."""
    return load_library(default_folder()).plan(PLAN, "upper_stage")


def start(flight: FlightPlan) -> SimState:
    """High, slow, a little off the plane."""
    up = (1.0, 0.0, 0.0)
    heading = radians(29.0)
    level = (0.0, cos(heading), sin(heading))
    r = tuple((flight.body.radius_m + 85e3) * x for x in up)
    v = tuple(650.0 * x + 2700.0 * y for x, y in zip(up, level, strict=True))
    return SimState(0.0, r, v, level, full_tanks(flight.vehicle), engine_on=True)  # type: ignore[arg-type]


def flown(most: int = 40_000) -> list[VehicleState]:
    """Every state of the burn at 50 Hz, or the first of them."""
    flight, out = plan(), list[VehicleState]()
    craft = Craft("bench", World(flight.body, flight.vehicle), start(flight))

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        if command.phase == "insertion" and len(out) < most:
            out.append(message)

    def done(log: FlightLog) -> bool:
        return len(out) >= most or in_phase("orbit")(log)

    fly(craft, Session(flight, Frame()).state, done, tick_s=TICK_S, watch=watch)
    return out


def as_message(state: VehicleState) -> dict[str, Any]:
    """What a script sends for a state."""
    return {
        "type": "state", "seq": state.seq, "time_s": state.time_s, "mass_kg": state.mass_kg,
        "position_m": list(state.position_script_m or ()), "velocity_m_s": list(state.velocity_script_m_s or ()),
        "thrust_n": state.thrust_n, "throttle": state.throttle_frac, "engine_on": state.engine_on,
        "stage": state.stage,
    }  # fmt: skip


def packed(most: int = 40_000) -> list[bytes]:
    """The messages as they go out."""
    return [msgpack.packb(as_message(state)) for state in flown(most)]


def write(path: Path, most: int = 40_000) -> int:
    """Write the messages where the load reads them; how many."""
    messages = packed(most)
    path.write_bytes(msgpack.packb(messages))
    return len(messages)


def opening(vehicle: str) -> bytes:
    """The `open` of one vehicle."""
    message = {"type": "open", "protocol": 1, "vehicle": vehicle, "role": "upper_stage", "plan": PLAN}
    return bytes(msgpack.packb(message))

"""Land Heron on the Moon, or with its own plan any vehicle that comes down on legs or into arms. (Invented vehicle.)

Over ZeroMQ. The flight plan ends in `descent`; the simulated vehicle begins where the plan's [start] says.
For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))  # guidance_client.py lies there

from guidance_client import Fault, GuidanceClient, cutoff_now
from simulated_vehicle import SimulatedVehicle, ended, in_a_sentence, say, seconds_to_fly


def main() -> int:
    """Fly to contact; 0 when the vehicle stands and the service says that the landing is complete."""
    options = read_options()
    vehicle = SimulatedVehicle(options.vehicle, options.name)
    client = GuidanceClient(options.guidance)
    frame = {"motion": "inertial"}
    opened = client.open(vehicle=options.name, role=options.role, plan=options.plan, frame=frame, detail=True)
    for sentence in opened["phases"]:
        print(sentence, file=sys.stderr)

    said, said_s, foretold = "", 0.0, None
    while True:
        command = client.exchange(vehicle.state(returning=True))
        carry_out(command, vehicle)

        foretold = command["detail"].get("landing") or foretold
        complete = command["status"] == "complete"
        if command["phase"] != said or complete or (options.json and command["time_s"] - said_s >= 1.0):
            say(vehicle, command, options.json)
            said, said_s = command["phase"], command["time_s"]
        if complete:
            break

        vehicle.advance(seconds_to_fly(command))
        event = command["event"]
        if event and vehicle.time_s >= event["at_s"]:
            client.done(event)  # or the service goes on repeating it
    print(contact_line(foretold, vehicle.time_s), file=sys.stderr)
    client.close()
    vehicle.close()
    return ended(command)


def carry_out(command: dict[str, Any], vehicle: SimulatedVehicle) -> None:
    """Do what a command says: now, and ahead of time on the vehicle's own clock."""
    vehicle.point(command["pointing"])
    vehicle.engine(command["engine_on"] and not cutoff_now(command, vehicle.time_s), command["throttle"])
    vehicle.engines(command.get("engines"), command.get("cut_on_contact", False))
    vehicle.at("cutoff", command["cutoff_at_s"])
    event = command["event"]
    if event and event["name"] == "ignite":  # the simulated vehicle's legs are out; `contact` only tells when
        vehicle.at("ignite", event["at_s"])


def contact_line(foretold: dict[str, Any] | None, time_s: float) -> str:
    """How the landing went, in one line, by the last forecast before contact."""
    if foretold is None:
        return f"down by {time_s:.1f} s"
    miss, speed, left = foretold["miss_m"], foretold["speed_m_s"], foretold["propellant_left_kg"]
    return f"down by {time_s:.1f} s: {miss:.2f} m off at {speed:.2f} m/s, {left:.0f} kg left above the reserve"


def read_options() -> argparse.Namespace:
    """Addresses and plan from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--guidance", default="tcp://127.0.0.1:5770", help="address of the guidance service")
    parser.add_argument("--vehicle", default="tcp://127.0.0.1:5823", help="address of the simulated vehicle")
    parser.add_argument("--name", default="Heron", help="the vehicle's name, as its file has it")
    parser.add_argument("--role", default="launch_vehicle", help="the vehicle's role, as `guidance-svc check` says")
    parser.add_argument("--plan", default="heron_approach", help="a flight plan that the service has")
    parser.add_argument("--json", action="store_true", help="one JSON object each second, for another program")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(in_a_sentence(main, Fault))

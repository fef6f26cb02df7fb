"""Fly the booster Sandpiper: hold-down, rise, pitch over, separation, and home where its plan says so. (Invented.)

Over ZeroMQ. Afterwards Curlew, the upper stage, is a vehicle of its own: fly_upper_stage.py waits for it.
For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # guidance_client.py lies there

from guidance_client import Fault, GuidanceClient, cutoff_now
from simulated_vehicle import SimulatedVehicle, ended, in_a_sentence, say, seconds_to_fly

VEHICLE_ACTIONS = ("ignite", "release", "cutoff", "separate", "drop_cover")  # others only tell what comes next


def main() -> int:
    """Fly; 0 when the plan is complete: the upper stage let go, or the booster landed."""
    options = read_options()
    vehicle = SimulatedVehicle(options.vehicle, options.name)
    client = GuidanceClient(options.guidance)
    opened = client.open(
        vehicle=options.name, role="booster", plan=options.plan, frame={"motion": "inertial"}, clock=options.clock
    )
    for sentence in [*opened["phases"], *opened["warnings"]]:
        print(sentence, file=sys.stderr)

    said, said_s = "", 0.0
    while True:
        command = client.exchange(vehicle.state(returning=True))

        # Do what it says: where to point, how hard to push ...
        vehicle.point(command["pointing"])
        vehicle.engine(command["engine_on"] and not cutoff_now(command, vehicle.time_s), command["throttle"])
        vehicle.engines(command.get("engines"), command.get("cut_on_contact", False))
        # ... and, ahead of time, what to do on the vehicle's own clock. It may still move a little from reply to reply.
        vehicle.at("cutoff", command["cutoff_at_s"])
        event = command["event"]
        if event and event["name"] in VEHICLE_ACTIONS:
            vehicle.at(event["name"], event["at_s"])

        complete = command["status"] == "complete"
        if command["phase"] != said or complete or (options.json and command["time_s"] - said_s >= 1.0):
            say(vehicle, command, options.json)
            said, said_s = command["phase"], command["time_s"]
        if complete:
            break

        vehicle.advance(seconds_to_fly(command))
        if event and vehicle.time_s >= event["at_s"]:
            client.done(event)  # or the service goes on repeating it
    client.close()
    vehicle.close()
    return ended(command, opened, vehicle)


def read_options() -> argparse.Namespace:
    """Addresses and plan from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--guidance", default="tcp://127.0.0.1:5770", help="address of the guidance service")
    parser.add_argument("--vehicle", default="tcp://127.0.0.1:5821", help="address of the simulated vehicle")
    parser.add_argument("--name", default="Sandpiper", help="the vehicle's name, as its file has it")
    parser.add_argument("--plan", default="sandpiper_boost", help="a flight plan that the service has")
    parser.add_argument("--clock", help="the clock of the tower that it comes to, which its script names as well")
    parser.add_argument("--json", action="store_true", help="one JSON object each second, for another program")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(in_a_sentence(main, Fault))

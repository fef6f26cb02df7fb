"""Fly the upper stage Curlew from separation to the height of the depot Lagoon. (Invented vehicle.)

Over ZeroMQ. Insertion at perigee, coast to apogee, circularise.
For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # guidance_client.py lies there

from guidance_client import Fault, GuidanceClient, cutoff_now
from simulated_vehicle import SimulatedVehicle, ended, in_a_sentence, say, seconds_to_fly

# What each event asks of the vehicle; the others only tell what comes next.
VEHICLE_ACTIONS = {name: name for name in ("ignite", "cutoff")} | {"circularize": "ignite"}


def main() -> int:
    """Fly; 0 when the flight is complete."""
    options = read_options()
    vehicle = SimulatedVehicle(options.vehicle, options.name)  # waits until Sandpiper lets go of it
    client = GuidanceClient(options.guidance)
    opened = client.open(vehicle=options.name, role="upper_stage", plan=options.plan, frame={"motion": "inertial"})
    for sentence in opened["phases"]:
        print(sentence, file=sys.stderr)

    said, said_s = "", 0.0
    while True:
        command = client.exchange(vehicle.state())

        # Do what it says: where to point, how hard to push ...
        vehicle.point(command["pointing"])
        vehicle.engine(command["engine_on"] and not cutoff_now(command, vehicle.time_s), command["throttle"])
        # ... and, ahead of time, what to do on the vehicle's own clock. It may still move a little from reply to reply.
        vehicle.at("cutoff", command["cutoff_at_s"])
        event = command["event"]
        if event and event["name"] in VEHICLE_ACTIONS:
            vehicle.at(VEHICLE_ACTIONS[event["name"]], event["at_s"])

        if command["phase"] != said or (options.json and command["time_s"] - said_s >= 1.0):
            say(vehicle, command, options.json)
            said, said_s = command["phase"], command["time_s"]
        if command["phase"] == "orbit":
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
    parser.add_argument("--name", default="Curlew", help="the vehicle's name, as its file has it")
    parser.add_argument("--plan", default="curlew_to_lagoon", help="a flight plan that the service has")
    parser.add_argument("--json", action="store_true", help="one JSON object each second, for another program")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(in_a_sentence(main, Fault))

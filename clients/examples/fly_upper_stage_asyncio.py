"""Fly the upper stage Curlew to the height of the depot Lagoon in an asyncio program. (Invented vehicle.)

For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # guidance_client_asyncio.py lies there

from guidance_client_asyncio import Fault, GuidanceClient, cutoff_now
from simulated_vehicle import SimulatedVehicle, ended, in_a_sentence, say, seconds_to_fly

VEHICLE_ACTIONS = {"ignite": "ignite", "cutoff": "cutoff", "circularize": "ignite"}  # others only tell what comes next


async def fly(options: argparse.Namespace) -> int:
    """Fly; 0 when the flight is complete. Several of these run side by side in one event loop."""
    vehicle = await asyncio.to_thread(SimulatedVehicle, options.vehicle, options.name)  # waits until it is let go of
    client = GuidanceClient(options.guidance)
    opened = await client.open(vehicle=options.name, role="upper_stage", plan=options.plan)
    for sentence in opened["phases"]:
        print(sentence, file=sys.stderr)

    phase = ""
    while True:
        command = await client.exchange(vehicle.state())
        if command["phase"] != phase:
            say(vehicle, command)
        if (phase := command["phase"]) == "orbit":
            break
        vehicle.point(command["pointing"])
        vehicle.engine(command["engine_on"] and not cutoff_now(command, vehicle.time_s), command["throttle"])
        vehicle.at("cutoff", command["cutoff_at_s"])
        event = command["event"]
        if event and event["name"] in VEHICLE_ACTIONS:
            vehicle.at(VEHICLE_ACTIONS[event["name"]], event["at_s"])
        await asyncio.to_thread(vehicle.advance, seconds_to_fly(command))
        if event and vehicle.time_s >= event["at_s"]:
            client.done(event)  # or the service goes on repeating it
    await client.close()
    vehicle.close()
    return ended(command, opened, vehicle)


def main() -> int:
    """Addresses and plan from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--guidance", default="tcp://127.0.0.1:5771", help="address of the guidance service")
    parser.add_argument("--vehicle", default="tcp://127.0.0.1:5821", help="address of the simulated vehicle")
    parser.add_argument("--name", default="Curlew", help="the vehicle's name, as its file has it")
    parser.add_argument("--plan", default="curlew_to_lagoon", help="a flight plan that the service has")
    return asyncio.run(fly(parser.parse_args()))


if __name__ == "__main__":
    sys.exit(in_a_sentence(main, Fault))

"""Fly the upper stage Curlew in a loop that must not wait, as most simulators have it. (Invented vehicle.)

Like fly_upper_stage.py, but with `steer`: each tick it gets at once what to do, from the answer if that came in time,
else from the last law. Stop the service in mid-burn and start it again: the stage flies on, cuts in time, and is
guided again. For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))  # guidance_client_stdlib.py lies there

from guidance_client_stdlib import Fault, GuidanceClient
from simulated_vehicle import SimulatedVehicle, ended, in_a_sentence, say

TICK_S = 0.1


def main() -> int:
    """Fly; 0 when the flight is complete."""
    options = read_options()
    vehicle = SimulatedVehicle(options.vehicle, options.name)  # waits until Sandpiper lets go of it
    client = GuidanceClient(options.guidance, patience_s=options.patience, tick_s=TICK_S, token_file=options.token_file)
    opened = client.open(vehicle=options.name, role="upper_stage", plan=options.plan, frame={"motion": "inertial"})

    said = ("", "")
    while True:
        now = client.steer(vehicle.state())
        vehicle.engine(now["engine_on"], now["throttle"])
        if now["pointing"]:  # None until the first answer: hold the attitude
            vehicle.point(now["pointing"])

        command = now["command"]
        if command and (now["says"], command["phase"]) != said:
            said = (now["says"], command["phase"])
            say(vehicle, command)
            print(now["says"] or "guided", file=sys.stderr)
        if command and command["phase"] == "orbit":
            break
        time.sleep(TICK_S / options.speed)  # your simulator does this
        vehicle.advance(seconds_to_fly(now))
    client.close()
    vehicle.close()
    return ended(command, opened, vehicle)


def seconds_to_fly(now: dict[str, Any]) -> float:
    """A tick; in a guided coast on to the event or as far as the service allows, as with time acceleration."""
    command = now["command"]
    if now["stale"] or now["engine_on"] or command["phase"] != "coast":
        return TICK_S
    event, left_s = command["event"], command["next_contact_s"]
    if event and event["at_s"] > now["time_s"]:
        left_s = min(left_s, event["at_s"] - now["time_s"])
    return max(left_s, TICK_S)


def read_options() -> argparse.Namespace:
    """Addresses, plan and pace from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--guidance", default="tcp://127.0.0.1:5771", help="address of the guidance service")
    parser.add_argument("--vehicle", default="tcp://127.0.0.1:5821", help="address of the simulated vehicle")
    parser.add_argument("--name", default="Curlew", help="the vehicle's name, as its file has it")
    parser.add_argument("--plan", default="curlew_to_lagoon", help="a flight plan that the service has")
    parser.add_argument("--patience", type=float, default=0.05, help="real time that a tick may wait, s")
    parser.add_argument("--speed", type=float, default=1.0, help="vehicle seconds in a real second")
    parser.add_argument("--token-file", default=None, help="keeps the token, so that this script can be started again")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(in_a_sentence(main, Fault))

"""Fly the upper stage Curlew through files alone, as a script does that has no sockets. (Invented vehicle.)

Run beside it: python clients/file_bridge.py FOLDER --vehicle Curlew --role upper_stage --plan curlew_to_lagoon
For simulation and teaching only; do not connect it to a real vehicle.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from simulated_vehicle import SimulatedVehicle, ended, in_a_sentence, say, seconds_to_fly

VEHICLE_ACTIONS = {"ignite": "ignite", "cutoff": "cutoff", "circularize": "ignite"}  # others only tell what comes next


def asked(folder: Path, message: dict[str, Any], patience_s: float = 60.0) -> dict[str, Any]:
    """Write state.json under another name, rename it, and wait for the answer that is its own."""
    (folder / "state.json.new").write_text(json.dumps(message), encoding="utf-8")
    until = time.monotonic() + patience_s
    while True:
        try:
            (folder / "state.json.new").replace(folder / "state.json")
            break
        except PermissionError:  # on Windows, while the bridge reads it
            if time.monotonic() > until:
                raise
            time.sleep(0.001)
    while time.monotonic() < until:
        try:
            answer: dict[str, Any] = json.loads((folder / "command.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            answer = {}  # not there yet
        if answer.get("type") == "closed" or all(answer.get(name) == message.get(name) for name in ("seq", "time_s")):
            return answer
        time.sleep(0.001)
    raise TimeoutError(f"no answer in {folder}: does file_bridge.py run?")


def main() -> int:
    """Fly; 0 when the flight is complete."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="the folder of file_bridge.py")
    parser.add_argument("--vehicle", default="tcp://127.0.0.1:5821", help="address of the simulated vehicle")
    parser.add_argument("--name", default="Curlew", help="the vehicle's name, as its file has it")
    parser.add_argument("--step", type=float, default=0.1, help="vehicle time between two states under power, s")
    options = parser.parse_args()
    vehicle = SimulatedVehicle(options.vehicle, options.name)  # waits until Sandpiper lets go of it
    seq, phase = 0, ""
    while True:
        seq += 1
        command = asked(options.folder, vehicle.state() | {"seq": seq})
        if command["type"] == "fault":
            print(command["message"], file=sys.stderr)
            return 1
        if command["phase"] != phase:
            say(vehicle, command)
        if (phase := command["phase"]) == "orbit":
            break
        vehicle.point(command["pointing"])
        vehicle.engine(command["engine_on"], command["throttle"])
        vehicle.at("cutoff", command["cutoff_at_s"])
        event = command["event"]
        if event and event["name"] in VEHICLE_ACTIONS:
            vehicle.at(VEHICLE_ACTIONS[event["name"]], event["at_s"])
        vehicle.advance(seconds_to_fly(command, options.step))
    asked(options.folder, {"type": "close"})
    vehicle.close()
    return ended(command)


if __name__ == "__main__":
    sys.exit(in_a_sentence(main))

"""Speak for the tower at Saltmarsh Point: hear who comes, answer, close the arms. (Invented tower.)

Over ZeroMQ, on a connection of its own. It ends when the vehicles that came have ended their flights.
For simulation and teaching only; do not connect it to a real tower.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))  # guidance_client.py lies there

from guidance_client import Fault, GuidanceClient
from simulated_vehicle import SimulatedVehicle, in_a_sentence

COMING = ("falling", "burning")
STATE_EVERY_S = 0.5  # of the shared clock
LOOK_EVERY_S = 0.02  # of real time, for the clock


def main() -> int:
    """Answer until all who came have ended; 0 when all were caught, or with --not-ready went elsewhere."""
    options = read_options()
    # The shared clock is that of a simulated vehicle. REPLACE it by your simulator's, which knows the arms too.
    simulation = SimulatedVehicle(options.vehicle, options.follow)
    client = GuidanceClient(options.guidance)
    opened = client.open(vehicle=options.name, role="tower", plan=options.plan, clock=options.clock)
    for sentence in [*opened["phases"], *opened["warnings"]]:
        print(sentence, file=sys.stderr)

    answers: dict[str, str] = {}
    told: dict[str, str] = {}
    said_s = float("-inf")
    while True:
        simulation.look()
        if 0.0 <= simulation.time_s - said_s < STATE_EVERY_S:
            time.sleep(LOOK_EVERY_S)
            continue
        said_s = simulation.time_s
        ready = not options.not_ready
        command = client.exchange({"time_s": said_s, "ready": ready, "answers": answers})

        arrivals = command["arrivals"]
        answers = decide(arrivals, ready, options.turnaround)
        for arrival in arrivals:
            now = f"{arrival['vehicle']} {arrival['status']}, {answers[arrival['vehicle']]}"
            if told.get(arrival["vehicle"]) != now:
                when = f"contact at {arrival['at_s']:.1f} s, miss {arrival['miss_m']:.1f} m"
                tell(command, f"{now}; {when}", options.json)
                told[arrival["vehicle"]] = now
        event = command["event"]
        if event and said_s >= event["at_s"]:  # by then your simulator has closed the arms, or cleared the tower
            client.done(event)
        if arrivals and not any(arrival["status"] in COMING for arrival in arrivals):
            break
    client.close()
    simulation.close()
    tell(command | {"status": "complete"}, "nobody comes any more", options.json)
    wanted = "diverted" if options.not_ready else "caught"
    return 0 if all(arrival["status"] == wanted for arrival in arrivals) else 1


def tell(command: dict[str, Any], text: str, as_json: bool) -> None:
    """One line on standard output: for you to read, or one JSON object for a program such as the demo."""
    fields = {name: command[name] for name in ("time_s", "phase", "status")}
    print(json.dumps(fields | {"said": text}) if as_json else f"{command['time_s']:9.1f} s  {text}", flush=True)


def decide(arrivals: list[dict[str, Any]], ready: bool, turnaround_s: float) -> dict[str, str]:
    """An answer to each vehicle, soonest first: ready, unless the tower is not or holds another one then."""
    answers: dict[str, str] = {}
    free_s = float("-inf")
    for arrival in arrivals:
        holds = ready and arrival["at_s"] >= free_s
        answers[arrival["vehicle"]] = "ready" if holds else "not_ready"
        if holds:
            free_s = arrival["at_s"] + turnaround_s
    return answers


def read_options() -> argparse.Namespace:
    """Addresses, plan and clock from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--guidance", default="tcp://127.0.0.1:5770", help="address of the guidance service")
    parser.add_argument("--vehicle", default="tcp://127.0.0.1:5821", help="address of the simulated vehicle")
    parser.add_argument("--follow", default="Sandpiper", help="the vehicle there whose clock is the shared one")
    parser.add_argument("--name", default="Saltmarsh", help="the tower's name")
    parser.add_argument("--plan", default="saltmarsh_point", help="a tower's plan that the service has")
    parser.add_argument("--clock", default="saltmarsh", help="the clock that the vehicles' scripts name as well")
    parser.add_argument("--turnaround", type=float, default=900.0, help="seconds from contact to free again")
    parser.add_argument("--not-ready", action="store_true", help="turn everybody away")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, for another program")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(in_a_sentence(main, Fault))

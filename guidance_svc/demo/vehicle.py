"""A simulated vehicle behind a socket: one JSON object a line, for flight scripts to fly.

    python -m guidance_svc.demo.vehicle --plan sandpiper_boost --carries curlew_to_lagoon --port 5821

Where a plan has a [start], its vehicle begins there, on its way down, instead of on the pad.

Requests: {"do": "attach", "vehicle": NAME}, {"do": "read"}, {"do": "advance", "seconds": S, "controls": {...}}.
The answer is the vehicle's telemetry, {"carried_by": NAME} for one that is not separated yet, or {"error": TEXT}.
It is a stand-in for the user's own simulator: the guidance service never sees it. For simulation and teaching only.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import signal
import socketserver
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

from guidance_svc.errors import GuidanceError
from guidance_svc.files.config_files import Library, chosen_folder, load_library
from guidance_svc.rehearsal.craft import Craft, Log
from guidance_svc.rehearsal.starts import craft_of_plan
from guidance_svc.sim.state import SimState, World
from guidance_svc.systems import STOPS, file_stem, own_port

LINE_LIMIT_BYTES = 65536


class Range:
    """The vehicles of one launch, each with its own clock once it flies alone.

    Args:
        plan: name of the flight plan whose vehicle stands on the pad.
        carries: name of the flight plan whose vehicle it carries, or None.
        log_dir: where NAME.flight.jsonl goes for each vehicle, or None.
        speed: vehicle seconds in a real second; infinite for as fast as it goes.
        called: name of the vehicle, where it is not that of its file.
    """

    def __init__(
        self, library: Library, plan: str, carries: str | None, log_dir: Path | None, speed: float = inf,
        called: str | None = None,
    ) -> None:  # fmt: skip
        self._speed = speed
        self._lock = threading.Lock()
        self._log_dir = log_dir
        self._crafts: dict[str, Craft] = {}
        self._carried_by: dict[str, str] = {}
        below = library.plan(plan, "booster" if carries else "launch_vehicle")
        above = library.plan(carries, "upper_stage") if carries else None
        name = called or below.vehicle.name
        if below.site is None and below.start is None and above is None:
            how = f"a launch site in flight plan {plan}; an upper stage: --carries {plan} from a booster's plan"
            raise GuidanceError("missing_field", "site", how, "none")
        craft = craft_of_plan(name, below, above, self._log(name))
        if above is not None:
            self._carried_by[above.vehicle.name] = name
            craft.on_separation = partial(self._let_go, World(above.body, above.vehicle), above.vehicle.name)
        self._crafts[name] = craft

    @property
    def names(self) -> list[str]:
        """All vehicles, the carried one as well."""
        return [*self._crafts, *self._carried_by]

    def answer(self, request: Mapping[str, Any], attached: Craft | None) -> tuple[dict[str, Any], Craft | None]:
        """The answer to one request, and the vehicle that the connection is attached to after it."""
        do = request.get("do")
        if do == "attach":
            name = request.get("vehicle")
            with self._lock:
                if name in self._carried_by:
                    return {"carried_by": self._carried_by[name]}, None
                if name not in self._crafts:
                    raise GuidanceError("unknown_vehicle", "vehicle", f"one of {', '.join(self.names)}", name)
                attached = self._crafts[name]
            return attached.telemetry(), attached
        if attached is None:
            raise GuidanceError("not_attached", "do", "attach first", do)
        if do == "advance":
            attached.command(request.get("controls") or {})
            seconds = float(request.get("seconds", 0.0))
            attached.fly(seconds)
            if seconds / self._speed > 0.0:
                time.sleep(seconds / self._speed)
        elif do != "read":
            raise GuidanceError("bad_value", "do", "attach, read or advance", do)
        return attached.telemetry(), attached

    def _let_go(self, alone: World, name: str, world: World, state: SimState) -> None:
        """The upper part becomes a vehicle of its own, with its own drag and turn rate."""
        with self._lock:
            own = replace(world, vehicle=alone.vehicle)
            self._crafts[name] = Craft(name, own, state, self._log(name))
            del self._carried_by[name]

    def _log(self, name: str) -> Log:
        if self._log_dir is None:
            return lambda line: None
        file = (self._log_dir / f"{file_stem(name)}.flight.jsonl").open("w", buffering=1, encoding="utf-8")
        return lambda line: print(json.dumps(line), file=file)


class Handler(socketserver.StreamRequestHandler):
    """Answers the requests of one script, line by line."""

    disable_nagle_algorithm = True

    def handle(self) -> None:
        """Answer line by line until the script hangs up."""
        attached: Craft | None = None
        vehicles: Range = self.server.vehicles  # type: ignore[attr-defined]
        with contextlib.suppress(ConnectionError):
            while line := self.rfile.readline(LINE_LIMIT_BYTES):
                try:
                    answer, attached = vehicles.answer(json.loads(line), attached)
                except (GuidanceError, ValueError, TypeError, AttributeError) as error:
                    answer = {"error": str(error)}
                self.wfile.write(json.dumps(answer).encode() + b"\n")


class Server(socketserver.ThreadingTCPServer):
    """Listens for scripts on the loopback address; one thread a script."""

    daemon_threads = True

    def __init__(self, port: int, vehicles: Range) -> None:
        self.vehicles = vehicles
        super().__init__(("127.0.0.1", port), Handler)

    def server_bind(self) -> None:
        own_port(self.socket)
        super().server_bind()


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until terminated; exit code 2 for a bad plan or a port in use."""
    parser = argparse.ArgumentParser(prog="python -m guidance_svc.demo.vehicle", description=__doc__)
    parser.add_argument("--plan", required=True, help="flight plan whose vehicle stands on the pad or at its [start]")
    parser.add_argument("--carries", help="flight plan whose vehicle it carries and lets go")
    parser.add_argument("--name", help="of that vehicle; default: as its file has it")
    parser.add_argument("--port", type=int, default=5821)
    parser.add_argument("--configs", type=Path, default=None, help="default: ./configs, else the one that came along")
    parser.add_argument("--log", type=Path, default=None, help="folder for NAME.flight.jsonl, the true flight")
    parser.add_argument("--speed", type=float, default=inf, help="vehicle seconds in a real second; default: no limit")
    options = parser.parse_args(arguments)
    for number in STOPS:
        signal.signal(number, lambda *_: sys.exit(0))
    try:
        folder = chosen_folder(options.configs)
        library = load_library(folder)
        vehicles = Range(library, options.plan, options.carries, options.log, options.speed, options.name)
        with Server(options.port, vehicles) as server:
            print(f"configs: {folder}", file=sys.stderr)
            print(f"{', '.join(vehicles.names)} on port {server.server_address[1]}", file=sys.stderr, flush=True)
            server.serve_forever()
    except (GuidanceError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    except (KeyboardInterrupt, SystemExit):
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())

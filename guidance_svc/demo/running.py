"""The demo: service, simulated vehicles, flight scripts and towers as separate processes, then what came of it."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any

from guidance_svc.constants import CAUTION
from guidance_svc.demo.children import ChildError, Children, free_ports
from guidance_svc.demo.missions import MISSIONS, RANGES, Mission, clients_folder
from guidance_svc.demo.progress import progress_for
from guidance_svc.demo.results import landing_rows, read_log, samples
from guidance_svc.errors import ConfigError, GuidanceError
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.rehearsal.craft import moment
from guidance_svc.report.flight import Moment, Row, flight_rows
from guidance_svc.report.plots import HOW_TO_GET_PLOTS, plot_page
from guidance_svc.report.tables import as_values, text_table
from guidance_svc.systems import file_stem

SILENCE_LIMIT_S = 300.0  # real time at full speed without a line of any script; each has one a phase
LONGEST_PHASE_S = 3000.0  # vehicle time, for the limit at lower speeds
SERVICE = "service"


@dataclass
class Flight:
    """What the demo gathers while it flies.

    Args:
        said: each script's lines, by vehicle.
        ports: "zmq", "tcp" and each range's name to a loopback port.
    """

    out: Path
    library: Library
    ports: dict[str, int]
    speed: float = inf
    plain: bool = False
    said: dict[str, list[dict[str, Any]]] = field(default_factory=dict)


def speed_of(text: str) -> float:
    """Vehicle seconds in a real second; infinite for "max".

    Raises:
        ConfigError: neither "max" nor a number above 0.
    """
    with contextlib.suppress(ValueError):
        if text == "max" or 0.0 < float(text) < inf:
            return inf if text == "max" else float(text)
    raise ConfigError("bad_value", "--speed", "max, or a number above 0", text)


def run_demo(
    out: Path, as_json: bool = False, speed: float = inf, missions: Sequence[Mission] = MISSIONS, plain: bool = False
) -> int:
    """Fly, print the table of orbits and landings, write recording and plot page.

    Args:
        out: folder for recording, flight logs, process logs and the page; made if missing.
        as_json: one JSON object on standard output instead of text.
        speed: vehicle seconds in a real second, infinite for as fast as it goes.
        plain: lines instead of a table, even on a terminal.

    Returns:
        The exit code: 0 when every vehicle finished its plan, else 1; the reason is on standard error.
    """
    print(CAUTION, file=sys.stderr)
    started = time.monotonic()
    try:
        out.mkdir(parents=True, exist_ok=True)
        names = ("zmq", "tcp", *(launch.name for launch in RANGES))
        flight = Flight(
            out, load_library(default_folder()), dict(zip(names, free_ports(len(names)), strict=True)), speed, plain
        )
        with Children(out / "logs") as children:
            fly(flight, missions, children)
        show(flight, missions, as_json, time.monotonic() - started)
    except (ChildError, GuidanceError, OSError) as error:
        print(f"demo: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("demo: interrupted; all its processes are ended", file=sys.stderr)
        return 1
    return 0


def fly(flight: Flight, missions: Sequence[Mission], children: Children) -> None:
    """Start everything, listen until every script is done.

    Raises:
        ChildError: a process failed, or no script said anything for SILENCE_LIMIT_S.
    """
    servers = start_servers(flight, children)
    for mission in missions:
        children.start(mission.vehicle, script_arguments(mission, flight.ports))
    names = {m.vehicle for m in missions}
    limit_s = SILENCE_LIMIT_S + LONGEST_PHASE_S / flight.speed
    waiting, until = set(names), time.monotonic() + limit_s
    with progress_for(flight.out / "recording", flight.library, flight.plain) as progress:
        while waiting:
            progress.tick()
            heard = children.next_line(0.2)
            if heard is not None and heard[0] in names:
                until = time.monotonic() + limit_s
                said = json.loads(heard[1])
                flight.said.setdefault(heard[0], []).append(said)
                progress.show(heard[0], said)
                continue
            waiting = {name for name in waiting if not children.finished(name)}
            for server in servers:
                children.must_run(server)
            if time.monotonic() > until:
                raise ChildError(f"{', '.join(sorted(waiting))} said nothing for {limit_s:z.0f} s")


def start_servers(flight: Flight, children: Children) -> list[str]:
    """The service and the simulated vehicles, all listening; their names."""
    zmq, tcp = flight.ports["zmq"], flight.ports["tcp"]
    serve = ["-m", "guidance_svc", "serve", "--zmq", f"tcp://127.0.0.1:{zmq}", "--tcp", f"127.0.0.1:{tcp}"]
    serve += ["--configs", str(default_folder())]
    serve += ["--record", str(flight.out / "recording"), "--no-journal", "--until-input-ends"]
    children.start(SERVICE, serve, ends_with_input=True)
    for launch in RANGES:
        arguments = ["-m", "guidance_svc.demo.vehicle", "--plan", launch.plan, "--log", str(flight.out)]
        arguments += ["--port", str(flight.ports[launch.name]), "--speed", str(flight.speed)]
        arguments += ["--carries", launch.carries] if launch.carries else []
        arguments += ["--name", launch.called] if launch.called else []
        children.start(launch.name, arguments)
    children.wait_until_listening(SERVICE, tcp)
    for launch in RANGES:
        children.wait_until_listening(launch.name, flight.ports[launch.name])
    return [SERVICE, *(launch.name for launch in RANGES)]


def script_arguments(mission: Mission, ports: Mapping[str, int]) -> list[str]:
    """The command line of a flight script."""
    guidance = f"tcp://127.0.0.1:{ports[mission.transport]}"
    vehicle = f"tcp://127.0.0.1:{ports[mission.range_name]}"
    script = clients_folder() / "examples" / mission.script
    addresses = ["--guidance", guidance, "--vehicle", vehicle]
    return [str(script), *addresses, "--plan", mission.plan, "--json", *mission.options]


def show(flight: Flight, missions: Sequence[Mission], as_json: bool, took_s: float) -> None:
    """Print the table or JSON, write the plot page."""
    missions = [m for m in missions if m.role != "tower"]
    logs = {m.vehicle: read_log(flight.out / f"{file_stem(m.vehicle)}.flight.jsonl") for m in missions}
    moments = {vehicle: [moment(line) for line in lines] for vehicle, lines in logs.items()}
    rows: list[Row] = []
    for m in missions:
        plan = flight.library.plan(m.plan, m.role)
        rows += [*flight_rows(m.vehicle, plan, moments[m.vehicle]), *landing_rows(m.vehicle, plan, logs[m.vehicle])]
    recordings = sorted((flight.out / "recording").glob("*.mcap"), key=lambda path: path.stat().st_mtime)
    recording = str(recordings[-1]) if recordings else None
    page = write_page(flight, missions, moments, text_table(rows))
    if as_json:
        found = {"rows": as_values(rows), "recording": recording, "page": page, "took_s": round(took_s, 1)}
        print(json.dumps({"caution": CAUTION, **found}))
        return
    print(text_table(rows))
    print(f"\nflown in {took_s:z.0f} s; vehicles, site and depot are invented. {CAUTION}")
    print(f"recording: {recording}\nplots:     {page or HOW_TO_GET_PLOTS}")


def write_page(
    flight: Flight, missions: Sequence[Mission], moments: Mapping[str, Sequence[Moment]], table: str
) -> str | None:
    """The plot page's path, or None without matplotlib."""
    lines = {
        m.vehicle: samples(moments[m.vehicle], flight.said.get(m.vehicle, []), flight.library.plan(m.plan, m.role).body)
        for m in missions
    }
    try:
        text = plot_page("Flights from Saltmarsh Point, there and back (invented)", lines, table)
    except ImportError:
        return None
    path = flight.out / "flights.html"
    path.write_text(text, encoding="utf-8")
    return str(path)

"""Kills a real service with SIGKILL at random instants of powered flight and starts it again on the same folders.

    python -m tests.robustness.kills [--kills 200] [--seed 1]

Each flight is the demo's tanker from the pad to its circular orbit, flown by the client file for users over ZeroMQ
against the simulated vehicle. The kills come at a seeded draw of states under thrust: before the state is sent, while
the service answers it, or after the reply. Checked of every flight: each reply equal to that of the flight that
nobody killed, so the orbit too; and every reply that the script got is in the recordings.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rich.console import Console
from rich.progress import track
from rich.table import Table

from guidance_svc.core.kepler import orbit_report
from guidance_svc.domain import FlightPlan
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.rehearsal.craft import Craft, craft_on_pad
from guidance_svc.rehearsal.speaking import obey
from tests.clients.loading import load
from tests.closed_loop.demo_flights import STEP_S, Flown, fly, tanker_plan

VEHICLE: Final = "Bargeman"
PLAN: Final = "bargeman_to_lagoon"
KILLS_A_FLIGHT: Final = 10
WAIT_S: Final = 60.0  # bound of the wait for a service to listen; never waited out
LATEST_S: Final = 0.002  # after a state was sent: a reply takes less
KINDS: Final = ("before", "during", "after")


class Killed:
    """A service that is killed and started again on the same ports and folders."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.zmq, self.tcp = (f"127.0.0.1:{port}" for port in free_ports(2))
        self.restarts_s: list[float] = []
        self.process = self._start()

    def kill(self) -> None:
        """SIGKILL now, and a new process."""
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(WAIT_S)
        began_s = time.perf_counter()
        self.process = self._start()
        self.restarts_s.append(time.perf_counter() - began_s)

    def close(self) -> None:
        """End it as a user does."""
        self.process.terminate()
        self.process.wait(WAIT_S)

    def _start(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "guidance_svc", "serve", "--configs", str(default_folder()), "--zmq",
                   f"tcp://{self.zmq}", "--tcp", self.tcp, "--record", str(self.folder / "recordings"),
                   "--journal", str(self.folder / "journal")]  # fmt: skip
        log = (self.folder / "service.log").open("a")
        with log:
            process = subprocess.Popen(command, stdout=log, stderr=log, text=True)
        until_s = time.monotonic() + WAIT_S
        host, port = self.tcp.split(":")
        while time.monotonic() < until_s:
            if process.poll() is not None:
                raise RuntimeError(f"the service ended: {(self.folder / 'service.log').read_text()[-2000:]}")
            try:
                socket.create_connection((host, int(port)), 1.0).close()
            except OSError:
                continue
            return process
        raise RuntimeError("the service does not listen")


@dataclass
class Outcome:
    """What came of one flight under kills."""

    kills: int
    exchanges: int
    unequal: int
    missing: int
    apogee_off_m: float
    restarts_s: list[float] = field(default_factory=list)


def free_ports(count: int) -> list[int]:
    """Ports that nobody listens on."""
    socks = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [sock.getsockname()[1] for sock in socks]
    for sock in socks:
        sock.close()
    return ports


def unkilled(plan: FlightPlan) -> tuple[list[dict[str, Any]], list[int], float]:
    """The replies of the flight that nobody kills, the states under thrust, the apogee; session against simulator."""
    flown = Flown(plan)
    craft = craft_on_pad(VEHICLE, plan, None, flown.log)
    fly(craft, flown)
    thrust = [at for at, (state, _) in enumerate(flown.exchanges) if state["engine_on"]]
    return [reply for _, reply in flown.exchanges], thrust, apogee_m(craft, plan)


def apogee_m(craft: Craft, plan: FlightPlan) -> float:
    """Of the osculating orbit now."""
    return orbit_report(craft.state.position_m, craft.state.velocity_m_s, plan.body).apogee_altitude_m


@contextmanager
def kill_around(service: Killed, kind: str | None, dice: random.Random) -> Iterator[None]:
    """Kill before, during or after what is done inside."""
    if kind == "before":
        service.kill()
    late = threading.Timer(dice.uniform(0.0, LATEST_S), service.kill) if kind == "during" else None
    if late is not None:
        late.start()
    yield
    if late is not None:
        late.join()
    if kind == "after":
        service.kill()


def killed_flight(
    folder: Path, plan: FlightPlan, expected: list[dict[str, Any]], kills: dict[int, str], dice: random.Random
) -> tuple[Craft, list[dict[str, Any]], Killed]:
    """The flight with kills at these states; craft, replies that the script got, the service (closed)."""
    example, service = load("examples/simulated_vehicle"), Killed(folder)
    client = load("guidance_client").GuidanceClient(f"tcp://{service.zmq}", timeout_s=0.5, tries=400)
    craft, replies = craft_on_pad(VEHICLE, plan, None, lambda line: None), []
    try:
        client.open(VEHICLE, "tanker", PLAN)
        for at in range(len(expected)):
            told = craft.telemetry()
            with kill_around(service, kills.get(at), dice):
                replies.append(command := client.exchange({name: told[name] for name in example.STATE_FIELDS}))
            if command["status"] == "complete":
                break
            if obey(craft, command, STEP_S) is not None:
                client.done(command["event"])
    finally:
        client.hang_up()
        service.close()
    return craft, replies, service


def recorded(folder: Path) -> dict[int, dict[str, Any]]:
    """Every command in the recordings of a folder, by seq."""
    found: dict[int, dict[str, Any]] = {}
    for path in sorted(folder.glob("*.mcap")):
        for entry in RecordingReader(path).entries():
            if isinstance(entry, RecordedMessage) and entry.type == "command":
                found[entry.message["seq"]] = entry.message
    return found


def run(kills: int, seed: int, show: Console | None = None) -> list[Outcome]:
    """Flights until there were so many kills."""
    plan = tanker_plan(load_library(default_folder()))
    expected, thrust, apogee = unkilled(plan)
    dice, outcomes = random.Random(seed), []
    batches = [min(KILLS_A_FLIGHT, kills - done) for done in range(0, kills, KILLS_A_FLIGHT)]
    for count in track(batches, "flights under kills", console=show, disable=show is None):
        at = {state: dice.choice(KINDS) for state in dice.sample(thrust, count)}
        with tempfile.TemporaryDirectory() as folder:
            craft, replies, service = killed_flight(Path(folder), plan, expected, at, dice)
            kept = recorded(Path(folder) / "recordings")
        outcomes.append(Outcome(
            count, len(replies), sum(a != b for a, b in zip(replies, expected, strict=False)) +
            len(expected) - len(replies), sum(kept.get(reply["seq"]) != reply for reply in replies),
            apogee_m(craft, plan) - apogee, service.restarts_s,
        ))  # fmt: skip
    return outcomes


def main() -> None:
    """Fly, and print a table; exit 1 where a flight is not as it would have been."""
    parser = argparse.ArgumentParser(prog="python -m tests.robustness.kills")
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    console = Console(width=None if Console().is_terminal else 120)
    outcomes = run(args.kills, args.seed, console)
    table = Table("flight", "kills", "exchanges", "unequal replies", "not recorded", "apogee off, m", "restart, s")
    for number, one in enumerate(outcomes, 1):
        table.add_row(str(number), str(one.kills), str(one.exchanges), str(one.unequal), str(one.missing),
                      f"{one.apogee_off_m:.3f}", f"{max(one.restarts_s):.2f}")  # fmt: skip
    console.print(table)
    raise SystemExit(any(one.unequal or one.missing or abs(one.apogee_off_m) > 100.0 for one in outcomes))


if __name__ == "__main__":
    main()

"""The example scripts of a tower over their own sockets, while a vehicle lands: each hears of the other."""

from __future__ import annotations

import json
import shutil
import socketserver
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from tests.clients.loading import CLIENTS, load
from tests.clients.running_service import WAIT_S, Service
from tests.replay.tower_flight import LANDING, STATES

EXAMPLES = CLIENTS / "examples"
SITE = "Saltmarsh Point"
PLAN = LANDING | {"body": LANDING["body"] | {"name": "Earth"}, "landing": LANDING["landing"] | {"name": SITE}}


class Simulation(socketserver.TCPServer):
    """Stands for a simulator: each look at its clock lets the vehicle's own script send its next state."""

    def __init__(self, address: str) -> None:
        self.client = load("guidance_client").GuidanceClient(address, timeout_s=WAIT_S)
        opened = self.client.open("heron", "booster", PLAN, clock="saltmarsh")
        assert "no answer" not in " ".join(opened["warnings"])
        self.states = iter(STATES)
        self.seen = STATES[0]
        super().__init__(("127.0.0.1", 0), Looked)

    def look(self) -> dict[str, Any]:
        rest = self.seen | {"time_s": self.seen["time_s"] + 1.0}  # it stands, and its clock goes on
        self.seen = next(self.states, rest)
        self.client.exchange({name: value for name, value in self.seen.items() if name not in ("seq", "type")})
        return {"time_s": self.seen["time_s"]}


class Looked(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        while self.rfile.readline():
            self.wfile.write(json.dumps(self.server.look()).encode() + b"\n")  # type: ignore[attr-defined]


@pytest.fixture
def service() -> Iterator[Service]:
    service = Service()
    yield service
    service.kill()


@pytest.mark.parametrize("language", ["python", pytest.param("node", marks=pytest.mark.slow)])  # python stands for it
def test_a_towers_script_lets_a_vehicle_in(language: str, service: Service) -> None:
    if shutil.which("node") is None and language == "node":
        pytest.skip("no node here")
    simulation = Simulation(service.addresses.zmq)
    thread = threading.Thread(target=simulation.handle_request)
    thread.start()
    addresses = {"python": service.addresses.zmq, "node": f"tcp://{service.addresses.tcp.removeprefix('tcp://')}"}
    script = {"python": [sys.executable, f"{EXAMPLES}/tower.py"], "node": ["node", f"{EXAMPLES}/tower.js"]}[language]
    where = f"tcp://127.0.0.1:{simulation.server_address[1]}"
    command = [*script, "--guidance", addresses[language], "--vehicle", where, "--follow", "heron"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=5.0 * WAIT_S, check=False)
    thread.join(WAIT_S)
    simulation.server_close()
    assert done.returncode == 0, done.stderr
    assert "heron caught" in done.stdout
    assert SITE in done.stderr
    history = service.registry.seats["heron"].session.history
    answers = [one.state.answer.clearance if one.state.answer else "" for one in history.states_from(0)]
    assert list(dict.fromkeys(answers)) == ["", "no_answer", "ready"]
    simulation.client.close()


def test_a_tower_answers_the_first_of_two_that_come_too_near(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(CLIENTS / "examples"))
    decide = load("examples/tower").decide
    arrivals = [{"vehicle": name, "at_s": at_s} for name, at_s in (("a", 0.0), ("b", 500.0), ("c", 900.0))]
    assert decide(arrivals, True, 900.0) == {"a": "ready", "b": "not_ready", "c": "ready"}
    assert set(decide(arrivals, False, 900.0).values()) == {"not_ready"}

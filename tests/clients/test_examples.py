"""The example scripts and their vehicle adapter, against the real simulated-vehicle server."""

from __future__ import annotations

import ast
import json
import socket
import threading
from collections.abc import Iterator
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

from guidance_svc.demo.vehicle import Range, Server
from guidance_svc.errors import GuidanceError
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.wire.parse import parse_state
from tests.clients.loading import CLIENTS, load
from tests.clients.running_service import WAIT_S


@pytest.fixture
def example() -> ModuleType:
    return load("examples/simulated_vehicle")


@pytest.fixture
def vehicle_address() -> Iterator[str]:
    """A server with Sandpiper on the pad and Curlew on top of it."""
    library = load_library(default_folder())
    with Server(0, Range(library, "sandpiper_boost", "curlew_to_lagoon", None)) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        yield f"tcp://127.0.0.1:{server.server_address[1]}"
        server.shutdown()
        thread.join(WAIT_S)


@pytest.mark.parametrize("path", sorted(CLIENTS.rglob("*.py")), ids=lambda path: path.name)
def test_no_client_imports_the_service(path: Any) -> None:
    imported = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add((node.module or "").split(".")[0])
    assert "guidance_svc" not in imported
    assert imported  # the check has seen something


def test_the_stdlib_client_needs_the_standard_library_alone() -> None:
    import sys

    tree = ast.parse((CLIENTS / "guidance_client_stdlib.py").read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.split(".")[0] for name in names} <= sys.stdlib_module_names


def test_what_the_scripts_send_is_a_whole_state_message(example: ModuleType, vehicle_address: str) -> None:
    vehicle = example.SimulatedVehicle(vehicle_address, "Sandpiper")
    state = parse_state({"type": "state", "seq": 1} | vehicle.state())
    assert state.position_script_m is not None
    vehicle.close()


def test_a_carried_vehicle_is_waited_for_until_it_flies_alone(example: ModuleType, vehicle_address: str) -> None:
    with pytest.raises(TimeoutError, match="Curlew is still carried by Sandpiper"):
        example.SimulatedVehicle(vehicle_address, "Curlew", patience_s=0.1)
    booster = example.SimulatedVehicle(vehicle_address, "Sandpiper")
    booster.at("separate", 1.0)
    booster.advance(1.5)
    upper = example.SimulatedVehicle(vehicle_address, "Curlew")
    assert upper.time_s == 1.0
    assert booster.time_s == 1.5
    booster.close()
    upper.close()


def test_an_unknown_vehicle_is_said_so_with_the_names_that_there_are(example: ModuleType, vehicle_address: str) -> None:
    with pytest.raises(RuntimeError, match="one of Sandpiper, Curlew"):
        example.SimulatedVehicle(vehicle_address, "Nobody")


@pytest.mark.parametrize(
    ("engine_on", "next_contact_s", "event_in_s", "expected_s"),
    [
        (True, 600.0, None, 0.1),  # under power always 10 Hz
        (False, 600.0, None, 600.0),
        (False, 600.0, 20.0, 20.0),  # to the event
        (False, 5.0, 20.0, 5.0),
        (False, 600.0, -20.0, 600.0),  # an event that is past holds nothing up
        (False, 0.0, None, 0.1),
    ],
)
def test_how_far_a_script_flies_before_it_asks_again(
    example: ModuleType, engine_on: bool, next_contact_s: float, event_in_s: float | None, expected_s: float
) -> None:
    event = None if event_in_s is None else {"id": "e", "name": "ignite", "at_s": 1000.0 + event_in_s}
    command = {"time_s": 1000.0, "engine_on": engine_on, "next_contact_s": next_contact_s, "event": event}
    assert example.seconds_to_fly(command) == pytest.approx(expected_s)


@pytest.mark.parametrize(
    ("status", "code"), [("complete", 0), ("short_of_propellant", 1), ("unreachable", 1), ("ok", 1)]
)
def test_only_a_complete_flight_ends_in_exit_code_0(
    example: ModuleType, status: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert example.ended({"status": status, "warnings": ["perigee is 40 km too low"]}) == code
    assert (status in capsys.readouterr().err) == (code == 1)


class FlownIntoOrbit:
    """Stands for the vehicle and the client of a script: one reply, in phase "orbit" with a given status."""

    time_s = 0.0

    def __init__(self, status: str) -> None:
        self.reply = {
            "phase": "orbit", "status": status, "warnings": ["the perigee is under the ground"], "time_s": 0.0,
            "pointing": [0.0, 0.0, 1.0], "engine_on": False, "throttle": 0.0, "cutoff_at_s": None, "event": None,
            "pitch_deg": 0.0, "heading_deg": 0.0, "time_to_cutoff_s": None, "next_contact_s": 600.0,
        }  # fmt: skip
        self.telemetry = {"mass_kg": 1.0}
        self.asked = 0

    def exchange(self, _: object) -> dict[str, Any]:
        self.asked += 1
        assert self.asked == 1, "the script flies on in orbit"
        return self.reply

    def open(self, **_: object) -> dict[str, Any]:
        return {"phases": []}

    def __getattr__(self, _: str) -> Any:
        return lambda *_: None


@pytest.mark.parametrize("name", ["fly_tanker", "fly_upper_stage"])
@pytest.mark.parametrize(("status", "code"), [("complete", 0), ("short_of_propellant", 1), ("unreachable", 1)])
def test_a_script_ends_in_orbit_whatever_the_status(
    name: str, status: str, code: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.syspath_prepend(str(CLIENTS / "examples"))
    monkeypatch.syspath_prepend(str(CLIENTS))
    monkeypatch.setattr("sys.argv", [name])
    script, stand_in = load(f"examples/{name}"), FlownIntoOrbit(status)
    monkeypatch.setattr(script, "SimulatedVehicle", lambda *_: stand_in)
    monkeypatch.setattr(script, "GuidanceClient", lambda *_: stand_in)
    assert script.main() == code
    assert status in capsys.readouterr().out


def test_a_flight_ends_with_its_orbit_in_one_line(example: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    # by hand: at the perigee of 200 x 460 km above 6378.137 km, moving as vis-viva says, in a plane of 30 deg
    mu, low, high = 3.986004418e14, 6578137.0, 6838137.0
    speed = (2.0 * mu * high / (low * (low + high))) ** 0.5
    target = {
        "cutoff_radius_m": low, "cutoff_altitude_m": 200e3, "cutoff_speed_m_s": speed, "perigee_altitude_m": 200e3,
        "apogee_altitude_m": 460e3,
    }  # fmt: skip
    velocity = [0.0, speed * 0.75**0.5, speed * 0.5]
    telemetry = {"position_m": [low, 0.0, 0.0], "velocity_m_s": velocity, "propellant_kg": 12.3}
    done = {"status": "complete", "warnings": [], "phase": "orbit"}
    assert example.ended(done, {"target": target}, SimpleNamespace(telemetry=telemetry)) == 0
    said = capsys.readouterr()
    assert said.err == "orbit 200.00 x 460.00 km, inclination 30.0000 deg, 12 kg of propellant left\n"
    assert said.out == ""


def test_progress_is_a_line_a_phase_or_json_for_a_program(
    example: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    stand_in = FlownIntoOrbit("complete")
    example.say(stand_in, stand_in.reply)
    assert capsys.readouterr().out == "      0.0 s  orbit, complete; the perigee is under the ground\n"
    example.say(stand_in, stand_in.reply, True)
    assert json.loads(capsys.readouterr().out)["mass_kg"] == 1.0


def test_no_vehicle_and_a_refusal_are_a_sentence_and_exit_code_1(
    example: ModuleType, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        nobody = taken.getsockname()[1]
    assert example.in_a_sentence(lambda: example.SimulatedVehicle(f"tcp://127.0.0.1:{nobody}", "Curlew")) == 1
    said = capsys.readouterr().err
    assert said.startswith(f"no simulated vehicle at tcp://127.0.0.1:{nobody}")
    assert f"start `python -m guidance_svc.demo.vehicle --plan PLAN --port {nobody}`" in said
    assert said.count("\n") == 1

    def refused() -> int:
        raise LookupError("no such plan")

    assert example.in_a_sentence(refused, LookupError) == 1
    assert capsys.readouterr().err == "no such plan\n"
    with pytest.raises(LookupError):  # a mistake in the script itself keeps its traceback
        example.in_a_sentence(refused)
    assert example.in_a_sentence(lambda: 0) == 0


def test_an_upper_stage_alone_on_the_pad_is_told_how_it_flies() -> None:
    with pytest.raises(GuidanceError, match="--carries curlew_to_lagoon"):
        Range(load_library(default_folder()), "curlew_to_lagoon", None, None)


@pytest.mark.parametrize(
    "name", ["fly_booster", "fly_tanker", "fly_upper_stage", "fly_upper_stage_asyncio", "fly_real_time"]
)
def test_an_example_attaches_to_the_vehicle_that_it_is_told(
    name: str, vehicle_address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(CLIENTS / "examples"))
    monkeypatch.syspath_prepend(str(CLIENTS))
    monkeypatch.setattr("sys.argv", [name, "--vehicle", vehicle_address, "--name", "Heron"])
    with pytest.raises(RuntimeError, match="one of Sandpiper, Curlew; got Heron"):
        load(f"examples/{name}").main()

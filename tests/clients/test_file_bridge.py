"""The file bridge: files in, files out, against the real service.

The expectations are the words of clients/PROTOCOL.md and of the bridge's own docstring, not of any outside source.
"""

from __future__ import annotations

import json
import shutil
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from guidance_svc.rehearsal.craft import Craft
from tests.clients.loading import CLIENTS, load
from tests.clients.running_service import WAIT_S, Service
from tests.clients.test_clients_and_restarts import STATE
from tests.clients.test_other_languages import curlew, flies_to_lagoon, run, vehicle

__all__ = ["curlew", "vehicle"]  # fixtures


@pytest.fixture
def bridge_module(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(CLIENTS))
    return load("file_bridge")


class Files:
    """The script's side of the folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, message: Any) -> None:
        text = message if isinstance(message, str) else json.dumps(message)
        (self.folder / "state.json.new").write_text(text, encoding="utf-8")
        (self.folder / "state.json.new").replace(self.folder / "state.json")

    def got(self) -> dict[str, Any]:
        answer: dict[str, Any] = json.loads((self.folder / "command.json").read_text(encoding="utf-8"))
        return answer


@pytest.fixture
def files(tmp_path: Path) -> Files:
    return Files(tmp_path)


MakeBridge = Callable[[], Any]


@pytest.fixture
def make_bridge(bridge_module: ModuleType, service: Service, files: Files) -> Iterator[MakeBridge]:
    made: list[Any] = []

    def make() -> Any:
        client = bridge_module.GuidanceClient(
            f"tcp://{service.addresses.tcp}", timeout_s=WAIT_S, tries=1, token_file=str(files.folder / "token")
        )
        client.open("Curlew", "upper_stage", "curlew_to_lagoon")
        made.append(client)
        return bridge_module.Bridge(files.folder, client)

    yield make
    for client in made:
        client.hang_up()


def test_a_state_file_is_answered_once_with_its_own_seq_and_time(make_bridge: MakeBridge, files: Files) -> None:
    bridge = make_bridge()
    assert not bridge.turn()
    files.put({**STATE, "seq": 7})
    assert bridge.turn()
    assert not bridge.turn()
    answer = files.got()
    assert (answer["type"], answer["seq"], answer["time_s"]) == ("command", 7, 100.0)
    assert answer["phase"] == "insertion"


def test_a_fault_is_written_as_the_service_says_it(make_bridge: MakeBridge, files: Files) -> None:
    bridge = make_bridge()
    files.put({**STATE, "seq": 1, "mass_kg": -1.0})
    bridge.turn()
    assert (files.got()["type"], files.got()["code"], files.got()["field"]) == ("fault", "bad_value", "mass_kg")


def test_half_a_file_is_looked_at_again_and_only_then_called_garbage(make_bridge: MakeBridge, files: Files) -> None:
    bridge = make_bridge()
    files.put('{"seq": 1, "time_s": 1')
    assert not bridge.turn()
    assert not (files.folder / "command.json").exists()
    assert bridge.turn()
    assert files.got()["code"] == "garbage"
    files.put({**STATE, "seq": 2})
    assert bridge.turn()
    assert files.got()["type"] == "command"


def test_a_bridge_that_was_killed_goes_on_with_the_token_and_asks_nothing_twice(
    make_bridge: MakeBridge, files: Files, service: Service
) -> None:
    first = make_bridge()
    files.put({**STATE, "seq": 1})
    first.turn()
    first.client.hang_up()
    assert stat.S_IMODE((files.folder / "token").stat().st_mode) == 0o600
    second = make_bridge()
    assert second.client.resumed
    assert not second.turn()
    files.put({**STATE, "seq": 2, "time_s": 100.1})
    assert second.turn()
    assert [state.time_s for state in service.states] == [100.0, 100.1]


def test_a_script_that_was_started_again_may_count_from_one_again(make_bridge: MakeBridge, files: Files) -> None:
    bridge = make_bridge()
    for seq, time_s in ((5, 100.0), (6, 100.1), (1, 100.2), (2, 100.3)):
        files.put({**STATE, "seq": seq, "time_s": time_s})
        bridge.turn()
        assert (files.got()["seq"], files.got()["time_s"], files.got()["type"]) == (seq, time_s, "command")


def test_without_the_service_the_last_law_is_flown_and_the_engine_is_cut_in_time(
    make_bridge: MakeBridge, files: Files, service: Service, curlew: Craft
) -> None:
    bridge, last = make_bridge(), {"engine_on": False, "cutoff_at_s": None}
    example = load("examples/simulated_vehicle")

    def tick(seq: int) -> dict[str, Any]:
        seen = curlew.telemetry()
        files.put({name: seen[name] for name in example.STATE_FIELDS} | {"seq": seq})
        assert bridge.turn()
        told = files.got()
        assert (told["type"], told["seq"], told["time_s"]) == ("command", seq, seen["time_s"])
        curlew.command({name: told[name] for name in ("pointing", "throttle", "engine_on")})
        curlew.fly(0.1)
        return told

    seq = 0
    while not (last["engine_on"] and last["cutoff_at_s"]) or seq < 100:
        seq += 1
        last = tick(seq)
    service.kill()
    bridge.client.timeout_s = 0.01
    for _ in range(20):
        seq += 1
        told = tick(seq)
        assert (told["status"], told["engine_on"]) == ("stale", True)
        assert told["throttle"] <= last["throttle"]
        assert "no answer" in told["warnings"][0]
    curlew.fly(last["cutoff_at_s"] - curlew.state.time_s)
    assert not tick(seq + 1)["engine_on"]
    service.start(forget=False)
    bridge.client.timeout_s = WAIT_S
    assert "no answer" not in str(tick(seq + 2)["warnings"])
    assert bridge.client.resumed


def test_a_service_that_never_answered_is_said_so_without_a_command(
    make_bridge: MakeBridge, files: Files, service: Service
) -> None:
    bridge = make_bridge()
    service.kill()
    bridge.client.timeout_s = 0.01
    files.put({**STATE, "seq": 1})
    bridge.turn()
    service.start()
    assert (files.got()["type"], files.got()["code"]) == ("fault", "no_answer")


def test_closing_ends_the_session_and_removes_the_token(
    make_bridge: MakeBridge, files: Files, service: Service
) -> None:
    bridge = make_bridge()
    files.put({"type": "close"})
    assert bridge.turn()
    assert bridge.closed
    assert files.got()["type"] == "closed"
    assert not (files.folder / "token").exists()


BY_FILES = {
    "python": (sys.executable, str(CLIENTS / "examples" / "fly_by_files.py"), "{folder}", "--step", "0.5"),
    "lua": ("lua5.4", str(CLIENTS / "examples" / "fly_upper_stage.lua"), "--guidance", "files:{folder}"),
}


@pytest.mark.parametrize("name", [pytest.param(name, marks=pytest.mark.slow) for name in BY_FILES])
def test_a_script_with_files_alone_flies_the_upper_stage_to_orbit(
    service: Service, curlew: Craft, vehicle: str, tmp_path: Path, name: str
) -> None:
    script = [part.replace("{folder}", str(tmp_path)) for part in BY_FILES[name]]
    if shutil.which(script[0]) is None:
        pytest.skip(f"{name}: no {script[0]} on this machine")
    bridge = subprocess.Popen(
        [sys.executable, str(CLIENTS / "file_bridge.py"), str(tmp_path), "--vehicle", "Curlew", "--role", "upper_stage",
         "--plan", "curlew_to_lagoon", "--guidance", f"tcp://{service.addresses.tcp}", "--patience", str(WAIT_S)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    with bridge:
        try:
            flies_to_lagoon(run([*script, "--vehicle", vehicle]), curlew)
            assert bridge.wait(WAIT_S) == 0
        finally:
            bridge.kill()
    assert json.loads((tmp_path / "opened.json").read_text(encoding="utf-8"))["vehicle"] == "Curlew"

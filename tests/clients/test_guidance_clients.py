"""Both one-file clients against a stand-in service that checks every message with the wire models.

The expectations are the words of clients/PROTOCOL.md (the project's own contract), not of any outside source.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from types import ModuleType
from typing import Any

import pytest

from tests.clients.conftest import StandIn, usual_answer
from tests.clients.loading import CLIENTS, give_up_soon
from tests.clients.running_service import WAIT_S

STATE = {"time_s": 12.5, "position_m": [6.6e6, 0.0, 0.0], "velocity_m_s": [0.0, 7800.0, 0.0], "mass_kg": 2e4}


@pytest.fixture
def client(module: ModuleType, address: str) -> Iterator[Any]:
    line = module.GuidanceClient(address, timeout_s=WAIT_S)
    yield line
    line.hang_up()


def open_curlew(client: Any, **more: Any) -> dict[str, Any]:
    opened: dict[str, Any] = client.open(
        vehicle="Curlew", role="upper_stage", plan="curlew_to_lagoon", frame={"motion": "inertial"}, **more
    )
    return opened


def test_a_whole_flight_sends_only_what_the_wire_models_accept(client: Any, stand_in: StandIn) -> None:
    assert open_curlew(client)["token"] == "t-1"
    assert client.exchange(STATE)["time_s"] == 12.5
    client.close()
    assert [m["type"] for m in stand_in.heard] == ["open", "state", "close"]


def test_seq_rises_by_itself_and_the_state_given_is_not_changed(client: Any, stand_in: StandIn) -> None:
    open_curlew(client)
    before = dict(STATE)
    assert [client.exchange(STATE)["seq"] for _ in range(3)] == [1, 2, 3]
    assert before == STATE


def test_an_event_is_acknowledged_only_after_done(client: Any, stand_in: StandIn) -> None:
    open_curlew(client)
    client.exchange(STATE)
    client.done({"id": "0-0-ignite", "name": "ignite", "at_s": 12.0})
    client.exchange(STATE)
    states = [m for m in stand_in.heard if m["type"] == "state"]
    assert [s.get("seen_event") for s in states] == [None, "0-0-ignite"]


def test_a_fault_raises_with_its_four_fields(client: Any, stand_in: StandIn, module: ModuleType) -> None:
    open_curlew(client)
    fault = {"code": "bad_value", "field": "mass_kg", "expected": "above 0", "got": "-1"}
    stand_in.answer = lambda m: {"type": "fault", **fault, "message": "no", "seq": m.get("seq")}
    with pytest.raises(module.Fault, match="no") as caught:
        client.exchange(STATE)
    assert {name: getattr(caught.value, name) for name in fault} == fault


def test_late_answers_to_earlier_states_are_passed_over(client: Any, stand_in: StandIn, module: ModuleType) -> None:
    open_curlew(client)
    client.timeout_s, client.tries = 0.2, 1
    stand_in.answer = lambda m: {**usual_answer(m), "seq": m["seq"] - 1}
    with pytest.raises(TimeoutError, match="no answer"):
        client.exchange(STATE)


def test_a_lost_answer_is_asked_for_again_with_the_token_and_the_same_seq(client: Any, stand_in: StandIn) -> None:
    open_curlew(client)
    give_up_soon(client)
    lost: list[dict[str, Any]] = []

    def lose_one_state(message: dict[str, Any]) -> dict[str, Any] | None:
        if message["type"] == "state" and not lost:
            lost.append(message)
            return None
        return usual_answer(message)

    stand_in.answer = lose_one_state
    assert client.exchange(STATE)["seq"] == 1
    assert [m["type"] for m in stand_in.heard] == ["open", "state", "open", "state"]
    assert stand_in.heard[2]["resume"] == "t-1"
    assert stand_in.heard[1] == stand_in.heard[3]


def test_silence_ends_in_a_sentence_that_names_the_address(client: Any, stand_in: StandIn, address: str) -> None:
    client.timeout_s, client.tries = 0.05, 2
    stand_in.answer = lambda m: None
    with pytest.raises(TimeoutError, match=address):
        open_curlew(client)


def test_a_script_that_starts_anew_takes_its_session_up_by_the_token(client: Any, stand_in: StandIn) -> None:
    assert open_curlew(client, resume="t-0")["resumed"]
    assert stand_in.heard[0]["resume"] == "t-0"


def test_what_opened_warns_of_is_said_when_the_line_is_opened_again_by_itself(client: Any, stand_in: StandIn) -> None:
    open_curlew(client)
    warned = {"warnings": ["the flight plan has changed on disk"]}
    stand_in.answer = lambda m: usual_answer(m) | (warned if m["type"] == "open" else {})
    client.hang_up()
    with pytest.warns(UserWarning, match="the flight plan has changed on disk"):
        client.exchange(STATE)


def test_cutoff_is_decided_on_the_vehicles_clock(module: ModuleType) -> None:
    command = {"cutoff_at_s": 100.0}
    assert not module.cutoff_now(command, 99.999)
    assert module.cutoff_now(command, 100.0)
    assert module.cutoff_now(command, 100.0 - 1e-11)  # the same instant, read from two clocks
    assert module.cutoff_now(command, 99.99, tick_s=0.02)
    assert not module.cutoff_now(command, 99.98, tick_s=0.02)
    assert not module.cutoff_now({"cutoff_at_s": None}, 1e9)


def test_autocut_follows_the_latest_command(module: ModuleType) -> None:
    watch = module.Autocut()
    assert not watch.due(1e9)
    watch.update({"cutoff_at_s": 50.0})
    assert watch.due(50.0)
    watch.update({"cutoff_at_s": 51.0})
    assert not watch.due(50.5)


OWN = {"__init__", "hang_up", "_connect", "_connect_in_time", "_send", "_receive", "_left_ms", "curve_keys"}


def pieces(name: str) -> dict[str, str]:
    """Source of every constant, function, class and method of a client file, but those that are its transport's own."""
    text = (CLIENTS / name).read_text(encoding="utf-8")
    found: dict[str, str] = {}
    for node in ast.parse(text).body:
        if isinstance(node, ast.ClassDef) and node.name == "GuidanceClient":
            parts: list[ast.stmt] = [part for part in node.body if isinstance(part, ast.FunctionDef)]
        else:
            parts = [node] if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Assign) else []
        for part in parts:
            source = ast.get_source_segment(text, part) or ""
            found[getattr(part, "name", source.split(" = ")[0])] = source
    return {piece: source for piece, source in found.items() if piece not in OWN | {"HINT"}}


def test_both_clients_are_the_same_but_for_their_transport() -> None:
    zmq_client, tcp_client = pieces("guidance_client.py"), pieces("guidance_client_stdlib.py")
    assert zmq_client == tcp_client
    assert {"SafetyNet", "Autocut", "steer", "exchange", "now", "_take", "PROTOCOL"} <= set(zmq_client)


@pytest.mark.parametrize("name", ["guidance_client.py", "guidance_client_stdlib.py"])
def test_each_client_is_one_file_that_never_imports_the_service(name: str) -> None:
    text = (CLIENTS / name).read_text(encoding="utf-8")
    assert "import guidance_svc" not in text
    assert "from guidance_svc" not in text

"""The command `conform`: its options, its table and JSON, scripts that misbehave at the socket, and a live service."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.conform.checks import checks_of
from guidance_svc.conform.command import mishaps_of, show
from guidance_svc.conform.connect import check_service, check_shape
from guidance_svc.conform.record import Check, exit_code, failed, not_seen, passed
from guidance_svc.conform.trials import Reference
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.wire.replies import command_message
from tests.clients.running_service import Service
from tests.conformance.exchange_vectors import OPEN
from tests.conformance.test_clients_pass import LONGEST_S, SCRIPTS, Kit
from tests.session.exchange import late_flight

LIBRARY = load_library(default_folder())
FAILED = failed("cuts_on_time", "the engine is cut at cutoff_at_s", "late cutoff: 0.08 s", "set the cutoff ahead")


@pytest.fixture
def service() -> Iterator[Service]:
    made = Service()
    yield made
    made.kill()


@pytest.fixture
def kit() -> Iterator[Kit]:
    made = Kit(SCRIPTS[1], (), 0.5)
    yield made
    made.stop.set()
    made.thread.join(LONGEST_S)


def connected(kit: Kit) -> socket.socket:
    host, _, port = kit.addresses["tcp"].removeprefix("tcp://").rpartition(":")
    return socket.create_connection((host, int(port)), LONGEST_S)


def said(kit: Kit) -> dict[str, Check]:
    kit.thread.join(LONGEST_S)
    return kit.checks


def test_mishaps_are_named_or_refused() -> None:
    assert mishaps_of("none") == ()
    assert mishaps_of("repeat, drop") == ("drop", "repeat")
    answer = CliRunner().invoke(app, ["conform", "--mishaps", "flood"])
    assert answer.exit_code == 2
    assert "--mishaps" in answer.output


@pytest.mark.parametrize(
    ("arguments", "word"),
    [(["--plan", "nowhere"], "nowhere"), (["--tcp", "0.0.0.0:0"], "loopback"), (["--role", "pilot"], "--role"),
     (["--plan", "saltmarsh_point"], "a tower stands at its site"),
     (["--connect", "127.0.0.1:1"], "a running service"), (["--connect", "nonsense"], "--connect")],
)  # fmt: skip
def test_bad_input_is_one_sentence_and_exit_code_2(arguments: list[str], word: str) -> None:
    answer = CliRunner().invoke(app, ["conform", "--zmq", "tcp://127.0.0.1:0", "--tcp", "127.0.0.1:0", *arguments])
    assert answer.exit_code == 2
    assert word in answer.output
    assert "Traceback" not in answer.output


def test_the_table_tells_what_was_expected_what_was_seen_and_what_to_change(capsys: pytest.CaptureFixture[str]) -> None:
    checks = [passed("closes", "the script ends with close", "it did"), FAILED]
    assert show(checks, False) == 1
    words = " ".join(capsys.readouterr().out.split())
    for part in (FAILED.name, FAILED.seen, "change: set the cutoff ahead", "1 pass, 1 fail, 0 not seen"):
        assert part in words


def test_json_carries_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert show([FAILED], True) == 1
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert told["passed"] is False
    assert told["checks"] == [
        {"name": FAILED.name, "outcome": "fail", "expected": FAILED.expected, "seen": FAILED.seen,
         "change": FAILED.change, "follows": FAILED.follows}
    ]  # fmt: skip


def test_nothing_seen_is_no_success() -> None:
    assert exit_code([not_seen("a", "b", "c")]) == 1
    assert exit_code([passed("a", "b", "c"), not_seen("a", "b", "c")]) == 0


def test_a_script_that_talks_nonsense_and_hangs_up_is_told_what_to_send(kit: Kit) -> None:
    with connected(kit) as line, line.makefile("rb") as replies:
        line.sendall(b"hello\n")
        assert json.loads(replies.readline())["code"] == "garbage"
    checks = said(kit)
    assert checks["opens"].outcome == "fail"
    assert "refused" in checks["opens"].seen


def test_a_flood_without_reading_ends_with_the_connection_and_a_verdict(kit: Kit) -> None:
    with connected(kit) as line:
        state = {"type": "state", "seq": 1, "time_s": 0.0, "mass_kg": -1.0}
        line.sendall(b"".join(json.dumps(message).encode() + b"\n" for message in (OPEN, *50 * [state])))
        line.shutdown(socket.SHUT_WR)
        checks = said(kit)
    assert "fault ignored" in checks["heeds_faults"].seen
    assert checks["accepted"].outcome == "fail"


@pytest.mark.slow
@pytest.mark.parametrize("transport", ["zmq", "tcp"])
def test_the_service_itself_passes_the_reference_client(service: Service, transport: str) -> None:
    address = {"zmq": service.addresses.zmq, "tcp": service.addresses.tcp}[transport]
    checks = list(check_service(LIBRARY, "curlew_to_lagoon", "upper_stage", address))
    assert [f"{check.name}: {check.seen}" for check in checks if check.outcome != "pass"] == []
    assert {"opened", "same_seq", "old_seq", "resumed", "flies", "orbit", "closed"} <= {check.name for check in checks}


def test_a_service_that_answers_wrongly_is_told_so() -> None:
    """A stand-in that says "ok" to everything."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]

        def work() -> None:
            line, _ = listener.accept()
            with line, line.makefile("rwb") as file:
                for _ in file:
                    file.write(b'{"type": "ok"}\n')
                    file.flush()

        thread = threading.Thread(target=work)
        thread.start()
        checks = list(check_service(LIBRARY, "curlew_to_lagoon", "upper_stage", f"127.0.0.1:{port}"))
        thread.join(LONGEST_S)
    assert [(check.name, check.outcome) for check in checks] == [("state_before_open", "fail"), ("opened", "fail")]
    assert checks[1].seen.startswith("it is 'ok'")


@pytest.mark.parametrize(("change", "seen"), [
    ({"phase": "hover"}, "phase: expected one of hold, boost"),
    ({"event": {"id": "0-0-wink", "name": "wink", "at_s": 1.0}}, "event.name: expected one of release, ignite"),
])  # fmt: skip
def test_a_command_with_a_phase_or_an_event_that_no_law_has_is_told(change: dict[str, Any], seen: str) -> None:
    reply = command_message(late_flight()[0].reply)
    assert check_shape("command", reply, "command").outcome == "pass"
    check = check_shape("command", reply | change, "command")
    assert check.outcome == "fail"
    assert check.seen.startswith(seen)


def test_a_towers_script_is_judged_by_its_messages_alone() -> None:
    sessions = Registry(lambda: "token")
    reference = Reference(Desk(sessions, LIBRARY), sessions, LIBRARY, ())
    opening = {"type": "open", "protocol": 1, "vehicle": "Marsh", "role": "tower", "plan": "saltmarsh_point"}
    states = [{"type": "state", "seq": k, "time_s": 0.5 * k, "ready": True} for k in range(1, 6)]
    for message in (opening, *states):
        reference.receive("link", json.dumps(message).encode(), "json", False)
    outcomes = {check.name: check.outcome for check in checks_of(reference.run)}
    assert outcomes["accepted"] == outcomes["seq_rises"] == outcomes["time_moves"] == "pass"
    assert not {"own_path", "fall", "mass"} & set(outcomes)

"""A recording played to a fresh service gives the same replies, and the first difference is shown."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from flown import Service, first_state, fly, library, open_message, plan_table
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.errors import MessageFault, RecordingError
from guidance_svc.files.settings import Addresses, Limits
from guidance_svc.playback.changes import replay_with_plan
from guidance_svc.playback.comparing import first_difference
from guidance_svc.playback.replay import InProcess, OverSocket, replay
from guidance_svc.service.desk import Desk
from guidance_svc.service.server import Server
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder, NoRecorder

STEPS = 60
EXCHANGES = 2 + 2 * STEPS + 4 + 1  # opens, states, the four of the lost connection, close


def fresh() -> InProcess:
    service = Service()
    return InProcess(service.desk, service.registry)


def bend(seq: int, **change: float) -> Any:
    """Adds to fields of the command with this seq, of both vehicles."""

    def bent(reply: dict[str, Any]) -> dict[str, Any]:
        if reply.get("seq") == seq and reply["type"] == "command":
            reply.update({name: reply[name] + by for name, by in change.items()})
        return reply

    return bent


def test_a_fresh_service_gives_the_same_replies(tmp_path: Path) -> None:
    verdict = replay(fly(tmp_path / "a.mcap", STEPS), fresh())
    assert verdict.mismatch is None
    assert verdict.compared == EXCHANGES
    assert not verdict.cut


def test_a_running_service_gives_the_same_replies(tmp_path: Path) -> None:
    registry = Registry(lambda: "token-of-another-run")
    server = Server(
        Desk(registry, library()), registry, NoRecorder(),
        Addresses(zmq="tcp://127.0.0.1:0", tcp="127.0.0.1:0"), Limits(),
    )  # fmt: skip
    thread = threading.Thread(target=server.run)
    thread.start()
    service = OverSocket(server.ready.zmq)
    try:
        verdict = replay(fly(tmp_path / "a.mcap", STEPS), service)
    finally:
        service.close()
        server.stop()
        thread.join(60.0)
    assert verdict.mismatch is None
    assert verdict.compared == EXCHANGES


@pytest.mark.parametrize(
    ("field", "by"), [("pitch_deg", 2e-9), ("heading_deg", -2e-9), ("next_contact_s", 1e-6), ("throttle", -1e-6)]
)
def test_a_small_difference_is_found_and_placed(tmp_path: Path, field: str, by: float) -> None:
    verdict = replay(fly(tmp_path / "a.mcap", 20, bend(7, **{field: by})), fresh())
    assert verdict.mismatch is not None
    assert (verdict.mismatch.vehicle, verdict.mismatch.seq) == ("kite-1", 7)
    assert verdict.mismatch.time_s == 10.0 + 7 * 0.5
    assert verdict.mismatch.difference.field == field


def test_a_difference_within_rounding_is_none(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 20, bend(7, pitch_deg=5e-10, next_contact_s=1e-11))
    assert replay(path, fresh()).mismatch is None


@pytest.mark.parametrize(
    ("a", "b", "field"),
    [
        ({"event": None}, {"event": {"id": "x", "at_s": 1.0}}, "event"),
        ({"event": {"id": "x", "at_s": 1.0}}, {"event": {"id": "y", "at_s": 1.0}}, "event.id"),
        ({"engine_on": True}, {"engine_on": 1}, "engine_on"),
        ({"warnings": []}, {"warnings": ["a"]}, "warnings"),
        ({"pointing": [1.0, 0.0, 0.0]}, {"pointing": [1.0, 0.0, 1e-8]}, "pointing.2"),
        ({"a": 1.0}, {"a": 1.0, "b": 2.0}, "b"),
        ({"cutoff_at_s": 5.0}, {"cutoff_at_s": None}, "cutoff_at_s"),
        ({"type": "command"}, {"type": "fault"}, "type"),
    ],
)
def test_replies_that_say_different_things_differ(a: dict[str, Any], b: dict[str, Any], field: str) -> None:
    found = first_difference(a, b)
    assert found is not None
    assert found.field == field


def test_headings_either_side_of_north_are_the_same(tmp_path: Path) -> None:
    assert first_difference({"heading_deg": 0.0}, {"heading_deg": 360.0 - 1e-10}) is None


def test_a_cut_recording_is_played_to_its_cut(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 20, close=False)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    verdict = replay(path, fresh())
    assert verdict.cut
    assert verdict.mismatch is None
    assert 10 < verdict.compared < 48


def test_another_plan_shows_what_it_changes_for_its_vehicle_only(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", STEPS)
    changes = replay_with_plan(path, fresh(), "kite-1", plan_table(apogee_km=900.0))
    assert changes["kite-1"].commands == STEPS
    assert changes["kite-1"].pitch_deg > 1e-6
    was, now = changes["kite-1"].cutoff_at_s
    assert was is not None
    assert now is not None
    assert now > was + 1.0  # 440 km more of apogee is 119 m/s more at perigee: seconds of burn
    assert changes["kite-2"].pitch_deg < 1e-9


def test_another_plan_that_does_not_hold_is_named(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 5)
    with pytest.raises(MessageFault, match="apogee_altitude_km"):
        replay_with_plan(path, fresh(), "kite-1", plan_table(apogee_km=100.0))


def test_a_recording_without_an_exchange_is_named(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 1, close=False)
    path.write_bytes(path.read_bytes()[:60])
    with pytest.raises(RecordingError, match="at least one message"):
        replay(path, fresh())


def test_the_command_exits_0_1_or_2_and_says_why(tmp_path: Path) -> None:
    same, bent = fly(tmp_path / "same.mcap", 20), fly(tmp_path / "bent.mcap", 20, bend(7, pitch_deg=1e-6))
    run = CliRunner().invoke
    result = run(app, ["replay", str(same)])
    assert (result.exit_code, result.stdout) == (0, "the same: 47 replies\n")
    result = run(app, ["replay", str(bent)])
    assert result.exit_code == 1
    assert "kite-1, seq 7, vehicle time 13.5 s: pitch_deg: recorded" in result.stdout
    result = run(app, ["replay", str(tmp_path / "none.mcap")])
    assert result.exit_code == 2
    assert "none.mcap: cannot read" in result.stderr
    result = run(app, ["replay", str(same), "--flight-plan", "curlew_to_lagoon"])
    assert result.exit_code == 2
    assert "one of kite-1, kite-2" in result.stderr


def test_the_command_shows_a_changed_plan_and_exits_0(tmp_path: Path) -> None:
    path = fly(tmp_path / "same.mcap", 20)
    arguments = ["replay", str(path), "--flight-plan", "curlew_to_lagoon", "--vehicle", "kite-1"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.stderr
    assert "last cutoff announced" in result.stdout
    assert "commands compared: 20" in result.stdout


def test_a_session_that_went_back_to_its_connection_or_was_given_up_plays_the_same(tmp_path: Path) -> None:
    path = tmp_path / "aside.mcap"
    service = Service(McapRecorder(path, lambda: 1, {"version": "test"}))
    opening, state = open_message("curlew"), first_state(0.0)
    token = service.ask("a", opening)["token"]
    assert service.ask("a", state)["type"] == "command"
    assert service.ask("b", {**opening, "resume": token})["resumed"] is True
    assert service.ask("a", {**state, "seq": 50})["code"] == "taken_over"
    service.desk.drop("b")
    assert service.ask("a", {**state, "seq": 51})["type"] == "command"
    service.desk.give_up("curlew", "as the test asks")
    assert service.ask("c", opening)["resumed"] is False
    assert service.ask("c", {**state, "seq": 52})["type"] == "command"
    service.recorder.close()
    verdict = replay(path, fresh())
    assert verdict.mismatch is None, verdict.mismatch
    assert verdict.compared == 7

"""A recording of a vehicle and its tower plays again exactly: whole, begun in flight, and one of the two alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from guidance_svc.domain import Answer
from guidance_svc.files.config_files import Library
from guidance_svc.playback.recordings import RecordedMessage, RecordedSession, RecordingReader
from guidance_svc.playback.replay import replay
from guidance_svc.rehearsal.speaking import state_message
from guidance_svc.service.desk import Desk
from guidance_svc.service.keeping import RecordedSessions, sessions_now
from guidance_svc.storage.recorder import McapRecorder
from tests.replay.tower_flight import LANDING, STATES, TOWER, Service, both_open, fly, opening, record, recorder_at
from tests.session.tower_talk import word


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("tower") / "whole.mcap")


def test_a_vehicle_and_its_tower_play_again(recorded: Path) -> None:
    verdict = replay(recorded, Service().replaying())
    assert verdict.mismatch is None
    assert verdict.compared == 2 + 2 * len(STATES)


def test_what_was_heard_stands_in_the_recording_beside_what_was_sent(recorded: Path) -> None:
    entries = [entry for entry in RecordingReader(recorded).entries() if isinstance(entry, RecordedMessage)]
    states = [entry for entry in entries if entry.type == "state"]
    assert states[0].heard is None  # the tower had said nothing yet
    assert states[2].heard == {"answer": Answer("not_ready")._asdict() | {"catch_offset_m": [0.0, 0.0, 0.0]}}
    assert [one["vehicle"] for one in (states[1].heard or {})["arrivals"]] == ["heron"]
    assert states[2].message == STATES[1] | {"position_m": STATES[1]["position_m"]}


def test_a_recording_that_begins_in_flight_plays_by_itself(tmp_path: Path) -> None:
    first, then = Service(), recorder_at(tmp_path / "rest.mcap")
    both_open(first)
    fly(first, STATES[:15])
    for table in sessions_now(first.registry):
        then.session(table)
    again = Service(then)
    again.registry = first.registry
    again.desk = Desk(first.registry, Library(), then)
    fly(again, STATES[15:])
    then.close()
    verdict = replay(tmp_path / "rest.mcap", Service().replaying())
    assert verdict.mismatch is None
    assert verdict.compared == 2 * len(STATES[15:])


@pytest.mark.parametrize("kept", ["heron", "tower"])
def test_one_of_the_two_plays_without_the_other(recorded: Path, tmp_path: Path, kept: str) -> None:
    path, ticks = tmp_path / "one.mcap", count(1)
    alone = McapRecorder(path, lambda: next(ticks), {"version": "test"})
    waiting: dict[str, Any] = {}
    for entry in RecordingReader(recorded).entries():
        assert not isinstance(entry, RecordedSession)
        if isinstance(entry, RecordedMessage) and entry.vehicle in (kept, "unknown"):
            if entry.direction == "in":
                waiting = entry.message | ({} if entry.heard is None else {"heard": entry.heard})
            elif entry.message.get("vehicle", kept) == kept:
                alone.exchange(entry.link, kept, waiting, entry.message)
    alone.close()
    verdict = replay(path, Service().replaying())
    assert verdict.mismatch is None
    assert verdict.compared == 1 + len(STATES)


def test_a_script_cannot_say_what_it_has_heard() -> None:
    service = Service()
    both_open(service)
    for state in (STATES[0], state_message(word(0, 0.0))):
        fault = service.ask("heron", state | {"heard": {"answer": {"clearance": "ready"}}})
        assert (fault["type"], fault["code"], fault["field"]) == ("fault", "unknown_field", "heard")


def test_a_killed_service_takes_vehicle_and_tower_up_again() -> None:
    whole, killed, after = Service(), Service(), Service()
    for service in (whole, killed):
        both_open(service)
    replies = fly(whole, STATES)
    assert fly(killed, STATES[:12]) == replies[:24]
    keeping = RecordedSessions(after.registry)
    for table in sessions_now(killed.registry):
        token = keeping.restore(table)
        kept = killed.registry.seats[table["vehicle"]].request
        plan = {"booster": LANDING, "tower": TOWER}[kept.role]
        opened = after.ask(kept.vehicle, opening(kept.vehicle, kept.role, plan, resume=token))
        assert opened["resumed"], replace(kept, plan=None)  # type: ignore[arg-type]
    assert fly(after, STATES[12:]) == replies[24:]

"""A recording of a vehicle and its tower plays again exactly: whole, from the middle of the flight, and one of the two."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import count
from math import degrees
from pathlib import Path
from typing import Any

import msgpack
import pytest

from guidance_svc.domain import Answer
from guidance_svc.files.config_files import Library
from guidance_svc.playback.recordings import RecordedMessage, RecordedSession, RecordingReader
from guidance_svc.playback.replay import InProcess, replay
from guidance_svc.rehearsal.speaking import state_message
from guidance_svc.service.desk import Desk
from guidance_svc.service.keeping import RecordedSessions, sessions_now
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder, NoRecorder, Recorder
from tests.closed_loop.landing_flights import LANDER, MOONLIKE, SITE
from tests.session.tower_talk import hop, word

PLACE = {
    "name": SITE.name, "latitude_deg": degrees(SITE.latitude_rad), "longitude_deg": degrees(SITE.longitude_rad),
    "altitude_m": SITE.altitude_m,
}  # fmt: skip
BODY = {"name": "moonlike", "mu_m3_s2": MOONLIKE.mu_m3_s2, "radius_m": MOONLIKE.radius_m}
STAGE = {
    "name": "lander", "dry_mass_kg": 4e3, "propellant_kg": 5.2e3, "thrust_n": 45e3, "exhaust_velocity_m_s": 3050.0,
    "throttle_min_frac": 0.1,
}  # fmt: skip
LANDING = {
    "body": BODY, "vehicle": {"stages": [STAGE], "legs_below_m": LANDER.legs_below_m}, "landing": PLACE,
    "phases": [{"law": "descent", "planned_throttle": 0.6}],
}  # fmt: skip
TOWER = {"body": BODY, "site": PLACE, "phases": [{"law": "receive", "catch_height_m": 60.0, "turnaround_s": 900.0}]}
STATES = [state_message(state._replace(seq=k)) for k, state in enumerate(hop()[::4])]


class Service:
    """A desk, its registry and its recorder; major cycles wait for as long as they can, as on a busy machine."""

    def __init__(self, recorder: Recorder | None = None) -> None:
        tokens = count()
        self.recorder = recorder or NoRecorder()
        self.registry = Registry(lambda: f"token-{next(tokens)}")
        self.desk = Desk(self.registry, Library(), self.recorder)

    def ask(self, name: str, message: dict[str, Any]) -> dict[str, Any]:
        reply: dict[str, Any] = msgpack.unpackb(self.desk.receive(name, msgpack.packb(message)))
        return reply

    def replaying(self) -> InProcess:
        return InProcess(self.desk, self.registry, RecordedSessions(self.registry))


def opening(name: str, role: str, plan: dict[str, Any], **fields: Any) -> dict[str, Any]:
    return {"type": "open", "protocol": 1, "vehicle": name, "role": role, "plan": plan, "clock": "one", **fields}


def recorder_at(path: Path) -> McapRecorder:
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    return McapRecorder(path, lambda: next(ticks), {"version": "test"})


def fly(service: Service, states: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Vehicle and tower in turns; the tower makes up its mind in the middle."""
    replies = []
    for state in states:
        answer = "ready" if state["seq"] > 20 else "not_ready"
        replies.append(service.ask("heron", state))
        at = word(state["seq"], state["time_s"] + 0.05, heron=answer)  # type: ignore[arg-type]
        replies.append(service.ask("tower", state_message(at)))
    assert {reply["type"] for reply in replies} == {"command"}, replies
    return replies


def both_open(service: Service) -> None:
    assert service.ask("heron", opening("heron", "booster", LANDING))["type"] == "opened"
    assert service.ask("tower", opening("tower", "tower", TOWER))["type"] == "opened"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tower") / "whole.mcap"
    service = Service(recorder_at(path))
    both_open(service)
    fly(service, STATES)
    service.recorder.close()
    return path


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
    fly(first, STATES[:30])
    for table in sessions_now(first.registry):
        then.session(table)
    again = Service(then)
    again.registry = first.registry
    again.desk = Desk(first.registry, Library(), then)
    fly(again, STATES[30:])
    then.close()
    verdict = replay(tmp_path / "rest.mcap", Service().replaying())
    assert verdict.mismatch is None
    assert verdict.compared == 2 * len(STATES[30:])


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
    assert fly(killed, STATES[:25]) == replies[:50]
    keeping = RecordedSessions(after.registry)
    for table in sessions_now(killed.registry):
        token = keeping.restore(table)
        kept = killed.registry.seats[table["vehicle"]].request
        plan = {"booster": LANDING, "tower": TOWER}[kept.role]
        opened = after.ask(kept.vehicle, opening(kept.vehicle, kept.role, plan, resume=token))
        assert opened["resumed"], replace(kept, plan=None)  # type: ignore[arg-type]
    assert fly(after, STATES[25:]) == replies[50:]

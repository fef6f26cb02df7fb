"""A recording in several parts: chained, nothing lost between them, and each plays by itself."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count, pairwise
from pathlib import Path
from typing import Any

import msgpack
import pytest
from flown import Service, fly, play_through

from guidance_svc.errors import ConfigError, RecordingError
from guidance_svc.playback.calibrating import read_flights
from guidance_svc.playback.recordings import RecordedMessage, RecordedPlan, RecordedSession, RecordingReader, parts
from guidance_svc.playback.replay import InProcess, OverSocket, replay
from guidance_svc.service.keeping import RecordedSessions, sessions_now
from guidance_svc.session.registry import Registry
from guidance_svc.storage import housekeeping
from guidance_svc.storage.recorder import McapRecorder
from guidance_svc.storage.rotating import RotatingRecorder, Storage

PART_BYTES = 50_000  # 50 exchanges of two vehicles; the last part holds some too


class Stale(RecordedSessions):
    """Puts back what the sessions were at another time."""

    def __init__(self, registry: Registry, tables: dict[str, dict[str, str]]) -> None:
        super().__init__(registry)
        self.tables = tables

    def restore(self, table: Mapping[str, str]) -> str:
        return super().restore(self.tables[table["vehicle"]])


class Flushing(Service):
    """A service that writes before it works out guidance, as the server does."""

    def ask(self, link: Any, message: dict[str, Any]) -> dict[str, Any]:
        reply: dict[str, Any] = msgpack.unpackb(self.desk.receive(link, msgpack.packb(message)))
        self.recorder.flush()
        while self.registry.pending():
            self.registry.work()
        return reply


def fly_in_parts(folder: Path, steps: int = 60) -> list[Path]:
    ticks, services = count(1_700_000_000_000_000_000, 1_000_000), list[Service]()
    recorder = RotatingRecorder(
        Storage(folder, PART_BYTES),
        lambda: next(ticks),
        {"version": "test"},
        lambda: sessions_now(services[0].registry) if services else [],
    )
    first = recorder.path
    assert first is not None
    services.append(Flushing(recorder))
    play_through(services[0], steps)
    recorder.close()
    wait_for_children()
    return parts(first)


def wait_for_children() -> None:
    assert [child.wait(60) for child in housekeeping._outliving] == [0] * len(housekeeping._outliving)


def messages(path: Path) -> list[RecordedMessage]:
    return [entry for entry in RecordingReader(path).entries() if isinstance(entry, RecordedMessage)]


def test_the_parts_together_hold_what_one_file_would(tmp_path: Path) -> None:
    found = fly_in_parts(tmp_path / "parts")
    assert len(found) > 3
    assert found == parts(found[0])
    assert set(found) == set((tmp_path / "parts").glob("*.mcap"))
    whole = messages(fly(tmp_path / "whole.mcap"))
    together = [message for part in found for message in messages(part)]
    assert [(m.vehicle, m.type, m.link, m.message) for m in together] == [
        (m.vehicle, m.type, m.link, m.message) for m in whole
    ]


def test_each_part_begins_with_the_plans_in_use_and_the_open_sessions(tmp_path: Path) -> None:
    found = fly_in_parts(tmp_path / "parts")
    for before, part in pairwise(found):
        reader = RecordingReader(part)
        entries = list(reader.entries())
        assert [type(entry) for entry in entries[:3]] == [RecordedPlan, RecordedSession, RecordedSession]
        assert [entry.vehicle for entry in entries if isinstance(entry, RecordedSession)] == ["kite-1", "kite-2"]
        assert reader.about["after"] == before.name
        assert reader.about["version"] == "test"


def test_each_part_plays_by_itself(tmp_path: Path) -> None:
    found = fly_in_parts(tmp_path / "parts")
    compared = 0
    for part in found:
        service = Service()
        restorer = RecordedSessions(service.registry)
        verdict = replay(part, InProcess(service.desk, service.registry, restorer))
        assert verdict.mismatch is None, verdict.mismatch.sentence()
        compared += verdict.compared
    assert compared == 2 + 2 * 60 + 4 + 1  # as test_replay counts them


def test_a_part_does_not_play_the_same_with_the_sessions_of_another_time(tmp_path: Path) -> None:
    # The counterpart of the test above: what is restored matters.
    found = fly_in_parts(tmp_path / "parts")
    earlier = RecordingReader(found[1]).entries()
    tables = {entry.vehicle: entry.table for entry in earlier if isinstance(entry, RecordedSession)}
    service = Service()
    assert replay(found[2], InProcess(service.desk, service.registry, Stale(service.registry, tables))).mismatch


def test_a_part_is_longer_than_its_head_however_many_sessions_it_begins_with(tmp_path: Path) -> None:
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    many = [{"vehicle": f"kite-{k}", "states": "x" * 1000} for k in range(100)]
    recorder = RotatingRecorder(Storage(tmp_path, 65536), lambda: next(ticks), {}, lambda: many)
    first = recorder.path
    for seq in range(200):
        recorder.exchange(1, "kite-1", {"type": "state", "seq": seq}, {"type": "command", "seq": seq})
        recorder.flush()
    assert recorder.path == first
    recorder.close()


def test_a_part_that_begins_in_flight_is_refused_where_sessions_cannot_be_restored(tmp_path: Path) -> None:
    found = fly_in_parts(tmp_path / "parts")
    service = Service()
    with pytest.raises(RecordingError, match="kite-1: cannot restore"):
        replay(found[1], InProcess(service.desk, service.registry))
    live = OverSocket("tcp://127.0.0.1:1")
    with pytest.raises(ConfigError, match="leave --connect out"):
        replay(found[1], live)
    live.close()


def test_the_states_of_a_later_part_are_calibrated_with_the_plan_of_its_session(tmp_path: Path) -> None:
    found = fly_in_parts(tmp_path / "parts")
    flights = read_flights([found[1]], print)
    assert flights["kite-1"].setting.plan.vehicle.stages[0].thrust_n == 1e5
    assert len(flights["kite-1"].kept.states) > 5


def test_no_token_is_written_at_the_head_of_a_part(tmp_path: Path) -> None:
    found = fly_in_parts(tmp_path / "parts")
    opens = [
        entry.table["open"]
        for part in found[1:]
        for entry in RecordingReader(part).entries()
        if isinstance(entry, RecordedSession)
    ]
    assert len(opens) > 3
    assert "(not recorded)" in opens[-1]
    assert not any("secret" in text for text in opens)


def test_the_oldest_recordings_go_first_and_foreign_files_and_others_live_ones_stay(tmp_path: Path) -> None:
    folder = tmp_path / "parts"
    folder.mkdir()
    (folder / "0-foreign.mcap").write_bytes(b"somebody's" * 10_000)
    others = McapRecorder(folder / "1-live.mcap", lambda: 1, {})
    old = fly(folder / "2-old.mcap", 5, close=False)
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    recorder = RotatingRecorder(Storage(folder, 1 << 30, 200_000), lambda: next(ticks), {})
    wait_for_children()
    assert old.exists()  # 100 kB of foreign bytes and it are less than is kept
    recorder.close()
    recorder = RotatingRecorder(Storage(folder, 1 << 30, 50_000), lambda: next(ticks), {})
    left = {path.name for path in folder.glob("*.mcap")}
    assert recorder.path is not None
    assert left == {"0-foreign.mcap", "1-live.mcap", recorder.path.name}
    wait_for_children()
    recorder.close()
    others.close()

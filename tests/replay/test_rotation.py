"""A recording in several parts: chained, nothing lost between them, and each plays by itself."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from copy import deepcopy
from itertools import count, pairwise
from pathlib import Path
from typing import Any

import pytest
from flown import Service, fly, play_through

from guidance_svc.adapters import housekeeping
from guidance_svc.adapters.calibrating import read_flights
from guidance_svc.adapters.recorder import McapRecorder
from guidance_svc.adapters.recordings import RecordedMessage, RecordedPlan, RecordedSession, RecordingReader, parts
from guidance_svc.adapters.replay import InProcess, OverSocket, replay
from guidance_svc.adapters.rotating import RotatingRecorder, Storage
from guidance_svc.errors import ConfigError, RecordingError

PART_BYTES = 40_000  # 40 exchanges of two vehicles


class Snapshots:
    """Sessions put aside and put back by copying them in memory: the recording only carries their number."""

    def __init__(self) -> None:
        self.service: Service | None = None
        self.kept: list[Any] = []

    def sessions_now(self) -> list[dict[str, str]]:
        tables = []
        for vehicle, seat in self.service.registry.seats.items() if self.service else ():
            tables.append({"vehicle": vehicle, "number": str(len(self.kept))})
            self.kept.append(deepcopy(seat))
        return tables


class Restorer:
    """Puts them back into a fresh registry; tokens are those of the flight, `secret-1` and `secret-2`."""

    def __init__(self, registry: Any, kept: list[Any]) -> None:
        self.registry, self.kept = registry, kept

    def restore(self, table: Mapping[str, str]) -> str:
        seat = deepcopy(self.kept[int(table["number"])])
        seat.link = None
        self.registry.seats[table["vehicle"]] = seat
        return {"kite-1": "secret-1", "kite-2": "secret-2"}[table["vehicle"]]

    def bind(self, link: Hashable, vehicle: str) -> None:
        self.registry.vehicles[link] = vehicle
        self.registry.seats[vehicle].link = link


def fly_in_parts(folder: Path, steps: int = 60) -> tuple[list[Path], Snapshots]:
    ticks, snapshots = count(1_700_000_000_000_000_000, 1_000_000), Snapshots()
    recorder = RotatingRecorder(
        Storage(folder, PART_BYTES), lambda: next(ticks), {"version": "test"}, snapshots.sessions_now
    )
    first = recorder.path
    assert first is not None
    snapshots.service = Service(recorder)
    play_through(snapshots.service, steps)
    recorder.close()
    wait_for_children()
    return parts(first), snapshots


def wait_for_children() -> None:
    assert [child.wait(60) for child in housekeeping._outliving] == [0] * len(housekeeping._outliving)


def messages(path: Path) -> list[RecordedMessage]:
    return [entry for entry in RecordingReader(path).entries() if isinstance(entry, RecordedMessage)]


def test_the_parts_together_hold_what_one_file_would(tmp_path: Path) -> None:
    found, _ = fly_in_parts(tmp_path / "parts")
    assert len(found) > 3
    assert found == parts(found[0])
    assert set(found) == set((tmp_path / "parts").glob("*.mcap"))
    whole = messages(fly(tmp_path / "whole.mcap"))
    together = [message for part in found for message in messages(part)]
    assert [(m.vehicle, m.type, m.link, m.message) for m in together] == [
        (m.vehicle, m.type, m.link, m.message) for m in whole
    ]


def test_each_part_begins_with_the_plans_in_use_and_the_open_sessions(tmp_path: Path) -> None:
    found, _ = fly_in_parts(tmp_path / "parts")
    for before, part in pairwise(found):
        reader = RecordingReader(part)
        entries = list(reader.entries())
        assert [type(entry) for entry in entries[:3]] == [RecordedPlan, RecordedSession, RecordedSession]
        assert [entry.vehicle for entry in entries if isinstance(entry, RecordedSession)] == ["kite-1", "kite-2"]
        assert reader.about["after"] == before.name
        assert reader.about["version"] == "test"


def test_each_part_plays_by_itself(tmp_path: Path) -> None:
    found, snapshots = fly_in_parts(tmp_path / "parts")
    compared = 0
    for part in found:
        service = Service()
        restorer = Restorer(service.registry, snapshots.kept)
        verdict = replay(part, InProcess(service.desk, service.registry, restorer))
        assert verdict.mismatch is None, verdict.mismatch.sentence()
        compared += verdict.compared
    assert compared == 2 + 2 * 60 + 4 + 1  # as test_replay counts them


def test_a_part_without_its_sessions_does_not_play_the_same(tmp_path: Path) -> None:
    # The counterpart of the test above: what is restored matters.
    found, snapshots = fly_in_parts(tmp_path / "parts")
    service = Service()
    restorer = Restorer(service.registry, [snapshots.kept[k % 2] for k in range(len(snapshots.kept))])
    assert replay(found[2], InProcess(service.desk, service.registry, restorer)).mismatch is not None


def test_a_part_that_begins_in_flight_is_refused_where_sessions_cannot_be_restored(tmp_path: Path) -> None:
    found, _ = fly_in_parts(tmp_path / "parts")
    service = Service()
    with pytest.raises(RecordingError, match="kite-1: cannot restore"):
        replay(found[1], InProcess(service.desk, service.registry))
    live = OverSocket("tcp://127.0.0.1:1")
    with pytest.raises(ConfigError, match="leave --connect out"):
        replay(found[1], live)
    live.close()


def test_the_states_of_a_later_part_are_calibrated_with_the_plan_of_its_session(tmp_path: Path) -> None:
    found, _ = fly_in_parts(tmp_path / "parts")
    flights = read_flights(found[1], print)
    assert flights["kite-1"].known.stages[0].thrust_n == 1e5
    assert len(flights["kite-1"].states) > 5


def test_no_token_is_written_at_the_head_of_a_part(tmp_path: Path) -> None:
    found, _ = fly_in_parts(tmp_path / "parts")
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

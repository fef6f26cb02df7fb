"""Finishing a recording afterwards: nothing of it changes, and a file that is in use is left alone."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import count
from pathlib import Path

import pytest
from flown import fly
from test_rotation import messages, wait_for_children

from guidance_svc.errors import RecordingError
from guidance_svc.storage import compacting, rotating
from guidance_svc.storage.compacting import compact, needs_compacting
from guidance_svc.storage.framing import is_finished
from guidance_svc.storage.recorder import McapRecorder
from guidance_svc.storage.rotating import RotatingRecorder, Storage


def test_a_killed_service_s_file_is_finished_with_all_its_whole_messages(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 10, close=False)
    path.write_bytes(path.read_bytes()[:-100])
    before = messages(path)
    assert compact(path)
    assert is_finished(path)
    assert messages(path) == before
    assert len(before) > 20


def test_a_file_that_power_failed_on_is_finished_without_its_zeros(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 3, close=False)
    before = messages(path)
    path.write_bytes(path.read_bytes() + bytes(4096))
    assert messages(path) == before
    assert compact(path)
    assert messages(path) == before


def test_what_is_compact_already_stays_as_it_is(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 3)
    data = path.read_bytes()
    assert not needs_compacting(path)
    assert not compact(path)
    assert path.read_bytes() == data


def test_a_compact_file_that_lost_its_end_is_finished_again(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 3)
    before = messages(path)
    path.write_bytes(path.read_bytes()[:-1])
    assert compact(path)
    assert messages(path) == before


def test_a_file_that_is_being_written_is_left_alone(tmp_path: Path) -> None:
    live = McapRecorder(tmp_path / "a.mcap", lambda: 1, {"version": "test"})
    live.exchange(1, "kite-1", {"type": "state", "seq": 1}, {"type": "command", "seq": 1})
    live.flush()
    data = live.path.read_bytes()
    assert not compact(live.path)
    command = [sys.executable, "-m", "guidance_svc.storage.compacting", str(tmp_path)]
    assert subprocess.run(command, timeout=60).returncode == 0  # from another process as well
    assert live.path.read_bytes() == data
    live.close()
    assert compact(live.path)


def test_a_damaged_file_stays_as_it_is(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 3, close=False)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2] + b"\xff" * 20 + data[len(data) // 2 :])
    damaged = path.read_bytes()
    with pytest.raises(RecordingError, match="damaged at byte"):
        compact(path)
    assert path.read_bytes() == damaged
    assert [p.name for p in tmp_path.iterdir()] == ["a.mcap"]


def test_a_new_file_that_does_not_read_back_does_not_replace_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = fly(tmp_path / "a.mcap", 3, close=False)
    data = path.read_bytes()
    monkeypatch.setattr(compacting, "_count_messages", lambda new: 1)
    with pytest.raises(RecordingError, match="changed by compacting"):
        compact(path)
    assert path.read_bytes() == data


def test_mode_and_time_of_the_file_stay(tmp_path: Path) -> None:
    path = fly(tmp_path / "a.mcap", 3, close=False)
    path.chmod(0o640)
    os.utime(path, ns=(10**18, 10**18))
    assert compact(path)
    assert path.stat().st_mode & 0o777 == 0o640
    assert path.stat().st_mtime_ns == 10**18


def test_a_service_that_starts_finishes_what_a_killed_one_left(tmp_path: Path) -> None:
    left = fly(tmp_path / "2020-01-01T000000Z.mcap", 5, close=False)
    before = messages(left)
    ticks = count(1_700_000_000_000_000_000)
    recorder = RotatingRecorder(Storage(tmp_path), lambda: next(ticks), {})
    assert recorder._finishing._child is not None
    wait_for_children()
    assert is_finished(left)
    assert messages(left) == before
    assert recorder.path is not None
    assert not is_finished(recorder.path)  # its own was left alone
    recorder.close()


def test_stopping_leaves_a_large_recording_to_a_process_that_outlives_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rotating, "IN_PLACE_BYTES", 0)
    monkeypatch.setattr(rotating, "compact", lambda path: pytest.fail("compacted on the way out"))
    ticks = count(1_700_000_000_000_000_000)
    recorder = RotatingRecorder(Storage(tmp_path), lambda: next(ticks), {"version": "test"})
    for seq in range(50):
        recorder.exchange(1, "kite-1", {"type": "state", "seq": seq}, {"type": "command", "seq": seq})
    path = recorder.path
    assert path is not None
    recorder.close()
    assert is_finished(path)  # valid as it is, whatever becomes of the other process
    child = recorder._finishing._child
    assert child is not None
    wait_for_children()
    assert not needs_compacting(path)
    assert [m.message["seq"] for m in messages(path)] == [seq for seq in range(50) for _ in range(2)]


def test_the_process_that_finishes_recordings_is_out_of_the_reach_of_ctrl_c(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: dict[str, object] = {}

    class Child:
        returncode = None

        def __init__(self, command: list[str], **options: object) -> None:
            given.update(options)

        def poll(self) -> int:
            return 0

        wait = poll

    monkeypatch.setattr(subprocess, "Popen", Child)
    monkeypatch.setattr(rotating, "IN_PLACE_BYTES", 0)
    ticks = count(1_700_000_000_000_000_000)
    RotatingRecorder(Storage(tmp_path), lambda: next(ticks), {}).close()
    assert given["start_new_session"] is True
    assert {given[name] for name in ("stdin", "stdout", "stderr")} == {subprocess.DEVNULL}

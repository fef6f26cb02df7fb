"""A wall clock that is set during a run, back or on, changes nothing."""

from __future__ import annotations

import ast
import time
from pathlib import Path

import pytest
from service_world import STATE

from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.service import clocks
from guidance_svc.storage import rotating
from guidance_svc.storage.rotating import RETRY_EVERY_NS, RotatingRecorder, Storage

PACKAGE = Path(clocks.__file__).parents[1]
WALL = {"time", "time_ns", "localtime", "ctime"}  # of `time`: what somebody can set
DAY_NS = 86_400_000_000_000


def wall_clock_uses(path: Path) -> list[str]:
    """Calls of a clock that can be set, in a source file."""
    calls = [node.func for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Call)]
    names = [call for call in calls if isinstance(call, ast.Attribute) and isinstance(call.value, ast.Name)]
    return [f"{path.name}:{n.lineno}" for n in names if n.value.id == "time" and n.attr in WALL]  # type: ignore[attr-defined]


def test_nothing_asks_a_clock_that_can_be_set_but_the_one_that_asks_it_once() -> None:
    found = [use for path in sorted(PACKAGE.rglob("*.py")) for use in wall_clock_uses(path)]
    assert [use.split(":")[0] for use in found] == ["clocks.py"]


@pytest.mark.parametrize("step_ns", [-DAY_NS, DAY_NS])
def test_a_recording_goes_on_after_a_full_disk_and_its_times_rise_whatever_the_wall_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step_ns: int
) -> None:
    passed, wall_ns, monotonic_ns = [0], time.time_ns(), time.monotonic_ns()
    monkeypatch.setattr(time, "monotonic_ns", lambda: monotonic_ns + passed[0])
    recorder = RotatingRecorder(Storage(tmp_path), clocks.steady_ns, {})

    def keep(seq: int) -> None:
        recorder.exchange(1, "curlew", {**STATE, "seq": seq}, {"type": "command", "seq": seq})
        recorder.flush()

    keep(1)
    monkeypatch.setattr(time, "time_ns", lambda: wall_ns + step_ns + passed[0])
    with monkeypatch.context() as full:
        full.setattr(rotating.McapRecorder, "state", "No space left on device")
        keep(2)
    assert recorder.state == "No space left on device"
    passed[0] += RETRY_EVERY_NS + 1
    recorder.flush()
    keep(3)
    assert recorder.state == "ok"
    recorder.close()
    entries = [entry for path in sorted(tmp_path.glob("*.mcap")) for entry in RecordingReader(path).entries()]
    times_ns = [entry.time_ns for entry in entries if isinstance(entry, RecordedMessage)]
    assert times_ns == sorted(times_ns)
    assert times_ns[-1] - times_ns[0] < DAY_NS

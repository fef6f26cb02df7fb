"""The rules by which a recording is read, each by what is sent, in a table."""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import Any

import pytest

from guidance_svc.playback.course import Course, Exchange
from guidance_svc.playback.recordings import RecordingReader
from guidance_svc.storage.recorder import McapRecorder

RULES: dict[str, tuple[list[Any], dict[str, Any]]] = {
    "a repeat is counted and is nothing else": ([(1, 0.0), (1, 0.0), (2, 0.5)], {"states": 2, "repeats": 1}),
    "time going back is a reload": ([(1, 0.0), (2, 0.5), (3, 0.2)], {"reloads": [(0.5, 0.2)], "skipped": 0}),
    "the very same time is no reload": ([(1, 0.0), (2, 0.0)], {"reloads": [], "states": 2}),
    "numbers left out are skipped": ([(1, 0.0), (2, 0.1), (5, 0.2)], {"skipped": 2}),
    "a script that counts by ten skips none": ([(0, 0.0), (10, 0.1), (20, 0.2)], {"skipped": 0}),
    "later than allowed by over half a second is late": ([(1, 0.0), (2, 1.0), (3, 2.1)], {"late": 1}),
    "after a resume another message of the same number is no repeat": (
        [(1, 0.0), "resume", (1, 0.4)], {"states": 2, "repeats": 0, "resumed": 1}),
    "after a resume the same message is a repeat": ([(1, 0.0), "resume", (1, 0.0)], {"states": 1, "repeats": 1}),
    "a refusal is the vehicle's": ([(1, 0.0), "refuse"], {"states": 1, "faults": 1}),
    "an open begins the next session": ([(1, 0.0), "open", (1, 0.0)], {"begun": 2, "states": 1}),
    "a session that is given up has ended": ([(1, 0.0), "give up"], {"ended": "given_up"}),
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES)
def test_each_rule(tmp_path: Path, rule: str) -> None:
    sent, wanted = RULES[rule]
    ticks = count(1)
    recorder = McapRecorder(tmp_path / "a.mcap", lambda: next(ticks), {"version": "test"})
    opening = {"type": "open", "vehicle": "kite", "plan": {"name": "up"}}
    for one in ["open", *sent]:
        if one in ("open", "resume"):
            recorder.exchange(1, "kite", opening, {"type": "opened", "vehicle": "kite", "resumed": one == "resume"})
        elif one == "refuse":
            recorder.refusal(1, "kite", b"?", {"type": "fault", "code": "garbage", "message": "no"})
        elif one == "give up":
            recorder.aside(1, "kite", "given_up")
        else:
            state = {"type": "state", "seq": one[0], "time_s": one[1]}
            recorder.exchange(1, "kite", state, {"type": "command", "seq": one[0], "next_contact_s": 0.5})
    recorder.close()
    course = Course()
    exchanges = [e for e in course.read(RecordingReader(tmp_path / "a.mcap")) if isinstance(e, Exchange)]
    assert all(exchange.reply is not None for exchange in exchanges)
    session = course.sessions["kite"]
    assert {name: getattr(session, name) for name in wanted} == wanted

"""A small part of the run with failing calls, and what it found."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.robustness import faults
from tests.robustness.faults import Fault, broken, flown, no_space

WAYS = [
    ("os.pwrite", Fault(no_space, at=30, half=True)),
    ("os.replace", Fault(broken, at=2, half=True)),
    ("recording.write", Fault(no_space, at=20, times=3, half=True)),
    ("history.take_appended", Fault(MemoryError, at=25)),
    ("history.take_unsaved", Fault(MemoryError, at=1)),  # ended the service's loop
    ("recorder.join", Fault(MemoryError, at=1)),  # a channel that was lost made the rest of the file unreadable
    ("recorder.hand_over", Fault(MemoryError, at=25)),
]


@pytest.mark.parametrize(("name", "fault"), WAYS, ids=[name for name, _ in WAYS])
def test_a_call_that_fails_costs_no_reply_and_what_is_kept_is_whole_again(
    tmp_path: Path, name: str, fault: Fault
) -> None:
    first = fault.at
    flown(tmp_path, name, fault)
    assert fault.calls >= first  # it did fail


@pytest.mark.slow
def test_whichever_call_fails_costs_no_reply() -> None:
    assert sum(faults.run(every=7).values()) > 500

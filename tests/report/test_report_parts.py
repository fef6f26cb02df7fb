"""A recording in several files: read as one from its first file on, and each file by itself."""

from __future__ import annotations

from itertools import count
from pathlib import Path

import numpy as np
import pytest

from guidance_svc.playback.recordings import parts
from guidance_svc.service.keeping import sessions_now
from guidance_svc.storage import housekeeping
from guidance_svc.storage.rotating import RotatingRecorder, Storage
from tests.replay import flown as kites
from tests.report.reported import reported

PART_BYTES = 40_000  # some forty exchanges of two vehicles, whose detail goes with every command


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """tests/replay/flown.py's two kites, recorded in parts; and beside them the same in one file."""
    folder = tmp_path_factory.mktemp("parts")
    (folder / "whole").mkdir()
    kites.fly(folder / "whole" / "one.mcap")
    ticks, services = count(1_700_000_000_000_000_000, 1_000_000), list[kites.Service]()
    recorder = RotatingRecorder(
        Storage(folder, PART_BYTES), lambda: next(ticks), {"version": "test"},
        lambda: sessions_now(services[0].registry) if services else [],
    )  # fmt: skip
    first = recorder.path
    assert first is not None
    services.append(Flushing(recorder))
    kites.play_through(services[0], 60)
    recorder.close()
    assert [child.wait(60) for child in housekeeping._outliving] == [0] * len(housekeeping._outliving)
    return parts(first)


class Flushing(kites.Service):
    """A service that hands each message over at once, as between two batches."""

    def ask(self, link: object, message: dict[str, object]) -> dict[str, object]:
        reply = super().ask(link, message)
        self.desk._recorder.flush()
        return reply


def test_the_first_file_leads_to_the_whole_flight(files: list[Path]) -> None:
    assert len(files) > 3
    recording, flights = reported(files[0])
    _, whole = reported(files[0].parent / "whole" / "one.mcap")
    assert recording.files == files
    assert recording.remarks == []
    for (flown, _), (other, _) in zip(flights, whole, strict=True):
        assert flown.name == other.name
        np.testing.assert_array_equal(flown.track.positions_m, other.track.positions_m)
        np.testing.assert_array_equal(flown.replies.velocity_to_gain_m_s, other.replies.velocity_to_gain_m_s)


def test_a_later_file_is_reported_from_where_it_begins(files: list[Path]) -> None:
    recording, flights = reported(files[2])
    _, whole = reported(files[0])
    assert recording.files == files[2:]
    assert recording.orphans == {}
    others = {other.name: other for other, _ in whole}
    assert {flown.name for flown, _ in flights} == set(others)
    for flown, _ in flights:
        other = others[flown.name]
        rest = other.track.times_s >= flown.track.times_s[0]
        assert 1 < rest.sum() < len(rest)
        np.testing.assert_array_equal(flown.track.positions_m, other.track.positions_m[rest])

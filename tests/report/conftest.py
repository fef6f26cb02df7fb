"""Recorded flights for all report tests: they take seconds to fly."""

from __future__ import annotations

from pathlib import Path

import pytest

from guidance_svc.playback.report_reading import Recording
from guidance_svc.report.burns import Burns
from guidance_svc.report.flown import Flown
from guidance_svc.report.page import report_page
from tests.report.reported import ABOUT, Tanker, reported


@pytest.fixture(scope="session")
def tanker(recorded_tanker: Tanker) -> Tanker:
    """Bargeman to Lagoon, recorded with detail."""
    return recorded_tanker


@pytest.fixture(scope="session")
def tanker_read(tanker: Tanker) -> tuple[Recording, Flown, Burns]:
    """The same as a report reads it."""
    recording, ((flown, burns),) = reported(tanker.path)
    return recording, flown, burns


@pytest.fixture(scope="session")
def tanker_page(tanker_read: tuple[Recording, Flown, Burns]) -> str:
    """The report of two vehicles, drawn once."""
    _, flown, burns = tanker_read
    return report_page(ABOUT, [(flown, burns), (flown, burns)])


@pytest.fixture(scope="session")
def kite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An insertion and 5 s of coast in a turning left-handed frame; beside it what a kill in mid-flight leaves."""
    from tests.report.test_calibrate_command import record

    return record(tmp_path_factory.mktemp("kite") / "kite.mcap")


@pytest.fixture(scope="session")
def kite_read(kite: Path) -> tuple[Recording, Flown, Burns]:
    """The kite's flight as a report reads it, played again for what was not recorded."""
    recording, ((flown, burns),) = reported(kite)
    return recording, flown, burns

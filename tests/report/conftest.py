"""One recorded flight for all report tests: it takes seconds to fly."""

from __future__ import annotations

import pytest

from guidance_svc.playback.report_reading import Recording
from guidance_svc.report.burns import Burns
from guidance_svc.report.flown import Flown
from tests.report.reported import Tanker, fly_tanker, reported


@pytest.fixture(scope="session")
def tanker(tmp_path_factory: pytest.TempPathFactory) -> Tanker:
    """Bargeman to Lagoon, recorded without detail."""
    return fly_tanker(tmp_path_factory.mktemp("report") / "tanker.mcap")


@pytest.fixture(scope="session")
def tanker_read(tanker: Tanker) -> tuple[Recording, Flown, Burns]:
    """The same as a report reads it."""
    recording, ((flown, burns),) = reported(tanker.path)
    return recording, flown, burns

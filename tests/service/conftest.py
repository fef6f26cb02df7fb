"""Fixtures of the service tests."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from scripted_sessions import ScriptedSessions
from service_world import Running, small_library

from guidance_svc.files.settings import Limits
from guidance_svc.service.access import Access
from guidance_svc.service.desk import Desk


@pytest.fixture
def sessions() -> ScriptedSessions:
    return ScriptedSessions()


@pytest.fixture
def desk(sessions: ScriptedSessions) -> Desk:
    return Desk(sessions, small_library())


@pytest.fixture
def run_server(sessions: ScriptedSessions, tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """Starts a server with the given limits; stopped at the end of the test."""
    running: list[Running] = []

    def start(access: Access | None = None, clock_s: Callable[[], float] = time.perf_counter, **limits: Any) -> Running:
        path = tmp_path / f"run{len(running)}.mcap"
        running.append(Running(sessions, path, Limits(**limits), access, clock_s))
        return running[-1]

    yield start
    for server in running:
        server.stop()

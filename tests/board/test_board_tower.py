"""Towers for people: the board, the table of the terminal and the report of a recording that holds one."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from guidance_svc.board.feed import Feed
from guidance_svc.board.terminal import Rows
from guidance_svc.files.config_files import Library
from guidance_svc.playback.report_reading import read_recording
from guidance_svc.playback.reporting import flights_of
from tests.replay.tower_flight import STATES, record


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("tower") / "flight.mcap")


def moments(recorded: Path) -> dict[str, dict[str, Any]]:
    feed = Feed(recorded, Library(), live=False)
    while feed.look():
        pass
    feed.tail.close()
    return {moment["vehicle"]: moment for moment in map(json.loads, feed.since(0))}


def test_the_board_shows_a_tower_with_its_arrivals_beside_the_vehicles(recorded: Path) -> None:
    shown = moments(recorded)
    assert list(shown) == ["heron", "tower"]
    assert shown["heron"]["altitude_m"] == pytest.approx(15.0, abs=1.0)  # its site is 12 m up, its legs 3 m below it
    tower = shown["tower"]
    assert (tower["phase"], tower["verdict"], tower["role"]) == ("receive", "good", "tower")
    assert len(tower["arrivals"]) == 1
    assert tower["arrivals"][0].startswith("heron caught at 2")
    assert tower["arrivals"][0].endswith(" m, ready")


def test_the_terminal_counts_a_towers_arrivals(recorded: Path) -> None:
    rows, console = Rows(recorded, Library(), live=False), Console(width=200, file=StringIO())
    rows.look()
    rows.close()
    console.print(rows.table(width=200))
    row = next(line for line in console.file.getvalue().splitlines() if "tower" in line)  # type: ignore[attr-defined]
    assert "receive" in row
    assert "clear" in row
    assert "arrivals 1" in row


def test_a_report_draws_the_vehicle_and_tells_of_the_tower(recorded: Path) -> None:
    recording = read_recording(recorded)
    assert [flown.vehicle for flown in flights_of(recording)] == ["heron"]
    (remark,) = recording.remarks
    assert remark.startswith(f"tower is a tower, with {len(STATES)} states; its arrivals: heron caught at 2")

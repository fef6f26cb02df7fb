"""What the board shows of a vehicle that lands: its forecast, its tower, its other sites; nothing where none is told.

Recordings are written by hand; what a number should be follows from how they are made.
"""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from board_recordings import MU_M3_S2, PLAN, RADIUS_M, Writer, library
from rich.console import Console

from guidance_svc.board.feed import Feed
from guidance_svc.board.terminal import OF_LANDING, OF_ORBITS, Rows

HEIGHT_M, EAST_M = 800.0, 30.0
LANDS: dict[str, Any] = {
    "name": "climb", "body": {"name": "still", "mu_m3_s2": MU_M3_S2, "radius_m": RADIUS_M}, "gravity": "sphere",
    "vehicle": PLAN["vehicle"] | {"legs_below_m": 5.0},
    "landing": {"name": "Samphire", "latitude_deg": 0.0, "longitude_deg": 0.0},
    "phases": [{"law": "descent", "planned_throttle": 1.0}],
}  # fmt: skip
STATE = {
    "type": "state", "seq": 1, "time_s": 10.0, "mass_kg": 3000.0, "stage": 1, "engine_on": True,
    "position_m": [RADIUS_M + 5.0 + HEIGHT_M, EAST_M, 0.0], "velocity_m_s": [-80.0, 0.0, 0.0],
}  # fmt: skip
FORECAST = {
    "contact_in_s": 8.25, "miss_m": 0.42, "speed_m_s": 0.31, "throttle": 0.9, "margin": 0.1,
    "propellant_left_kg": 220.0, "noise_m": 0.0, "noise_m_s": 0.0,
}  # fmt: skip
DETAIL = dict.fromkeys(
    ("velocity_to_gain_m_s", "present_orbit", "predicted_orbit", "radius_spread_m", "height_spread_m",
     "propellant_margin_kg", "exhaust_velocity_m_s", "mass_flow_kg_s", "solver_residual")
) | {"landing": FORECAST}  # fmt: skip


def landing(path: Path, **command: Any) -> Path:
    """One state of a landing and its reply."""
    writer = Writer(path)
    writer.open("kite", keys=LANDS)
    burning = {"phase": "descent", "cut_on_contact": True, "time_to_cutoff_s": 8.5, "cutoff_at_s": 18.5}
    writer.pair("kite", STATE, **{**burning, "detail": DETAIL, **command})
    return writer.abandon()


def shown(path: Path) -> dict[str, Any]:
    """The newest moment."""
    feed = Feed(path, library(), False)
    with closing(feed.tail):
        while feed.look(1000):
            pass
        moment: dict[str, Any] = json.loads(feed.since(0)[0])
        return moment


def table(path: Path, width: int = 160) -> str:
    """The terminal's table as plain text."""
    rows, console = Rows(path, library(), live=False), Console(width=width, force_terminal=False)
    with closing(rows), console.capture() as capture:
        rows.look()
        console.print(rows.table(None, width))
    return capture.get()


def test_a_landing_shows_its_forecast_and_where_it_is(tmp_path: Path) -> None:
    told = shown(landing(tmp_path / "a.mcap", engines=1))["landing"]
    assert (told["miss_m"], told["contact_speed_m_s"], told["asked_speed_m_s"]) == (0.42, 0.31, 0.3)
    assert (told["contact_in_s"], told["throttle_margin"], told["left_kg"]) == (8.25, 0.1, 220.0)
    assert told["height_m"] == pytest.approx(HEIGHT_M, abs=1e-3)
    assert told["level_m"] == pytest.approx(EAST_M, abs=1e-3)
    assert (told["engines"], told["clearance"], told["decide_in_s"], told["diverts"]) == (1, None, None, [])


def test_before_the_burn_it_shows_when_it_is_lit(tmp_path: Path) -> None:
    lit = {"id": "0-1-ignite", "name": "ignite", "at_s": 12.5}
    moment = shown(landing(tmp_path / "a.mcap", engine_on=False, event=lit))
    assert moment["landing"]["ignition_in_s"] == 2.5
    assert shown(landing(tmp_path / "b.mcap"))["landing"]["ignition_in_s"] is None


def test_what_the_tower_said_is_shown_and_is_something_to_look_at(tmp_path: Path) -> None:
    reach = {"centre_east_m": 0.0, "centre_north_m": 0.0, "half_along_m": 90.0, "half_across_m": 80.0,
             "along_heading_deg": 0.0, "inside_m": 77.0}  # fmt: skip
    diverts = [{"site": "Mudflat", "in_reach": True, "decide_at_s": 13.0, "extra_kg": 150.4},
               {"site": "Cinder Shoal", "in_reach": False, "decide_at_s": None, "extra_kg": None}]  # fmt: skip
    towered = {"clearance": "not_ready", "decide_at_s": 13.0, "detail": DETAIL | {"reach": reach, "divert": diverts}}
    path = landing(tmp_path / "a.mcap", **towered)
    moment = shown(path)
    assert (moment["verdict"], moment["word"]) == ("look", "tower not ready")
    told = moment["landing"]
    assert (told["decide_in_s"], told["inside_reach_m"]) == (3.0, 77.0)
    assert told["diverts"] == ["Mudflat +150 kg", "Cinder Shoal out of reach"]
    assert "tower not ready" in table(path)
    ready = shown(landing(tmp_path / "b.mcap", clearance="ready"))
    assert (ready["verdict"], ready["landing"]["clearance_word"]) == ("good", "tower ready")


def test_without_detail_what_guidance_predicts_is_left_out(tmp_path: Path) -> None:
    told = shown(landing(tmp_path / "a.mcap", detail=None))["landing"]
    assert (told["miss_m"], told["contact_speed_m_s"], told["throttle_margin"]) == (None, None, None)
    assert told["contact_in_s"] == 8.5  # the cutoff's, which is told to all


def test_the_terminals_table_has_a_landings_numbers_in_the_place_of_an_orbits(tmp_path: Path) -> None:
    text = table(landing(tmp_path / "a.mcap"))
    assert OF_LANDING in text
    assert not any(name in text for name in OF_ORBITS)
    assert "in 0:08.2, 0.4 m, 0.31 m/s, throttle 10 %" in text
    assert len(table(landing(tmp_path / "b.mcap"), 60).splitlines()) == 2


def test_a_vehicle_that_has_landed_or_does_not_land_shows_none_of_it(tmp_path: Path) -> None:
    assert shown(landing(tmp_path / "a.mcap", status="complete", engine_on=False))["landing"] is None
    writer = Writer(tmp_path / "b.mcap")
    writer.open("kite")
    writer.pair("kite", STATE)
    path = writer.abandon()
    assert shown(path)["landing"] is None
    assert OF_LANDING not in table(path)

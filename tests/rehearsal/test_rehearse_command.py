"""`guidance-svc rehearse`: what it prints, its exit codes, its refusals, and the recording that the others read."""

from __future__ import annotations

from dataclasses import replace
from math import asin, atan2, cos, degrees, radians, sin, sqrt
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.core.frames import local_from_bci
from guidance_svc.core.vectors import dot
from guidance_svc.domain import Frame
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.command import Ask
from guidance_svc.rehearsal.disturbances import Disturbances
from guidance_svc.rehearsal.outcome import firsts
from guidance_svc.rehearsal.starts import at_separation, at_start
from guidance_svc.sim.state import World
from guidance_svc.sim.weather import Weather

STAGE = """
[vehicle]
name = "upper"
[[vehicle.stages]]
name = "only"
dry_mass_kg = 4000.0
propellant_kg = {propellant}
thrust_n = 300e3
exhaust_velocity_m_s = 4300.0
"""
PLAN = """
body = "earth"
gravity = "j2"
[target]
perigee_altitude_km = 200.0
apogee_altitude_km = 260.0
plane = "inclination"
inclination_deg = 30.0
[[phases]]
law = "insertion"
[[phases]]
law = "orbit"
"""


def plan_file(folder: Path, propellant_kg: float = 15000.0) -> str:
    """An upper stage's flight of some three minutes; invented."""
    path = folder / "up.toml"
    path.write_text(PLAN + STAGE.format(propellant=propellant_kg), encoding="utf-8")
    return str(path)


def rehearse(*arguments: str) -> Any:
    return CliRunner().invoke(app, ["rehearse", *arguments])


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    folder = tmp_path_factory.mktemp("rehearsed")
    return rehearse(plan_file(folder), "--rate", "2", "--out", str(folder / "out")), folder / "out"


def test_the_story_and_the_orbit_are_told(flown: tuple[Any, Path]) -> None:
    told, _ = flown
    assert told.exit_code == 0, told.output
    for words in ("phase insertion", "ignite", "cutoff", "perigee", "propellant left", "flown as planned"):
        assert words in told.output, words


def test_the_recording_plays_again_to_the_same_replies(flown: tuple[Any, Path]) -> None:
    _, folder = flown
    (recording,) = folder.glob("*.mcap")
    assert str(recording) in flown[0].output
    again = CliRunner().invoke(app, ["replay", str(recording)])
    assert again.exit_code == 0, again.output


@pytest.mark.slow
def test_report_and_calibrate_read_the_recording(flown: tuple[Any, Path], tmp_path: Path) -> None:
    (recording,) = flown[1].glob("*.mcap")
    for command in (["report", str(recording), "--out", str(tmp_path / "report"), "--no-replay"],
                    ["calibrate", str(recording), "--out", str(tmp_path / "measured.toml")]):  # fmt: skip
        done = CliRunner().invoke(app, command)
        assert done.exit_code == 0, done.output


def test_a_vehicle_without_enough_propellant_is_told_with_exit_code_1(tmp_path: Path) -> None:
    told = rehearse(plan_file(tmp_path, 9000.0), "--rate", "1")
    assert told.exit_code == 1
    assert "NOT AS PLANNED" in told.output
    assert "short_of_propellant" in told.output or "unreachable" in told.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--rate", "0"), "--rate: bad value; expected above 0, at most 1000 (states a second); got 0.0"),
        (("--lost-percent", "100"), "--lost-percent: bad value; expected 0 or more, below 100 (%); got 100"),
        (("--engine-loss-percent", "30"), "--engine-loss-at-s: bad value"),
        (("--engine-loss-at-s", "30"), "and --engine-loss-percent with it"),
        (("--noise-m", "-1"), "--noise-m: bad value; expected 0 or more (m); got -1"),
        (("--carries", "nothing"), "unknown name"),
        (("--wind-east-m-s", "2000"), "expected -1000 to 1000 (m/s); got (0.0, 2000.0)"),
        (("--wind-north-m-s", "nan"), "expected -1000 to 1000 (m/s); got (nan, 0.0)"),
        (("--gust-m-s", "-1"), "--gust-m-s: bad value; expected 0 to 1000 (m/s); got -1"),
        (("--density-percent", "-101"), "--density-percent: bad value"),
        (("--drag-percent", "901"), "--drag-percent: bad value"),
        (("--ignition-s", "61"), "--ignition-s: bad value"),
        (("--lag-s", "-1"), "--lag-s: bad value"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(arguments: tuple[str, ...], words: str, tmp_path: Path) -> None:
    told = rehearse(plan_file(tmp_path), *arguments)
    assert told.exit_code == 2
    assert words in told.output
    assert "Traceback" not in told.output


def test_air_and_engines_that_are_off_come_to_the_vehicle(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Ask] = []

    def run(library: Any, ask: Ask, say: Any) -> int:
        asked.append(ask)
        return 0

    monkeypatch.setattr("guidance_svc.rehearsal.command.run_rehearsal", run)
    air = ("--wind-north-m-s", "8", "--gust-m-s", "2", "--density-percent", "-10", "--drag-percent", "15")
    assert rehearse(plan_file(tmp_path), *air, "--seed", "5", "--ignition-s", "0.1", "--lag-s", "0.2").exit_code == 0
    assert rehearse(plan_file(tmp_path)).exit_code == 0
    wrong, right = (ask.disturbances for ask in asked)
    assert wrong.weather == Weather(((0.0, 8.0, 0.0),), 2.0, seed=5, density_frac=0.9, drag_frac=1.15)
    assert (wrong.ignition_s, wrong.lag_s) == (0.1, 0.2)
    assert right == Disturbances()


def test_an_unknown_plan_and_a_folder_that_cannot_be_written_to_are_refused(tmp_path: Path) -> None:
    told = rehearse("curlew_to_lagon")
    assert told.exit_code == 2
    assert "did you mean curlew_to_lagoon" in told.output
    (tmp_path / "file").write_text("", encoding="utf-8")
    told = rehearse(plan_file(tmp_path), "--out", str(tmp_path / "file"))
    assert told.exit_code == 2
    assert "--out" in told.output


@pytest.fixture(scope="module")
def landed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    folder = tmp_path_factory.mktemp("landed")
    return rehearse("heron_approach", "--rate", "10", "--out", str(folder)), folder


def test_a_landing_begins_at_its_start_and_is_told_with_its_contact(landed: tuple[Any, Path]) -> None:
    told, folder = landed
    assert told.exit_code == 0, told.output
    for words in ("phase descent", "contact, Pale Landing", "downward speed", "within 2 m and 1 m/s of the contact"):
        assert words in told.output, words
    (recording,) = folder.glob("*.mcap")
    again = CliRunner().invoke(app, ["replay", str(recording)])
    assert again.exit_code == 0, again.output


def test_a_landing_off_its_place_is_not_as_planned() -> None:
    told = rehearse("heron_approach", "--rate", "5", "--miss-m", "1e-9")
    assert told.exit_code == 1
    assert "NOT AS PLANNED" in told.output
    assert "miss at contact" in told.output


def test_a_warning_whose_numbers_change_is_told_once() -> None:
    told = {"40 m beyond reach, 3.1 m/s": 2.0, "no word from the tower": 2.5, "38 m beyond reach, 3.0 m/s": 4.0}
    assert list(firsts(told)) == [
        ("40 m beyond reach, 3.1 m/s (later: 38 m beyond reach, 3.0 m/s, at 4.00 s)", 2.0),
        ("no word from the tower", 2.5),
    ]


def test_a_start_stands_where_its_table_says() -> None:
    """Distance and bearing by the haversine formula (standard spherical trigonometry), speeds by the local triad."""
    library = load_library(default_folder())
    plan = library.plan("heron_approach", "upper_stage")
    assert plan.landing is not None
    assert plan.start is not None
    start = replace(plan.start, distance_m=80e3, bearing_rad=radians(60.0))
    world = World(plan.body, plan.vehicle, meridian_at_zero_rad=0.4)
    state = at_start(plan, plan.landing, start, world)
    told = local_from_bci(
        state.position_m, state.velocity_m_s, Frame(meridian_at_zero_rad=0.4, up="geodetic"), plan.body, state.time_s
    )
    site, radius = plan.landing.site, plan.body.radius_m
    a, b = site.latitude_rad, told.latitude_rad
    east = told.longitude_rad - site.longitude_rad
    half = sin((b - a) / 2) ** 2 + cos(a) * cos(b) * sin(east / 2) ** 2
    assert 2 * radius * asin(sqrt(half)) == pytest.approx(80e3, abs=1e-3)
    bearing = atan2(sin(east) * cos(b), cos(a) * sin(b) - sin(a) * cos(b) * cos(east))
    assert degrees(bearing) == pytest.approx(60.0, abs=1e-6)
    assert told.altitude_m == pytest.approx(2000.0, abs=1e-3)
    assert (told.vertical_speed_m_s, told.east_speed_m_s) == pytest.approx((-42.0, 55.0), abs=1e-6)
    assert dot(state.pointing, state.velocity_m_s) < 0.0  # against its motion: it falls
    assert state.propellant_kg == (3000.0,)


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"site": {"name": "pad", "latitude_deg": 1.0, "longitude_deg": 1.0}}, "start"),
        ({"start": {"height_m": 10.0, "propellant_kg": 6000.0}}, "start.propellant_kg"),
        ({"start": {"height_m": -1.0}}, "start.height_m"),
        ({"start": {"height_m": 3.0}}, "start.height_m"),  # where the feet are in the ground
    ],
)
def test_a_start_that_cannot_be_is_refused(more: dict[str, Any], field: str) -> None:
    library = load_library(default_folder())
    with pytest.raises(ConfigError) as refusal:
        library.plan(library.inlined("heron_approach") | more, "upper_stage")
    assert refusal.value.field == field


def test_a_plan_that_only_lands_is_asked_for_its_start() -> None:
    library = load_library(default_folder())
    table = library.inlined("heron_approach")
    table.pop("start")
    with pytest.raises(ConfigError) as refusal:
        at_separation(library.plan(table, "upper_stage"))
    assert refusal.value.field == "start"

"""The command: recording in, page, PNG, CSV and orbit messages out; and what it says to bad input."""

from __future__ import annotations

import csv
import random
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from guidance_svc.cli import app
from guidance_svc.constants import CAUTION
from guidance_svc.playback import report_files
from guidance_svc.playback.report_reading import Recording
from guidance_svc.report.burns import Burns
from guidance_svc.report.flown import Flown, Said
from guidance_svc.report.page import report_page
from tests.replay import flown as kites
from tests.report.reported import ABOUT, Service, reported
from tests.report.test_plots import Links

Read = tuple[Recording, Flown, Burns]


@pytest.fixture
def no_plots(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the extra `report` were not installed."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["report", *map(str, arguments)])


def test_the_command_writes_one_page_and_the_files_that_were_asked_for(kite: Path, tmp_path: Path) -> None:
    result = run(kite, "--out", tmp_path, "--csv", "--odm")
    assert result.exit_code == 0, result.stderr
    names = {"report.html", "kite-1.png", "kite-1.csv", "kite-1.opm", "kite-1.oem"}
    assert {path.name for path in tmp_path.iterdir()} == names
    assert {Path(line).name for line in result.stdout.splitlines()} == names
    assert (tmp_path / "kite-1.png").read_bytes().startswith(b"\x89PNG\r\n")
    page = (tmp_path / "report.html").read_text()
    states = len(report_files.read_recording(kite).sessions[0].states)
    for text in (CAUTION, "kite-1", "Where the ideal velocity went", "Propellant by stage", "Link", "Events",
                 f"{states} of {states} came out the same", "prefers-color-scheme: dark", "@media print"):  # fmt: skip
        assert text in page


def test_the_page_fetches_nothing_and_every_plot_is_well_formed(tanker_page: str) -> None:
    links = Links()
    links.feed(tanker_page)
    assert links.fetched == []
    assert "<script" not in tanker_page
    figures = [part.split("</svg>")[0] for part in tanker_page.split("<svg ")[1:]]
    assert len(figures) > 40
    for figure in figures:
        root = ElementTree.fromstring(f"<svg {figure}</svg>")
        assert root.get("aria-label")


def test_the_same_recording_gives_the_same_page(kite: Path) -> None:
    pages = {report_page(ABOUT, reported(kite, again=False)[1]) for _ in range(2)}
    assert len(pages) == 1


def test_whatever_text_a_recording_holds_is_shown_and_never_acted_on(kite: Path) -> None:
    _, ((flown, _),) = reported(kite, again=False)
    evil = '<img src=x onerror="alert(1)">$\\frac{1}$'
    stages = tuple(replace(stage, name=evil) for stage in flown.plan.vehicle.stages)
    odd = replace(
        flown, vehicle=evil, plan=replace(flown.plan, name=evil, vehicle=replace(flown.plan.vehicle, stages=stages)),
        warnings=(Said(evil, 1, None, None),), notes=(evil,),
        link=replace(flown.link, faults=(Said(evil, 1, 2.0, 3.0),)),
        replies=replace(flown.replies, phase=tuple(evil for _ in flown.replies.phase)),
        events=tuple(replace(event, name=evil) for event in flown.events),
    )  # fmt: skip
    about = replace(ABOUT, recording=evil, version=evil, remarks=(evil,), strangers=(Said(evil, 1, None, None),))
    page = report_page(about, [(odd, Burns(odd)), (odd, Burns(odd))])
    assert "<img" not in page
    assert page.count("&lt;img src=x") > 10


def test_file_names_are_safe_and_do_not_collide(tanker_read: Read) -> None:
    _, flown, _ = tanker_read
    vehicles = ("../../etc/passwd", "Kite", "KITE", "<>", "a" * 300)
    names = report_files.file_names([replace(flown, vehicle=name) for name in vehicles])
    assert names[:4] == ["etc_passwd", "Kite", "KITE_", "vehicle"]
    assert len(names[4]) == 64
    assert report_files.file_names([replace(flown, number=2, of=3)]) == ["Bargeman-2"]


def test_the_csv_holds_every_state_to_the_last_bit_with_units_in_its_columns(
    kite: Path, tmp_path: Path, no_plots: None
) -> None:
    result = run(kite, "--out", tmp_path, "--csv", "--no-replay")
    assert result.exit_code == 0, result.stderr
    with (tmp_path / "kite-1.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    _, ((flown, _),) = reported(kite, again=False)
    assert len(rows) == len(flown.seqs)
    units = ("_s", "_m", "_m_s", "_kg", "_kg_s", "_n", "_pa", "_deg", "_frac", "_utc")
    without = {"seq", "phase", "status", "stage", "engine_on", "mach"}
    assert {name for name in rows[0] if not name.endswith(units)} == without
    for k in (0, len(rows) // 2, len(rows) - 1):
        told = [float(rows[k][f"position_{axis}_m"]) for axis in "xyz"]
        assert told == flown.track.positions_m[k].tolist()
    assert rows[-1]["velocity_to_gain_m_s"] == ""  # not played again, so not known
    assert float(rows[-1]["perigee_altitude_m"]) == flown.perigee_altitude_m[-1]


@pytest.mark.parametrize("package", ["matplotlib", "jinja2"])
def test_without_the_extra_it_says_how_to_get_it_and_writes_what_needs_none(
    kite: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, package: str
) -> None:
    monkeypatch.setitem(sys.modules, package, None)
    result = run(kite, "--out", tmp_path / "a", "--no-replay")
    assert result.exit_code == 2
    assert "pip install '.[report]'" in result.stderr
    result = run(kite, "--out", tmp_path / "b", "--no-replay", "--odm")
    assert result.exit_code == 0
    assert "pip install '.[report]'" in result.stdout
    assert {path.name for path in (tmp_path / "b").iterdir()} == {"kite-1.opm", "kite-1.oem"}


def test_a_recording_cut_short_is_reported_up_to_the_cut_and_says_so(kite: Path, tmp_path: Path) -> None:
    result = run(kite.with_name("killed.mcap"), "--out", tmp_path, "--no-replay")
    assert result.exit_code == 0, result.stderr
    assert "cut short" in result.stdout
    page = (tmp_path / "report.html").read_text()
    assert "cut short" in page
    assert "Not finished" in page


@pytest.mark.parametrize(
    ("content", "arguments", "text"),
    [
        (None, [], "cannot read"),
        (b"", [], "empty recording"),
        (b"not a recording at all", [], "foreign recording"),
        ("whole", ["--vehicle", "gull"], "one of kite-1"),
        ("whole", ["--epoch", "soon", "--odm"], "a date in UTC"),
    ],
)
def test_bad_input_gets_one_sentence_and_exit_code_2(
    kite: Path, tmp_path: Path, content: bytes | str | None, arguments: list[str], text: str
) -> None:
    path = kite if content == "whole" else tmp_path / "bad.mcap"
    if isinstance(content, bytes):
        path.write_bytes(content)
    result = run(path, "--out", tmp_path / "out", *arguments)
    assert result.exit_code == 2
    assert text in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_a_folder_that_cannot_be_made_is_named(kite: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    result = run(kite, "--out", tmp_path / "file", "--no-replay")
    assert result.exit_code == 2
    assert "a folder that can be written to" in result.stderr


def test_a_recording_without_states_says_so(tmp_path: Path) -> None:
    service = Service(tmp_path / "none.mcap", kites.library())
    service.ask(1, kites.open_message("kite"))
    service.recorder.close()
    result = run(tmp_path / "none.mcap", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "kite with 0" in result.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("seed", range(12))
def test_damaged_bytes_never_lead_to_a_traceback(kite: Path, tmp_path: Path, seed: int, no_plots: None) -> None:
    """Cut anywhere, and with some bytes changed: a report or a sentence."""
    draw = random.Random(seed)
    data = bytearray(kite.with_name("killed.mcap").read_bytes())
    del data[draw.randrange(8, len(data)) :]
    for _ in range(draw.choice((0, 1, 8))):
        data[draw.randrange(8, len(data))] = draw.randrange(256)
    path = tmp_path / "damaged.mcap"
    path.write_bytes(data)
    result = run(path, "--out", tmp_path / "out", "--csv", "--odm", "--no-replay")
    assert result.exit_code in (0, 2), result.exception
    assert result.exit_code == 0 or len(result.stderr.splitlines()) == 1


def test_a_flight_without_any_burn_and_one_on_an_escape_path_have_pages(kite: Path) -> None:
    _, ((flown, _),) = reported(kite, again=False)
    track = flown.track
    off, full = np.zeros(len(track.times_s), dtype=bool), np.full(len(track.times_s), 1000.0)
    still = replace(flown, track=replace(track, engine_on=off, masses_kg=full, stage=off.astype(int)))
    assert "No burn in this recording" in report_page(ABOUT, [(still, Burns(still))])
    away = replace(flown, track=replace(track, velocities_m_s=3.0 * track.velocities_m_s))
    assert "escape" in report_page(ABOUT, [(away, Burns(away))])


@pytest.mark.slow
def test_states_and_rows_are_not_kept_longer_than_they_are_needed(
    kite: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 100,000 states they are 150 MB: none is left while the page is drawn, and the CSV is never whole."""
    left: list[int] = []
    written = report_files.write_files

    def looked_at(wanted: report_files.Wanted, recording: Recording, *others: object) -> object:
        left.append(sum(len(session.states) + len(session.commands) for session in recording.sessions))
        left.append(len(recording.asked))
        return written(wanted, recording, *others)  # type: ignore[arg-type]

    monkeypatch.setattr(report_files, "write_files", looked_at)
    monkeypatch.setattr("guidance_svc.report.csv_text.PIECE_ROWS", 7)
    result = run(kite, "--out", tmp_path, "--csv")
    assert result.exit_code == 0, result.stderr
    assert left == [0, 0]
    flown = report_files.read_recording(kite).sessions[0]
    rows = list(csv.DictReader(next(tmp_path.glob("*.csv")).read_text("utf-8").splitlines()))
    assert [float(row["time_s"]) for row in rows] == [state.time_s for state in flown.states]
    assert len(rows) > 7

"""The demo as the user runs it: separate processes over sockets, a table, a recording, a page; and clean failures."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from mcap.reader import make_reader

from guidance_svc.constants import CAUTION
from guidance_svc.demo.children import ChildError, Children
from guidance_svc.demo.missions import MISSIONS, clients_folder
from guidance_svc.demo.running import run_demo, speed_of
from guidance_svc.errors import ConfigError
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader

Demo = tuple[Path, dict[str, Any], str]
SLEEPER = ["-c", "import time; print('up', flush=True); time.sleep(600)"]
PATIENCE_S = 60.0  # only a bound for a hang; nothing is measured


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """Output folder, JSON on standard output, text on standard error of one whole demo."""
    out = tmp_path_factory.mktemp("demo")
    command = [sys.executable, "-m", "guidance_svc", "demo", "--json", "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=1800, check=False)
    assert done.returncode == 0, done.stderr
    return out, json.loads(done.stdout), done.stderr


@pytest.mark.slow
def test_all_vehicles_arrive_as_exactly_as_the_guidance_promises(flown: Demo) -> None:
    """20 m at insertion, 50 m between the apsides of a circle, 2 m and 1 m/s on legs: the project's own limits."""
    rows = {(r["vehicle"], r["moment"], r["quantity"]): r for r in flown[1]["rows"]}
    for vehicle in ("Curlew", "Bargeman"):
        for quantity in ("perigee", "apogee"):
            assert abs(rows[vehicle, "insertion", quantity]["error"]) < 20.0, (vehicle, quantity)
        assert rows[vehicle, "circular", "apogee less perigee"]["error"] < 50.0, vehicle
        assert rows[vehicle, "end", "propellant left"]["achieved"] > 0.0
    assert abs(rows["Sandpiper", "separation", "propellant kept"]["error"]) < 1.0
    for vehicle, place in (("Sandpiper", "Mudflat"), ("Sandpiper-2", "Samphire")):  # the latter's tower is not ready
        at = f"contact, {place}"
        assert rows[vehicle, at, "miss"]["achieved"] < 2.0
        assert abs(rows[vehicle, at, "downward speed"]["error"]) < 1.0
        assert rows[vehicle, at, "speed across"]["achieved"] < 1.0
        assert rows[vehicle, at, "propellant left"]["achieved"] > 0.0


@pytest.mark.slow
def test_each_vehicle_has_a_line_for_each_phase_and_the_caution_comes_first(
    flown: Demo,
) -> None:
    lines = flown[2].splitlines()
    assert lines[0] == CAUTION
    told = {tuple(line.split()[i] for i in (0, -1)) for line in lines[1:] if not line.startswith("waiting for")}
    home = ("fall", "entry_burn", "descent", "done")
    expected = {("Sandpiper", p) for p in ("hold", "boost", *home)} | {("Sandpiper-2", p) for p in ("boostback", *home)}
    expected |= {(tower, p) for tower in ("Mudflat", "Saltmarsh") for p in ("receive", "done")}
    expected |= {("Curlew", p) for p in ("insertion", "coast", "circularize", "done")}
    expected |= {("Bargeman", p) for p in ("hold", "boost", "insertion", "coast", "circularize", "done")}
    assert told == expected


@pytest.mark.slow
def test_the_recording_holds_every_vehicles_states_and_commands(flown: Demo) -> None:
    """Read by the mcap library's own reader."""
    with Path(flown[1]["recording"]).open("rb") as file:
        summary = make_reader(file).get_summary()
    assert summary is not None
    assert summary.statistics is not None
    counts = {c.topic.casefold(): summary.statistics.channel_message_counts[c.id] for c in summary.channels.values()}
    for mission in MISSIONS:
        name = mission.vehicle.casefold()
        assert counts[f"/{name}/state"] == counts[f"/{name}/command"] > (10 if mission.role == "tower" else 100)


@pytest.mark.slow
def test_the_page_shows_the_table_and_the_caution(flown: Demo) -> None:
    page = Path(flown[1]["page"]).read_text(encoding="utf-8")
    assert CAUTION in page
    assert page.count("<svg") == 2


GIVES_UP = f"""
import sys
sys.path.insert(0, {str(clients_folder() / "examples")!r})
import fly_booster

class Impatient(fly_booster.GuidanceClient):
    exchanges = 0

    def exchange(self, state):
        self.exchanges += 1
        return super().exchange(state) | ({{"status": "complete"}} if self.exchanges == 100 else {{}})

fly_booster.GuidanceClient = Impatient
sys.exit(fly_booster.main())
"""


def test_a_demo_of_a_booster_that_is_given_up_early_is_flown_recorded_and_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Service, vehicles and script as processes of their own, as in the whole demo above; seconds of it."""
    script = tmp_path / "fly_some.py"
    script.write_text(GIVES_UP, encoding="utf-8")
    assert run_demo(tmp_path / "out", as_json=True, missions=[replace(MISSIONS[0], script=str(script))]) == 0
    said = capsys.readouterr()
    assert said.err.splitlines()[0] == CAUTION
    told = json.loads(said.out)
    types = [m.type for m in RecordingReader(Path(told["recording"])).entries() if isinstance(m, RecordedMessage)]
    assert types.count("state") == types.count("command") == 100
    assert CAUTION in Path(told["page"]).read_text(encoding="utf-8")


def test_a_script_that_fails_ends_the_demo_with_a_sentence_and_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    script = tmp_path / "fly_badly.py"
    script.write_text("raise SystemExit('no telemetry')\n", encoding="utf-8")
    missions = [replace(MISSIONS[0], script=str(script))]
    assert run_demo(tmp_path / "out", missions=missions) == 1
    told = capsys.readouterr()
    assert "demo: Sandpiper ended with code 1: no telemetry" in told.err
    assert "Traceback" not in told.err
    assert told.out == ""


@pytest.mark.skipif(os.name != "posix", reason="a signal to one process")
@pytest.mark.parametrize(
    ("number", "code", "said"),
    [(signal.SIGINT, 1, "interrupted"),
     pytest.param(signal.SIGTERM, 128 + signal.SIGTERM, "", marks=pytest.mark.slow)]
)
def test_a_signal_ends_the_demo_and_everything_it_started(tmp_path: Path, number: int, code: int, said: str) -> None:
    command = [sys.executable, "-m", "guidance_svc", "demo", "--speed", "1", "--out", str(tmp_path)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background job ignores it
    ) as demo:  # fmt: skip
        assert demo.stderr is not None
        for line in demo.stderr:
            if line.startswith("Bargeman"):
                break
        demo.send_signal(number)
        rest = demo.communicate(timeout=PATIENCE_S)[1]
        assert demo.returncode == code
    assert said in rest
    assert "Traceback" not in rest
    assert processes_with(str(tmp_path)) == []


def processes_with(text: str) -> list[str]:
    """Command lines that hold a text, of all processes."""
    listed = subprocess.run(["ps", "-A", "-o", "args="], capture_output=True, text=True, check=True).stdout
    return [line for line in listed.splitlines() if text in line]


def test_leaving_the_children_ends_them(tmp_path: Path) -> None:
    with Children(tmp_path) as children:
        children.start("sleeper", SLEEPER)
        assert children.next_line(PATIENCE_S) == ("sleeper", "up\n")
        assert not children.finished("sleeper")
        child = children._running["sleeper"]
    assert child.poll() is not None


def test_a_server_that_ends_early_is_named_with_its_last_words(tmp_path: Path) -> None:
    with Children(tmp_path) as children:
        children.start("service", ["-c", "raise SystemExit('port taken')"])
        with pytest.raises(ChildError, match="service ended too early: port taken"):
            children.wait_until_listening("service", 1)


@pytest.mark.parametrize("text", ["0", "-1", "fast", "nan", "inf", ""])
def test_a_speed_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="--speed"):
        speed_of(text)


def test_a_speed_is_max_or_a_number() -> None:
    assert speed_of("max") == float("inf")
    assert speed_of("2.5") == 2.5

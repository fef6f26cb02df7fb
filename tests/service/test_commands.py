"""The commands as a user runs them: their own process, their exit codes, their one sentence of an error."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import msgpack
import pytest
import zmq
from service_world import WAIT_S
from typer.testing import CliRunner

from guidance_svc import __version__
from guidance_svc.cli import app
from guidance_svc.constants import CAUTION
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader

OPEN = {"type": "open", "protocol": 1, "vehicle": "v", "role": "upper_stage", "plan": "curlew_to_lagoon"}
STATE = {
    "type": "state", "time_s": 0.0, "mass_kg": 1e5,
    "position_m": [6.5e6, 0.0, 0.0], "velocity_m_s": [100.0, 5000.0, 100.0],
}  # fmt: skip


class Process:
    """`guidance-svc serve` with free ports, and one DEALER to it."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-m", "guidance_svc", "serve", "--zmq", "tcp://127.0.0.1:0",
                   "--tcp", "127.0.0.1:0", "--record", str(folder), "--journal", str(folder / "journal")]  # fmt: skip
        self.folder = folder
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stderr is not None
        self.log = next(line for line in self.process.stderr if "ready" in line)
        endpoint = re.search(r"zmq (tcp://\S+)", self.log)
        assert endpoint is not None
        self._context = zmq.Context()
        self.socket = self._context.socket(zmq.DEALER)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.setsockopt(zmq.RCVTIMEO, int(WAIT_S * 1000))
        self.socket.connect(endpoint.group(1))

    def ask(self, message: dict[str, object]) -> dict[str, object]:
        self.socket.send(msgpack.packb(message))
        reply: dict[str, object] = msgpack.unpackb(self.socket.recv())
        return reply

    def end(self, number: signal.Signals) -> tuple[int, str, str]:
        """Exit code, standard output, rest of standard error."""
        self.process.send_signal(number)
        out, errors = self.process.communicate(timeout=WAIT_S)
        return self.process.returncode, out, errors

    def recorded(self) -> list[str]:
        (path,) = self.folder.glob("*.mcap")
        return [entry.type for entry in RecordingReader(path).entries() if isinstance(entry, RecordedMessage)]

    def close(self) -> None:
        self.process.kill()
        self.process.communicate(timeout=WAIT_S)
        self.socket.close()
        self._context.term()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Process]:
    process = Process(tmp_path / "recordings")
    yield process
    process.close()


@pytest.mark.parametrize("number", [pytest.param(signal.SIGTERM, marks=pytest.mark.slow), signal.SIGINT])
def test_a_signal_ends_the_service_in_order(served: Process, number: signal.Signals) -> None:
    served.ask(OPEN)
    code, out, log = served.end(number)
    assert code == 0
    assert CAUTION in out
    assert log.splitlines()[-1].endswith("stopped")
    assert served.recorded() == ["open", "opened"]


def test_what_was_answered_survives_a_kill(served: Process) -> None:
    served.ask(OPEN)
    for seq in range(50):
        assert served.ask({**STATE, "seq": seq, "time_s": 0.02 * seq})["type"] == "command"
    served.end(signal.SIGKILL)
    assert served.recorded() == ["open", "opened"] + ["state", "command"] * 50


def test_an_address_beyond_loopback_is_refused_in_one_sentence(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["serve", "--zmq", "tcp://0.0.0.0:5770", "--record", str(tmp_path / "r")])
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert "needs keys" in result.stderr
    assert list((tmp_path / "r").glob("*")) == []


def test_check_shows_every_plan_and_a_frame_test_vector() -> None:
    result = CliRunner().invoke(app, ["check"])
    assert result.exit_code == 0, result.stderr
    for text in ("flight plan curlew_to_lagoon", "ideal speed gain", "phase 0  insertion", "position_m"):
        assert text in result.stdout


def test_the_frame_test_vector_of_check_is_the_place_it_names() -> None:
    # Second way: spherical coordinates by hand at longitude 0 and the meridian turned so that it lies along x.
    # WGS-84 rotation 7.292115e-5 rad/s for 100 s is 0.417807422 deg, so that the meridian ends at 0 deg.
    frame = "axes=x/z/y,handedness=left,meridian_at_zero_deg=-0.41780741379"
    arguments = ["check", "curlew_to_lagoon", "--frame", frame, "--latitude-deg", "0", "--longitude-deg", "0"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.stderr
    second = result.stdout[result.stdout.index("due east") :]
    x, y, z = map(float, re.search(r"position_m +\[(.*), (.*), (.*)\]", second).groups())  # type: ignore[union-attr]
    assert x == pytest.approx(6578137.0, abs=1e-2)  # 1 cm: the meridian is typed with 1e-11 deg
    assert abs(y) < 1e-2
    assert abs(z) < 1e-1
    assert "x z y (left-handed)" in result.stdout


def test_the_first_test_vector_of_check_can_be_worked_out_in_the_head() -> None:
    # Longitude 90 E of a meridian at 0 deg lies along y, north along z; in axes x z y that is the third and the
    # second number. Pitch 30 deg, heading 90 deg (east, which is -x there): (-cos 30, 0, sin 30) = (-0.866, 0, 0.5).
    frame = "motion=turning,axes=x/z/y,handedness=left"
    result = CliRunner().invoke(app, ["check", "curlew_to_lagoon", "--frame", frame])
    assert result.exit_code == 0, result.stderr
    first = result.stdout[result.stdout.index("longitude 90 E") : result.stdout.index("due east")]
    assert "position_m    [0.000, 0.000, 6478137.000]" in first
    assert "velocity_m_s  [0.000000, 1000.000000, 0.000000]" in first
    assert "latitude_deg 0.000000000  longitude_deg 90.000000000  altitude_m 100000.000" in first
    assert "pointing [-0.866025404, 0.000000000, 0.500000000]" in first


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["check", "curlew_to_lagon"], "did you mean curlew_to_lagoon?"),
        (["check", "--configs", "/nowhere"], "no such folder"),
        (["check", "/nowhere/x.toml"], "cannot read"),
        (["check", "--frame", "axes=x/y/w"], "frame.axes.2"),
        (["check", "--frame", "axes=x/y/y"], "each of x, y and z once"),
        (["check", "--frame", "axes=x/z/y"], 'expected "left", because axes x z y make a left-handed frame'),
        (["check", "--frame", "motoin=turning"], "did you mean motion?"),
        (["check", "--frame", "turning"], "parts such as motion=turning"),
        (["check", "--role", "pilot"], "booster, upper_stage, launch_vehicle or tanker"),
        (["replay", "/nowhere/x.mcap"], "cannot read"),
    ],
)
def test_a_slip_on_the_command_line_gets_one_sentence_and_exit_code_2(arguments: list[str], text: str) -> None:
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 2
    assert text in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_help_imports_nothing_heavy() -> None:
    script = (
        "import sys; from guidance_svc.cli import app\n"
        "print([m for m in ('numpy', 'zmq', 'mcap', 'pydantic', 'msgpack') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True, timeout=60)
    assert done.stdout.decode().strip() == "[]"


def test_the_version_is_shown() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "guidance_svc", "--version"], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == f"guidance-svc {__version__}\n"


PAD_PLAN = """body = "earth"
vehicle = "{vehicle}"
[site]
name = "Saltmarsh Point"
latitude_deg = 28.2
longitude_deg = -35.0
[target]
perigee_altitude_km = 200.0
apogee_altitude_km = 468.62
"""


@pytest.mark.parametrize(
    ("vehicle", "role", "shown"),
    [("bargeman", "launch_vehicle", "phase 1  boost"), ("sandpiper", "booster", "phase 1  boost")],
)
def test_a_pad_plan_without_phases_is_what_its_site_and_stages_make_it(
    tmp_path: Path, vehicle: str, role: str, shown: str
) -> None:
    (tmp_path / "pad.toml").write_text(PAD_PLAN.format(vehicle=vehicle), encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(tmp_path / "pad.toml")])
    assert result.exit_code == 0, result.output
    assert shown in result.output
    assert f'those of "{role}", because the plan has a site' in result.output


def test_an_upper_stage_that_stands_on_a_pad_is_warned_of(tmp_path: Path) -> None:
    (tmp_path / "pad.toml").write_text(PAD_PLAN.format(vehicle="bargeman"), encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(tmp_path / "pad.toml"), "--role", "upper_stage"])
    assert 'warning  Saltmarsh Point is not used: "upper_stage" begins in flight' in result.output


def test_a_role_whose_phases_do_not_fit_the_stages_is_named(tmp_path: Path) -> None:
    (tmp_path / "pad.toml").write_text(PAD_PLAN.format(vehicle="sandpiper"), encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(tmp_path / "pad.toml"), "--role", "launch_vehicle"])
    assert result.exit_code == 2
    assert 'phases are those of role "launch_vehicle"' in result.output

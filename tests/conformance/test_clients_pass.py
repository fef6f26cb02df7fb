"""Every client of clients/ that can run here passes the kit, over its real socket and with the kit's mishaps."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

import pytest

from guidance_svc.conform.command import Wishes, run_conform
from guidance_svc.conform.record import Check, exit_code
from guidance_svc.conform.trials import USUAL, Mishap
from guidance_svc.domain import Role
from guidance_svc.files.config_files import default_folder, load_library
from tests.clients.test_other_languages import LANGUAGES

CLIENTS = Path(__file__).parents[2] / "clients"
EXAMPLES = CLIENTS / "examples"
LONGEST_S = 600.0  # bound of a child process, never waited out
AFTER_S = 3.0  # what a script has sent lies in this machine's sockets when it has ended: the kit has read it by then
PATIENCE_S = 60.0  # more than any client's own patience; waited out only by one that fails
WITH_STDLIB = (  # the same script with the other of the two Python files under the first one's name
    "import runpy, sys; sys.path[:0] = sys.argv[1:3]; import guidance_client_stdlib; "
    "sys.modules['guidance_client'] = guidance_client_stdlib; script = sys.argv[3]; sys.argv[1:4] = []; "
    "sys.argv[0] = script; runpy.run_path(script, run_name='__main__')"
)


@dataclass(frozen=True)
class Script:
    """How one client is run.

    Args:
        command: {guidance} and {vehicle} stand for addresses, {folder} for a scratch folder, {out} for what was built.
        beside: a program that runs along, such as the bridge.
        port: "zmq" or "tcp".
        tools, needs, build: as in tests/clients/test_other_languages.py.
    """

    name: str
    command: tuple[str, ...]
    port: str = "tcp"
    beside: tuple[str, ...] = ()
    plan: str = "curlew_to_lagoon"
    role: Role = "upper_stage"
    tools: tuple[str, ...] = ()
    needs: tuple[tuple[str, ...], ...] = ()
    build: tuple[tuple[str, ...], ...] = ()


PYTHON = sys.executable
AT = ("--guidance", "{guidance}", "--vehicle", "{vehicle}")
UPPER = f"{EXAMPLES}/fly_upper_stage.py"
SCRIPTS = [
    Script("python, zeromq", (PYTHON, UPPER, *AT), "zmq"),
    Script("python, standard library", (PYTHON, "-c", WITH_STDLIB, str(CLIENTS), str(EXAMPLES), UPPER, *AT)),
    Script("python, tanker", (PYTHON, f"{EXAMPLES}/fly_tanker.py", *AT), plan="bargeman_to_lagoon", role="tanker"),
    Script("python, asyncio", (PYTHON, f"{EXAMPLES}/fly_upper_stage_asyncio.py", *AT)),
    Script("files", (PYTHON, f"{EXAMPLES}/fly_by_files.py", "{folder}", "--vehicle", "{vehicle}"), beside=(
        PYTHON, f"{CLIENTS}/file_bridge.py", "{folder}", "--vehicle", "Curlew", "--role", "upper_stage",
        "--plan", "curlew_to_lagoon", "--guidance", "{guidance}")),
    *(Script(one.name, (*one.example, *AT), tools=one.tools, needs=one.needs, build=one.build)
      for one in LANGUAGES),
]  # fmt: skip


class Kit:
    """The kit in a thread, listening on free ports."""

    def __init__(self, script: Script, mishaps: tuple[Mishap, ...], patience_s: float) -> None:
        self.checks: dict[str, Check] = {}
        self.stop, self.ready = threading.Event(), threading.Event()
        self.addresses: dict[str, str] = {}
        wishes = Wishes(script.plan, script.role, "tcp://127.0.0.1:0", "127.0.0.1:0", 0, mishaps, patience_s)
        self.thread = threading.Thread(target=self.judge, args=(wishes,))
        self.thread.start()
        assert self.ready.wait(LONGEST_S)

    def judge(self, wishes: Wishes) -> None:
        checks = run_conform(load_library(default_folder()), wishes, self.hear, self.stop.is_set)
        self.checks = {check.name: check for check in checks}

    def hear(self, line: str) -> None:
        """The addresses, from the words for the user."""
        if found := re.search(r"ZeroMQ (\S+), JSON lines (\S+)", line):
            self.addresses |= {"zmq": found[1], "tcp": f"tcp://{found[2]}"}
        if found := re.match(r"vehicle \w+: (\S+),", line):
            self.addresses["vehicle"] = found[1]
        if line.startswith("start your script"):
            self.ready.set()


def judged(
    script: Script, folder: Path, mishaps: tuple[Mishap, ...] = USUAL
) -> tuple[dict[str, Check], int, str]:
    """What the kit says of a client; its exit code and last words."""
    for tool in script.tools:
        if shutil.which(tool) is None:
            pytest.skip(f"{script.name}: no {tool} on this machine")
    for parts in script.needs:
        if subprocess.run(parts, capture_output=True, timeout=LONGEST_S).returncode != 0:
            pytest.skip(f"{script.name}: {' '.join(parts)} fails on this machine")
    for parts in script.build:
        subprocess.run([part.replace("{out}", str(folder)) for part in parts], check=True, timeout=LONGEST_S)
    kit = Kit(script, mishaps, PATIENCE_S)
    beside = None
    try:
        values = kit.addresses | {"guidance": kit.addresses[script.port], "folder": str(folder), "out": str(folder)}
        fill = [[part if "{" not in part else part.format_map(values) for part in parts]
                for parts in (script.beside, script.command)]  # fmt: skip
        beside = subprocess.Popen(fill[0], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL) if fill[0] else None
        done = subprocess.run(fill[1], capture_output=True, text=True, timeout=LONGEST_S)
        kit.thread.join(AFTER_S)
    finally:
        kit.stop.set()
        if beside is not None:
            beside.terminate()
            beside.wait(LONGEST_S)
        kit.thread.join(LONGEST_S)
    return kit.checks, done.returncode, done.stderr[-500:]


@pytest.mark.slow
@pytest.mark.parametrize("script", SCRIPTS, ids=lambda one: one.name)
def test_every_client_passes(script: Script, tmp_path: Path) -> None:
    checks, code, words = judged(script, tmp_path)
    assert [f"{name}: {check.seen}" for name, check in checks.items() if check.outcome == "fail"] == [], words
    assert code == 0, words
    assert exit_code(checks.values()) == 0
    wanted = {"opens", "accepted", "seq_rises", "time_moves", "keeps_contact", "does_once", "waits", "comes_back",
              "closes", "own_path", "truth", "plane", "thrust_along_pointing", "thrust_size", "mass_falls",
              "points_as_told", "lights_when_told", "throttles_as_told", "cuts_on_time", "reads_replies"}  # fmt: skip
    assert wanted - {name for name, check in checks.items() if check.outcome == "pass"} == set()


@pytest.mark.parametrize(
    "script", [SCRIPTS[0], pytest.param(SCRIPTS[1], marks=pytest.mark.slow)], ids=lambda one: one.name
)
def test_the_python_clients_yield_to_who_took_their_session_over(script: Script, tmp_path: Path) -> None:
    checks, code, words = judged(script, tmp_path, ("fault",))
    assert checks["yields"].outcome == "pass"
    assert code != 0
    assert "taken" in words, "the script tells why it stopped"


@pytest.mark.slow
def test_a_python_script_that_cuts_on_arrival_is_told_so_over_its_socket(tmp_path: Path) -> None:
    """The example with the two lines taken out that act ahead of time."""
    text = Path(UPPER).read_text(encoding="utf-8")
    late = text.replace('vehicle.at("cutoff", command["cutoff_at_s"])', "pass")
    late = late.replace('("ignite", "cutoff")', '("ignite",)')
    late = late.replace("Path(__file__).parent.parent", f"Path({str(CLIENTS)!r})")
    assert late != text
    (tmp_path / "simulated_vehicle.py").write_text((EXAMPLES / "simulated_vehicle.py").read_text(encoding="utf-8"))
    (tmp_path / "late.py").write_text(late, encoding="utf-8")
    checks, _, words = judged(Script("late", (PYTHON, f"{tmp_path}/late.py", *AT), "zmq"), tmp_path)
    failed = {name: check.seen for name, check in checks.items() if check.outcome == "fail"}
    assert list(failed) == ["cuts_on_time"], words
    assert "late cutoff" in failed["cuts_on_time"]

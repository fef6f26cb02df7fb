"""What is flown on Windows, step by step; runs in a Windows Python (`python -m tests.windows` starts it under Wine).

All in a folder whose name has spaces and umlauts. Each step raises where something is not as it should be, or Skipped.
"""

from __future__ import annotations

import asyncio
import ctypes
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import traceback
import urllib.request
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final

from guidance_svc.demo.children import free_ports
from guidance_svc.files.config_files import default_folder
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.storage.compacting import needs_compacting
from guidance_svc.storage.folder_lock import is_written
from tests.clients.loading import CLIENTS, load
from tests.service.squatting import PREDICT, SQUAT
from tests.systems.short_flight import PLAN, VEHICLE, ServiceProcess, advance, craft_of, expected, flown, state_of

COUNT, KILL_AT = 60, 40  # the engine is lit at the 21st
LIMIT_S: Final = 600.0  # of one process; never waited out
CTRL_C, CTRL_BREAK = 0, 1  # GenerateConsoleCtrlEvent
Step = Callable[[Path], str | None]
STEPS: dict[str, Step] = {}


class Skipped(Exception):
    """The step cannot be tried here; the text says why."""


def step(name: str) -> Callable[[Step], Step]:
    """Enter a step in the list."""

    def enter(function: Step) -> Step:
        STEPS[name] = function
        return function

    return enter


def python(*arguments: str, cwd: Path | None = None, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run this Python to its end, through pipes as another program would."""
    return subprocess.run(
        [sys.executable, *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True, encoding="utf-8",
        cwd=cwd, timeout=LIMIT_S, env={**os.environ, **environment}, check=False,
    )  # fmt: skip


def command(*arguments: str, cwd: Path) -> str:
    """Standard output of a command of the project that must succeed."""
    done = python("-m", "guidance_svc", *arguments, cwd=cwd)
    assert done.returncode == 0, done.stderr[-1000:]
    assert "Traceback" not in done.stderr, done.stderr[-1000:]
    return done.stdout


def copy(path: str | Path, to: str | Path) -> None:
    """Copy a file; Wine 8 lacks what shutil.copy calls (CopyFile2)."""
    Path(to).write_bytes(Path(path).read_bytes())


def check_finished(folder: Path, count: int = 1) -> list[Path]:
    """The recordings of a folder, all of them finished; waits for the process that does it."""
    until_s = time.monotonic() + LIMIT_S
    paths = sorted(folder.glob("*.mcap"))
    while any(needs_compacting(path) for path in paths) and time.monotonic() < until_s:
        time.sleep(0.2)  # a process of its own finishes them; bounded above
    assert len(paths) == count, paths
    assert not any(needs_compacting(path) for path in paths), paths
    return paths


def commands_in(paths: list[Path]) -> list[dict[str, Any]]:
    """Every command that was recorded."""
    entries = [entry for path in paths for entry in RecordingReader(path).entries()]
    return [one.message for one in entries if isinstance(one, RecordedMessage) and one.type == "command"]


def check_log(service: ServiceProcess) -> None:
    text = "".join(service.log)
    assert "Traceback" not in text, text[-2000:]
    assert "no longer kept" not in text, text[-2000:]


@cache
def replies() -> list[dict[str, Any]]:
    """Those without a service."""
    return expected(COUNT)


@step("squatted routing ids")
def squat(_folder: Path) -> None:
    first = python("-c", PREDICT).stdout.strip()
    squatted = [f"{(int(first, 16) + k) % 2**32:08x}" for k in range(20)]
    done = python("-c", SQUAT, *squatted)
    assert done.stdout.strip() == "alive", done.stderr[-300:]


@step("kill in flight, resume; keys")
def kill_and_resume(folder: Path) -> None:
    configs, keys = folder / "configs", folder / "keys"
    shutil.copytree(default_folder(), configs, copy_function=copy)
    command("keys", VEHICLE, "--folder", str(keys), cwd=folder)
    settings = configs / "service.toml"
    script = f"\n[access.scripts.{VEHICLE}]\npublic_key_file = '{VEHICLE}.key'\nvehicles = ['{VEHICLE}']\n"
    text = settings.read_text(encoding="utf-8")
    assert 'keys = ""' in text
    settings.write_text(text.replace('keys = ""', f"keys = '{keys}'") + script, encoding="utf-8-sig")
    service = ServiceProcess(folder, configs=configs)
    client = load("guidance_client").GuidanceClient(
        service.zmq, timeout_s=2.0, tries=60, token_file=str(folder / "curlew.token"),
        key_file=str(keys / f"{VEHICLE}.key_secret"), service_key_file=str(keys / "service.key"),
    )  # fmt: skip
    try:
        got = flown(service, client, COUNT, KILL_AT)
    finally:
        client.hang_up()
        code = service.end()
    check_log(service)
    assert got == replies()
    assert any(reply["engine_on"] for reply in got[:KILL_AT])
    assert code == 0, code
    assert commands_in(check_finished(folder / "recordings", 2)) == got


@step("one journal, two services")
def second_service(folder: Path) -> None:
    service = ServiceProcess(folder)
    try:
        options = ("--journal", str(folder / "journal"), "--no-record", "--zmq", "tcp://127.0.0.1:0", "--tcp", "")
        done = python("-m", "guidance_svc", "serve", *options)
        assert done.returncode == 2, done.stderr
        assert f"used by process {service.process.pid}" in done.stderr, done.stderr
        done = python("-m", "guidance_svc", "serve", "--no-journal", "--no-record", "--zmq", service.zmq)
        assert "a free address" in done.stderr, done.stderr
        done = python("-m", "guidance_svc", "serve", "--no-journal", "--no-record", "--zmq", "tcp://127.0.0.1:0",
                      "--tcp", service.tcp)  # fmt: skip
        assert "a free address" in done.stderr, done.stderr
    finally:
        assert service.end() == 0


@step("renames over open files")
def renames(folder: Path) -> None:
    service = ServiceProcess(folder)
    client = load("guidance_client_stdlib").GuidanceClient(f"tcp://{service.tcp}", timeout_s=5.0)
    over = threading.Event()
    reader = threading.Thread(target=keep_opening, args=(folder / "journal", over))
    reader.start()
    try:
        got = flown(service, client, COUNT)
        [live] = (folder / "recordings").glob("*.mcap")
        assert is_written(live)
        held = live.open("rb")
        client.hang_up()
    finally:
        over.set()
        reader.join()
        code = service.end()
    assert code == 0, code
    check_log(service)
    assert needs_compacting(live)  # its reader keeps it from being replaced
    assert not is_written(live)
    held.close()
    assert commands_in(check_finished(folder / "recordings")) == got == replies()


def keep_opening(folder: Path, over: threading.Event) -> None:
    """What a scanner or an indexer does: open every head for a moment, again and again."""
    while not over.wait(0.002):
        for path in folder.glob("*.head"):
            try:
                with path.open("rb") as file:
                    file.read()
            except OSError:
                continue


@step("Ctrl-C")
def ctrl_c(folder: Path) -> None:
    end_by_console(folder, CTRL_C)


@step("Ctrl-Break")
def ctrl_break(folder: Path) -> None:
    end_by_console(folder, CTRL_BREAK)


def end_by_console(folder: Path, event: int) -> None:
    """A key press in the console of the service; every process of the console gets it, this one too."""
    if sys.platform != "win32":
        raise Skipped("not on Windows")
    kernel = ctypes.windll.kernel32
    ignored = [signal.SIGINT, signal.SIGBREAK]
    before = [signal.signal(number, lambda *_: None) for number in ignored]
    service = ServiceProcess(folder, of_this_group=True)
    try:
        client = load("guidance_client_stdlib").GuidanceClient(f"tcp://{service.tcp}")
        flown(service, client, 5)
        client.hang_up()
        if not kernel.GenerateConsoleCtrlEvent(event, 0):
            service.end()
            raise Skipped("the console cannot send it (Wine 8 sends Ctrl-C alone)")
        code = service.over()
    finally:
        for number, handler in zip(ignored, before, strict=True):
            signal.signal(number, handler)
    assert code == 0, code
    assert "stopping" in "".join(service.log)
    check_log(service)
    check_finished(folder / "recordings")


@step("board beside the service")
def board(folder: Path) -> None:
    [port] = free_ports(1)
    service = ServiceProcess(folder, "--board-address", f"127.0.0.1:{port}")
    try:
        client = load("guidance_client_stdlib").GuidanceClient(f"tcp://{service.tcp}")
        flown(service, client, 5)
        page = fetched(f"http://127.0.0.1:{port}/")
        client.hang_up()
    finally:
        code = service.end()
    assert "<html" in page
    assert code == 0, code
    check_finished(folder / "recordings")
    try:
        urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5.0)
    except OSError:
        return
    raise AssertionError("the board outlives its service")


def fetched(url: str) -> str:
    """A page, once it is there."""
    until_s = time.monotonic() + LIMIT_S
    while True:
        try:
            with urllib.request.urlopen(url, timeout=10.0) as answer:
                return str(answer.read().decode("utf-8"))
        except OSError:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.1)


@step("client: asyncio")
def asyncio_client(folder: Path) -> None:
    service = ServiceProcess(folder)

    async def fly() -> list[dict[str, Any]]:
        client = load("guidance_client_asyncio").GuidanceClient(f"tcp://{service.tcp}", timeout_s=5.0)
        from guidance_svc.files.config_files import load_library

        craft, got = craft_of(load_library(default_folder()).plan(PLAN, "upper_stage")), []
        await client.open(vehicle=VEHICLE, role="upper_stage", plan=PLAN, frame={"motion": "inertial"})
        for _ in range(COUNT):
            state = state_of(craft)
            got.append(await client.exchange(state))
            if advance(craft, got[-1]) is not None:
                client.done(got[-1]["event"])
        client.hang_up()
        return got

    try:
        assert asyncio.run(fly()) == replies()
    finally:
        assert service.end() == 0
    check_log(service)


@step("client: files and their bridge")
def bridge(folder: Path) -> None:
    sys.path.insert(0, str(CLIENTS / "examples"))  # where the example finds its own
    asked = load("examples/fly_by_files").asked
    service = ServiceProcess(folder)
    files = folder / "Dateien für Curlew"
    beside = subprocess.Popen(
        [sys.executable, str(CLIENTS / "file_bridge.py"), str(files), "--vehicle", VEHICLE, "--role", "upper_stage",
         "--plan", PLAN, "--frame", '{"motion": "inertial"}', "--guidance", f"tcp://{service.tcp}"],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, encoding="utf-8",
    )  # fmt: skip
    try:
        got = flown(service, Files(files, asked), COUNT)
        assert [one["pointing"] for one in got] == [one["pointing"] for one in replies()]
    finally:
        beside.kill()
        told = beside.communicate()[1]
        assert service.end() == 0
    assert "Traceback" not in told, told


class Files:
    """The loop of clients/examples/fly_by_files.py as a client."""

    def __init__(self, folder: Path, asked: Callable[..., dict[str, Any]]) -> None:
        self._folder, self._asked, self._seq, self._done = folder, asked, 0, {}

    def open(self, **_: Any) -> None:
        """The bridge does it."""
        until_s = time.monotonic() + LIMIT_S
        while not self._folder.exists() and time.monotonic() < until_s:
            time.sleep(0.05)

    def exchange(self, state: dict[str, Any]) -> dict[str, Any]:
        """One state, one command."""
        self._seq += 1
        return self._asked(self._folder, state | {"seq": self._seq} | self._done)

    def done(self, event: dict[str, Any]) -> None:
        """Say so with the next state."""
        self._done = {"seen_event": event["id"]}


@step("clients: C, C#, Lua, JavaScript")
def others(_folder: Path) -> None:
    found = [name for name in ("lua", "node", "dotnet", "csc") if shutil.which(name)]
    raise Skipped(f"no runtime of theirs for Windows (found: {', '.join(found) or 'none'}); C asks for POSIX sockets")


@step("demo")
def demo(folder: Path) -> str:
    # The bounds are those of tests/closed_loop/test_demo.py.
    told = json.loads(command("demo", "--json", "--out", str(folder / "demo"), cwd=folder))
    rows = {(r["vehicle"], r["moment"], r["quantity"]): r for r in told["rows"]}
    errors = []
    for vehicle in ("Curlew", "Bargeman"):
        for quantity in ("perigee", "apogee"):
            errors.append(abs(rows[vehicle, "insertion", quantity]["error"]))
        assert rows[vehicle, "circular", "apogee less perigee"]["error"] < 50.0, vehicle
    assert max(errors) < 20.0, errors
    for log in (folder / "demo" / "logs").glob("*.log"):
        assert "Traceback" not in log.read_text(encoding="utf-8"), log
    [path] = check_finished(folder / "demo" / "recording")
    copy(path, folder.parent / "demo.mcap")
    assert Path(told["page"]).exists()
    return f"insertion within {max(errors):.1f} m"


def flown_demo(folder: Path) -> str:
    path = folder.parent / "demo.mcap"
    if not path.exists():
        raise Skipped("there is no recording of the demo")
    return str(path)


@step("table")
def table(folder: Path) -> None:
    told = command("board", flown_demo(folder), "--table", cwd=folder)
    assert all(name in told for name in ("Sandpiper", "Curlew", "Bargeman")), told


@step("page of a recording")
def page(folder: Path) -> None:
    [port] = free_ports(1)
    child = subprocess.Popen(
        [sys.executable, "-m", "guidance_svc", "board", flown_demo(folder), "--address", f"127.0.0.1:{port}"],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        assert "<html" in fetched(f"http://127.0.0.1:{port}/")
    finally:
        child.kill()
        child.wait()


@step("report")
def report(folder: Path) -> None:
    command("report", flown_demo(folder), "--out", str(folder / "Bericht"), "--csv", "--odm", "--no-replay", cwd=folder)
    names = {path.name for path in (folder / "Bericht").rglob("*")}
    assert "report.html" in names, names
    assert any(name.endswith(".csv") for name in names), names


def main(names: list[str], results: Path | None = None) -> int:
    """Run the steps; a line of JSON a step goes to `results`, or a line of text to standard output."""
    failed = 0
    with tempfile.TemporaryDirectory(prefix="Flüge über See ", ignore_cleanup_errors=True) as work:
        for number, (name, function) in enumerate(STEPS.items()):
            if names and name not in names:
                continue
            folder = Path(work) / f"Schritt {number} äöü"
            folder.mkdir()
            result = tried(name, function, folder)
            failed += result["verdict"] == "failed"
            if results is None:
                print(f"{result['verdict']:8}{name:34}{result['seconds']:6.1f} s  {result['why']}", flush=True)
                continue
            with results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(result) + "\n")
    if results is not None:
        results.with_suffix(".done").touch()
    return 1 if failed else 0


def tried(name: str, function: Step, folder: Path) -> dict[str, Any]:
    """What came of one step."""
    began_s = time.monotonic()
    try:
        verdict, why = "passed", function(folder) or ""
    except Skipped as reason:
        verdict, why = "skipped", str(reason)
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        verdict, why = "failed", f"{type(error).__name__} at {where.name}:{where.lineno}: {str(error)[-1500:]}"
    return {"name": name, "verdict": verdict, "why": why, "seconds": time.monotonic() - began_s}


if __name__ == "__main__":
    sys.exit(main(sys.argv[2:], Path(sys.argv[1])))

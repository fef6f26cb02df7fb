"""The board over HTTP, and beside a service: who is answered, what is sent along, when it ends."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import socket
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest
from board_process import ENVIRONMENT, WAIT_S, boards, end, need_server
from board_recordings import PLAN, climb, state_at
from typer.testing import CliRunner

from guidance_svc.board.beside import Watching
from guidance_svc.cli import app
from guidance_svc.errors import ConfigError


def ask(url: str, path: str = "/", method: str = "GET", **headers: str) -> tuple[int, dict[str, str], bytes]:
    """Status, headers and body of one request; the stream is read up to its first event."""
    host = urlsplit(url).netloc
    connection = HTTPConnection(host, timeout=WAIT_S)
    try:
        connection.request(method, path, headers={"Host": host} | {k.replace("_", "-"): v for k, v in headers.items()})
        reply = connection.getresponse()
        body = reply.fp.readline() if path == "/stream" and reply.status == 200 else reply.read()
        return reply.status, {k.lower(): v for k, v in reply.getheaders()}, body
    finally:
        connection.close()


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Of one board of a short past recording, for all tests that only ask."""
    with boards() as start:
        yield start(climb(tmp_path_factory.mktemp("board") / "a.mcap", steps=5).finish()).url


def test_only_its_own_address_is_answered(url: str) -> None:
    port = urlsplit(url).port
    for path in ("/", "/at", "/stream", "/static/board.js"):
        assert ask(url, path)[0] == 200, path
        assert ask(url, path, Host=f"localhost:{port}")[0] == 200
        for foreign in (
            f"board.example:{port}",
            "127.0.0.1",
            f"127.0.0.1:{port + 1}",
            f"127.0.0.1.board.example:{port}",
        ):
            assert ask(url, path, Host=foreign)[0] == 421, foreign


def test_nothing_can_be_sent_to_it(url: str) -> None:
    for method in ("POST", "PUT", "DELETE", "OPTIONS", "PATCH"):
        status, headers, _ = ask(url, "/at", method)
        assert (status, headers["allow"]) == (405, "GET, HEAD")


def test_other_pages_cannot_read_it(url: str) -> None:
    for site in ("cross-site", "same-site"):
        foreign = {"Sec_Fetch_Site": site, "Sec_Fetch_Mode": "no-cors", "Origin": "http://127.0.0.1:1"}
        for path in ("/at", "/stream", "/curve?vehicle=kite-1", "/static/board.js"):
            assert ask(url, path, **foreign)[0] == 403, path
    status, headers, _ = ask(url, "/at", Origin="http://board.example")
    assert status == 200
    assert "access-control-allow-origin" not in headers
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_no_script_runs_that_is_not_a_file_of_the_board(url: str) -> None:
    for path in ("/", "/at", "/static/board.css"):
        policy = ask(url, path)[1]["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert ask(url, path)[1]["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", ["/static/../web.py", "/static/%2e%2e/web.py", "/static/..%2fweb.py", "//etc/passwd"])
def test_no_other_file_is_given_away(url: str, path: str) -> None:
    assert ask(url, path)[0] == 404


def test_moments_and_curves_of_a_past_recording(tmp_path: Path, start_board: Callable[..., Any]) -> None:
    url = start_board(climb(tmp_path / "a.mcap", ("kite-1", "kite-2"), steps=100).finish()).url
    told = wait_until(lambda: json.loads(ask(url, "/at?wall_s=10.0")[2]), lambda told: told["about"]["ready"])
    assert [m["vehicle"] for m in told["vehicles"]] == ["kite-1", "kite-2"]
    assert told["vehicles"][1]["time_s"] == pytest.approx(state_at(49)["time_s"])
    assert told["about"]["length_s"] == pytest.approx(20.0)
    assert "simulation and teaching only" in told["about"]["caution"]
    curve = json.loads(ask(url, f"/curve?vehicle={quote('kite-2')}")[2])
    assert curve["time_s"][-1] == pytest.approx(state_at(99)["time_s"])
    assert curve["altitude_km"][0] == pytest.approx(80.0, abs=1e-3)
    assert ask(url, "/at?wall_s=soon")[0] == 400
    assert json.loads(ask(url, "/curve?vehicle=nobody")[2])["time_s"] == []


def wait_until(read: Callable[[], Any], good: Callable[[Any], Any]) -> Any:
    """Read until it is good; fails after WAIT_S."""
    until = time.monotonic() + WAIT_S
    while True:
        found = read()
        if good(found):
            return found
        assert time.monotonic() < until, found


# --- the command line --------------------------------------------------------------------------------------------


Refused = Callable[..., str]


@pytest.fixture
def refused(monkeypatch: pytest.MonkeyPatch) -> Refused:
    """The sentence with which `guidance-svc board` is refused."""
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")  # as the command sets it for its own process

    def run(*arguments: str) -> str:
        done = CliRunner().invoke(app, ["board", *arguments])
        assert done.exit_code == 2, done
        assert len(done.stderr.splitlines()) == 1
        return done.stderr

    return run


def test_a_page_needs_a_recording_and_a_loopback_address() -> None:
    need_server()
    with (
        pytest.raises(ConfigError, match="a recording, which the page reads"),
        Watching(None, False, "127.0.0.1:0", True, "logfmt").of(None, print),
    ):
        pass
    with pytest.raises(ConfigError, match="a loopback address"):
        Watching(None, False, "0.0.0.0:0", True, "logfmt")


def test_what_cannot_be_shown_is_refused_in_a_sentence(tmp_path: Path, refused: Refused) -> None:
    need_server()
    assert "expected a loopback address" in refused(str(tmp_path / "a.mcap"), "--address", "0.0.0.0:5772")
    assert "expected a readable file" in refused(str(tmp_path / "none.mcap"), "--address", "127.0.0.1:0")


def test_a_service_whose_page_has_no_free_address_does_not_start(serve: Callable[..., subprocess.Popen[str]]) -> None:
    need_server()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        process = serve("--board-address", f"127.0.0.1:{taken.getsockname()[1]}")
        told = process.communicate(timeout=WAIT_S)[0]
    assert process.returncode == 2
    assert "expected a free address" in told
    assert "Traceback" not in told


@pytest.mark.parametrize("how", [("--table",), ("--address", "127.0.0.1:0")])
def test_an_empty_or_foreign_file_is_refused_as_the_report_refuses_it(
    tmp_path: Path, how: tuple[str, ...], refused: Refused
) -> None:
    need_server()
    path = tmp_path / "a.mcap"
    for content, sentence in ((b"", "got an empty file"), (b"something else", "expected an MCAP file")):
        path.write_bytes(content)
        assert sentence in refused(str(path), *how)


def test_the_table_says_that_a_recording_is_cut_short(tmp_path: Path) -> None:
    path = climb(tmp_path / "a.mcap", steps=10).abandon()
    path.write_bytes(path.read_bytes()[:-30])
    command = [sys.executable, "-m", "guidance_svc", "board", str(path), "--table"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, env=ENVIRONMENT)
    assert done.returncode == 0, done
    assert "the recording is cut short" in done.stdout
    assert "kite-1" in done.stdout


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Starts `guidance-svc serve`; ended at the end."""
    with ExitStack() as stack:

        def start(*arguments: str, **options: Any) -> subprocess.Popen[str]:
            command = [sys.executable, "-m", "guidance_svc", "serve", "--zmq", "tcp://127.0.0.1:0"]
            command += ["--tcp", "127.0.0.1:0", "--record", str(tmp_path / "rec"), "--no-journal", *arguments]
            piped = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True} | options
            process = subprocess.Popen(command, env=ENVIRONMENT, **piped)
            stack.callback(end, process)
            return process

        yield start


def addresses(process: subprocess.Popen[str]) -> tuple[str, tuple[str, int]]:
    """The board's address and that of the JSON lines, from what `serve` prints."""
    board = ""
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("board: "):
            board = line.split()[1]
        if "ready: zmq" in line:
            host, _, port = line.split(" tcp ")[1].split()[0].rpartition(":")
            return board, (host, int(port))
    raise AssertionError("serve ended before it was ready")


def fly(address: tuple[str, int], states: int) -> None:
    """A script that opens a session and sends states."""
    opening = {"type": "open", "protocol": 1, "vehicle": "kite", "role": "upper_stage", "plan": PLAN}
    with socket.create_connection(address, WAIT_S) as sock, sock.makefile("rw") as lines:
        for message in (opening, *(state_at(k) for k in range(states))):
            lines.write(json.dumps(message) + "\n")
            lines.flush()
            assert json.loads(lines.readline())["type"] in ("opened", "command")


def running(pid: int) -> bool:
    """Whether a process is there and no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def child_of(pid: int) -> int:
    """The board's process."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            parent = int(stat.read_text().rpartition(")")[2].split()[1])
            if parent == pid and b"--beside-service" in (stat.parent / "cmdline").read_bytes():
                return int(stat.parent.name)
    raise AssertionError("no board beside the service")


def answered(url: str) -> Any:
    """What the board tells; None while it does not answer."""
    try:
        return json.loads(ask(url, "/at")[2])
    except OSError:
        return None


def test_a_service_shows_its_vehicles_on_its_board(serve: Callable[..., subprocess.Popen[str]]) -> None:
    need_server()
    process = serve("--board-address", "127.0.0.1:0")
    url, lines = addresses(process)
    fly(lines, 3)
    told = wait_until(lambda: answered(url), lambda told: told and any("time_s" in m for m in told["vehicles"]))
    (moment,) = told["vehicles"]
    assert (moment["vehicle"], moment["phase"], moment["link"]["states"]) == ("kite", "insertion", 3)
    assert told["about"]["live"] is True
    process.terminate()
    assert process.stdout is not None
    assert "board: " not in process.stdout.read()  # it was said before the service was ready; once is enough


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc to see processes")
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_the_board_ends_with_its_service_however_that_ends(
    serve: Callable[..., subprocess.Popen[str]], how: signal.Signals
) -> None:
    need_server()
    process = serve("--board-address", "127.0.0.1:0")
    url, _ = addresses(process)
    wait_until(lambda: answered(url), lambda told: told)
    board = child_of(process.pid)
    process.send_signal(how)
    process.wait(WAIT_S)
    wait_until(lambda: running(board), lambda alive: not alive)


def test_in_a_terminal_a_table_is_shown_and_log_lines_stay_readable(
    serve: Callable[..., subprocess.Popen[str]],
) -> None:
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (40, 180))
    with os.fdopen(master, "rb", buffering=0) as screen:
        process = serve(stdout=slave, stderr=slave, stdin=slave, text=False)
        os.close(slave)
        seen = read_until(screen, b"ready: zmq")
        while b"Ctrl-C" not in seen:
            seen += read_until(screen, b"Ctrl-C")
        host, _, port = seen.decode().split(" tcp ")[1].split()[0].rpartition(":")
        fly((host, int(port)), 3)
        read_until(screen, b"insertion")
        process.terminate()
        read_until(screen, b"stopped")
    process.wait(WAIT_S)


def read_until(screen: Any, wanted: bytes) -> bytes:
    """What the terminal shows up to some text; fails after WAIT_S."""
    seen, until = b"", time.monotonic() + WAIT_S
    while wanted not in seen:
        assert select.select([screen], [], [], max(until - time.monotonic(), 0.0))[0], seen
        with suppress(OSError):
            seen += screen.read(65536)
        assert time.monotonic() < until, seen
    return seen


def test_plain_lines_are_all_there_is_when_nobody_looks(serve: Callable[..., subprocess.Popen[str]]) -> None:
    process = serve()
    _, lines = addresses(process)
    fly(lines, 2)
    process.terminate()
    assert process.stdout is not None
    told = process.stdout.read()
    assert "kite opened: flight plan climb" in told
    assert "\x1b" not in told
    assert "perigee km" not in told

"""A service that ends by a signal or a kill, at any moment: what was answered is recorded, and the files are whole."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import threading
from collections.abc import Callable, Hashable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
import service_world
import zmq
from scripted_sessions import ScriptedSessions
from served import OPEN, ROOT, Served, state
from service_world import WAIT_S, Running

from guidance_svc.domain import Command, VehicleState
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader, parts
from guidance_svc.service.pace import Pace, PaceKeeper
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.framing import SUFFIX, head_of, is_finished

BURST = 64  # states on their way when the service is killed
CHANGED = {
    "rotate_bytes": 65536,  # a part is 60 exchanges, so that some kills meet the change from one to the next
    "unanswered_per_second": 1_000_000,  # a burst is no flood here: every message is to be answered
}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """A service whose recording goes on in a new file all the time."""
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    settings = tmp_path / "configs" / "service.toml"
    text = settings.read_text()
    for key, value in CHANGED.items():
        text, found = re.subn(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
        assert found == 1
    settings.write_text(text)
    service = Served(tmp_path, [], "--record", "recordings", "--no-journal")
    yield service
    service.close()


def recorded(folder: Path) -> list[RecordedMessage]:
    """Everything that a run recorded, over all its parts."""
    (first,) = [path for path in folder.glob(f"*{SUFFIX}") if "after" not in head_of(path).about]
    found = [entry for part in parts(first) for entry in RecordingReader(part).entries()]
    return [entry for entry in found if isinstance(entry, RecordedMessage)]


def lines_of(sock: socket.socket) -> Iterator[dict[str, Any]]:
    """Every whole reply until the connection ends."""
    rest = b""
    sock.settimeout(WAIT_S)
    while True:
        try:
            piece = sock.recv(1 << 16)
        except ConnectionError:
            return
        if not piece:
            return
        *whole, rest = (rest + piece).split(b"\n")
        yield from map(json.loads, whole)


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.slow)])
def test_a_signal_in_flight_ends_the_service_with_every_part_whole(
    served: Served, tmp_path: Path, number: signal.Signals
) -> None:
    assert served.ask(OPEN)["type"] == "opened"
    for seq in range(200):
        assert served.ask(state(seq))["type"] == "command"
    code, log = served.end(number)
    assert code == 0
    assert log.splitlines()[-1].endswith("stopped")
    files = list((tmp_path / "recordings").glob(f"*{SUFFIX}"))
    assert len(files) > 2
    assert all(is_finished(path) for path in files)
    found = recorded(tmp_path / "recordings")
    assert [m.message["seq"] for m in found if m.type == "command"] == list(range(200))


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3, 4))])
def test_every_reply_that_a_script_got_is_in_the_recording_whenever_the_service_is_killed(
    served: Served, tmp_path: Path, seed: int
) -> None:
    random = Random(seed)
    sock = served.stream()
    replies = lines_of(sock)
    sock.sendall(json.dumps(OPEN).encode() + b"\n")
    got = [next(replies)]
    assert got[0]["type"] == "opened"
    wanted, sent = random.randrange(1, 300), 0
    while len(got) <= wanted:
        if sent < len(got) + BURST:
            sock.sendall(b"".join(json.dumps(state(seq)).encode() + b"\n" for seq in range(sent, sent + BURST)))
            sent += BURST
        got.append(next(replies))
    os.kill(served.process.pid, signal.SIGKILL)
    got += replies
    assert served.process.wait(WAIT_S) == -signal.SIGKILL
    out = [message.message for message in recorded(tmp_path / "recordings") if message.direction == "out"]
    got[0]["token"] = out[0]["token"]  # which is not recorded
    assert out[: len(got)] == got
    assert len(got) > wanted
    for path in (tmp_path / "recordings").glob(f"*{SUFFIX}"):  # as the next start does it
        compact(path)
    again = [message.message for message in recorded(tmp_path / "recordings") if message.direction == "out"]
    assert again == out


@pytest.mark.parametrize("transport", ["zmq", "tcp"])
def test_a_stop_is_obeyed_after_the_message_in_hand_however_many_wait(
    run_server: Callable[..., Running], sessions: ScriptedSessions, transport: str
) -> None:
    # a batch was 256 messages long, and each may take 50 ms; counted, not timed
    running, sent, taken = run_server(), threading.Event(), sessions.state
    scripts = [running.zmq_socket() if transport == "zmq" else running.tcp_socket() for _ in range(20)]

    def say(script: zmq.Socket[bytes] | socket.socket, message: dict[str, Any]) -> None:
        payload = json.dumps(message).encode()
        script.send(payload) if isinstance(script, zmq.Socket) else script.sendall(payload + b"\n")

    for number, script in enumerate(scripts):
        say(script, {**service_world.OPEN, "vehicle": f"script{number}"})
        reply = json.loads(script.recv()) if isinstance(script, zmq.Socket) else service_world.read_line(script)
        assert reply["type"] == "opened"

    def slow(link: Hashable, message: VehicleState) -> Command:
        if not sessions.states:
            assert sent.wait(WAIT_S)  # the loop is held until all the others wait
        else:
            running.server.stop()
        return taken(link, message)

    sessions.state = slow  # type: ignore[method-assign]
    for script in scripts:
        say(script, service_world.STATE)
    sent.set()
    running.thread.join(WAIT_S)
    assert len(sessions.states) <= 3  # the first, and those that came with it before the rest were seen


def test_a_part_of_a_turn_ends_after_a_tenth_of_a_second_of_processor_time() -> None:
    keeper, answered = PaceKeeper(1000.0, 4, 1.0, lambda: 0.0), 0
    keeper.begin_turn()
    keeper.begin_part()
    for link in range(256):
        assert keeper.judge(link) is Pace.ANSWER
        keeper.took(link, 0.05)
        answered += 1
        if keeper.full():
            break
    assert answered == 2
    keeper.begin_part()
    assert not keeper.full()
    keeper.stop()
    assert keeper.full()

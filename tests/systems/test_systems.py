"""What differs between systems (`systems`), where this one can be made to look like another.

Windows itself: `python -m tests.windows`.
"""

from __future__ import annotations

import errno
import os
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import zmq

from guidance_svc import systems
from guidance_svc.demo import children
from guidance_svc.demo.children import ChildError, Children
from guidance_svc.errors import ConfigError
from guidance_svc.service import routing_ids
from guidance_svc.storage import compacting
from guidance_svc.storage.compacting import needs_compacting
from guidance_svc.storage.folder_lock import is_written, lock_folder
from guidance_svc.storage.recorder import McapRecorder
from guidance_svc.storage.rotating import RotatingRecorder, Storage

SHARING_VIOLATION = 32  # winerror.h, ERROR_SHARING_VIOLATION


def in_use() -> OSError:
    """What Windows says of a file that a process has open."""
    error = PermissionError(errno.EACCES, "used by another process")
    error.winerror = SHARING_VIOLATION  # type: ignore[attr-defined,unused-ignore]
    return error


def test_a_locked_file_is_read_by_others_and_locked_by_nobody_else(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"abc")
    with path.open("rb+") as mine, path.open("rb") as other:
        assert systems.lock_now(mine.fileno())
        assert not systems.lock_now(other.fileno())
        assert other.read() == b"abc"
        assert is_written(path)
    assert not is_written(path)


def test_bytes_go_to_their_place_where_the_system_has_no_call_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "pwrite", raising=False)
    monkeypatch.delattr(os, "pread", raising=False)
    descriptor = os.open(tmp_path / "file", os.O_RDWR | os.O_CREAT | systems.BINARY)
    assert systems.write_at(descriptor, b"0123456789", 0) == 10
    assert systems.write_at(descriptor, memoryview(b"ab"), 4) == 2
    assert systems.read_at(descriptor, 4, 3) == b"3ab6"
    os.close(descriptor)


def test_a_used_folder_names_its_holder_without_those_calls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "pwrite", raising=False)
    monkeypatch.delattr(os, "pread", raising=False)
    lock = lock_folder(tmp_path)
    with pytest.raises(ConfigError, match=f"used by process {os.getpid()}"):
        lock_folder(tmp_path)
    lock.release()
    lock_folder(tmp_path).release()


def test_a_file_that_is_in_use_for_a_moment_is_replaced_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, failures = os.replace, [in_use(), in_use()]

    def replace(new: Path, path: Path) -> None:
        if failures:
            raise failures.pop()
        real(new, path)

    monkeypatch.setattr(systems, "OPEN_FILES_STAY", True)
    monkeypatch.setattr(os, "replace", replace)
    (tmp_path / "new").write_bytes(b"new")
    systems.replace(tmp_path / "new", tmp_path / "file")
    assert (tmp_path / "file").read_bytes() == b"new"


def test_a_file_that_stays_in_use_is_an_error_and_keeps_its_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def replace(new: Path, path: Path) -> None:
        raise in_use()

    monkeypatch.setattr(systems, "OPEN_FILES_STAY", True)
    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(PermissionError):
        systems.replace(tmp_path / "new", tmp_path / "file")


def test_a_recording_that_readers_hold_is_finished_by_the_process_that_outlives_the_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(new: Path, path: Path) -> None:
        raise in_use()

    started: list[list[Path]] = []
    monkeypatch.setattr(systems, "OPEN_FILES_STAY", True)
    monkeypatch.setattr(compacting, "OPEN_FILES_STAY", True)
    monkeypatch.setattr(compacting, "replace", refuse)
    recorder = RotatingRecorder(Storage(tmp_path), time.time_ns, {"version": "test"})
    recorder.refusal(1, None, b"\xc1", {"type": "fault", "message": "no"})
    monkeypatch.setattr(recorder._finishing, "start", lambda paths, last=False: started.append(list(paths)))
    path = recorder.path
    assert path is not None
    recorder.close()
    assert started == [[path]]
    assert needs_compacting(path)  # as it was, and whole
    assert list(tmp_path.iterdir()) == [path]


def test_the_process_that_finishes_recordings_waits_for_their_readers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, failures = systems.replace, [in_use(), in_use()]

    def replace(new: Path, path: Path) -> None:
        if failures:
            raise failures.pop()
        real(new, path)

    monkeypatch.setattr(systems, "OPEN_FILES_STAY", True)
    monkeypatch.setattr(compacting, "OPEN_FILES_STAY", True)
    monkeypatch.setattr(compacting, "replace", replace)
    monkeypatch.setattr(compacting, "TRY_AGAIN_S", 0.0)
    monkeypatch.setattr(compacting, "lower_priority", lambda niceness: None)
    recorder = McapRecorder(tmp_path / "a.mcap", time.time_ns, {})
    recorder.refusal(1, None, b"\xc1", {"type": "fault", "message": "no"})
    recorder.close()
    assert compacting.main([str(tmp_path / "a.mcap")]) == 0
    assert not needs_compacting(tmp_path / "a.mcap")


def test_a_keep_alive_that_the_system_refuses_stays_at_its_default() -> None:
    asked: list[int] = []

    class Refusing(socket.socket):
        def setsockopt(self, level: int, option: int, value: Any) -> None:  # type: ignore[override]
            asked.append(option)
            if level == socket.IPPROTO_TCP:
                raise OSError(errno.ENOPROTOOPT, "not here")  # as Wine, and Windows before 10 1709

    with Refusing() as sock:
        systems.keep_alive(sock, 5, 3)
    assert len(asked) == 4


def test_where_the_system_does_not_count_bytes_nobody_is_cut_for_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(socket, "TCP_INFO", raising=False)
    with socket.socket() as sock:
        assert systems.bytes_received(sock) == 0


@pytest.mark.parametrize(
    ("name", "stem"),
    [("Curlew", "Curlew"), ("con", "con_"), ("NUL.1", "NUL_.1"), ("com1", "com1_"), ("console", "console")],
)
def test_no_file_is_named_after_a_device_of_windows(name: str, stem: str) -> None:
    # Names: Microsoft, "Naming Files, Paths, and Namespaces", reserved names; from memory.
    assert systems.file_stem(name) == stem


def own_memory(mode: str) -> Any:
    return open("/proc/self/mem", mode, buffering=0)


def read_own(address: int, length: int) -> bytes:
    with own_memory("rb") as memory:
        memory.seek(address)
        return bytes(memory.read(length))


def write_own(address: int, data: bytes) -> bool:
    with own_memory("rb+") as memory:
        memory.seek(address)
        return bool(memory.write(data) == len(data))


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="no /proc/self/mem on this system")
@pytest.mark.parametrize("number", [0xDEADBEEF, 7, 0])
def test_the_counter_of_routing_ids_can_be_set_and_is_seen_to_be(number: int) -> None:
    # The way taken on Windows, where libzmq's rand() cannot be seeded; tried here on this system's libzmq.
    with zmq.Context() as context, context.socket(zmq.ROUTER) as router, context.socket(zmq.DEALER) as dealer:
        assert not routing_ids.set_counter(context, router, 5, lambda address, length: b"", write_own)
        assert not routing_ids.set_counter(context, router, 5, read_own, lambda address, data: True)
        assert routing_ids.set_counter(context, router, number, read_own, write_own)
        dealer.setsockopt(zmq.LINGER, 0)
        dealer.connect(f"tcp://127.0.0.1:{router.bind_to_random_port('tcp://127.0.0.1')}")
        dealer.send(b"x")
        assert router.poll(60_000)
        assert router.recv_multipart()[0] == b"\0" + number.to_bytes(4, "big")


LATE = "import socket, sys, time; time.sleep({s}); s = socket.create_server(('127.0.0.1', {port})); sys.stdin.read()"


def test_a_server_that_takes_long_is_waited_for_and_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(children, "LISTEN_S", 0.1)
    [port] = children.free_ports(1)
    with Children(tmp_path) as started:
        started.start("late", ["-c", LATE.format(s=0.5, port=port)], ends_with_input=True)
        started.wait_until_listening("late", port)
    assert "waiting for late since 0 s: it said nothing" in capsys.readouterr().err


def test_a_server_that_never_listens_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(children, "LISTEN_LIMIT_S", 0.2)
    [port] = children.free_ports(1)
    with Children(tmp_path) as started:
        started.start("never", ["-c", "import sys; sys.stdin.read()"], ends_with_input=True)
        with pytest.raises(ChildError, match="does not listen"):
            started.wait_until_listening("never", port)


def test_a_child_that_ends_with_its_input_ends_in_order(tmp_path: Path) -> None:
    code = "import sys; print('up', flush=True); sys.stdin.read(); open(sys.argv[1], 'w').close()"
    with Children(tmp_path) as started:
        started.start("orderly", ["-c", code, str(tmp_path / "done")], ends_with_input=True)
        assert started.next_line(60.0) == ("orderly", "up\n")
    assert (tmp_path / "done").exists()


def test_measuring_needs_no_pytest() -> None:
    code = (
        "import sys\n"
        "sys.modules.update(dict.fromkeys(['pytest', '_pytest', 'hypothesis']))\n"
        "from tests.bench import board, curve, cycle, disturbances, drift, insertion, latency, memory, neighbours\n"
        "from tests.bench import restart\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr

"""Disks that are full, gone, read-only or not a folder at all: a sentence at the start, guidance during the flight.

Full disks are a file object that knows its room, the kernel's own limit on a file's size (RLIMIT_FSIZE: the write is
cut in the middle as on a full disk), and a file system of 200 kB in a namespace of its own where that is allowed.
"""

from __future__ import annotations

import errno
import logging
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from io import FileIO
from pathlib import Path
from typing import Any

import pytest
from served import OPEN, ROOT, Served, state
from service_world import STATE, WAIT_S

from guidance_svc.errors import ConfigError, RecordingError
from guidance_svc.playback.recordings import RecordedMessage, RecordingReader, parts
from guidance_svc.storage import recorder as recorder_module
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.folder_lock import lock_folder
from guidance_svc.storage.rotating import LOOK_EVERY_NS, RETRY_EVERY_NS, RotatingRecorder, Storage

LIMITED = """
import os, resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
os.execv(sys.argv[1], sys.argv[1:])
"""
NAMESPACE = ["unshare", "--user", "--mount", "--map-root-user", "--"]


class Disk:
    """Room that all files share; a write that does not fit is done in part, as the kernel does it."""

    def __init__(self) -> None:
        self.room: int | None = None
        self.takes_files = True

    def file(self, path: Path, mode: str) -> FileIO:
        disk = self
        if not self.takes_files:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        class Limited(FileIO):
            def write(self, data: Any) -> int:
                if disk.room is None:
                    return super().write(data) or 0
                if disk.room == 0:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                written = super().write(data[: disk.room]) or 0
                disk.room -= written
                return written

        return Limited(path, mode)


class Clock:
    """Wall time that stands still until a test moves it on."""

    def __init__(self) -> None:
        self.now_ns = 1_700_000_000_000_000_000

    def __call__(self) -> int:
        return self.now_ns


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    disk = Disk()
    monkeypatch.setattr(recorder_module, "FileIO", disk.file)
    return disk


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def recorder(tmp_path: Path, disk: Disk, clock: Clock) -> Iterator[RotatingRecorder]:
    recorder = RotatingRecorder(Storage(tmp_path / "recordings"), clock, {"version": "test"})
    yield recorder
    recorder.close()


def keep(recorder: RotatingRecorder, first: int, last: int) -> None:
    """One batch: the exchanges of these seqs."""
    for seq in range(first, last + 1):
        recorder.exchange(1, "curlew", {**STATE, "seq": seq}, {"type": "command", "seq": seq})
    recorder.flush()


def seqs(path: Path) -> list[int]:
    entries = RecordingReader(path).entries()
    return [e.message["seq"] for e in entries if isinstance(e, RecordedMessage) and e.direction == "in"]


def path_of(recorder: RotatingRecorder) -> Path:
    assert recorder.path is not None
    return recorder.path


@pytest.mark.parametrize("room", [0, 1, 9, 100, 333, 1000])
def test_a_disk_that_fills_in_the_middle_of_a_record_leaves_whole_records(
    recorder: RotatingRecorder, disk: Disk, room: int
) -> None:
    keep(recorder, 1, 3)
    path, size = path_of(recorder), path_of(recorder).stat().st_size
    disk.room = room
    keep(recorder, 4, 9)
    reader = RecordingReader(path)
    read = [entry for entry in reader.entries() if isinstance(entry, RecordedMessage)]
    assert reader.at == path.stat().st_size  # it ends where a record ends: nothing stands behind the last whole one
    assert size <= path.stat().st_size <= size + room
    assert [message.message["seq"] for message in read[:6]] == [1, 1, 2, 2, 3, 3]


def test_a_full_disk_is_told_once_and_shown_and_recording_goes_on_when_there_is_room(
    recorder: RotatingRecorder, disk: Disk, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    recorder.plan("lagoon", {"name": "lagoon"})
    keep(recorder, 1, 2)
    before = path_of(recorder)
    disk.room = 0
    for seq in range(3, 10):
        keep(recorder, seq, seq)
        clock.now_ns += RETRY_EVERY_NS
    assert recorder.state == "No space left on device"
    assert recorder.path is None
    assert list(before.parent.glob("*.mcap")) == [before]  # a try that failed leaves nothing behind
    disk.room = None
    clock.now_ns += RETRY_EVERY_NS
    recorder.flush()
    keep(recorder, 10, 11)
    assert recorder.state == "ok"
    assert seqs(before) == [1, 2]
    assert seqs(path_of(recorder)) == [10, 11]
    assert parts(before) == [before, path_of(recorder)]
    reader = RecordingReader(path_of(recorder))
    assert len(list(reader.entries())) == 1 + 4  # the plan in use stands in the new part as well
    assert reader.about["missed_before"] == "6"  # 3 was in the batch that failed, 4 to 9 came after it
    assert [text for text in caplog.messages if "recording" in text] == [
        f"recording stopped, guidance goes on: {before.parent}: No space left on device",
        f"recording goes on in {recorder.path}; 6 messages in between are not recorded",
    ]


def test_a_disk_that_takes_no_new_file_when_a_part_is_full_costs_the_next_messages_only(
    tmp_path: Path, disk: Disk, clock: Clock
) -> None:
    recorder = RotatingRecorder(Storage(tmp_path, rotate_bytes=20_000), clock, {"version": "test"})
    before = path_of(recorder)
    disk.takes_files = False
    keep(recorder, 1, 100)
    assert recorder.state == "No space left on device"
    keep(recorder, 101, 103)
    disk.takes_files = True
    clock.now_ns += RETRY_EVERY_NS
    recorder.flush()
    keep(recorder, 104, 104)
    assert recorder.state == "ok"
    assert (seqs(before), seqs(path_of(recorder))) == (list(range(1, 101)), [104])
    recorder.close()


def test_a_disk_that_is_full_at_the_end_leaves_a_recording_that_can_be_read(
    recorder: RotatingRecorder, disk: Disk
) -> None:
    keep(recorder, 1, 3)
    path, disk.room = path_of(recorder), 30
    recorder.close()
    assert seqs(path) == [1, 2, 3]
    disk.room = None
    assert compact(path)
    assert seqs(path) == [1, 2, 3]


def test_a_folder_that_vanishes_is_noticed_and_made_again(
    recorder: RotatingRecorder, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    keep(recorder, 1, 2)
    before = path_of(recorder)
    shutil.rmtree(before.parent)
    keep(recorder, 3, 4)
    clock.now_ns += LOOK_EVERY_NS
    recorder.flush()
    keep(recorder, 5, 6)
    assert recorder.state == "ok"
    assert seqs(path_of(recorder)) == [5, 6]
    assert caplog.messages[0].endswith(f"{before.name} is gone")


def test_a_file_in_the_folder_s_place_stops_the_recording_until_it_goes(
    recorder: RotatingRecorder, clock: Clock
) -> None:
    keep(recorder, 1, 2)
    folder = path_of(recorder).parent
    shutil.rmtree(folder)
    folder.write_text("in the way")
    for seq in range(3, 6):
        clock.now_ns += RETRY_EVERY_NS
        keep(recorder, seq, seq)
    assert recorder.state == "it, or a folder above it, is a file"
    folder.unlink()
    clock.now_ns += RETRY_EVERY_NS
    recorder.flush()
    keep(recorder, 7, 7)
    assert recorder.state == "ok"
    assert seqs(path_of(recorder)) == [7]


def test_sessions_that_cannot_be_written_down_cost_no_recording(tmp_path: Path, clock: Clock) -> None:
    def broken() -> list[dict[str, str]]:
        raise RuntimeError("a fault of the session layer")

    recorder = RotatingRecorder(Storage(tmp_path), clock, {}, broken)
    keep(recorder, 1, 2)
    assert seqs(path_of(recorder)) == [1, 2]
    recorder.close()


def a_file(path: Path) -> Path:
    path.write_text("")
    return path


def below_a_file(path: Path) -> Path:
    return a_file(path) / "recordings"


def a_link_to_nowhere(path: Path) -> Path:
    path.symlink_to(path.parent / "nowhere" / "at all")
    return path


@pytest.mark.parametrize("make", [a_file, below_a_file, a_link_to_nowhere])
def test_a_folder_that_cannot_be_one_is_named_at_the_start(
    make: Callable[[Path], Path], tmp_path: Path, clock: Clock
) -> None:
    folder = make(tmp_path / "x")
    with pytest.raises(RecordingError, match="cannot record; expected a folder that can be written to") as caught:
        RotatingRecorder(Storage(folder), clock, {})
    assert caught.value.file == str(folder)
    assert "is a file" in caught.value.got or make is a_link_to_nowhere


def test_a_folder_without_permission_is_named_at_the_start(tmp_path: Path, clock: Clock) -> None:
    folder = tmp_path / "closed"
    folder.mkdir(mode=0o500)
    was = os.geteuid()
    try:
        if was == 0:
            os.seteuid(65534)  # root may write anywhere
        with pytest.raises(RecordingError, match="Permission denied"):
            RotatingRecorder(Storage(folder), clock, {})
    finally:
        os.seteuid(was)


def test_two_recorders_in_one_folder_take_different_files(tmp_path: Path, clock: Clock) -> None:
    first, second = (RotatingRecorder(Storage(tmp_path, keep_bytes=1), clock, {}) for _ in range(2))
    keep(first, 1, 1)
    keep(second, 2, 2)
    paths = [path_of(first), path_of(second)]
    assert paths[0] != paths[1]
    assert [seqs(path) for path in paths] == [[1], [2]]
    first.close()
    second.close()
    assert [seqs(path) for path in paths] == [[1], [2]]  # keep_bytes = 1 removed neither: both were live


# The whole service.


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    started: list[Served] = []

    def start(*options: str, prefix: tuple[str, ...] = ()) -> Served:
        started.append(Served(tmp_path, list(prefix), *options))
        return started[-1]

    yield start
    for one in started:
        one.close()


def fly_on(service: Served, states: int) -> None:
    assert service.ask(OPEN)["type"] == "opened"
    for seq in range(states):
        assert service.ask(state(seq))["type"] == "command"


def test_a_service_flies_on_when_the_kernel_cuts_a_write_in_two(serve: Callable[..., Served], tmp_path: Path) -> None:
    service = serve("--no-journal", "--record", "recordings", prefix=(sys.executable, "-c", LIMITED))
    fly_on(service, 200)  # 200 kB
    code, log = service.end()
    assert code == 0
    assert log.count("recording stopped, guidance goes on") == 1
    assert "File too large" in log
    (path,) = (tmp_path / "recordings").glob("*.mcap")
    reader = RecordingReader(path)
    assert len(list(reader.entries())) > 100
    assert reader.at == path.stat().st_size <= 100_000


def may_mount() -> bool:
    if shutil.which("unshare") is None:
        return False
    command = [*NAMESPACE, "sh", "-c", "mkdir -p /tmp && mount -t tmpfs none /tmp"]
    return subprocess.run(command, capture_output=True, timeout=60).returncode == 0


def mounted(options: str) -> tuple[str, ...]:
    """Prefix of a command that runs with `recordings` on a file system of its own."""
    return (
        *NAMESPACE,
        "sh",
        "-c",
        f'mkdir -p recordings && mount -t tmpfs -o {options} none recordings && exec "$@"',
        "sh",
    )


@pytest.mark.skipif(not may_mount(), reason="this system lets nobody mount in a namespace of his own")
def test_a_service_flies_on_when_its_file_system_is_full(serve: Callable[..., Served]) -> None:
    service = serve("--no-journal", "--record", "recordings", prefix=mounted("size=100k"))
    fly_on(service, 200)
    (path,) = Path(f"/proc/{service.process.pid}/cwd/recordings").glob("*.mcap")
    reader = RecordingReader(path)
    assert len(list(reader.entries())) > 100
    assert reader.at == path.stat().st_size <= 102_400
    code, log = service.end()
    assert code == 0
    assert log.count("recording stopped, guidance goes on") == 1
    assert "No space left on device" in log


@pytest.mark.skipif(not may_mount(), reason="this system lets nobody mount in a namespace of his own")
@pytest.mark.parametrize(
    ("options", "text"), [("ro", "Read-only file system"), ("nr_inodes=1", "No space left on device")]
)
def test_a_service_says_at_the_start_that_it_cannot_record(
    serve: Callable[..., Served], options: str, text: str
) -> None:
    code, log = serve("--no-journal", "--record", "recordings", prefix=mounted(options)).end()
    assert code == 2
    last = log.splitlines()[-1]
    assert text in last
    assert "--no-record" in last
    assert "Traceback" not in log


# Locks.


HOLD = """
import sys
from pathlib import Path
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.folder_lock import lock_folder
lock = lock_folder(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


def test_a_folder_in_use_is_refused_with_its_holder_and_free_again_after_a_kill(tmp_path: Path) -> None:
    command = [sys.executable, "-c", HOLD, str(tmp_path)]
    holder = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env={"PYTHONPATH": str(ROOT)})
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(ConfigError, match=f"used by process {holder.pid}") as caught:
        lock_folder(tmp_path, "journal.folder")
    assert (caught.value.code, caught.value.field) == ("folder_in_use", "journal.folder")
    holder.kill()
    holder.communicate(timeout=WAIT_S)
    lock = lock_folder(tmp_path)
    with pytest.raises(ConfigError, match=f"used by process {os.getpid()}"):
        lock_folder(tmp_path)
    lock.release()
    lock_folder(tmp_path).release()


def test_a_lock_file_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / ".lock").mkdir()
    with pytest.raises(ConfigError, match="cannot lock"):
        lock_folder(tmp_path)

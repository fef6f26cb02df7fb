"""What happens to recordings that are not being written: finished by a process of its own, the oldest removed."""

from __future__ import annotations

import logging
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from guidance_svc.storage.framing import SUFFIX, head_of
from guidance_svc.systems import OPEN_FILES_STAY, lock_now, outliving

MODULE: Final = "guidance_svc.storage.compacting"

_log = logging.getLogger(__name__)
_outliving: list[subprocess.Popen[bytes]] = []  # so that nobody complains of a child that nobody waited for


class Finishing:
    """Starts the process that finishes recordings, one at a time: there may be no more than two cores."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None
        self._waiting: list[Path] = []

    def start(self, paths: Sequence[Path], last: bool = False) -> None:
        """Finish these now, or after those that are under way.

        Args:
            paths: files, or a folder for all in it that need it.
            last: this process ends; a process that outlives it takes all that is left.
        """
        self._waiting += [path for path in paths if _has_work(path)]
        if self._child is not None and self._child.poll() is not None:
            if self._child.returncode:
                _log.warning("%d recordings could not be finished and stay as they are", self._child.returncode)
            self._child = None
        if self._waiting and (self._child is None or last):
            self._child, self._waiting = _start_process(self._waiting), []


def _has_work(path: Path) -> bool:
    """Whether it is a file, or a folder with recordings, that can be looked at."""
    try:
        return path.is_file() or any(path.glob(f"*{SUFFIX}"))
    except OSError:
        return False


def _start_process(paths: Sequence[Path]) -> subprocess.Popen[bytes] | None:
    """The process, which Ctrl-C does not reach, and which holds none of our pipes."""
    _outliving[:] = [child for child in _outliving if child.poll() is None]
    command = [sys.executable, "-m", MODULE, *(str(path.absolute()) for path in paths)]
    nothing = subprocess.DEVNULL
    try:
        child = subprocess.Popen(command, stdin=nothing, stdout=nothing, stderr=nothing, **outliving())
    except OSError as error:
        _log.warning("recordings stay uncompressed: %s", error)
        return None
    _outliving.append(child)
    return child


def remove_oldest(folder: Path, keep_bytes: int, live: Path) -> None:
    """Remove finished recordings of a folder, oldest first, until the rest and the live one fit in `keep_bytes`.

    What another service writes and what this project did not write stays.
    """
    found = []
    for path in folder.glob(f"*{SUFFIX}"):
        with suppress(OSError):
            stat = path.stat()
            found.append((stat.st_mtime_ns, path.name, stat.st_size, path))
    total = sum(size for _, _, size, _ in found)
    for _, _, size, path in sorted(found):
        if total <= keep_bytes:
            return
        if path != live and head_of(path).ours and _remove_file(path):
            _log.warning("recording %s removed: more than %d bytes are kept (recording.keep_bytes)", path, keep_bytes)
            total -= size


def _remove_file(path: Path) -> bool:
    """Remove a file, unless a process holds it or it cannot be removed."""
    try:
        with path.open("rb") as file:
            if not lock_now(file.fileno()):
                return False
            if OPEN_FILES_STAY:
                file.close()
            path.unlink()
    except OSError as error:
        _log.warning("recording %s could not be removed: %s", path, error)
        return False
    return True

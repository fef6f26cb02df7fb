"""Locks that vanish with the process that holds them, even at kill -9: one of a folder, one of an open file.

Advisory locks of the operating system (flock). A system without them, such as Windows, locks nothing.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Final

from guidance_svc.adapters.framing import is_finished
from guidance_svc.errors import ConfigError

try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None  # type: ignore[assignment]

LOCK_NAME: Final = ".lock"
_HELD: Final = (errno.EACCES, errno.EAGAIN)


class FolderLock:
    """A folder that is this process's own until `release`, or until the process ends."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self.path = path
        self._descriptor: int | None = descriptor

    def release(self) -> None:
        """Give it back; the lock file stays, for taking it away would let two hold "the" lock."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def lock_folder(path: Path, field: str = "") -> FolderLock:
    """Take a folder for this process alone.

    Args:
        path: of the folder, which is there.
        field: key of the setting that names it, for the error.

    Raises:
        ConfigError: folder_in_use, with the holder's process id; cannot_lock.
    """
    lock_file = path / LOCK_NAME
    try:
        descriptor = os.open(lock_file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        expected = "a folder that can be written to"
        raise ConfigError("cannot_lock", field, expected, error.strerror or error, str(path)) from None
    if not lock_file_now(descriptor):
        holder = os.pread(descriptor, 20, 0).decode("ascii", "replace").strip()
        os.close(descriptor)
        expected = "a folder that no other service uses; stop that one, or choose another folder"
        raise ConfigError("folder_in_use", field, expected, f"used by process {holder or 'unknown'}", str(path))
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    return FolderLock(path, descriptor)


def lock_file_now(descriptor: int) -> bool:
    """Lock an open file, or tell that another process holds it; it is given back when the file is closed.

    A file system that knows no locks counts as locked by us.
    """
    if fcntl is None:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in _HELD
    return True


def is_written(path: Path) -> bool:
    """Whether a recording is being written: another process, or another opening of it, holds its lock.

    Without locks of the system, whether it has no end yet.
    """
    if fcntl is None:
        return not is_finished(path)
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno in _HELD
    finally:
        os.close(descriptor)
    return False

"""Locks that vanish with the process that holds them, even at kill -9: one of a folder, one of an open file.

Locks of the operating system, which keep nobody from reading the file: `systems.lock_now`.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from guidance_svc.errors import ConfigError
from guidance_svc.systems import BINARY, lock_now, read_at, write_at

LOCK_NAME: Final = ".lock"


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
        descriptor = os.open(lock_file, os.O_RDWR | os.O_CREAT | BINARY, 0o600)
    except OSError as error:
        expected = "a folder that can be written to"
        raise ConfigError("cannot_lock", field, expected, error.strerror or error, str(path)) from None
    if not lock_now(descriptor):
        holder = read_at(descriptor, 20, 0).decode("ascii", "replace").strip()
        os.close(descriptor)
        expected = "a folder that no other service uses; stop that one, or choose another folder"
        raise ConfigError("folder_in_use", field, expected, f"used by process {holder or 'unknown'}", str(path))
    os.ftruncate(descriptor, 0)
    write_at(descriptor, f"{os.getpid()}\n".encode(), 0)
    return FolderLock(path, descriptor)


def is_written(path: Path) -> bool:
    """Whether a recording is being written: another process, or another opening of it, holds its lock."""
    try:
        descriptor = os.open(path, os.O_RDONLY | BINARY)
    except OSError:
        return False
    try:
        return not lock_now(descriptor, shared=True)
    finally:
        os.close(descriptor)

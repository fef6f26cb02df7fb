"""Whether a command's result can be written, asked before the work that leads to it."""

from __future__ import annotations

import os
from pathlib import Path

from guidance_svc.errors import ConfigError


def require_file(path: Path, option: str) -> None:
    """Refuse a file that cannot be written; its folder is made.

    Raises:
        ConfigError: naming the option and the path.
    """
    require_folder(path.parent, option)
    if path.is_dir():
        raise ConfigError("cannot_write", option, "a file", "a folder", str(path))
    if path.exists() and not os.access(path, os.W_OK):
        raise ConfigError("cannot_write", option, "a file that can be written", "Permission denied", str(path))


def check_folder(path: Path, option: str) -> None:
    """Refuse a folder that could not be made or written to; nothing is made yet.

    Raises:
        ConfigError: naming the option and the path.
    """
    there = path
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise ConfigError("cannot_write", option, "a folder that can be written to", "Not a directory", str(path))
    if not os.access(there, os.W_OK | os.X_OK):
        raise ConfigError("cannot_write", option, "a folder that can be written to", "Permission denied", str(path))


def require_folder(path: Path, option: str) -> None:
    """Make a folder, and refuse one in which nothing can be written.

    Raises:
        ConfigError: naming the option and the path.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        expected = "a folder that can be written to"
        raise ConfigError("cannot_write", option, expected, error.strerror or error, str(path)) from None
    if not os.access(path, os.W_OK | os.X_OK):
        raise ConfigError("cannot_write", option, "a folder that can be written to", "Permission denied", str(path))

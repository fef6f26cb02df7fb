"""Where compiled kernels are kept, so that a restart does not wait for the compiler: 1.2 s instead of half a minute.

numba's own cache looks at one source file and not at what it calls; a folder named after all kernel sources, numba and
Python does. What lies there is executed: it must be this user's own. To be called before `guidance_svc.core` is
imported for the first time.
"""

from __future__ import annotations

import os
import shutil
import stat
import sys
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

from guidance_svc.systems import is_mine, open_to_others

SOURCES: Final = Path(__file__).parent.parent
UNUSED_S: Final = 30.0 * 86400.0  # then a folder of other sources goes: several versions may be in use
VARIABLE: Final = "NUMBA_CACHE_DIR"


def keep_kernels(home: Path | None = None) -> Path | None:
    """Choose the folder for this process and its children; None where there is no compiler or no safe folder.

    Args:
        home: folder for caches; default: the user's.
    """
    os.environ.pop(VARIABLE, None)  # a folder of someone else's choice knows nothing of our sources
    try:
        compiler = version("numba")
    except PackageNotFoundError:
        return None
    folder = (home or caches()) / "guidance-svc" / f"kernels-{key(compiler)}"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not own(folder) or not own(folder.parent):
            return None
        os.utime(folder)
        for old in folder.parent.glob("kernels-*"):
            if old.stat().st_mtime < folder.stat().st_mtime - UNUSED_S:
                shutil.rmtree(old, ignore_errors=True)
    except OSError:
        return None
    os.environ[VARIABLE] = str(folder)
    return folder


def key(compiler: str) -> str:
    """Changes with any kernel source, the compiler and Python."""
    digest = sha256(f"{compiler} {sys.version}".encode())
    for path in sorted(SOURCES.rglob("*.py")):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]


def caches() -> Path:
    """The user's folder for caches."""
    return Path(os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA") or Path.home() / ".cache")


def own(folder: Path) -> bool:
    """Whether nobody else can put code there."""
    return is_mine(folder) and not open_to_others(folder, stat.S_IWGRP | stat.S_IWOTH)

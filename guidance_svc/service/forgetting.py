"""Gives up a session whose token is lost: for who may write to the service's journal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from guidance_svc.errors import ConfigError
from guidance_svc.storage.folder_lock import lock_folder
from guidance_svc.storage.journal_files import name_of, stem_of
from guidance_svc.storage.journal_reading import FORGET, heads_of

PATIENCE_STEP_S: Final = 0.1


def ask_to_forget(folder: Path, vehicle: str, wait: Callable[[float], None], patience_s: float = 5.0) -> None:
    """Have the service that uses the folder give up a session; where none runs, take the session's files away.

    Args:
        wait: lets so many seconds pass.

    Raises:
        ConfigError: no such session, or the service does not do it.
    """
    stem = stem_of(vehicle)
    if not folder.is_dir() or not heads_of(folder, vehicle):
        raise ConfigError("no_session", "vehicle", "a vehicle that has a session in this journal", vehicle, str(folder))
    try:
        lock = lock_folder(folder, "journal.folder")
    except ConfigError:
        request = folder / FORGET / stem
        request.parent.mkdir(mode=0o700, exist_ok=True)
        request.write_text(vehicle, "utf-8")
        for _ in range(int(patience_s / PATIENCE_STEP_S)):
            if not heads_of(folder, vehicle):
                return
            wait(PATIENCE_STEP_S)
        request.unlink(missing_ok=True)
        expected = f"a service that does it within {patience_s:g} s"
        raise ConfigError("not_forgotten", "vehicle", expected, vehicle, str(folder)) from None
    for head in heads_of(folder, vehicle):  # oldest first: none comes back if this is cut short
        head.unlink()
    for path in list(folder.iterdir()):
        name = name_of(path.name)
        if name is not None and name.stem == stem:
            path.unlink()
    lock.release()

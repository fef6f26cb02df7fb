"""What a journal's folder holds when a service starts: which session each set of files is, and what is set aside."""

from __future__ import annotations

import logging
from array import array
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Final, NamedTuple

from guidance_svc.domain import OpenRequest
from guidance_svc.session.packing import unpack
from guidance_svc.session.registry import Registry
from guidance_svc.storage.journal_files import (
    OLD_NAME,
    Damage,
    FileName,
    Head,
    Salvaged,
    history_of,
    marks_of,
    name_of,
    read_head,
    salvage_set,
    seed_of,
    stem_of,
)
from guidance_svc.storage.journal_reader import Mirror, MirrorReader

FORGET: Final = "forget"
FORGET_BYTES: Final = 4096  # of a file there, which holds a vehicle's name
SET_ASIDE: Final = ".set-aside"
REASON: Final = ".reason.txt"

_log = logging.getLogger(__name__)


class Headless(Damage):
    """Files without a head: a session that had not been answered yet, or that had just ended."""


class Restored(NamedTuple):
    """A session that is back: its head, its files, and what was wrong with them, in words; empty where nothing was."""

    head: Head
    mirror: Mirror
    trouble: str


@dataclass
class Found:
    """The files of one vehicle.

    Args:
        names: by path, those of this version.
    """

    stem: str
    paths: list[Path] = field(default_factory=list)
    names: dict[Path, FileName] = field(default_factory=dict)

    @property
    def highest_flight(self) -> int:
        """Of all sets, with or without a head."""
        return max((name.flight for name in self.names.values()), default=0)

    def highest_of(self, flight: int) -> int:
        """The highest generation of a flight."""
        return max((name.generation for name in self.names.values() if name.flight == flight), default=0)

    def others(self, head: Head) -> list[Path]:
        """The files of the sets that this one replaces; heads first, so that none is without its files."""
        own = (head.flight, head.generation)
        lower = [path for path, name in self.names.items() if name[1:3] < own or name.kind == "head-new"]
        return sorted(lower, key=lambda path: not path.name.endswith(".head"))

    def restore(self, folder: Path, registry: Registry) -> Restored:
        """Give the registry the session of the newest set that is whole; of the last flight, never of another.

        Raises:
            Damage: none is, or all are of another version.
            Exception: what else may be the matter with bytes that are not what they were.
        """
        heads = sorted(((name, path) for path, name in self.names.items() if name.kind == "head"), reverse=True)
        if not heads:
            raise Damage(
                "it has no head" if self.names else "written by an earlier version, which this one cannot read"
            )
        last = [(name, path) for name, path in heads if name.flight == heads[0][0].flight]
        troubles: list[str] = []
        for take_what_there_is in (False, True):  # a set may not be on the disk yet while the one before it is
            for name, path in last:
                alone = take_what_there_is or (name, path) == last[-1]
                try:
                    head, mirror, trouble = self._take_up_set(folder, registry, name, path, alone)
                    return Restored(head, mirror, "; ".join(filter(None, [*troubles, trouble])))
                except Exception as error:
                    troubles.append(str(error))
        raise Damage(troubles[0])

    def _take_up_set(self, folder: Path, registry: Registry, name: FileName, path: Path, alone: bool) -> Restored:
        head = read_head(path.read_bytes(), name)
        states, marks = bytes_of(path.with_suffix(".states")), bytes_of(path.with_suffix(".marks")) or b""
        if not alone and len(states or b"") < head.promised:
            raise Damage("its newest files are not all there")
        kept: Salvaged = salvage_set(head, states, marks)
        if unpack(OpenRequest, head.request).vehicle != head.vehicle:
            raise Damage("it was opened for another vehicle than its head names")
        read = marks_of(marks, seed_of(name.stem, name.flight, name.generation))
        mirror = Mirror(self.stem, None, head.digest, None, head.flight, head.generation, head.base,
                        len(states or b""), head.promised, array("Q", read.ends),
                        array("Q", (mark.at for mark in read.marks)))  # fmt: skip
        history = history_of(kept, registry.history_bytes)
        history.older = MirrorReader(folder, mirror)  # the registry may have memory let go of the older part at once
        registry.restore(head.request, head.digest, history)
        return Restored(head, mirror, "states or marks are damaged" if kept.damaged else "")


def bytes_of(path: Path) -> bytes | None:
    """Of a file; None where there is none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def sets_in(folder: Path) -> list[Found]:
    """What a folder holds, by vehicle; what a kill left that never was a session goes."""
    found: dict[str, Found] = {}
    for path in sorted(folder.iterdir()):
        name, old = name_of(path.name), OLD_NAME.fullmatch(path.name)
        if (name is None and old is None) or not path.is_file():
            continue
        stem = name.stem if name else str(old and old["stem"])
        one = found.setdefault(stem, Found(stem))
        one.paths.append(path)
        if name is not None:
            one.names[path] = name
    return [one for one in found.values() if not _never_was(one)]


def _never_was(found: Found) -> bool:
    """Whether a kill came before the head of the first set was there; then nothing was answered, and the files go."""
    with suppress(OSError):
        if any(path.name.endswith(".head") or path.stat().st_size for path in found.paths):
            return False
        for path in found.paths:
            path.unlink()
        return True
    return False


def set_aside(folder: Path, stem: str, paths: list[Path], reason: str) -> None:
    """Give files other names, at which no service looks, and write the reason beside them."""
    ending = next(
        ending
        for ending in (f"{SET_ASIDE}{'' if n == 1 else f'-{n}'}" for n in count(1))
        if not (folder / f"{stem}{ending}{REASON}").exists()
    )
    with suppress(OSError):
        text = "\n".join([reason, *(path.name + ending for path in paths), ""])
        (folder / f"{stem}{ending}{REASON}").write_text(text, "utf-8")
    for path in paths:
        try:
            path.replace(path.with_name(path.name + ending))
        except OSError as error:
            _log.error("%s could not be set aside: %s", path, error)


def heads_of(folder: Path, vehicle: str) -> list[Path]:
    """The heads of a vehicle's sets, oldest first."""
    stem = stem_of(vehicle)
    named = [(name, path) for path in folder.iterdir() if (name := name_of(path.name)) and name.stem == stem]
    return [path for name, path in sorted(named) if name.kind == "head"]


def asked_to_forget(folder: Path) -> Iterator[str]:
    """The vehicles whose sessions are to be given up; each asked for once, by a file with its name in it.

    The file's own name must fit: one that is damaged names another vehicle, whose session is none of its business.
    """
    try:
        paths = list((folder / FORGET).iterdir())
    except OSError:
        return
    for path in paths:
        with suppress(OSError):
            if path.is_symlink() or not path.is_file() or path.name.endswith(SET_ASIDE):
                continue
            with path.open("rb") as file:
                vehicle = file.read(FORGET_BYTES).decode("utf-8", "replace")
            if stem_of(vehicle) == path.name:
                path.unlink()
                yield vehicle
                continue
            _log.error("%s names %r, whose file has another name; it is set aside", path, vehicle[:80])
            path.replace(path.with_name(path.name + SET_ASIDE))

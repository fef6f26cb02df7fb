"""Fails the n-th call of every function that keeps something, for every n, in a service that flies on.

    python -m tests.robustness.faults [--every 1] [--only NAME]

Functions: open, write, cut, remove, rename, sync and close of the journal's and the recording's files, and what builds
the bytes for them (there memory runs out). A call fails with ENOSPC, EIO or MemoryError, before or in the middle of
what it does, once or ten times in a row. After each: every reply is that of the undisturbed flight, byte for byte,
nothing leaves the loop, journal and recording are "ok" again when the fault is over, every recording can be read and
finished, and a service that is started on the folders goes on with the session as it was. Exit code 1 where not.
"""

from __future__ import annotations

import argparse
import errno
import logging
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from io import FileIO
from itertools import count
from pathlib import Path
from typing import Any, Final
from unittest import mock

import msgpack

from guidance_svc.playback.recordings import RecordedMessage, RecordingReader
from guidance_svc.service.desk import Desk
from guidance_svc.service.keeping import Keeping, sessions_now
from guidance_svc.session.history import History
from guidance_svc.session.registry import Registry
from guidance_svc.storage import housekeeping, journal, recorder, rotating
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.durable import AtOnce
from guidance_svc.storage.journal import TRY_AGAIN_S, FolderJournal
from guidance_svc.storage.rotating import RotatingRecorder, Storage
from guidance_svc.wire.codec import encode
from tests.robustness.world import honest_flight, library, opening

STATES: Final = 50
AFTER: Final = 12  # states after the fault is over
STEP_S: Final = 0.3  # of the wall's and the journal's clock, from state to state
HISTORY_BYTES: Final = 2500  # so little that sets of files are replaced
PART_BYTES: Final = 30_000  # so little that parts of the recording are replaced
IN_A_ROW: Final = (1, 10)


@dataclass
class Fault:
    """Fails calls of one function.

    Args:
        at: number of the first call that fails; 0: none, calls are counted only.
        times: that so many calls fail, one after the other.
        half: does half of it first: a write writes half of the bytes, others do what they do.
    """

    error: Callable[[], BaseException]
    at: int = 0
    times: int = 1
    half: bool = False
    calls: int = 0

    def __call__(self, real: Callable[..., Any], *args: Any, **more: Any) -> Any:
        """Take the place of the function."""
        self.calls += 1
        if not self.at <= self.calls < self.at + self.times or not self.at:
            return real(*args, **more)
        if self.half:
            args = tuple(arg[: len(arg) // 2] if isinstance(arg, bytes | memoryview) else arg for arg in args)
            real(*args, **more)
        raise self.error()


def no_space() -> OSError:
    """The disk is full."""
    return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def broken() -> OSError:
    """The disk does not answer."""
    return OSError(errno.EIO, os.strerror(errno.EIO))


class Failing(FileIO):
    """The recording's file; its methods can be replaced, those of FileIO cannot."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)

    def write(self, data: Any) -> int:
        return int(super().write(data))

    def truncate(self, size: int | None = None) -> int:
        return int(super().truncate(size))

    def close(self) -> None:
        super().close()


OF_OS: Final = ("open", "pwrite", "ftruncate", "unlink", "replace", "fsync", "close")
FUNCTIONS: Final[dict[str, tuple[Any, str, bool]]] = {
    **{f"os.{name}": (os, name, True) for name in OF_OS},
    "recording.open": (Failing, "__init__", True),
    "recording.write": (Failing, "write", True),
    "recording.truncate": (Failing, "truncate", True),
    "recording.close": (Failing, "close", True),
    "journal.frame_mark": (journal, "frame_mark", False),
    "journal.head_bytes": (journal, "head_bytes", False),
    "journal.pack": (journal, "pack", False),
    "history.take_unsaved": (History, "take_unsaved", False),
    "history.take_appended": (History, "take_appended", False),
    "recorder.to_json": (recorder, "to_json", False),
    "rotating.to_json": (rotating, "to_json", False),
    "rotating.sessions_now": (rotating.RotatingRecorder, "_open_sessions", False),
    "recorder.hand_over": (recorder._Sink, "hand_over", False),
    "recorder.join": (recorder._Sink, "write", False),
}  # fmt: skip
"""Where each is found, and whether it talks to the disk; the others run out of memory."""


@contextmanager
def in_place(name: str, fault: Fault) -> Iterator[None]:
    """Put a fault in place of a function."""
    owner, attribute, _ = FUNCTIONS[name]
    real = getattr(owner, attribute)
    with ExitStack() as stack:
        stack.enter_context(mock.patch.object(recorder, "FileIO", Failing))
        stack.enter_context(mock.patch.object(owner, attribute, lambda *args, **more: fault(real, *args, **more)))
        yield


@dataclass
class World:
    """A service without sockets, as `bootstrap` puts it together."""

    folder: Path
    clock_s: float = 1000.0
    numbers: Iterator[int] = field(default_factory=count)

    def __post_init__(self) -> None:
        self.registry = Registry(lambda: f"token-{next(self.numbers)}", history_bytes=HISTORY_BYTES)
        self.keeping = Keeping()
        self.desk = Desk(self.registry, library(), self.keeping)
        kept = FolderJournal(self.folder / "journal", self.registry, lambda: self.clock_s, self.desk.give_up, AtOnce())
        self.keeping.journal = self.journal = kept
        self.found = kept.take_up()
        storage = Storage(self.folder / "recordings", PART_BYTES)
        clock_ns: Callable[[], int] = lambda: int(1e9 * self.clock_s)  # noqa: E731
        self.keeping.recorder = RotatingRecorder(
            storage, clock_ns, {"version": "test"}, lambda: sessions_now(self.registry)
        )

    def ask(self, payload: bytes) -> bytes:
        """One turn of the server's loop."""
        reply = self.desk.receive("script", payload)
        self.keeping.flush()
        while self.registry.pending():
            self.registry.work()
        self.clock_s += STEP_S
        return reply


class Wrong(AssertionError):
    """A fault cost more than it may."""


def flown(folder: Path, name: str, fault: Fault) -> None:
    """Fly with the fault, then look at everything.

    Raises:
        Wrong: see the module.
    """
    with mock.patch.object(housekeeping, "_start_process", return_value=None):  # none finishes recordings
        fly_and_look(folder, name, fault)


def fly_and_look(folder: Path, name: str, fault: Fault) -> None:
    """The same, in place."""
    flight, world = honest_flight(), World(folder)
    opened = msgpack.unpackb(world.ask(encode(opening("honest"), "msgpack")))
    if opened["type"] != "opened":
        raise Wrong(f"open: {opened}")
    with in_place(name, fault):
        order = [*range(STATES), *range(20, 30)]  # a save reloaded
        for place, at in enumerate(order):
            request = flight.requests[at] if place < STATES else renumbered(flight.messages[at])
            reply = world.ask(request)
            if place < STATES and reply != flight.replies[at]:
                raise Wrong(f"reply {at}: {reply!r}")
            if place >= STATES and msgpack.unpackb(reply)["type"] != "command":
                raise Wrong(f"reply {at} after a reload: {reply!r}")
        spent, fault.at = fault.calls, 0
        world.clock_s += TRY_AGAIN_S
        for at in range(30, 30 + AFTER):
            world.ask(renumbered(flight.messages[at]))
        fault.calls = spent
    looked_at(world)


def renumbered(message: dict[str, Any]) -> bytes:
    """A state of the flight under a later seq."""
    return encode({**message, "seq": message["seq"] + 1000}, "msgpack")


def looked_at(world: World) -> None:
    """Journal, recordings, and a new start.

    Raises:
        Wrong: one of them is not as it must be.
    """
    states = (world.journal.state, world.keeping.recorder.state)
    if states != ("ok", "ok"):
        raise Wrong(f"journal and recording after the fault: {states}")
    session = world.registry.seats["honest"].session
    was = (session.last_message, session.last_command)
    world.keeping.close()
    seqs = [seq for path in sorted((world.folder / "recordings").glob("*.mcap")) for seq in recorded(path)]
    if not set(range(1032, 1031 + AFTER)) <= set(seqs):  # 1031 may come before the next try
        raise Wrong(f"recorded after the fault: {seqs[-AFTER:]}")
    again = World(world.folder)
    if again.found != ["honest"]:
        raise Wrong(f"came back: {again.found}")
    back = again.registry.seats["honest"]
    if (back.session.last_message, back.session.last_command, back.note) != (*was, ""):
        raise Wrong(f"it came back as {back.session.last_message}, {back.note!r}; it was {was[0]}")
    again.keeping.close()


def recorded(path: Path) -> list[int]:
    """The seqs of a recording's commands, once as it is and once finished, which must be the same."""
    if not path.stat().st_size:  # made by an `open` that failed all the same; the reader calls it empty
        return []
    found = []
    for _ in range(2):
        entries = RecordingReader(path).entries()
        messages = [entry for entry in entries if isinstance(entry, RecordedMessage) and entry.type == "command"]
        found.append([entry.message["seq"] for entry in messages])
        compact(path)
    if found[0] != found[1]:
        raise Wrong(f"{path.name}: {found}")
    return found[0]


def calls_of(name: str, folder: Path) -> int:
    """How often a function is called in a flight without faults."""
    fault = Fault(no_space)
    flown(folder, name, fault)
    return fault.calls


def errors_of(name: str) -> list[tuple[str, Callable[[], BaseException], bool]]:
    """How a function may fail: what it is called, the error, whether half is done first."""
    if not FUNCTIONS[name][2]:
        return [("no memory", MemoryError, False)]
    half = [("no space, half done", no_space, True)] if "write" in name else []
    return [("no space", no_space, False), ("broken", broken, True), *half]


def run(every: int = 1, only: str = "", watch: Callable[[str], None] = lambda name: None) -> Counter[str]:
    """Fail every call, or every so manieth; how many of which function.

    Raises:
        Wrong: at the first that costs more than it may.
    """
    tally, number = Counter[str](), count()
    with tempfile.TemporaryDirectory() as made:
        for name in [name for name in FUNCTIONS if only in name]:
            for at in range(1, calls_of(name, Path(made) / str(next(number))) + 1, every):
                for told, error, half in errors_of(name):
                    for times in IN_A_ROW:
                        try:
                            flown(Path(made) / str(next(number)), name, Fault(error, at, times, half))
                        except Exception as problem:
                            raise Wrong(f"{name}, call {at}, {told}, {times} times: {problem!r}") from problem
                        tally[name] += 1
                watch(name)
    return tally


def main() -> None:
    """The run of the command line."""
    from rich.console import Console

    parser = argparse.ArgumentParser(prog="python -m tests.robustness.faults", description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="only each so manieth call")
    parser.add_argument("--only", default="", help="part of a function's name")
    args = parser.parse_args()
    logging.disable(logging.CRITICAL)
    console = Console(width=None if Console().is_terminal else 120)
    try:
        with console.status("faults") as status:
            tally = run(args.every, args.only, lambda name: status.update(f"faults: {name}"))
    except Wrong as problem:
        raise SystemExit(f"{problem}") from problem
    for name, number in tally.items():
        console.print(f"{name}: {number} faults, nothing lost")


if __name__ == "__main__":
    main()

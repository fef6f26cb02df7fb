"""Cuts the power at every system call of a journal's life, and starts from what a disk may then show.

    python -m tests.robustness.powercut [--images 6] [--every 1] [--seed 1]

The life: a flight with reloads, sets of files that are replaced, a second flight under the same token, an end. Its
writes, cuts, renames, removals and syncs are recorded. What was not synced at the cut may be lost, whole or by blocks
of 512 bytes, in any order; names may be older than the data and the data older than the names. After each start the
session is what it was at some moment before the cut, or a note says that it could not be read; it is never what it
never was, and never the first flight once the second one was on the disk. Exit code 1 where it is not so.
"""

from __future__ import annotations

import argparse
import logging
import os
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final
from unittest import mock

from guidance_svc.storage.durable import AtOnce
from tests.robustness.kept import NEIGHBOUR, VICTIM, Kept, What, Wrong, flight, refused, was_ever, what_is

BLOCK_BYTES: Final = 512  # the least that a disk writes in one piece
HISTORY_BYTES: Final = 2500  # so little that sets of files are replaced several times
SECOND_CYCLE_S: Final = 0.7  # major cycle of the second flight's plan: how the two are told apart


@dataclass(frozen=True)
class Call:
    """One system call that changes the folder.

    Args:
        kind: "write", "cut", "link", "drop", "sync" (of a file) or "sync names".
        file: number of the file that it is about.
    """

    kind: str
    file: int = 0
    name: str = ""
    at: int = 0
    data: bytes = b""


@dataclass
class Disk:
    """What is on it: names, and the content of each file."""

    names: dict[str, int] = field(default_factory=dict)
    content: dict[int, bytes] = field(default_factory=dict)

    def apply(self, call: Call) -> None:
        """Carry out a call, whole."""
        data = self.content.get(call.file, b"")
        if call.kind == "write":
            data = data.ljust(call.at, b"\0")
            self.content[call.file] = data[: call.at] + call.data + data[call.at + len(call.data) :]
        elif call.kind == "cut":
            self.content[call.file] = data[: call.at].ljust(call.at, b"\0")
        elif call.kind == "link":
            self.names[call.name] = call.file
        elif call.kind == "drop":
            self.names.pop(call.name, None)

    def laid(self, where: Path) -> None:
        """Write it out."""
        shutil.rmtree(where, ignore_errors=True)
        where.mkdir(mode=0o700)
        for name, file in self.names.items():
            (where / name).write_bytes(self.content.get(file, b""))


class Recording:
    """Takes down the calls that `os` gets for one folder while it is `watching`."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.calls = folder, list[Call]()
        self._names: dict[str, int] = {}
        self._open: dict[int, int] = {}
        self._files = 0
        for path in folder.iterdir():
            self._made(path.name)
            self.calls.append(Call("write", self._names[path.name], at=0, data=path.read_bytes()))
        self.calls += [Call("sync", file) for file in self._names.values()] + [Call("sync names")]

    def _made(self, name: str) -> None:
        self._files += 1
        self._names[name] = self._files
        self.calls.append(Call("link", self._files, name))

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Every call goes on to the system as well."""
        names = ("open", "close", "pwrite", "ftruncate", "unlink", "replace", "rename", "fsync")
        with mock.patch.multiple(os, **{name: partial(getattr(self, name), getattr(os, name)) for name in names}):
            yield

    def open(self, real: Any, path: Any, flags: int, mode: int = 0o777, **more: Any) -> int:
        there, name = os.path.exists(path), os.path.basename(path)
        descriptor: int = real(path, flags, mode, **more)
        if Path(path).parent == self.folder:
            if not there:
                self._made(name)
            self._open[descriptor] = self._names[name]
            if flags & os.O_TRUNC:
                self.calls.append(Call("cut", self._names[name]))
        else:
            self._open[descriptor] = 0
        return descriptor

    def close(self, real: Any, descriptor: int) -> None:
        self._open.pop(descriptor, None)
        real(descriptor)

    def pwrite(self, real: Any, descriptor: int, data: bytes, at: int) -> int:
        self.calls.append(Call("write", self._open[descriptor], at=at, data=bytes(data)))
        return int(real(descriptor, data, at))

    def ftruncate(self, real: Any, descriptor: int, length: int) -> None:
        self.calls.append(Call("cut", self._open[descriptor], at=length))
        real(descriptor, length)

    def unlink(self, real: Any, path: Any, **more: Any) -> None:
        real(path, **more)
        self.calls.append(Call("drop", name=os.path.basename(path)))
        self._names.pop(os.path.basename(path))

    def replace(self, real: Any, old: Any, new: Any) -> None:
        real(old, new)
        file = self._names.pop(os.path.basename(old))
        self._names[os.path.basename(new)] = file
        self.calls += [Call("link", file, os.path.basename(new)), Call("drop", name=os.path.basename(old))]

    rename = replace

    def fsync(self, real: Any, descriptor: int) -> None:
        file = self._open.get(descriptor, 0)
        self.calls.append(Call("sync", file) if file else Call("sync names"))


@dataclass
class Life:
    """What was recorded.

    Args:
        calls: of the system, in order.
        moments: after how many calls the victim began to be what it then was; None for no session.
    """

    calls: list[Call]
    moments: list[tuple[int, What | None]]
    neighbour: What
    second_durable_at: int


def recorded_life(where: Path) -> Life:
    """Fly it, and take down what the system is asked to do."""
    kept = Kept(where, HISTORY_BYTES, AtOnce())
    kept.open(NEIGHBOUR)
    kept.fly(NEIGHBOUR, 0, 3)
    neighbour = what_is(kept, NEIGHBOUR)
    recording = Recording(where)
    moments: list[tuple[int, What | None]] = [(0, None)]

    def note() -> None:
        there = VICTIM in kept.registry.seats
        moments.append((len(recording.calls), what_is(kept, VICTIM) if there else None))

    with recording.watching():
        token = noting(kept, note, lambda: kept.registry_open(VICTIM))
        for first, last, seq in ((0, 40, 0), (26, 40, 1000), (3, 32, 2000)):
            noting_flight(kept, note, first, last, seq)
        noting(kept, note, lambda: kept.registry_open(VICTIM, token, SECOND_CYCLE_S))
        second_durable_at = len(recording.calls)
        noting_flight(kept, note, 40, 95, 0)
        noting_flight(kept, note, 45, 50, 1000)
        noting(kept, note, lambda: kept.registry.forget(VICTIM))
    kept.kill()
    return Life(recording.calls, moments, neighbour, second_durable_at)


def noting(kept: Kept, note: Callable[[], None], act: Callable[[], Any]) -> Any:
    """Do something, take down what the session then is, and have it kept."""
    done = act()
    note()
    kept.journal.sync()
    while kept.registry.pending():
        kept.registry.work()
    return done


def noting_flight(kept: Kept, note: Callable[[], None], first: int, last: int, seq: int) -> None:
    """The same for each state of a part of the flight."""
    for exchange in flight()[first:last]:
        message = exchange.message._replace(seq=exchange.message.seq + seq)
        noting(kept, note, partial(kept.registry.state, f"link of {VICTIM}", message))


def image(calls: Sequence[Call], how: str, dice: random.Random) -> Disk:
    """What the disk may show after a cut of the power that came after these calls.

    Args:
        how: "all": everything was written; "none": only what was synced; "any": parts, by draw.
    """
    synced = {file: last(calls, Call("sync", file)) for file in {call.file for call in calls}}
    synced_names = last(calls, Call("sync names"))
    disk, names_to = Disk(), dice.randrange(len(calls) + 1) if dice.random() < 0.5 else len(calls)
    for at, call in enumerate(calls):
        of_names = call.kind in ("link", "drop")
        if at < (synced_names if of_names else synced[call.file]) or how == "all":
            disk.apply(call)
        elif how == "none":
            continue
        elif of_names:
            if at < names_to and (names_to < len(calls) or dice.random() < 0.7):  # in order, or each by itself
                disk.apply(call)
        elif call.kind == "cut":
            if dice.random() < 0.5:
                disk.apply(call)
        else:
            for piece in pieces(call):
                if dice.random() < 0.7:
                    disk.apply(piece)
    return disk


def last(calls: Sequence[Call], wanted: Call) -> int:
    """Where a call was last made; 0 where it never was."""
    return next((at for at in range(len(calls) - 1, -1, -1) if calls[at] == wanted), 0)


def pieces(call: Call) -> Iterator[Call]:
    """A write cut at the edges of blocks."""
    at, end = call.at, call.at + len(call.data)
    while at < end:
        edge = min(end, (at // BLOCK_BYTES + 1) * BLOCK_BYTES)
        yield replace(call, at=at, data=call.data[at - call.at : edge - call.at])
        at = edge


def started(life: Life, cut: int, how: str, dice: random.Random, where: Path) -> str:
    """Cut the power after so many calls, start, and judge.

    Raises:
        Wrong: see the module.
    """
    image(life.calls[:cut], how, dice).laid(where)
    kept = Kept(where)
    try:
        if what_is(kept, NEIGHBOUR) != life.neighbour or not refused(kept, NEIGHBOUR):
            raise Wrong("the neighbour is not as it was")
        were = [what for at, what in life.moments if at <= cut]
        if VICTIM not in kept.found:
            if list(where.glob(f"{VICTIM}-*.reason.txt")):
                return "set aside, told"
            if how == "all" and all(was and was.last for was in were[-2:]):  # without a state there are no files
                raise Wrong("it is gone")
            return "not there"
        now, note = what_is(kept, VICTIM), kept.registry.seats[VICTIM].note
        going_back = "cut" in [call.kind for call in life.calls[cut - 3 : cut]]  # to the place that a save was taken at
        if how == "all" and not going_back and not any(was_ever(now, [was]) for was in were[-2:] if was):
            raise Wrong("a kill cost something")
        if not was_ever(now, [was for was in were if was is not None]):
            raise Wrong(f"it came back as something that it never was: {now}")
        if now.plan_cycle_s != SECOND_CYCLE_S and cut > life.second_durable_at and were[-1] is not None:
            raise Wrong("the first flight came back in place of the second")
        return "what it last was" if any(was_ever(now, [was]) for was in were[-2:] if was) else (
            "earlier, told" if note else "earlier")  # fmt: skip
    finally:
        kept.kill()


def run(images: int, every: int, seed: int, watch: Callable[[], None] = lambda: None) -> Counter[str]:
    """Cuts after each call, or every so manieth; how often which came of it.

    Raises:
        Wrong: at the first start that is not as it must be.
    """
    dice, tally = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as made:
        life = recorded_life(Path(made) / "life")
        first = next(at for at, what in life.moments if what is not None)
        for cut in range(first + dice.randrange(every), len(life.calls) + 1, every):
            for how in ("all", "none", *["any"] * images):
                try:
                    tally[f"{how}: {started(life, cut, how, dice, Path(made) / 'cut')}"] += 1
                except Exception as problem:
                    done = [(call.kind, call.file, call.name, call.at) for call in life.calls[cut - 6 : cut]]
                    raise Wrong(f"power cut after call {cut} ({how}), {done}: {problem!r}") from problem
            watch()
    return tally


def main() -> None:
    """The run of the command line."""
    from rich.console import Console
    from rich.progress import track

    parser = argparse.ArgumentParser(prog="python -m tests.robustness.powercut", description=__doc__)
    parser.add_argument("--images", type=int, default=6, help="that are drawn of each cut")
    parser.add_argument("--every", type=int, default=1, help="only after each so manieth call")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    logging.disable(logging.CRITICAL)
    console = Console(width=None if Console().is_terminal else 120)
    with tempfile.TemporaryDirectory() as made:
        calls = len(recorded_life(Path(made)).calls)
    steps = iter(track(range(calls // args.every), "cuts", console=console))
    try:
        tally = run(args.images, args.every, args.seed, lambda: next(steps, None))
    except Wrong as problem:
        raise SystemExit(f"\n{problem}") from None
    for outcome, number in sorted(tally.items()):
        console.print(f"{outcome}: {number}")


if __name__ == "__main__":
    main()

"""Flips bits of every file that a journal keeps, one at a time, and starts from what is then there.

    python -m tests.robustness.flips [--bits 1] [--every 1] [--seed 1]

Every byte of a head, of states, of marks, of the lock and of a request to forget; one or more bits of each (--bits 8:
all). After each start: the victim's last state is right, or a note says what it lost, in the log, to its script and
beside its files; it never has another flight, token, plan or reply; the neighbour is as it was; an `open` without a
token gets into neither; and a second start finds the same. Exit code 1 at the first that is not so.
"""

from __future__ import annotations

import argparse
import logging
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.robustness.kept import (
    NEIGHBOUR,
    VICTIM,
    Kept,
    NotYet,
    What,
    Wrong,
    flight,
    judge,
    moments,
    refused,
    was_ever,
    what_is,
)

STATES: Final = 24  # of the flight that is kept
BACK: Final = (14, 18, 1000)  # a save reloaded: from, to, added to seq
NEIGHBOURS: Final = 3


@dataclass
class Folder:
    """A journal's folder as it was at a kill.

    Args:
        files: bytes by name.
        wanted: what each vehicle was.
        before: what the victim was before.
    """

    files: dict[str, bytes]
    wanted: dict[str, What]
    before: list[What]

    def laid(self, where: Path, changed: str = "", data: bytes = b"") -> Path:
        """Write it out, one file with other bytes."""
        shutil.rmtree(where, ignore_errors=True)
        for name, content in self.files.items():
            path = where / name
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            path.write_bytes(data if name == changed else content)
        return where


def kept_folder(where: Path, two_sets: bool) -> Folder:
    """Two vehicles' files after a kill in flight.

    Args:
        two_sets: history so short that a set of files has been replaced, and the disk so slow that both are there.
    """
    life = Kept(where, 1500 if two_sets else 8 << 20, NotYet() if two_sets else None)
    life.open(NEIGHBOUR)
    life.fly(NEIGHBOUR, 0, NEIGHBOURS)
    life.open(VICTIM)
    life.fly(VICTIM, 0, STATES)
    if not two_sets:
        life.fly(VICTIM, *BACK)
    parts = [(0, STATES, 0)] if two_sets else [(0, STATES, 0), BACK]
    wanted = {vehicle: what_is(life, vehicle) for vehicle in (VICTIM, NEIGHBOUR)}
    life.kill()
    return Folder(read(where), wanted, moments(VICTIM, "secret-1", parts))


def read(where: Path) -> dict[str, bytes]:
    """All files below a folder."""
    return {str(path.relative_to(where)): path.read_bytes() for path in sorted(where.rglob("*")) if path.is_file()}


def victims(folder: Folder) -> list[str]:
    """The files that are flipped: the victim's, and those that belong to nobody."""
    return [name for name in folder.files if not name.startswith(NEIGHBOUR)]


def flips(folder: Folder, where: Path, bits: int, every: int, dice: random.Random) -> Iterator[tuple[str, str]]:
    """Flip, start, judge: the kind of file and what came of it.

    Raises:
        Wrong: with the file, the byte and the bit.
    """
    for name in victims(folder):
        content = folder.files[name]
        for at in range(dice.randrange(every), len(content), every):
            for bit in dice.sample(range(8), bits):
                data = bytearray(content)
                data[at] ^= 1 << bit
                try:
                    yield Path(name).suffix or name, started(folder, folder.laid(where, name, bytes(data)))
                except Exception as problem:
                    raise Wrong(f"bit {bit} of byte {at} of {name}: {problem!r}") from problem


def started(folder: Folder, where: Path) -> str:
    """Start from a damaged folder twice, and judge.

    Raises:
        Wrong: see `judge`.
    """
    outcome = ""
    for again in (False, True):
        life = Kept(where)
        try:
            if what_is(life, NEIGHBOUR) != folder.wanted[NEIGHBOUR] or not refused(life, NEIGHBOUR):
                raise Wrong("the neighbour is not as it was")
            there = VICTIM in life.found
            if again and outcome != "right":  # told at the first start, and the journal is whole again
                now = what_is(life, VICTIM) if there else None
                begun_anew = outcome == "set aside, told" and now is not None and now.last is None
                if now is not None and not begun_anew and not was_ever(now, folder.before):
                    raise Wrong("the second start found what never was")
                return outcome
            outcome = judge(life, VICTIM, folder.wanted[VICTIM], folder.before, where)
            if there and not refused(life, VICTIM):
                raise Wrong("an open without a token got in")
            if outcome == "right":
                return outcome
        finally:
            life.kill()
    return outcome


def forgotten(where: Path, bits: int, every: int, dice: random.Random) -> Iterator[tuple[str, str]]:
    """The same for a request to give up the victim's session.

    Raises:
        Wrong: the neighbour was given up.
    """
    shutil.rmtree(where, ignore_errors=True)
    life = Kept(where)
    for vehicle in (NEIGHBOUR, VICTIM):
        life.open(vehicle)
        life.fly(vehicle, 0, 1)
    stem = next(path.name.split(".")[0] for path in where.glob(f"{VICTIM}-*.head"))
    for at in range(0, len(VICTIM), every):
        for bit in dice.sample(range(8), bits):
            data = bytearray(VICTIM.encode())
            data[at] ^= 1 << bit
            (where / "forget").mkdir(exist_ok=True)
            (where / "forget" / stem).write_bytes(data)
            life.clock_s += 2.0
            life.journal.sync()
            if life.given_up or (where / "forget" / stem).exists():
                raise Wrong(f"bit {bit} of byte {at} of a request to forget: {life.given_up} given up")
            yield "forget", "set aside, told"
    life.kill()


def run(bits: int, every: int, seed: int, watch: Callable[[], None] = lambda: None) -> Counter[tuple[str, str]]:
    """All of it; how often which came of which kind of file.

    Raises:
        Wrong: at the first start that is not as it must be.
    """
    dice, tally = random.Random(seed), Counter[tuple[str, str]]()
    with tempfile.TemporaryDirectory() as made:
        for two_sets in (False, True):
            folder = kept_folder(Path(made) / str(two_sets), two_sets)
            for kind, outcome in flips(folder, Path(made) / "flipped", bits, every, dice):
                tally[kind, outcome] += 1
                watch()
        for kind, outcome in forgotten(Path(made) / "forget", bits, every, dice):
            tally[kind, outcome] += 1
    return tally


def main() -> None:
    """The run of the command line."""
    from rich.console import Console
    from rich.progress import track

    parser = argparse.ArgumentParser(prog="python -m tests.robustness.flips", description=__doc__)
    parser.add_argument("--bits", type=int, default=1, help="of each byte; 8 are all")
    parser.add_argument("--every", type=int, default=1, help="only each so manieth byte")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    logging.disable(logging.CRITICAL)
    console = Console(width=None if Console().is_terminal else 120)
    flight()
    with tempfile.TemporaryDirectory() as made:
        folders = [kept_folder(Path(made) / str(two), two) for two in (False, True)]
    size = sum(len(folder.files[name]) for folder in folders for name in victims(folder))
    steps = iter(track(range(size * args.bits // args.every), "flips", console=console))
    try:
        tally = run(args.bits, args.every, args.seed, lambda: next(steps, None))
    except Wrong as problem:
        raise SystemExit(f"\n{problem}") from None
    for (kind, outcome), number in sorted(tally.items()):
        console.print(f"{kind}: {number} {outcome}")


if __name__ == "__main__":
    main()

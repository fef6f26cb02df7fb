"""Sessions kept in a folder, for tests of damage, faults and power cuts: a flight, and what came back of it.

Two vehicles whose names differ by one bit fly the same flight; one is the victim, the other the neighbour.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import count
from pathlib import Path
from typing import Final

from guidance_svc.domain import Command, OpenRequest, VehicleState
from guidance_svc.errors import SessionFault
from guidance_svc.session.registry import Opened, Registry, digest_of
from guidance_svc.storage.durable import Syncing
from guidance_svc.storage.journal import FolderJournal
from tests.session.exchange import LATE, Exchange, flown, late_start

VICTIM: Final = "curlew"
NEIGHBOUR: Final = "curleu"
HELD: Final = 8 << 20


@cache
def flight() -> tuple[Exchange, ...]:
    """The first half minute of a burn, five states a second, and what a session answered that nothing disturbed."""
    return tuple(flown(LATE, late_start(), 0.2, 160))


class Unsynced(Syncing):
    """Takes away what is replaced at once, and leaves the disk alone: for tests in which no power is lost."""

    def later(self, keep: Sequence[Path], drop: Sequence[Path] = (), done: Callable[[], None] = lambda: None) -> None:
        """Take away and tell."""
        for path in drop:
            path.unlink(missing_ok=True)
        done()


class NotYet(Syncing):
    """A disk that has not written anything itself: no set of files is ever taken away for a newer one."""

    def later(self, keep: Sequence[Path], drop: Sequence[Path] = (), done: Callable[[], None] = lambda: None) -> None:
        """Nothing."""


class Kept:
    """A registry and its journal from one start to one kill; nothing is closed, as at kill -9."""

    def __init__(
        self, folder: Path, history_bytes: int = HELD, syncing: Syncing | None = None, memory_bytes: int = HELD
    ) -> None:
        numbers = count()
        self.clock_s = 0.0
        self.registry = Registry(lambda: f"secret-{next(numbers)}", 1000, history_bytes, memory_bytes)
        self.journal = FolderJournal(folder, self.registry, lambda: self.clock_s, self.give_up, syncing or Unsynced())
        self.given_up: list[str] = []
        self.found = self.journal.take_up()

    def give_up(self, vehicle: str, why: str) -> None:
        """As the service does what a file in the folder `forget` asks."""
        self.registry.forget(vehicle)
        self.given_up.append(vehicle)

    def open(self, vehicle: str, token: str | None = None) -> Opened:
        """A script opens."""
        plan = replace(LATE, major_cycle_s=0.5)
        opened = self.registry.open(f"link of {vehicle}", OpenRequest(vehicle, "upper_stage", plan, resume=token))
        self.journal.sync()
        return opened

    def registry_open(self, vehicle: str, token: str | None = None, major_cycle_s: float = 0.5) -> str:
        """The same without writing, with another plan too; returns the token."""
        plan = replace(LATE, major_cycle_s=major_cycle_s)
        request = OpenRequest(vehicle, "upper_stage", plan, resume=token)
        return self.registry.open(f"link of {vehicle}", request).token

    def fly(self, vehicle: str, first: int, last: int, seq: int = 0) -> list[Command]:
        """A script sends these states, with a number added to their seqs."""
        replies = []
        for exchange in flight()[first:last]:
            message = exchange.message._replace(seq=exchange.message.seq + seq)
            replies.append(self.registry.state(f"link of {vehicle}", message))
            self.journal.sync()
            while self.registry.pending():
                self.registry.work()
        return replies

    def kill(self) -> None:
        """The process is gone: the system takes its locks and files back, and nothing else happens."""
        self.journal._lock.release()
        for descriptor in self.journal._files.values():
            os.close(descriptor)
        self.journal._files.clear()


@dataclass(frozen=True)
class What:
    """What a session is, as far as a script can tell.

    Args:
        last: the last state that was answered; seq of it counts in this flight alone.
    """

    token: str
    plan_cycle_s: float
    last: VehicleState | None
    reply: Command | None


def what_is(kept: Kept, vehicle: str) -> What:
    """The session of a vehicle, which is there."""
    seat = kept.registry.seats[vehicle]
    return What(seat.digest, seat.request.plan.major_cycle_s, seat.session.last_message, seat.session.last_command)


def was_ever(now: What, before: Sequence[What]) -> bool:
    """Whether a session is what it once was; of one that begins at a mark the last state is not known any more."""
    if now.last is None:
        before = [replace(was, last=None) for was in before]
    return now in before


class Wrong(AssertionError):
    """Something came back that must not, or went without a word."""


def judge(kept: Kept, vehicle: str, wanted: What, before: Sequence[What], folder: Path) -> str:
    """What became of a session after damage: "right", "earlier, told" or "set aside, told".

    Args:
        wanted: as it was.
        before: what it had been at any moment before: what it may be, with a note.

    Raises:
        Wrong: another flight, token, plan or reply; or something was lost without a note.
    """
    if vehicle in kept.registry.seats:
        now, note = what_is(kept, vehicle), kept.registry.seats[vehicle].note
        if now == wanted:
            return "right"
        if not was_ever(now, before):
            raise Wrong(f"{vehicle} came back as something that it never was: {now}")
        if not note:
            raise Wrong(f"{vehicle} came back as it was at {now.last and now.last.time_s} s, without a word")
        return "earlier, told"
    if not list(folder.glob(f"{vehicle}-*.reason.txt")):
        raise Wrong(f"{vehicle} did not come back, and nothing says why")
    opened = kept.open(vehicle)
    if opened.resumed or not opened.warnings:
        raise Wrong(f"{vehicle} begins anew without a word: {opened}")
    return "set aside, told"


def moments(vehicle: str, token: str, flown_parts: Sequence[tuple[int, int, int]]) -> list[What]:
    """Everything that a session was in its life, from a registry without a journal: after its open and each state."""
    registry = Registry(lambda: token)
    registry.open("link", OpenRequest(vehicle, "upper_stage", replace(LATE, major_cycle_s=0.5)))
    seat = registry.seats[vehicle]
    found = [What(digest_of(token), 0.5, None, None)]
    for first, last, seq in flown_parts:
        for exchange in flight()[first:last]:
            registry.state("link", exchange.message._replace(seq=exchange.message.seq + seq))
            found.append(What(seat.digest, 0.5, seat.session.last_message, seat.session.last_command))
            while registry.pending():
                registry.work()
    return found


def refused(kept: Kept, vehicle: str) -> bool:
    """Whether an `open` without a token is kept out of a session that has flown."""
    try:
        kept.open(vehicle)
    except SessionFault as fault:
        return fault.code == "vehicle_taken"
    return False

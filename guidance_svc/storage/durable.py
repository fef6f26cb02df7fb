"""Makes files last through a loss of power, and only then takes away those that they replace; beside the loop.

A thread, because the system call waits for the disk: 1 to 100 ms, in which a loop would answer nobody.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from typing import Final, NamedTuple

from guidance_svc.systems import BINARY, WINDOWS

CLOSE_S: Final = 1.0  # that closing waits for the disk; what is not done then is done at the next start

_log = logging.getLogger(__name__)


class Order(NamedTuple):
    """What to make last, then what to take away, then whom to tell."""

    keep: tuple[Path, ...]
    drop: tuple[Path, ...]
    done: Callable[[], None]


def carry_out(order: Order) -> None:
    """Sync, take away, tell; where the disk fails, nothing is taken away."""
    try:
        for path in order.keep:
            sync_path(path)
    except FileNotFoundError:  # gone with its session; so are those that it replaced
        return
    except OSError as error:
        _log.warning("%s could not be made to last; what it replaces stays: %s", order.keep[0].name, error)
        return
    for path in order.drop:
        with suppress(OSError):
            path.unlink(missing_ok=True)
    order.done()


def sync_path(path: Path) -> None:
    """Have the system write a file, or a folder's names, to the disk.

    Raises:
        OSError: it does not, or the path is gone.
    """
    if path.is_dir() and WINDOWS:
        return  # there the names go with the files
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR | BINARY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Syncing:
    """A thread that carries out orders one after the other; it begins with the first of them."""

    def __init__(self) -> None:
        self._orders: SimpleQueue[Order | None] = SimpleQueue()
        self._thread: Thread | None = None

    def later(self, keep: Sequence[Path], drop: Sequence[Path] = (), done: Callable[[], None] = lambda: None) -> None:
        """Make these last, then take those away, then tell; returns at once."""
        if self._thread is None:
            self._thread = Thread(target=self._run, name="journal-sync", daemon=True)
            self._thread.start()
        self._orders.put(Order(tuple(keep), tuple(drop), done))

    def close(self) -> None:
        """Carry out what is left, within CLOSE_S."""
        if self._thread is not None:
            self._orders.put(None)
            self._thread.join(CLOSE_S)
            self._thread = None

    def _run(self) -> None:
        while (order := self._orders.get()) is not None:
            try:
                carry_out(order)
            except Exception:  # the next order may go better
                _log.exception("making files last met a fault of its own")


class AtOnce(Syncing):
    """The same without a thread, for tests that count system calls."""

    def later(self, keep: Sequence[Path], drop: Sequence[Path] = (), done: Callable[[], None] = lambda: None) -> None:
        """Carry it out now."""
        carry_out(Order(tuple(keep), tuple(drop), done))

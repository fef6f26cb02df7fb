"""What the demo shows while it flies: the table of all vehicles on a terminal, a line at each new phase otherwise."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Protocol

from guidance_svc.errors import RecordingError
from guidance_svc.files.config_files import Library
from guidance_svc.storage.framing import SUFFIX

if TYPE_CHECKING:
    from guidance_svc.board.terminal import Rows

LOOK_S: Final = 0.5  # real time between two looks at the recording


class Progress(Protocol):
    """What the demo tells while it flies."""

    def __enter__(self) -> Progress: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None: ...
    def show(self, vehicle: str, said: Mapping[str, Any]) -> None:
        """A flight script's latest line."""
        ...

    def tick(self) -> None:
        """Called several times a second."""
        ...


def progress_for(recordings: Path, library: Library, plain: bool) -> Progress:
    """The table on a terminal, else lines; nothing on standard output, which belongs to the results.

    Args:
        recordings: folder in which the demo's service, which is up by now, writes its recording; the newest is it.
        library: that the service reads.
        plain: lines even on a terminal.
    """
    if plain or not sys.stderr.isatty():
        return Lines()
    return LiveTable(recordings, library)


class Lines:
    """A line on standard error when a vehicle enters a phase."""

    def __init__(self) -> None:
        self._phase: dict[str, str] = {}

    def __enter__(self) -> Lines:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        return None

    def show(self, vehicle: str, said: Mapping[str, Any]) -> None:
        """Tell of a new phase, or of the end."""
        phase = "done" if said["status"] == "complete" else str(said["phase"])
        if self._phase.get(vehicle) != phase:
            self._phase[vehicle] = phase
            print(f"{vehicle:<10} {said['time_s']:z8.1f} s  {phase}", file=sys.stderr, flush=True)

    def tick(self) -> None:
        """Does nothing: there is no bar."""


class LiveTable:
    """All vehicles on standard error, read from the recording as it grows."""

    def __init__(self, recordings: Path, library: Library) -> None:
        from rich.console import Console
        from rich.live import Live

        self._recordings, self._library = recordings, library
        self._live = Live(console=Console(stderr=True), auto_refresh=False)
        self._rows: Rows | None = None
        self._next_s = 0.0

    def __enter__(self) -> LiveTable:
        self._live.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._draw()
        self._live.stop()
        if self._rows is not None:
            self._rows.close()

    def show(self, vehicle: str, said: Mapping[str, Any]) -> None:
        """Nothing: the recording says more."""

    def tick(self) -> None:
        """Look and draw, twice a second at most."""
        if time.monotonic() >= self._next_s:
            self._next_s = time.monotonic() + LOOK_S
            self._draw()

    def _draw(self) -> None:
        from guidance_svc.board.terminal import Rows

        try:
            if self._rows is None:
                files = sorted(self._recordings.glob(f"*{SUFFIX}"), key=lambda path: path.stat().st_mtime)
                if not files:
                    return
                self._rows = Rows(files[-1], self._library, live=True)
            self._rows.look()
        except RecordingError:
            return  # the results tell; this only shows the way there
        self._live.update(self._rows.table(width=self._live.console.width), refresh=True)

"""One progress line a vehicle: bars on a terminal, a plain line at each new phase otherwise."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import Any, Protocol


class Progress(Protocol):
    """What the demo tells while it flies."""

    def __enter__(self) -> Progress: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None: ...
    def show(self, vehicle: str, said: Mapping[str, Any]) -> None:
        """A flight script's latest line."""
        ...


def progress_for(phases: Mapping[str, Sequence[str]], quiet: bool) -> Progress:
    """Bars on a terminal, else lines; nothing on standard output, which belongs to the table.

    Args:
        phases: the laws of each vehicle's plan, in order.
        quiet: plain lines even on a terminal.
    """
    if quiet or not sys.stderr.isatty():
        return Lines()
    return Bars(phases)


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
            print(f"{vehicle:<10} {said['time_s']:8.1f} s  {phase}", file=sys.stderr, flush=True)


class Bars:
    """rich's progress bars on standard error."""

    def __init__(self, phases: Mapping[str, Sequence[str]]) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, TextColumn
        from rich.progress import Progress as RichProgress

        self._phases = phases
        self._bars = RichProgress(
            TextColumn("{task.description:<10}"), BarColumn(24), TextColumn("{task.fields[now]}"),
            console=Console(stderr=True),
        )  # fmt: skip
        self._tasks = {name: self._bars.add_task(name, total=len(laws), now="waits") for name, laws in phases.items()}

    def __enter__(self) -> Bars:
        self._bars.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._bars.stop()

    def show(self, vehicle: str, said: Mapping[str, Any]) -> None:
        """Move the vehicle's bar."""
        laws = self._phases[vehicle]
        done = said["status"] == "complete"
        reached = len(laws) if done else (laws.index(said["phase"]) if said["phase"] in laws else 0)
        left = said["time_to_cutoff_s"]
        cutoff = f"  cutoff in {left:.0f} s" if left is not None and left >= 0.0 else ""
        now = "done" if done else f"{said['phase']:<11} {said['time_s']:6.0f} s  pitch {said['pitch_deg']:5.1f}{cutoff}"
        self._bars.update(self._tasks[vehicle], completed=reached, now=now)

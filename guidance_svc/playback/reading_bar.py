"""A bar on the terminal while a long recording is read."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from guidance_svc.playback.recordings import RecordingReader

LONG_BYTES: Final = 1 << 20  # a replay of less is over before a bar is read
EVERY_BYTES: Final = 1 << 16


@contextmanager
def reading_bar(path: Path) -> Iterator[Callable[[RecordingReader], None]]:
    """What to call with the reader now and then; nothing is shown of a short file, or when nobody looks.

    Args:
        path: of the recording; one that cannot be read counts as short.
    """
    try:
        size = path.stat().st_size
    except OSError:
        size = 0
    if size < LONG_BYTES or not sys.stderr.isatty():
        yield lambda reader: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:3.0f} %"))
    with Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(path.name, total=size)
        shown = 0

        def watch(reader: RecordingReader) -> None:
            nonlocal shown
            if reader.at - shown >= EVERY_BYTES:
                shown = reader.at
                bar.update(task, completed=shown)

        yield watch

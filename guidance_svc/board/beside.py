"""What watches a running service: the page in one child process, the table of the terminal in another."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Full, Queue
from typing import Final

from guidance_svc.board.running import (
    GOODBYE_S,
    BoardProcess,
    child_of_service,
    end_child,
    listen,
    require_packages,
)
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import chosen_folder, load_settings

LINES_WAITING: Final = 200  # log lines for a table that does not read now; more are dropped
END: Final = b""  # after the last line


class Watching:
    """What `serve` was asked to show.

    Args:
        configs: folder, as on the command line.
        board: whether a page is wanted.
        address: for it; None means that of service.toml, and a page only where `board` says so.
        plain: no table, even on a terminal.
        log_format: of the log lines; only people's lines go above a table.

    Raises:
        ConfigError: the address cannot be used, or the extra `board` is missing.
    """

    def __init__(self, configs: Path | None, board: bool, address: str | None, plain: bool, log_format: str) -> None:
        self._configs = chosen_folder(configs)
        self._address: str | None = None
        if board or address is not None:
            require_packages()
            self._address = address or load_settings(self._configs).board.address
            listen(self._address).close()  # before the service goes to any trouble
        looked_at = sys.stdout.isatty() and sys.stderr.isatty()
        self._table = not plain and log_format == "logfmt" and looked_at

    @contextmanager
    def of(self, recording: Path | None, tell: Callable[[str], None]) -> Iterator[None]:
        """While the service runs: show what its recording says.

        Args:
            recording: the file being written; None where none is.
            tell: prints a line.

        Raises:
            ConfigError: a page is wanted, and there is no recording to show.
        """
        if recording is None:
            if self._address is not None:
                raise ConfigError("board_needs_recording", "--board", "a recording, which the page reads", "none")
            yield
            return
        board = None if self._address is None else BoardProcess(recording, self._address, self._configs)
        if board is not None:
            tell(f"board: {board.url}")
        table = Table(recording, self._configs) if self._table else None
        try:
            yield
        finally:
            if table is not None:
                table.end()
            if board is not None:
                board.end()


class Table(logging.Handler):
    """The table of the terminal; log lines go to it, and it prints them above itself.

    What cannot be handed over at once is dropped: neither a slow terminal nor a stopped one may hold the service up.
    """

    def __init__(self, recording: Path, configs: Path) -> None:
        super().__init__()
        self._child: subprocess.Popen[bytes] = child_of_service(
            ["board", str(recording), "--table", "--configs", str(configs), "--beside-service"]
        )
        self._lines: Queue[bytes] = Queue(LINES_WAITING)
        self._gone = False
        self._hander = threading.Thread(target=self._hand_over, daemon=True)
        self._hander.start()
        self._root = logging.getLogger()
        self._before = list(self._root.handlers)
        for handler in self._before:
            self._root.removeHandler(handler)
        if self._before and self._before[0].formatter is not None:
            self.setFormatter(self._before[0].formatter)
        self._root.addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        """Hand a line over."""
        if self._gone:  # log as before
            for handler in self._before:
                handler.handle(record)
            return
        with suppress(Full):
            self._lines.put_nowait(self.format(record).encode() + b"\n")

    def end(self) -> None:
        """Log as before, and end the table."""
        self._root.removeHandler(self)
        for handler in self._before:
            self._root.addHandler(handler)
        with suppress(Full):
            self._lines.put_nowait(END)
            self._hander.join(GOODBYE_S)
        end_child(self._child)

    def _hand_over(self) -> None:
        """Write lines to the table, in a thread that may wait for it, until there are no more or it is gone."""
        assert self._child.stdin is not None
        with suppress(OSError, ValueError):  # ValueError: closed by `end`
            while (line := self._lines.get()) != END:
                os.write(self._child.stdin.fileno(), line)
        self._gone = True

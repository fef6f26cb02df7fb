"""What watches a running service: the page in one child process, the table of the terminal in another."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from guidance_svc.adapters.board.running import (
    BoardProcess,
    child_of_service,
    end_child,
    listen,
    require_packages,
)
from guidance_svc.adapters.config_files import chosen_folder, load_settings
from guidance_svc.errors import ConfigError


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
        self._table = not plain and log_format == "logfmt" and looked_at and os.name == "posix"

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
        assert self._child.stdin is not None
        self._pipe = self._child.stdin.fileno()
        os.set_blocking(self._pipe, False)
        self._root = logging.getLogger()
        self._before = list(self._root.handlers)
        for handler in self._before:
            self._root.removeHandler(handler)
        if self._before and self._before[0].formatter is not None:
            self.setFormatter(self._before[0].formatter)
        self._root.addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        """Hand a line over."""
        try:
            os.write(self._pipe, self.format(record).encode() + b"\n")
        except BlockingIOError:
            return
        except OSError:  # the table is gone: log as before
            for handler in self._before:
                handler.handle(record)

    def end(self) -> None:
        """Log as before, and end the table."""
        self._root.removeHandler(self)
        for handler in self._before:
            self._root.addHandler(handler)
        with suppress(OSError):
            os.set_blocking(self._pipe, True)
        end_child(self._child)

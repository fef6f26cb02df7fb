"""Runs the board: in this process for a past recording, in a process of its own beside a running service."""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Final

from guidance_svc.board.feed import Feed
from guidance_svc.board.tail import check_beginning
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library, chosen_folder, load_library, load_settings
from guidance_svc.service.addresses import host_and_port
from guidance_svc.storage.folder_lock import is_written
from guidance_svc.systems import lower_priority, own_group, own_port

HOW_TO_GET: Final = "starlette and uvicorn: pip install '.[board]' in the checkout"
LOWER_PRIORITY: Final = 10  # replies come first
GOODBYE_S: Final = 5.0
KEY: Final = "--board"
ADDRESS_KEY: Final = "--address"

Tell = Callable[[str], None]


def listen(address: str, key: str = KEY) -> socket.socket:
    """A socket bound to a loopback address, HOST:PORT; port 0 takes any free one.

    Raises:
        ConfigError: not loopback, malformed or taken.
    """
    host, port = host_and_port(address, key)
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        own_port(sock)
        sock.bind((host, port))
        sock.listen(64)
    except OSError as error:
        sock.close()
        raise ConfigError("cannot_listen", key, "a free address", f"{host}:{port}: {error.strerror}") from None
    return sock


def url_of(sock: socket.socket) -> str:
    """The address of the page, for a browser."""
    host, port = sock.getsockname()
    return f"http://{host}:{port}/"


def require_packages() -> None:
    """Raises ConfigError where the extra `board` is not installed."""
    from importlib.util import find_spec

    if find_spec("starlette") is None or find_spec("uvicorn") is None:
        raise ConfigError("packages_missing", KEY, HOW_TO_GET, "neither" if not find_spec("uvicorn") else "one of them")


def run_board(recording: Path, library: Library, sock: socket.socket, live: bool, until_eof: bool = False) -> None:
    """Serve the board until SIGTERM or Ctrl-C.

    Args:
        sock: of `listen`.
        live: whether the recording is being written.
        until_eof: end when standard input does: the board of a service lives no longer than the service, however
            that ends.

    Raises:
        ConfigError: the extra `board` is missing.
        RecordingError: the recording cannot be opened.
    """
    require_packages()
    import uvicorn

    from guidance_svc.board.web import application

    port = sock.getsockname()[1]
    hosts = frozenset(f"{name}:{port}" for name in (sock.getsockname()[0], "localhost"))
    feed = Feed(recording, library, live)
    config = uvicorn.Config(
        application(feed, hosts), log_level="warning", access_log=False, ws="none", http="h11", loop="asyncio",
        timeout_graceful_shutdown=1, server_header=False, limit_concurrency=64,
    )  # fmt: skip
    server = uvicorn.Server(config)
    if until_eof:
        threading.Thread(target=_end_with_input, args=(server,), daemon=True).start()
    asyncio.run(server.serve([sock]))


def show_board(recording: Path, address: str | None, configs: Path | None, beside_service: bool, tell: Tell) -> None:
    """The command `board`.

    Args:
        address: None means that of service.toml.
        beside_service: the recording is written by the service that is this process's parent.

    Raises:
        ConfigError: a bad configuration or address, or the extra `board` is missing.
        RecordingError: the recording cannot be opened, is empty or foreign.
    """
    require_packages()
    folder = chosen_folder(configs)
    where = address or load_settings(folder).board.address
    if beside_service:
        step_back()
    with listen(where, ADDRESS_KEY) as sock:
        live = beside_service or is_written(recording)
        if not live:
            check_beginning(recording)
        if not beside_service:  # the service has told it
            tell(f"board: {url_of(sock)}")
        run_board(recording, load_library(folder), sock, live, beside_service)


def _end_with_input(server: object) -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    server.should_exit = True  # type: ignore[attr-defined]


class BoardProcess:
    """The board of a running service: a child at lower priority that ends with it.

    Args:
        recording: that the service writes.
        address: loopback, HOST:PORT; port 0 takes any free one.
        configs: folder that the service reads.

    Raises:
        ConfigError: the address cannot be used, or the extra `board` is missing.
    """

    def __init__(self, recording: Path, address: str, configs: Path) -> None:
        require_packages()
        with listen(address) as sock:  # found free here, where it can still be said; the child takes it a moment later
            host, port = sock.getsockname()
        self.url = f"http://{host}:{port}/"
        arguments = ["board", str(recording), "--address", f"{host}:{port}", "--configs", str(configs)]
        self._child = child_of_service([*arguments, "--beside-service"])

    def __enter__(self) -> BoardProcess:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.end()

    def end(self) -> None:
        """Ask the child to end, kill it if it does not."""
        end_child(self._child)


def child_of_service(arguments: list[str]) -> subprocess.Popen[bytes]:
    """A command of this program as a child that ends when this process does, however it ends."""
    return subprocess.Popen(
        [sys.executable, "-m", "guidance_svc", *arguments],
        stdin=subprocess.PIPE,
        env=os.environ | {"OMP_NUM_THREADS": "1", "NUMBA_DISABLE_JIT": "1"},  # compiling costs more than it gains here
        **own_group(),  # Ctrl-C reaches the service alone, which then ends its board
    )


def end_child(child: subprocess.Popen[bytes]) -> None:
    """Close its input, which ends it; kill it if that does not."""
    if child.stdin is not None:
        with suppress(OSError):
            child.stdin.close()
    try:
        child.wait(GOODBYE_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def step_back() -> None:
    """Let replies come first, where the system has that: lower priority, and no preempting at wake-up."""
    lower_priority(LOWER_PRIORITY, batch=True)

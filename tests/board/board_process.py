"""A board as a process of its own, as a user starts it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
WAIT_MS = 60_000  # bound of every wait in the browser, never waited out
WAIT_S = 60.0
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "NUMBA_DISABLE_JIT": "1"}


@dataclass(frozen=True)
class Shown:
    """A board that answers."""

    url: str
    process: subprocess.Popen[str]


StartBoard = Callable[..., Shown]


def need_server() -> None:
    """Skip where the extra `board` is not installed."""
    if find_spec("uvicorn") is None or find_spec("starlette") is None:
        pytest.skip("the extra `board` (starlette, uvicorn) is not installed")


@contextmanager
def boards() -> Iterator[StartBoard]:
    """Starts boards; all are ended at the end."""
    need_server()
    with ExitStack() as stack:

        def start(recording: Path, url: str = "http://127.0.0.1:0/") -> Shown:
            address = url.removeprefix("http://").rstrip("/")
            command = [sys.executable, "-m", "guidance_svc", "board", str(recording), "--address", address]
            process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT)
            stack.callback(end, process)
            assert process.stdout is not None
            line = process.stdout.readline()
            assert line.startswith("board: http://127.0.0.1:"), line
            return Shown(line.split()[1], process)

        yield start


def end(process: subprocess.Popen[str]) -> None:
    """Ask it to end, and wait."""
    process.terminate()
    try:
        process.wait(WAIT_S)
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()

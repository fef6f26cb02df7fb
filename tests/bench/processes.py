"""Servers and loads as processes of their own."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from guidance_svc.core.compiled import HAVE_NUMBA

START_WAIT_LINES = 50
PLAIN = "import sys; sys.modules['numba'] = sys.modules['msgspec'] = None; "
SERVE = "from guidance_svc.__main__ import main; main()"


@dataclass(frozen=True)
class Server:
    """A server that listens."""

    name: str
    endpoint: str
    pid: int

    def resident_mb(self) -> float:
        """Resident memory, from /proc."""
        for line in Path(f"/proc/{self.pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024.0
        raise RuntimeError("no VmRSS")


@contextmanager
def started(name: str, command: list[str]) -> Iterator[Server]:
    """A server process; waits for its line `ready: zmq ENDPOINT ...`."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    try:
        for _ in range(START_WAIT_LINES):
            line = process.stdout.readline()
            if "ready: zmq" in line:
                yield Server(name, line.split("ready: zmq ")[1].split()[0], process.pid)
                return
            if not line:
                break
        raise SystemExit(f"{name} did not start")
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()


def echo() -> Any:
    """The bare ROUTER."""
    return started("echo", [sys.executable, "-m", "tests.bench.echo"])


def service(folder: Path, plain: bool) -> Any:
    """The service, recording into a folder; `plain` hides the packages of the extra `fast`."""
    code = (PLAIN if plain else "") + SERVE
    where = ["--zmq", "tcp://127.0.0.1:0", "--tcp", "127.0.0.1:0", "--record", str(folder)]
    where += ["--journal", str(folder / "journal")]
    return started("plain" if plain else "fast", [sys.executable, "-c", code, "serve", *where])


def kinds() -> tuple[bool, ...]:
    """Plain, and fast as well where numba is installed."""
    return (True, False) if HAVE_NUMBA else (True,)


def load(server: Server, states: Path, *options: str) -> dict[str, Any]:
    """One load run against a server."""
    command = [sys.executable, "-m", "tests.bench.load", server.endpoint, str(states), *options]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600)
    if done.returncode:
        raise SystemExit(f"load on {server.name} failed: {done.stderr or done.stdout}")
    result: dict[str, Any] = json.loads(done.stdout)
    return result

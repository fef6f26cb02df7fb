"""Servers and loads as processes of their own."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from guidance_svc.core.compiled import HAVE_NUMBA

START_WAIT_LINES = 50
PLAIN = "import sys; sys.modules['numba'] = None; "
SERVE = "from guidance_svc.__main__ import main; main()"


@dataclass(frozen=True)
class Server:
    """A server that listens."""

    name: str
    endpoint: str
    pid: int
    tcp: str = "none"

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
                words = line.split("ready: zmq ")[1].split()
                threading.Thread(target=process.stdout.read, daemon=True).start()  # or its log would stop it
                yield Server(name, words[0], process.pid, words[2])
                return
            if not line:
                break
        raise SystemExit(f"{name} did not start")
    finally:
        process.terminate()
        process.wait(30)


def echo() -> Any:
    """The bare ROUTER."""
    return started("echo", [sys.executable, "-m", "tests.bench.echo"])


def service(folder: Path | None, plain: bool, *options: str, name: str = "") -> Any:
    """The service, keeping recording and journal in a folder; `plain` hides the packages of the extra `fast`.

    Args:
        folder: None keeps them where the configuration says.
        options: more of `serve`.
        name: for tables; default: plain or fast.
    """
    code = (PLAIN if plain else "") + SERVE
    where = ["--zmq", "tcp://127.0.0.1:0", "--tcp", "127.0.0.1:0", *options]
    if folder is not None:
        where += ["--record", str(folder), "--journal", str(folder / "journal")]
    return started(name or ("plain" if plain else "fast"), [sys.executable, "-c", code, "serve", *where])


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

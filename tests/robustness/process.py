"""The service as a process of its own, and honest scripts that talk to it over sockets; every wait is bounded."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import zmq

WAIT_S: Final = 60.0  # bound of every wait, so that a fault fails a run instead of hanging it; never waited out
START_LINES: Final = 100
SERVE: Final = "from guidance_svc.__main__ import main; main()"
TROUBLE: Final = ("Traceback", "fault of the service itself", "internal_error", "could not be recorded")


@dataclass(frozen=True)
class Served:
    """A service that listens."""

    pid: int
    zmq: str
    tcp: tuple[str, int]
    log: Path

    def resident_mb(self) -> float:
        """Resident memory, from /proc."""
        for line in Path(f"/proc/{self.pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024.0
        raise RuntimeError("no VmRSS")

    def open_files(self) -> int:
        """File descriptors in use."""
        return len(os.listdir(f"/proc/{self.pid}/fd"))

    def trouble(self) -> list[str]:
        """Lines of its log that speak of a fault of its own."""
        return [line for line in self.log.read_text("utf-8", "replace").splitlines() if any(t in line for t in TROUBLE)]


@contextmanager
def served(folder: Path, *options: str, settings: str = "") -> Iterator[Served]:
    """A service on free loopback ports, its configuration the package's with other settings; ended by SIGTERM.

    Args:
        folder: for configuration, log and recording.
        options: of the command line, after `serve`.
        settings: lines of service.toml after the addresses.
    """
    configs, log = configs_with(folder / "configs", settings), folder / "service.log"
    command = [sys.executable, "-c", SERVE, "serve", "--configs", str(configs), "--record", str(folder / "recordings"),
               "--journal", str(folder / "journal"),
               *options]  # fmt: skip
    with log.open("w") as out:
        process = subprocess.Popen(command, cwd=folder, stdout=out, stderr=subprocess.STDOUT, env=environment())
        try:
            zmq_endpoint, tcp = addresses(process, log)
            host, port = tcp.split(":")
            yield Served(process.pid, zmq_endpoint, (host, int(port)), log)
            if process.poll() is not None:
                raise RuntimeError(f"the service ended by itself: {log.read_text()[-2000:]}")
        finally:
            process.terminate()
            process.wait(WAIT_S)


def environment() -> dict[str, str]:
    """That of this process, with this checkout in front."""
    root = str(Path.cwd())
    return {**os.environ, "PYTHONPATH": os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])}


def configs_with(folder: Path, settings: str) -> Path:
    """A copy of the package's configuration with settings of its own."""
    from shutil import copytree

    from guidance_svc.files.config_files import default_folder

    if not folder.exists():
        copytree(default_folder(), folder)
        (folder / "service.toml").write_text(
            f'[addresses]\nzmq = "tcp://127.0.0.1:0"\ntcp = "127.0.0.1:0"\n{settings}\n', "utf-8"
        )
    return folder


def addresses(process: subprocess.Popen[bytes], log: Path) -> tuple[str, str]:
    """Where the service listens, from its log; follows the file as it grows, until the process ends or WAIT_S."""
    import time

    until = time.monotonic() + 3 * WAIT_S  # kernels may have to be compiled first
    while time.monotonic() < until and process.poll() is None:
        for line in log.read_text("utf-8", "replace").splitlines():
            words = line.replace('"', " ").split()
            if "ready:" in words:
                return words[words.index("zmq") + 1], words[words.index("tcp") + 1]
        time.sleep(0.02)  # a process has no other way to say so; bounded above
    raise RuntimeError(f"the service did not start: {log.read_text('utf-8', 'replace')[-2000:]}")


class Dealers:
    """ZeroMQ sockets of one test or run; all closed at the end."""

    def __init__(self) -> None:
        self.context = zmq.Context()
        self.made: list[zmq.Socket[bytes]] = []

    def connect(self, endpoint: str, **options: Any) -> zmq.Socket[bytes]:
        """One script's socket; its sends and receives give up after WAIT_S."""
        sock = self.context.socket(zmq.DEALER)
        wait_ms = int(1000 * WAIT_S)
        for name, value in {"LINGER": 0, "RCVTIMEO": wait_ms, "SNDTIMEO": wait_ms, **options}.items():
            sock.setsockopt(getattr(zmq, name), value)
        sock.connect(endpoint)
        self.made.append(sock)
        return sock

    def close(self) -> None:
        """Close whatever is open."""
        for sock in self.made:
            sock.close(0)
        self.context.term()


def connect_tcp(address: tuple[str, int]) -> socket.socket:
    """A TCP connection whose calls give up after WAIT_S."""
    return socket.create_connection(address, WAIT_S)

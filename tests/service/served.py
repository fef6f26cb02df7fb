"""The whole service as a process of its own; every wait is bounded."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgpack
import zmq
from service_world import STATE, WAIT_S

ROOT = Path(__file__).resolve().parents[2]
OPEN = {"type": "open", "protocol": 1, "vehicle": "curlew", "role": "upper_stage", "plan": "curlew_to_lagoon"}


def state(seq: int) -> dict[str, Any]:
    """A state of a flight that stands still; only that it is answered matters."""
    return {**STATE, "seq": seq, "time_s": 0.02 * seq, "position_m": [6.5e6, 0.0, 0.0], "mass_kg": 1e5}


class Served:
    """`guidance-svc serve` in a folder of its own, and one DEALER to it."""

    def __init__(self, folder: Path, prefix: list[str], *options: str) -> None:
        command = [*prefix, sys.executable, "-m", "guidance_svc", "serve", "--zmq", "tcp://127.0.0.1:0",
                   "--tcp", "127.0.0.1:0", *options]  # fmt: skip
        self.process = subprocess.Popen(
            command, cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stderr is not None
        self.log: list[str] = []
        endpoint = ""
        for line in self.process.stderr:
            self.log.append(line)
            found = re.search(r"zmq (tcp://[\d.:]+) tcp ([\d.:]+)", line)
            if found is not None:
                endpoint, self.tcp = found.groups()
                break
        self._streams: list[socket.socket] = []
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.DEALER)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.RCVTIMEO, int(WAIT_S * 1000))
        if endpoint:
            self._socket.connect(endpoint)

    def ask(self, message: dict[str, Any]) -> dict[str, Any]:
        self._socket.send(msgpack.packb(message))
        reply: dict[str, Any] = msgpack.unpackb(self._socket.recv())
        return reply

    def stream(self) -> socket.socket:
        """A connection for JSON lines."""
        host, port = self.tcp.split(":")
        self._streams.append(socket.create_connection((host, int(port)), WAIT_S))
        return self._streams[-1]

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, str]:
        """Exit code and everything it logged; ended by a signal if it still runs."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        _, rest = self.process.communicate(timeout=WAIT_S)
        return self.process.returncode, "".join(self.log) + rest

    def close(self) -> None:
        self.process.kill()
        self.process.communicate(timeout=WAIT_S)
        self._socket.close()
        for sock in self._streams:
            sock.close()
        self._context.term()

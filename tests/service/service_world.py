"""A plan, messages and a running server for the service tests; all numbers are invented."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import zmq
from scripted_sessions import ScriptedSessions

from guidance_svc.files.config_files import Library
from guidance_svc.files.settings import Addresses, Limits
from guidance_svc.laws.plan_model import flight_plan_model
from guidance_svc.service.access import Access
from guidance_svc.service.desk import Desk
from guidance_svc.service.health import Health, state_of
from guidance_svc.service.server import Server
from guidance_svc.storage.recorder import McapRecorder
from guidance_svc.wire.plans import BodyModel, StageModel, VehicleModel

WAIT_S = 60.0  # bound of every wait, so that a fault fails a test instead of hanging it; never waited out

STATE: dict[str, Any] = {
    "type": "state",
    "seq": 1,
    "time_s": 12.5,
    "mass_kg": 5000.0,
    "position_m": [6.6e6, 0.0, 0.0],
    "velocity_m_s": [0.0, 7000.0, 0.0],
}
OPEN: dict[str, Any] = {"type": "open", "protocol": 1, "vehicle": "curlew", "role": "upper_stage", "plan": "lagoon"}


def small_library() -> Library:
    """One body, one vehicle, one plan."""
    stage = StageModel(
        name="upper", dry_mass_kg=1000.0, propellant_kg=9000.0, thrust_n=1e5, exhaust_velocity_m_s=3400.0
    )
    plan = {
        "body": "earth",
        "vehicle": "curlew",
        "target": {"perigee_altitude_km": 200.0, "apogee_altitude_km": 460.0},
    }
    return Library(
        bodies={"earth": BodyModel(mu_m3_s2=3.986e14, radius_m=6378137.0)},
        vehicles={"curlew": VehicleModel(stages=[stage])},
        flights={"lagoon": flight_plan_model().model_validate(plan)},
    )


class Running:
    """A server in its own thread, and sockets to it; all are closed at the end, within WAIT_S."""

    def __init__(
        self,
        sessions: ScriptedSessions,
        path: Path,
        limits: Limits,
        access: Access | None = None,
        clock_s: Callable[[], float] = time.perf_counter,
    ) -> None:
        ticks = count(1_000_000_000)
        self.sessions = sessions
        self.path = path
        self.recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
        health = Health(clock_s, "test", {"recording": lambda: state_of(self.recorder)})
        desk = Desk(sessions, small_library(), self.recorder, limits.message_bytes, access, health)
        addresses = Addresses(zmq="tcp://127.0.0.1:0", tcp="127.0.0.1:0")
        self.server = Server(desk, sessions, self.recorder, addresses, limits, access, clock_s)
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()
        self._context = zmq.Context()
        self._sockets: list[socket.socket | zmq.Socket[bytes]] = []

    def zmq_socket(self, kind: int = zmq.DEALER, address: str | None = None, **options: Any) -> zmq.Socket[bytes]:
        """Connected to the server; with an empty address not connected yet."""
        sock = self._context.socket(kind)
        sock.setsockopt(zmq.LINGER, 0)
        sock.setsockopt(zmq.RCVTIMEO, int(WAIT_S * 1000))
        sock.setsockopt(zmq.SNDTIMEO, int(WAIT_S * 1000))
        for name, value in options.items():
            sock.setsockopt(getattr(zmq, name), value)
        if address != "":
            sock.connect(address or self.server.ready.zmq)
        self._sockets.append(sock)
        return sock

    def tcp_socket(self) -> socket.socket:
        host, port = self.server.ready.tcp.split(":")
        sock = socket.create_connection((host, int(port)), WAIT_S)
        self._sockets.append(sock)
        return sock

    def stop(self) -> None:
        self.server.stop()
        self.thread.join(WAIT_S)
        assert not self.thread.is_alive(), "the server did not stop"

        for sock in self._sockets:
            sock.close()
        self._context.destroy(0)
        self.recorder.close()


def ask_line(sock: socket.socket, message: dict[str, Any] | bytes) -> dict[str, Any]:
    """One exchange over TCP."""
    payload = message if isinstance(message, bytes) else json.dumps(message).encode()
    sock.sendall(payload + b"\n")
    return read_line(sock)


def read_line(sock: socket.socket) -> dict[str, Any]:
    """One line, parsed; an empty dict when the peer closed."""
    data = bytearray()
    while not data.endswith(b"\n"):
        piece = sock.recv(1)
        if not piece:
            return {}
        data += piece
    reply: dict[str, Any] = json.loads(data)
    return reply

"""The load: vehicles that send real states, each over its own DEALER, from a process of its own.

    python -m tests.bench.load ENDPOINT STATES --vehicles N (--rate HZ | --window W) --seconds S [--each K] [--pid PID]
        [--keep]

Prints one line of JSON: count, seconds, bad (replies that are no command), latencies in microseconds; with --pid the
processor time that the server took in these seconds.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path
from typing import Any

import msgpack
import zmq
import zmq.auth

from tests.bench.states import opening

OPEN_WAIT_MS = 20_000
DRAIN_S = 2.0  # after the end, for replies still on the way
WARM_S = 0.5  # not counted, if nothing else is said


class Vehicle:
    """One script: its socket, where in the flight it is, when its open requests went out."""

    def __init__(
        self, context: zmq.Context[Any], endpoint: str, name: str, states: list[bytes], at: int, keys: str
    ) -> None:
        self.socket = context.socket(zmq.DEALER)
        self.socket.setsockopt(zmq.LINGER, 0)
        for option, value in (key_options(Path(keys)) if keys else {}).items():
            self.socket.setsockopt(option, value)
        self.socket.connect(endpoint)
        self.name, self.states, self.at = name, states, at
        self.sent: list[float] = []
        self.due = 0.0
        self.round = 0
        self.number = 0

    def open(self) -> None:
        """Begin a session, and wait for it."""
        self.ask(opening(self.name))

    def close(self) -> None:
        """End the session."""
        self.ask(msgpack.packb({"type": "close"}))

    def ask(self, message: bytes) -> None:
        """One message that is not counted."""
        self.socket.send(message)
        if not self.socket.poll(OPEN_WAIT_MS):
            raise SystemExit(f"no reply to {message[:40]!r}")
        reply = self.socket.recv()
        if b"fault" in reply:
            raise SystemExit(f"refused: {msgpack.unpackb(reply)}")

    def send(self) -> None:
        """The next state; at the flight's end the session begins anew."""
        if self.at >= len(self.states):
            self.close()
            self.at = 0
            self.open()
        self.sent.append(time.perf_counter())
        self.socket.send(self.states[self.at])
        self.at += 1
        self.number += 1

    def receive(self, latencies: list[float]) -> tuple[int, int]:
        """Take what has come: (replies, bad ones)."""
        count = bad = 0
        while self.sent:
            try:
                reply = self.socket.recv(zmq.NOBLOCK)
            except zmq.Again:
                break
            latencies.append(time.perf_counter() - self.sent.pop(0))
            count += 1
            bad += b"fault" in reply
        return count, bad


def key_options(folder: Path) -> dict[int, bytes]:
    """Socket options of a script called load with its key."""
    public, secret = zmq.auth.load_certificate(folder / "load.key_secret")
    server, _ = zmq.auth.load_certificate(folder / "service.key")
    return {zmq.CURVE_PUBLICKEY: public, zmq.CURVE_SECRETKEY: secret or b"", zmq.CURVE_SERVERKEY: server}


class Load:
    """All vehicles and their replies."""

    def __init__(self, args: argparse.Namespace) -> None:
        self.args = args
        states = msgpack.unpackb(Path(args.states).read_bytes())
        context = zmq.Context()
        count = args.vehicles
        spread = max(1, (len(states) - 2000) // max(count, 1))
        self.vehicles = [
            Vehicle(context, args.endpoint, f"v{os.getpid()}-{k}", states, 0 if args.each else k * spread, args.keys)
            for k in range(count)
        ]
        self.poller = zmq.Poller()
        self.of = {}
        for vehicle in self.vehicles:
            vehicle.open()
            self.poller.register(vehicle.socket, zmq.POLLIN)
            self.of[vehicle.socket] = vehicle
        self.latencies: list[float] = []
        self.bad = 0

    def take(self, timeout_ms: int) -> list[Vehicle]:
        """Wait for replies; the vehicles that got some."""
        got = []
        for socket, _ in self.poller.poll(timeout_ms):
            vehicle = self.of[socket]
            count, bad = vehicle.receive(self.latencies)
            self.bad += bad
            if count:
                got.append(vehicle)
        return got

    def paced(self, until_s: float) -> None:
        """Each vehicle at its rate, their phases spread evenly; a late reply does not delay the next state."""
        period = 1.0 / self.args.rate
        begin = time.perf_counter()
        for k, vehicle in enumerate(self.vehicles):
            vehicle.due = begin + period * k / len(self.vehicles)
        order = list(self.vehicles)
        turn = 0
        while (now := time.perf_counter()) < until_s:
            vehicle = order[turn]
            if now >= vehicle.due:
                vehicle.send()
                vehicle.due += period
                turn = (turn + 1) % len(order)
                self.take(0)
                continue
            self.take(int(1000.0 * (vehicle.due - now)) if vehicle.due - now > 0.002 else 0)

    def saturated(self, until_s: float) -> None:
        """Each vehicle keeps a window of states open."""
        window, each = self.args.window, self.args.each
        for vehicle in self.vehicles:
            for _ in range(window):
                vehicle.send()
        while time.perf_counter() < until_s:
            if each and all(vehicle.number >= each for vehicle in self.vehicles):
                break
            for vehicle in self.take(100):
                while len(vehicle.sent) < window and not (each and vehicle.number >= each):
                    if vehicle.at >= len(vehicle.states) and vehicle.sent:
                        break
                    vehicle.send()

    def run(self) -> dict[str, Any]:
        """Warm up, measure, drain, close."""
        fly = self.paced if self.args.rate else self.saturated
        if not self.args.each:
            fly(time.perf_counter() + self.args.warm)
            self.drain()
            self.latencies.clear()
        begin, server_s = time.perf_counter(), self.server_s()
        fly(begin + self.args.seconds)
        count, took, server_s = len(self.latencies), time.perf_counter() - begin, self.server_s() - server_s
        self.drain()
        missing = sum(len(vehicle.sent) for vehicle in self.vehicles)
        if not self.args.keep and not missing:
            for vehicle in self.vehicles:
                vehicle.close()
        micros = [round(1e6 * x, 1) for x in self.latencies]
        return {"count": count, "seconds": took, "bad": self.bad, "missing": missing, "latencies_us": micros,
                "server_s": server_s}  # fmt: skip

    def server_s(self) -> float:
        """Processor time of the server so far; 0 where nobody asked for it."""
        return processor_s(self.args.pid) if self.args.pid else 0.0

    def drain(self) -> None:
        """Take the replies still on the way."""
        end = time.perf_counter() + DRAIN_S
        while any(vehicle.sent for vehicle in self.vehicles) and time.perf_counter() < end:
            self.take(50)


def processor_s(pid: int) -> float:
    """Processor time of a process so far, all its threads, from /proc."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """One load run."""
    parser = argparse.ArgumentParser()
    parser.add_argument("endpoint")
    parser.add_argument("states")
    parser.add_argument("--vehicles", type=int, default=1)
    parser.add_argument("--rate", type=float, default=0.0)
    parser.add_argument("--window", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--warm", type=float, default=WARM_S, help="seconds before that are not counted")
    parser.add_argument("--each", type=int, default=0)
    parser.add_argument("--pid", type=int, default=0, help="the server, whose processor time is wanted")
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("--keys", default="", help="folder with the keys of a script called load")
    print(json.dumps(Load(parser.parse_args()).run()))


if __name__ == "__main__":
    main()

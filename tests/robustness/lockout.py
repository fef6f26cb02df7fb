"""Tries to keep honest scripts out of a service, as a program of the same machine could.

    python -m tests.robustness.lockout [--rounds 20] [--seed 1]

Each round makes one attack on a service process, then opens a new honest vehicle over each transport and sends its
first state; a vehicle that flew before the attack goes on too. Every other round the service is killed and started
again on the same journal. Exit code 1 if anybody was kept out.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import socket
import tempfile
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import msgpack
import zmq
from rich.console import Console
from rich.progress import track

from tests.bench import states
from tests.robustness.process import WAIT_S, Served, served

OPENS, TCP_CONNECTIONS, ZMQ_CONNECTIONS = 1500, 400, 700  # more than the limits of service.toml allow
Attack = Callable[[Served, ExitStack, random.Random], None]


def dealer(service: Served, held: ExitStack) -> zmq.Socket[bytes]:
    """Connected; every wait bounded."""
    sock = held.enter_context(zmq.Context.instance().socket(zmq.DEALER))
    for option in (zmq.RCVTIMEO, zmq.SNDTIMEO):
        sock.setsockopt(option, int(1000 * WAIT_S))
    sock.setsockopt(zmq.LINGER, 0)
    sock.connect(service.zmq)
    return sock


def line(service: Served, held: ExitStack, says: bytes = b"") -> socket.socket:
    """Connected over TCP; what it says may meet a connection that is closed again."""
    sock = held.enter_context(socket.create_connection(service.tcp, WAIT_S))
    with suppress(OSError):
        sock.sendall(says)
    return sock


def opens_without_a_state(service: Served, held: ExitStack, dice: random.Random) -> None:
    """More sessions than there may be, none with a state; half of their connections stay."""
    for number in range(OPENS):
        with ExitStack() as own:
            sock = line(service, held if number % 20 == 0 else own)
            with suppress(OSError):
                sock.sendall(json.dumps(msgpack.unpackb(states.opening(f"stranger-{dice.random()}"))).encode() + b"\n")
                sock.recv(65536)


def half_lines(service: Served, held: ExitStack, dice: random.Random) -> None:
    """More TCP connections than there may be, with half a line each or none."""
    for _ in range(TCP_CONNECTIONS):
        line(service, held, dice.choice((b"{", b'{"type":"open"', b"", b" ")))


def idle_messages(service: Served, held: ExitStack, dice: random.Random) -> None:
    """More TCP connections than there may be, each with whole lines and no session."""
    for _ in range(TCP_CONNECTIONS):
        line(service, held, dice.choice((b'{"type":"health"}\n', b'{"type":"state"}\n', b"{}\n")))


def idle_zmq(service: Served, held: ExitStack, dice: random.Random) -> None:
    """More ZeroMQ connections than there may be; half of them say something that opens nothing."""
    for _ in range(ZMQ_CONNECTIONS):
        sock = dealer(service, held)
        if dice.random() < 0.5:
            sock.send(b"\xc1")


ATTACKS: tuple[Attack, ...] = (opens_without_a_state, half_lines, idle_messages, idle_zmq)


class Honest:
    """A script over ZeroMQ that opens, flies a few states, and goes on after a restart by its token."""

    def __init__(self, vehicle: str, messages: list[bytes]) -> None:
        self.vehicle, self.messages, self.seq, self.token = vehicle, messages, 0, None

    def flies_on(self, service: Served) -> bool:
        """Open or take up its session over a new connection, and send one state."""
        opening = msgpack.unpackb(states.opening(self.vehicle)) | ({"resume": self.token} if self.token else {})
        with ExitStack() as own:
            sock = dealer(service, own)
            try:
                sock.send(msgpack.packb(opening))
                opened = msgpack.unpackb(sock.recv())
                sock.send(self.messages[self.seq])
                command = msgpack.unpackb(sock.recv())
            except zmq.Again:
                return False
        went_on = opened.get("resumed", False) or self.token is None
        self.seq, self.token = self.seq + 1, opened.get("token")
        return bool(went_on and command.get("type") == "command")


def flies_over_lines(service: Served, vehicle: str, message: bytes) -> bool:
    """A new vehicle over JSON lines: open, one state."""
    said = (states.opening(vehicle), message)
    with ExitStack() as own, line(service, own).makefile("rwb") as file:
        got: list[dict[str, Any]] = []
        for one in said:
            file.write(json.dumps(msgpack.unpackb(one)).encode() + b"\n")
            file.flush()
            got.append(json.loads(file.readline() or b"{}"))
    return [one.get("type") for one in got] == ["opened", "command"]


def run(rounds: int, seed: int, console: Console) -> bool:
    """Whether nobody was kept out; prints who was."""
    dice, good = random.Random(seed), True
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        states.write(folder / "states")
        messages = msgpack.unpackb((folder / "states").read_bytes())
        old = Honest("steady", messages)
        with ExitStack() as services:
            service = services.enter_context(served(folder))
            for number in track(range(rounds), "lock-out attacks", console=console):
                attack = ATTACKS[number % len(ATTACKS)]
                with ExitStack() as held:
                    attack(service, held, dice)
                    found = {
                        "a vehicle that flew before": old.flies_on(service),
                        "a new vehicle over ZeroMQ": Honest(f"new-{number}", messages).flies_on(service),
                        "a new vehicle over JSON lines": flies_over_lines(service, f"line-{number}", messages[0]),
                    }
                for who in (who for who, flew in found.items() if not flew):
                    good = False
                    console.print(f"round {number}, {attack.__name__}: {who} was kept out")
                if number % 2:
                    with suppress(ProcessLookupError):
                        os.kill(service.pid, signal.SIGKILL)
                    with suppress(Exception):  # it did not end as it should: it was killed
                        services.close()
                    service = services.enter_context(served(folder))
    console.print(f"{rounds} attacks, seed {seed}: " + ("nobody was kept out" if good else "somebody was kept out"))
    return good


def main() -> None:
    """The run of the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    raise SystemExit(0 if run(given.rounds, given.seed, Console()) else 1)


if __name__ == "__main__":
    main()

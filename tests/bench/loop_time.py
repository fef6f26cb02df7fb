"""What stands between an honest state and its reply inside the loop: its own processor time, other processes left out.

The server runs in this process, turn by turn; the neighbour in its own. Processor time of this thread is counted from
the moment that the honest state goes out until its reply is there; waiting in `poll` costs none, nor do the other users
of a shared machine.
"""

from __future__ import annotations

import secrets
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from statistics import median

import msgpack
import numpy as np
import zmq
from rich.table import Table

from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.files.settings import Addresses, Limits
from guidance_svc.service.desk import Desk
from guidance_svc.service.server import Server
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder
from tests.bench import processes, states
from tests.bench.neighbour import KINDS

BETWEEN_S = 0.005  # real time between honest states, in which the loop takes what the neighbour sends


@contextmanager
def loop(folder: Path) -> Iterator[Server]:
    """A server whose turns the caller makes."""
    recorder = McapRecorder(folder / f"{secrets.token_hex(4)}.mcap", time.time_ns, {})
    registry = Registry(lambda: secrets.token_urlsafe(16))
    desk = Desk(registry, load_library(default_folder()), recorder)
    server = Server(desk, registry, recorder, Addresses(zmq="tcp://127.0.0.1:0", tcp="127.0.0.1:0"), Limits())
    try:
        yield server
    finally:
        server.close()
        recorder.close()


def answered_in_us(server: Server, sock: zmq.Socket[bytes], message: bytes) -> float:
    """Processor time of the loop from an honest message to its reply."""
    sock.send(message)
    began_s = time.thread_time()
    while not sock.poll(0):
        server._turn()
    took_s = time.thread_time() - began_s
    sock.recv()
    return 1e6 * took_s


def turns_until(server: Server, at_s: float) -> None:
    """Let the loop run for a while."""
    while time.perf_counter() < at_s:
        server._turn()


def measured(folder: Path, file: Path, count: int, rounds: int) -> dict[str, list[list[float]]]:
    """Microseconds for each honest state, by neighbour and round."""
    from tests.bench.neighbours import neighbour

    out: dict[str, list[list[float]]] = defaultdict(list)
    messages = msgpack.unpackb(file.read_bytes())
    for _ in range(rounds):
        for kind in ("nobody", *KINDS):
            if kind == "spin":
                continue
            with loop(folder) as server, zmq.Context() as context, context.socket(zmq.DEALER) as sock:
                sock.setsockopt(zmq.LINGER, 0)
                sock.connect(server.ready.zmq)
                answered_in_us(server, sock, states.opening("honest"))
                where = processes.Server("loop", server.ready.zmq, 0, server.ready.tcp)
                with nullcontext() if kind == "nobody" else neighbour(kind, where, file):
                    turns_until(server, time.perf_counter() + 1.5)  # its burst of tokens is spent by then
                    took = []
                    for message in messages[:count]:
                        took.append(answered_in_us(server, sock, message))
                        turns_until(server, time.perf_counter() + BETWEEN_S)
                out[kind].append(took)
    return out


def loop_table(runs: dict[str, list[list[float]]]) -> Table:
    """Medians over the rounds, and what the neighbour adds."""
    table = Table(title="Processor time of the loop from an honest state to its reply, us")
    for name in ("neighbour", "p50", "p99", "x nobody p50", "x p99", "p99 more", "states"):
        table.add_column(name, justify="right")
    figures = {
        kind: np.median([np.percentile(took, (50.0, 99.0)) for took in rounds], axis=0)
        for kind, rounds in runs.items()
    }
    base = figures["nobody"]
    for kind, (p50, p99) in figures.items():
        table.add_row(kind, f"{p50:.0f}", f"{p99:.0f}", f"{p50 / base[0]:.2f}", f"{p99 / base[1]:.2f}",
                      f"{p99 - base[1]:+.0f}", str(int(median(map(len, runs[kind])))))  # fmt: skip
    return table

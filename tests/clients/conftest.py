"""A stand-in service for the one-file clients: real sockets, real checks of what the client sends, scripted answers."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from types import ModuleType
from typing import Any

import msgpack
import pytest
import zmq

from guidance_svc.domain import Frame
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft, craft_on_pad
from guidance_svc.rehearsal.orders import controls_for
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World
from guidance_svc.wire.parse import parse_close, parse_open, parse_state
from tests.clients.loading import CLIENTS as CLIENTS
from tests.clients.loading import load as load
from tests.clients.running_service import WAIT_S, Service

Answer = Callable[[dict[str, Any]], dict[str, Any] | None]
BEFORE_CUTOFF_S = 90.0  # long enough for outages and cuts in the burn, short enough for every test run


class StandIn:
    """Answers as `answer` says (None: no reply), after the service's own checks; keeps what came."""

    def __init__(self) -> None:
        self.heard: list[dict[str, Any]] = []
        self.answer: Answer = usual_answer

    def reply_to(self, message: dict[str, Any]) -> dict[str, Any] | None:
        {"open": parse_open, "state": parse_state, "close": lambda m: parse_close(m)}[message["type"]](message)
        self.heard.append(message)
        return self.answer(message)


def usual_answer(message: dict[str, Any]) -> dict[str, Any]:
    """What a healthy service says, as far as a client looks at it."""
    if message["type"] == "open":
        return {"type": "opened", "token": "t-1", "resumed": message.get("resume") is not None, "phases": []}
    if message["type"] == "close":
        return {"type": "closed", "vehicle": "Curlew"}
    return command_for(message)


def command_for(state: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A command of a burn that ends at 100 s of the vehicle's clock, turning from 10 deg of pitch downward."""
    return {
        "type": "command", "seq": state["seq"], "time_s": state["time_s"], "phase": "insertion",
        "pitch_deg": 10.0, "heading_deg": 90.0, "pitch_rate_deg_s": -0.1, "heading_rate_deg_s": 0.05,
        "pointing": [1.0, 0.0, 0.0], "throttle": 0.8, "engine_on": True, "time_to_cutoff_s": 1.0,
        "cutoff_at_s": 100.0, "latest_off_at_s": 1e6, "event": None, "next_contact_s": 0.5, "status": "ok",
        "warnings": [], **more,
    }  # fmt: skip


@pytest.fixture
def stand_in() -> StandIn:
    return StandIn()


@pytest.fixture(params=["guidance_client", "guidance_client_stdlib"])
def module(request: pytest.FixtureRequest) -> ModuleType:
    return load(request.param)


@pytest.fixture
def address(module: ModuleType, stand_in: StandIn) -> Iterator[str]:
    """Where the stand-in listens, over the transport that this client speaks."""
    serve = serve_zmq if module.__name__ == "guidance_client" else serve_tcp
    yield from serve(stand_in)


def serve_zmq(stand_in: StandIn) -> Iterator[str]:
    context = zmq.Context()
    router, stop = context.socket(zmq.ROUTER), threading.Event()
    router.setsockopt(zmq.LINGER, 0)
    port = router.bind_to_random_port("tcp://127.0.0.1")

    def work() -> None:
        while not stop.is_set():
            if router.poll(20):
                peer, payload = router.recv_multipart()
                reply = stand_in.reply_to(msgpack.unpackb(payload))
                if reply is not None:
                    router.send_multipart([peer, msgpack.packb(reply)])
        router.close()

    thread = threading.Thread(target=work)
    thread.start()
    yield f"tcp://127.0.0.1:{port}"
    stop.set()
    thread.join(WAIT_S)
    context.term()


def serve_tcp(stand_in: StandIn) -> Iterator[str]:
    listener = socket.create_server(("127.0.0.1", 0))
    lines: list[socket.socket] = []
    threads: list[threading.Thread] = []

    def work(line: socket.socket) -> None:
        with line, line.makefile("rwb") as file:
            for raw in file:
                reply = stand_in.reply_to(json.loads(raw))
                if reply is not None:
                    file.write(json.dumps(reply).encode() + b"\n")
                    file.flush()

    def accept() -> None:
        while True:
            try:
                line = listener.accept()[0]
            except OSError:
                return
            lines.append(line)
            threads.append(threading.Thread(target=work, args=(line,)))
            threads[-1].start()

    acceptor = threading.Thread(target=accept)
    acceptor.start()
    yield f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    listener.shutdown(socket.SHUT_RDWR)
    listener.close()
    acceptor.join(WAIT_S)
    for line in lines:
        with suppress(OSError):  # closed by its client
            line.shutdown(socket.SHUT_RDWR)
    for thread in threads:
        thread.join(WAIT_S)


@pytest.fixture
def service() -> Iterator[Service]:
    running = Service()
    yield running
    running.kill()


@pytest.fixture
def make_client(module: ModuleType, service: Service) -> Iterator[Callable[..., Any]]:
    made: list[Any] = []

    def make(**more: Any) -> Any:
        own = service.addresses.zmq if module.__name__ == "guidance_client" else f"tcp://{service.addresses.tcp}"
        made.append(module.GuidanceClient(own, **{"timeout_s": WAIT_S, **more}))
        return made[-1]

    yield make
    for client in made:
        client.hang_up()


@pytest.fixture(scope="session")
def let_go() -> Callable[[], Craft]:
    """Curlew as Sandpiper lets go of it, as often as wanted; flown up once."""
    from tests.closed_loop.demo_flights import Flown, fly  # it imports this file

    library = load_library(default_folder())
    below, above = library.plan("sandpiper_boost", "booster"), library.plan("curlew_to_lagoon", "upper_stage")
    kept: list[tuple[World, SimState]] = []
    booster = craft_on_pad("Sandpiper", below, above, lambda line: None)
    booster.on_separation = lambda world, state: kept.append((replace(world, vehicle=above.vehicle), state))
    fly(booster, Flown(below))
    return lambda: Craft("Curlew", *kept[0], lambda line: None)


@pytest.fixture(scope="session")
def near_cutoff(let_go: Callable[[], Craft]) -> Callable[[], Craft]:
    """Curlew in its insertion burn, BEFORE_CUTOFF_S before the end of it, as often as wanted; flown there once."""
    from tests.closed_loop.demo_flights import MOST_EXCHANGES, STEP_S

    craft, session = let_go(), Session(load_library(default_folder()).plan("curlew_to_lagoon", "upper_stage"), Frame())
    fields = load("examples/simulated_vehicle").STATE_FIELDS
    for seq in range(MOST_EXCHANGES):
        told = craft.telemetry()
        state = {name: told[name] for name in fields} | {"type": "state", "seq": seq}
        command = session.state(parse_state(state))
        session.work()
        cutoff_s = command.cutoff_at_s
        if told["engine_on"] and cutoff_s is not None and cutoff_s - told["time_s"] <= BEFORE_CUTOFF_S:
            break
        craft.command(controls_for(command, told["time_s"]))
        craft.fly(5.0 * STEP_S)
    world, there = craft.world, craft.state
    return lambda: Craft("Curlew", world, there, lambda line: None)

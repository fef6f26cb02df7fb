"""A vehicle, a faulty link and a service on virtual time: the clients' own code flies, no socket and no clock is used.

Real time and the vehicle's clock run alike, except that the vehicle flies in ticks. While a script waits, the vehicle
flies on with what it was told last.
"""

from __future__ import annotations

import importlib.util
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from heapq import heappop, heappush
from itertools import count
from math import inf
from pathlib import Path
from random import Random
from typing import Any, Final

from guidance_svc.domain import Frame
from guidance_svc.rehearsal.speaking import state_message
from guidance_svc.sim.state import Controls
from guidance_svc.sim.step import step
from guidance_svc.sim.telemetry import telemetry
from tests.robustness.world import TICK_S, KeptService, Service, start

CLIENTS: Final = Path(__file__).parents[2] / "clients"
THRUST_FRAC, EXHAUST_FRAC = 0.01, 0.005  # by which the true engine may differ from the plan's, either way


@dataclass(frozen=True)
class Trouble:
    """What is wrong with a flight's link, the same both ways; times are drawn by seed.

    Args:
        loss_frac, twice_frac: of the messages.
        delay_s: drawn evenly for each message up to this: messages overtake each other.
        outages: of OUTAGE_S in mid-burn; nothing passes, new connections neither.
        outage_at_cutoff: one that begins 0.5 to 4.5 s before the cutoff.
        half_open: once in the burn the present connection goes silent for good, without being closed.
        dies: once in the burn the script dies; another takes over DEAD_S later with its token.
        killed: once in the burn the service is gone for KILLED_S, and comes back from its disk.
        noise: of the states, m/s and m, one sigma an axis.
    """

    loss_frac: float = 0.0
    twice_frac: float = 0.0
    delay_s: float = 0.0
    outages: int = 0
    outage_at_cutoff: bool = False
    half_open: bool = False
    dies: bool = False
    killed: bool = False
    noise: tuple[float, float] = (0.0, 0.0)


OUTAGE_S, DEAD_S, KILLED_S = 5.0, 2.0, 1.5
MID_BURN_S: Final = (20.0, 105.0)  # of 136 s


@dataclass(order=True)
class Delivery:
    """A message on its way."""

    at_s: float
    number: int
    run: Callable[[], None] = field(compare=False)


class VirtualSocket:
    """One connection, as the client uses it."""

    def __init__(self, rig: Rig, number: int) -> None:
        self.rig, self.link, self.inbox = rig, ("virtual", number), deque[bytes]()
        self.silent = self.closed = False

    def send(self, payload: bytes) -> None:
        """On its way to the service."""
        self.rig.carry(self, lambda: self.rig.arrived(self, payload))

    def poll(self, wait_ms: int, flags: int = 1) -> int:
        """Whether a message is there (or, for sending, always); virtual time passes meanwhile."""
        if flags != 1:
            return flags
        self.rig.advance(self.rig.now_s + wait_ms / 1000.0, lambda: bool(self.inbox))
        return int(bool(self.inbox))

    def recv(self) -> bytes:
        """The next message."""
        return self.inbox.popleft()

    def close(self) -> None:
        """Nobody listens any more."""
        self.closed = True


class Rig:
    """Vehicle, link and service of one flight."""

    def __init__(self, trouble: Trouble, seed: int) -> None:
        self.draw = Random(seed)
        self.trouble = trouble
        self.service = KeptService() if trouble.killed else Service()
        self.faulty = self.down = False
        self.world, state = start()
        stage = self.world.vehicle.stages[0]
        thrust = 1.0 + self.draw.uniform(-THRUST_FRAC, THRUST_FRAC)
        exhaust = 1.0 + self.draw.uniform(-EXHAUST_FRAC, EXHAUST_FRAC)
        true = replace(
            stage, thrust_n=stage.thrust_n * thrust, exhaust_velocity_m_s=stage.exhaust_velocity_m_s * exhaust
        )
        self.world = replace(self.world, vehicle=replace(self.world.vehicle, stages=(true,)))
        self.state = step(state, Controls(), self.draw.uniform(0.1, 1.0) * TICK_S, self.world)
        self.now_s = self.state.time_s
        self.controls = Controls()
        self.at_cutoff = self.state
        self.sockets: list[VirtualSocket] = []
        self.outages: list[tuple[float, float]] = []
        self._ways: list[Delivery] = []
        self._numbers = count()

    def socket(self) -> VirtualSocket:
        """A new connection."""
        self.sockets.append(VirtualSocket(self, len(self.sockets)))
        return self.sockets[-1]

    def message(self) -> dict[str, Any]:
        """The vehicle's state now, as a script reads it."""
        message = state_message(telemetry(self.state, self.world, Frame(), 0))
        for key, sigma in zip(("velocity_m_s", "position_m"), self.trouble.noise, strict=True):
            if sigma > 0.0:
                message[key] = [x + self.draw.gauss(0.0, sigma) for x in message[key]]
        return {key: value for key, value in message.items() if key not in ("seq", "type")}

    def carry(self, sock: VirtualSocket, run: Callable[[], None]) -> None:
        """Let a message pass, or not, or twice, now or later."""
        copies, delay_s = 1, 0.0
        if self.faulty:
            if sock.silent or any(a <= self.now_s < b for a, b in self.outages):
                return
            copies = 0 if self.draw.random() < self.trouble.loss_frac else 1
            copies += self.draw.random() < self.trouble.twice_frac
            delay_s = self.trouble.delay_s
        for _ in range(copies):
            self.later(self.now_s + self.draw.uniform(0.0, delay_s), run)

    def later(self, at_s: float, run: Callable[[], None]) -> None:
        """Do something at a time."""
        heappush(self._ways, Delivery(at_s, next(self._numbers), run))

    def arrived(self, sock: VirtualSocket, payload: bytes) -> None:
        """A message reaches the service; its reply sets out."""
        if not self.down:
            reply = self.service.ask(sock.link, payload)
            self.carry(sock, lambda: None if sock.closed else sock.inbox.append(reply))

    def kill(self) -> None:
        """The service is gone for a while; what comes back is made of what was on disk."""
        service, self.down = self.service, True
        assert isinstance(service, KeptService)
        after = service.killed()

        def back() -> None:
            self.service, self.down = after, False

        self.later(self.now_s + KILLED_S, back)

    def advance(self, until_s: float, done: Callable[[], bool] = lambda: False) -> None:
        """Let time pass: messages arrive, the vehicle flies tick by tick."""
        while not done():
            tick_s = self.state.time_s + TICK_S
            way_s = self._ways[0].at_s if self._ways else inf
            if min(tick_s, way_s) > until_s + 1e-9:
                self.now_s = max(self.now_s, until_s)
                return
            self.now_s = max(self.now_s, min(tick_s, way_s))
            if way_s <= tick_s:
                heappop(self._ways).run()
            else:
                self._tick()

    def _tick(self) -> None:
        was_on = self.state.engine_on
        self.state = step(self.state, self.controls, TICK_S, self.world)
        self.controls = Controls()  # a script that says no more leaves attitude and engine as they are
        if was_on and not self.state.engine_on:
            self.at_cutoff = self.state


@cache
def client_module(name: str = "guidance_client") -> Any:
    """A client file that users copy."""
    spec = importlib.util.spec_from_file_location(name, CLIENTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def client_on(rig: Rig) -> Any:
    """The client of a new script, on the rig's link and clock; it never waits in `steer`."""

    class Linked(client_module().GuidanceClient):  # type: ignore[misc]
        def _connect(self, until: float) -> None:
            self._socket = rig.socket()

    return Linked("virtual", timeout_s=0.6, tries=40, patience_s=0.0, clock=lambda: rig.now_s)

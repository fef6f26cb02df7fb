"""Who is answered in which turn when many vehicles begin at once: turns are counted, no clock is read."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Hashable, Iterator
from itertools import pairwise
from typing import Any

import msgpack
import pytest
import zmq
from scripted_sessions import ScriptedSessions
from service_world import OPEN, STATE, WAIT_S, small_library

from guidance_svc.core.effort import spend
from guidance_svc.domain import Command, VehicleState
from guidance_svc.files.settings import Addresses, Limits
from guidance_svc.service.access import Link
from guidance_svc.service.desk import Desk
from guidance_svc.service.router import Request
from guidance_svc.service.server import Server
from guidance_svc.storage.recorder import NoRecorder

MANY = 100
FIRST_STEPS = 800  # of a first solution
CYCLE_STEPS = 40


class Costly(ScriptedSessions):
    """A vehicle's first state takes many steps, each state makes a major cycle due; notes what comes in which turn."""

    def __init__(self) -> None:
        super().__init__()
        self.turn = 0
        self.pieces: list[tuple[int, str]] = []
        self.answered: list[tuple[int, str, int]] = []
        self.cycles = False

    def state(self, link: Hashable, state: VehicleState) -> Command:
        vehicle = self.vehicles[link]
        if not self.has_flown(link):
            spend(FIRST_STEPS)
            self.pieces.append((self.turn, vehicle))
        self.answered.append((self.turn, vehicle, state.seq))
        return super().state(link, state)

    def pending(self) -> bool:
        return self.cycles and super().pending()

    def work(self) -> None:
        spend(CYCLE_STEPS)
        self.pieces.append((self.turn, "cycle"))
        super().work()


class Turns:
    """A server whose turns the test makes, and what comes over ZeroMQ in each of them."""

    def __init__(self, limits: Limits, monkeypatch: pytest.MonkeyPatch) -> None:
        self.sessions = Costly()
        desk = Desk(self.sessions, small_library())
        addresses = Addresses(zmq="tcp://127.0.0.1:0", tcp="127.0.0.1:0")
        self.server = Server(desk, self.sessions, NoRecorder(), addresses, limits)
        self._come: list[Request] = []
        self.sent: list[tuple[int, str, Any]] = []
        router, poller = self.server._router, self.server._poller
        poll = poller.poll
        monkeypatch.setattr(poller, "poll", lambda ms: [*poll(0), (router.socket, zmq.POLLIN)])
        monkeypatch.setattr(router, "receive", lambda: self._come.pop(0) if self._come else None)
        monkeypatch.setattr(router, "has_more", lambda: bool(self._come))
        monkeypatch.setattr(router, "send", self._send)

    def _send(self, envelope: tuple[bytes, ...], reply: bytes) -> bool:
        self.sent.append((self.sessions.turn, envelope[0].decode(), msgpack.unpackb(reply)))
        return True

    def come(self, vehicle: str, message: dict[str, Any]) -> None:
        """A message is there at the next turn."""
        name = vehicle.rjust(5, "\0").encode()
        self._come.append(Request((name,), msgpack.packb(message), 0, Link("zmq", name, "")))

    def turn(self) -> None:
        self.sessions.turn += 1
        self.server._turn()

    def until_quiet(self, most: int = 1000) -> None:
        """Turns until nothing waits."""
        for _ in range(most):
            self.turn()
            if not self.server._waiting and not self.sessions.pending():
                return
        raise AssertionError("something waits for ever")


@pytest.fixture
def turns(monkeypatch: pytest.MonkeyPatch) -> Iterator[Turns]:
    made = Turns(Limits(), monkeypatch)
    yield made
    made.server.close()


def opening(vehicle: str) -> dict[str, Any]:
    return {**OPEN, "vehicle": vehicle}


def state(seq: int) -> dict[str, Any]:
    return {**STATE, "seq": seq, "time_s": 0.02 * seq}


def in_the_air(turns: Turns, vehicle: str) -> None:
    """A vehicle whose first solution is behind it."""
    turns.come(vehicle, opening(vehicle))
    turns.come(vehicle, state(0))
    turns.until_quiet()
    turns.sessions.pieces.clear()


def names() -> list[str]:
    return [f"n{k:03}" for k in range(MANY)]


def test_a_running_vehicle_is_answered_in_the_turn_in_which_its_state_comes_though_a_hundred_begin(
    turns: Turns,
) -> None:
    in_the_air(turns, "old")
    for name in names():
        turns.come(name, opening(name))
    for name in names():
        turns.come(name, state(0))
    seq = 0
    while len({vehicle for _, vehicle, _ in turns.sessions.answered}) < MANY + 1:
        seq += 1
        turns.come("old", state(seq))
        turns.turn()
        assert (turns.sessions.turn, "old", seq) in turns.sessions.answered
        assert seq < 10 * MANY
    assert seq >= MANY  # one costly first state a turn


def test_a_turn_has_one_first_solution_or_one_major_cycle_and_neither_starves(turns: Turns) -> None:
    in_the_air(turns, "old")
    turns.sessions.cycles = True
    for name in names():
        turns.come(name, opening(name))
        turns.come(name, state(0))
    for seq in range(1, 4 * MANY):
        turns.come("old", state(seq))
        turns.turn()
    by_turn = [turn for turn, _ in turns.sessions.pieces]
    assert len(by_turn) == len(set(by_turn))
    done = [what == "cycle" for _, what in turns.sessions.pieces]
    assert done.count(False) == MANY
    assert not any(one is other is False for one, other in pairwise(done))  # a cycle between two first solutions


def test_cheap_messages_of_newcomers_share_a_turn(turns: Turns) -> None:
    for name in names():
        turns.come(name, opening(name))
    turns.until_quiet()
    assert MANY / 4 < turns.sessions.turn < MANY


def test_replies_of_a_connection_keep_their_order_whatever_waits(turns: Turns) -> None:
    for name in names():
        turns.come(name, opening(name))
        for seq in range(3):
            turns.come(name, state(seq))
    turns.until_quiet()
    for name in names():
        replies = [reply for _, who, reply in turns.sent if who.lstrip("\0") == name]
        assert [reply["type"] for reply in replies] == ["opened", "command", "command", "command"]
        assert [reply["seq"] for reply in replies[1:]] == [0, 1, 2]


def test_a_script_that_runs_ahead_while_it_waits_is_told_so_in_its_place(turns: Turns) -> None:
    in_the_air(turns, "old")
    most = Limits().zmq_unread_messages
    for name in names():  # keep the newcomer's own first state waiting
        turns.come(name, opening(name))
        turns.come(name, state(0))
    turns.come("last", opening("last"))
    for seq in range(most + 20):
        turns.come("last", state(seq))
    turns.until_quiet()
    replies = [reply for _, who, reply in turns.sent if who.lstrip("\0") == "last"]
    assert [reply.get("seq") for reply in replies if reply["type"] == "command"] == list(range(most - 1))
    assert [reply["code"] for reply in replies if reply["type"] == "fault"] == ["too_fast"]
    assert replies[-1]["type"] == "fault"
    assert len(turns.server._waiting) == 0


def test_over_tcp_too_a_running_vehicle_does_not_wait_for_those_that_begin(turns: Turns) -> None:
    host, port = turns.server.ready.tcp.split(":")
    socks = {name: socket.create_connection((host, int(port)), WAIT_S) for name in ("old", *names())}
    read: dict[str, Callable[[], dict[str, Any]]] = {
        name: (lambda file: lambda: json.loads(file.readline()))(sock.makefile("rb")) for name, sock in socks.items()
    }

    def say(name: str, message: dict[str, Any]) -> None:
        socks[name].sendall(json.dumps(message).encode() + b"\n")

    try:
        for message in (opening("old"), state(0)):
            say("old", message)
            while not turns.sessions.vehicles or (message["type"] == "state" and not turns.sessions.answered):
                turns.turn()
            read["old"]()
        for name in names():
            say(name, opening(name))
            say(name, state(0))
        seq = 0
        while len({vehicle for _, vehicle, _ in turns.sessions.answered}) < MANY + 1:
            seq += 1
            say("old", state(seq))
            turns.turn()
            assert (turns.sessions.turn, "old", seq) in turns.sessions.answered
            assert read["old"]()["seq"] == seq
            assert seq < 10 * MANY
        assert seq >= MANY
    finally:
        for sock in socks.values():
            sock.close()

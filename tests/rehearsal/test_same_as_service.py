"""A flight in process is the flight through a running service: every reply is the same to the last digit."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from guidance_svc.conform.connect import JsonLine, Line, ZmqLine
from guidance_svc.domain import Command, FlightPlan, Frame, Role, VehicleState
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft, craft_on_pad
from guidance_svc.rehearsal.loop import Guide, fly, in_process
from guidance_svc.rehearsal.service import NearService
from guidance_svc.rehearsal.speaking import Speaking
from guidance_svc.rehearsal.starts import at_separation, on_its_pad
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World
from guidance_svc.wire.replies import command_message
from tests.systems.short_flight import ServiceProcess

LIBRARY = load_library(default_folder())
BOOSTER, UPPER = LIBRARY.plan("sandpiper_boost", "booster"), LIBRARY.plan("curlew_to_lagoon", "upper_stage")
ROLES: dict[str, Role] = {"sandpiper_boost": "booster", "curlew_to_lagoon": "upper_stage"}
STATE_S = 1.0
Replies = list[dict[str, Any]]
Opener = Callable[[FlightPlan, Replies], Guide]


def near(plan: FlightPlan, replies: Replies) -> Guide:
    """Through desk and sessions of this process, as `guidance-svc rehearse` does."""
    service = NearService(LIBRARY)
    speaking = service.open_session(plan.vehicle.name, ROLES[plan.name], plan.name, plan.body)
    return replace(speaking, ask=kept(speaking.ask, replies))


def bare(plan: FlightPlan, replies: Replies) -> Guide:
    """A session alone, as planners and tests fly."""
    guide = in_process(Session(plan, Frame()))

    def answer(message: VehicleState) -> Command:
        command = guide(message)
        replies.append(command_message(command))
        return command

    return answer


def over(line: Line) -> Opener:
    """Through a running service's socket."""

    def opener(plan: FlightPlan, replies: Replies) -> Guide:
        if replies:  # a connection has one session at a time
            line.ask({"type": "close"})
        opened = line.ask({"type": "open", "protocol": 1, "vehicle": plan.vehicle.name, "role": ROLES[plan.name],
                           "plan": LIBRARY.inlined(plan.name)})  # fmt: skip
        assert opened["type"] == "opened", opened
        return Speaking(kept(line.ask, replies), Frame(), plan.body)

    return opener


def kept(ask: Callable[[dict[str, Any]], Any], replies: Replies) -> Callable[[dict[str, Any]], Any]:
    """Asks, and keeps what came."""

    def asking(message: dict[str, Any]) -> Any:
        replies.append(ask(message))
        return replies[-1]

    return asking


def stack_flown(opener: Opener) -> Replies:
    """The booster from its pad to its end, then what it carried, for some of its burn."""
    replies: Replies = []
    let_go: list[tuple[World, SimState]] = []
    craft = craft_on_pad("Sandpiper", BOOSTER, UPPER, None)
    craft.state = on_its_pad(BOOSTER, craft.world)
    craft.on_separation = lambda world, state: let_go.append((replace(world, vehicle=UPPER.vehicle), state))
    fly(craft, opener(BOOSTER, replies), tick_s=STATE_S)
    ((world, state),) = let_go
    fly(Craft("Curlew", world, state), opener(UPPER, replies), tick_s=STATE_S, most_s=60.0)
    return replies


def upper_flown(opener: Opener) -> Replies:
    """Insertion, coast, circular burn."""
    replies: Replies = []
    craft = Craft("Curlew", World(UPPER.body, UPPER.vehicle), at_separation(UPPER))
    log = fly(craft, opener(UPPER, replies), tick_s=STATE_S)
    assert [phase for _, phase in log.phases] == ["insertion", "coast", "circularize", "orbit"]
    return replies


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    process = ServiceProcess(tmp_path_factory.mktemp("service"))
    yield process
    assert process.end() == 0


def line_of(service: ServiceProcess, transport: str) -> Line:
    if transport == "zmq":
        return ZmqLine(service.zmq)
    host, _, port = service.tcp.rpartition(":")
    return JsonLine((host, int(port)))


def compare(flown: Callable[[Opener], Replies], service: ServiceProcess, transport: str) -> None:
    line = line_of(service, transport)
    try:
        far = flown(over(line))
    finally:
        line.ask({"type": "close"})
        line.close()
    assert len(far) > 100
    assert far == flown(near)
    assert far == flown(bare)


@pytest.mark.slow
def test_insertion_coast_and_circular_burn_are_those_of_the_service(service: ServiceProcess) -> None:
    compare(upper_flown, service, "zmq")


@pytest.mark.slow
def test_an_ascent_from_the_pad_with_a_carried_stage_is_that_of_the_service(service: ServiceProcess) -> None:
    compare(stack_flown, service, "tcp")


def test_near_service_and_bare_session_reply_the_same_from_the_pad() -> None:
    def start(opener: Opener) -> Replies:
        replies: Replies = []
        craft = craft_on_pad("Sandpiper", BOOSTER, UPPER, None)
        fly(craft, opener(BOOSTER, replies), tick_s=STATE_S, most_s=60.0)
        return replies

    told = start(near)
    assert told == start(bare)
    assert len(told) > 50

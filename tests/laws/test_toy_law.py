"""A law that nothing but this file knows is flown, recorded, replayed, killed and resumed, reloaded, shown and checked.

As a module (`python -m tests.laws.test_toy_law serve ...`) it is the service with this law in its table.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar, Literal, NamedTuple

import pytest
from rich.console import Console

from guidance_svc.__main__ import main
from guidance_svc.board.feed import Feed
from guidance_svc.board.terminal import Rows
from guidance_svc.bootstrap import fresh_service
from guidance_svc.conform.connect import JsonLine, check_service
from guidance_svc.domain import Command, FlightPlan, Frame, Phase, Vec, VehicleState
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.laws.memory import Burn, Flight, Memory, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.plan_model import flight_plan_model
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import EventKind, engine_is_off
from guidance_svc.laws.table import EVENTS, LAWS, register
from guidance_svc.playback.replay import replay
from guidance_svc.rehearsal.craft import Craft, craft_on_pad
from guidance_svc.rehearsal.loop import Guide, fly, in_process
from guidance_svc.rehearsal.speaking import Speaking
from guidance_svc.session.registry import session_shape
from guidance_svc.session.session import Session
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import Positive
from guidance_svc.wire.replies import command_message
from tests.conformance import pilot
from tests.conformance.law_tables import diagram, protocol_block
from tests.systems.short_flight import ServiceProcess

# --- the law: a hop, straight up for some seconds after a hold ------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hop(Phase):
    """Straight up for some seconds."""

    law: ClassVar[str] = "hop"
    powered: ClassVar[bool] = True
    from_ground: ClassVar[bool] = True
    burn_s: float = 5.0


class HopModel(PhaseModel):
    """The same, as a plan has it."""

    law: Literal["hop"]
    burn_s: Positive = 5.0

    def to_domain(self) -> Hop:
        return Hop(self.burn_s)


class HopMemory(NamedTuple):
    up: Vec
    until_s: float


DOUSE = EventKind("douse", "put the fire out", "cutoff", engine_is_off, "`engine_on` false", word="fire out")


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Hop) -> Memory[HopMemory]:
    return Memory(flight, HopMemory(now.local.up, now.time_s + phase.burn_s))


def order(memory: Memory[HopMemory], now: Navigation, plan: FlightPlan, phase: Hop) -> Order:
    flight, (up, until_s) = memory
    on = now.time_s < until_s
    events, cutoff_s = (DOUSE.of(flight, until_s),), until_s if on else None
    return Order(up, up, on, cutoff_at_s=cutoff_s, events=events, status="ok" if on else "complete")


def done(memory: Memory[HopMemory], now: Navigation, plan: FlightPlan, phase: Hop) -> bool:
    return now.time_s >= memory.own.until_s


def sentence(phase: Hop, plan: FlightPlan) -> str:
    return f"straight up for {phase.burn_s:g} s"


def check(phase: Hop, plan: FlightPlan, at: str) -> None:
    if phase.burn_s > 60.0:
        raise ConfigError("bad_value", f"{at}.burn_s", "a hop of a minute at most", phase.burn_s)


ROW = LawRow(
    Hop, HopMemory, sentence, (DOUSE,), enter, order, done=done,
    model=HopModel, check=check, successors=("coast",), predecessors=("hold",), first=False, ended_by="burnout",
)  # fmt: skip

# --- the proof ------------------------------------------------------------------------------------------------------

STATE_S = 0.5
SAVED_S, END_S = 6.0, 9.0  # vehicle time: two of five seconds into the hop, and its end
PHASES = [{"law": "hold", "release_at_s": 4.0, "ignition_lead_s": 2.0}, {"law": "hop"}]
Replies = list[dict[str, Any]]


@pytest.fixture(scope="module")
def shape_without() -> str:
    return session_shape()


@pytest.fixture(scope="module", autouse=True)
def registered(shape_without: str) -> Iterator[None]:
    """The law, as long as this module's tests run."""
    register(ROW)
    yield
    del LAWS[ROW.name], EVENTS[DOUSE.name]
    assert session_shape() == shape_without


@pytest.fixture(scope="module")
def library(registered: None) -> Library:
    there = load_library(default_folder())
    table = there.inlined("sandpiper_boost") | {"name": "up", "phases": PHASES}
    del table["target"]
    return replace(there, flights={**there.flights, "up": flight_plan_model().model_validate(table)})


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    process = ServiceProcess(tmp_path_factory.mktemp("service"), module="tests.laws.test_toy_law")
    yield process
    assert process.end() == 0


def flown(plan: FlightPlan, guide: Callable[[Replies], Guide], kill: Callable[[], None] = lambda: None) -> Replies:
    """To the middle of the hop, where the service may be killed; on to the end; the middle reloaded, and on again."""
    replies: Replies = []
    craft = craft_on_pad("Sandpiper", plan, None, lambda line: None)
    fly(craft, guide(replies), tick_s=STATE_S, most_s=SAVED_S)
    saved = craft.state
    kill()
    fly(craft, guide(replies), tick_s=STATE_S, first_seq=len(replies))
    fly(Craft("Sandpiper", craft.world, saved), guide(replies), tick_s=STATE_S, first_seq=len(replies))
    return replies


def over_sockets(
    service: ServiceProcess, plan: FlightPlan, table: dict[str, Any], lines: ExitStack
) -> Callable[[Replies], Guide]:
    """A connection for each stretch of the flight; all but the first take the session up again."""
    token: list[str] = []

    def guide(replies: Replies) -> Guide:
        host, _, port = service.tcp.rpartition(":")
        line = lines.enter_context(closing(JsonLine((host, int(port)))))
        opening = {"type": "open", "protocol": 1, "vehicle": "Sandpiper", "role": "booster", "plan": table}
        opened = line.ask(opening | ({"resume": token[0]} if token else {}))
        assert (opened["type"], opened["resumed"]) == ("opened", bool(token)), opened
        assert opened["phases"][1] == "hop: straight up for 5 s"
        token.append(opened["token"])

        def ask(message: dict[str, Any]) -> dict[str, Any]:
            replies.append(line.ask(message))
            return replies[-1]

        return Speaking(ask, Frame(), plan.body)

    return guide


def bare(plan: FlightPlan) -> Callable[[Replies], Guide]:
    """A session without a service, never killed."""
    session = in_process(Session(plan, Frame()))

    def guide(replies: Replies) -> Guide:
        def answer(message: VehicleState) -> Command:
            command = session(message)
            replies.append(command_message(command))
            return command

        return answer

    return guide


@pytest.fixture(scope="module")
def replies(service: ServiceProcess, library: Library) -> Replies:
    """Of a flight over a socket, the service killed in the middle of the hop."""
    plan = library.plan("up", "booster")

    def kill() -> None:
        service.kill()
        service.start()

    with ExitStack() as lines:
        return flown(plan, over_sockets(service, plan, library.inlined("up"), lines), kill)


def test_a_flight_over_a_socket_killed_resumed_and_reloaded_is_that_of_a_session_alone(
    replies: Replies, library: Library
) -> None:
    plan = library.plan("up", "booster")
    assert replies == flown(plan, bare(plan))
    assert list(dict.fromkeys(reply["phase"] for reply in replies)) == ["hold", "hop"]
    assert {reply["event"]["name"] for reply in replies if reply["event"]} == {"ignite", "release", "douse"}
    ends = [k for k, reply in enumerate(replies) if reply["status"] == "complete"]
    assert len(ends) == 2  # the flight's, and that of the reloaded part
    again = ends[1] - ends[0]
    for first, second in zip(replies[-2 * again :][:again], replies[-again:], strict=True):
        assert first | {"seq": 0} == second | {"seq": 0}


def test_recordings_of_it_are_replayed_to_the_same_replies(
    replies: Replies, service: ServiceProcess, library: Library
) -> None:
    parts = recordings(service)
    verdicts = [replay(part, fresh_service(library)) for part in parts]
    assert [verdict.mismatch for verdict in verdicts] == [None, None]
    assert sum(verdict.compared for verdict in verdicts) >= len(replies)


def recordings(service: ServiceProcess) -> list[Path]:
    return sorted((service.folder / "recordings").iterdir())


def test_the_board_and_the_terminal_show_the_phase_and_the_event_that_comes(
    replies: Replies, service: ServiceProcess, library: Library
) -> None:
    killed = recordings(service)[0]
    feed = Feed(killed, library, live=False)
    with closing(feed.tail):
        while feed.look(1000):
            pass
        (moment,) = [json.loads(text) for text in feed.since(0)]
    left_s = END_S - moment["time_s"]
    assert moment["phase"] == "hop"
    assert moment["event"] == {"name": "douse", "word": "fire out", "act": "cutoff", "in_s": left_s}
    assert moment["to_cutoff_s"] == left_s > 0.0
    rows = Rows(killed, library, live=False)
    with closing(rows):
        rows.look()
        console = Console(width=170, force_terminal=False)
        with console.capture() as capture:
            console.print(rows.table(None, 170))
    (line,) = [line for line in capture.get().splitlines() if "Sandpiper" in line]
    assert "hop" in line.split()


def test_the_kit_passes_a_service_that_flies_it(service: ServiceProcess, library: Library) -> None:
    checks = list(check_service(library, "up", "booster", service.tcp))
    assert [check for check in checks if check.outcome == "fail"] == []
    assert {"flies", "command", "last_command", "closed"} <= {c.name for c in checks if c.outcome == "pass"}


def test_the_kit_passes_a_script_that_flies_it(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pilot, "LIBRARY", library)
    checks = pilot.Pilot(flies=("up", "booster"), until_s=END_S + 2.0).checked()
    assert [check for check in checks.values() if check.outcome == "fail"] == []
    assert {"accepted", "acknowledges", "cuts_on_time"} <= {n for n, c in checks.items() if c.outcome == "pass"}


def test_the_stamp_of_what_is_kept_tells_of_it(shape_without: str) -> None:
    assert session_shape() != shape_without


def test_plans_with_it_keep_to_its_keys_and_its_order(library: Library) -> None:
    def refused(*phases: dict[str, Any]) -> ConfigError:
        with pytest.raises(ConfigError) as refusal:
            library.plan(library.inlined("up") | {"phases": list(phases)}, "booster")
        return refusal.value

    hold, hop = PHASES
    assert refused(hold, hop | {"burn_s": -1.0}).field == "phases.1.burn_s"
    assert refused(hold, hop | {"burn_s": 90.0}).expected == "a hop of a minute at most"
    assert refused(hop).expected == "a hold phase before hop"
    assert refused(hold, hop, {"law": "orbit"}).expected == "after hop one of coast"
    assert "hold, hop, insertion" in refused(hold, {"law": "hip"}).expected


def test_the_documents_would_tell_of_it() -> None:
    assert "| `hop` | Straight up for some seconds. | `douse` |" in protocol_block()
    assert "| `douse` | put the fire out | `engine_on` false |" in protocol_block()
    assert "hop -----------burnout---------> coast" in diagram()


if __name__ == "__main__":
    register(ROW)
    main()

"""The asyncio client, against the stand-in and the real service; every wait is bounded.

The expectations are the words of clients/PROTOCOL.md (the project's own contract), not of any outside source.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from guidance_svc.rehearsal.craft import Craft
from tests.clients.conftest import StandIn, command_for, serve_tcp, usual_answer
from tests.clients.loading import CLIENTS, load
from tests.clients.running_service import WAIT_S, Service
from tests.clients.test_clients_and_restarts import STATE
from tests.clients.test_guidance_clients import pieces
from tests.clients.test_other_languages import CUT_AT, curlew, flies_to_lagoon, run, vehicle

__all__ = ["curlew", "vehicle"]  # fixtures


@pytest.fixture
def module() -> ModuleType:
    return load("guidance_client_asyncio")


@pytest.fixture
def stand_in_address(stand_in: StandIn) -> Iterator[str]:
    yield from serve_tcp(stand_in)


@pytest.fixture
async def make_client(module: ModuleType) -> AsyncIterator[Callable[..., Any]]:
    made: list[Any] = []

    def make(address: str, **more: Any) -> Any:
        made.append(module.GuidanceClient(address, **{"timeout_s": WAIT_S, **more}))
        return made[-1]

    yield make
    for client in made:
        client.hang_up()
    await asyncio.sleep(0)  # for the sockets to close
    await asyncio.sleep(0)


def opened(client: Any, **more: Any) -> Any:
    return client.open("Curlew", "upper_stage", "curlew_to_lagoon", **more)


def test_its_safety_net_is_that_of_the_other_python_clients() -> None:
    mine, theirs = pieces("guidance_client_asyncio.py"), pieces("guidance_client_stdlib.py")
    shared = {"SafetyNet", "Fault", "cutoff_now", "TURN_ON_S", "SILENCE_S", "REFUSED_FOR_GOOD", "ROUNDING_S"}
    assert {name: mine[name] for name in shared} == {name: theirs[name] for name in shared}


async def test_a_whole_flight_sends_only_what_the_wire_models_accept(
    make_client: Callable[..., Any], stand_in: StandIn, stand_in_address: str
) -> None:
    client = make_client(stand_in_address)
    assert (await opened(client))["token"] == "t-1"
    assert [(await client.exchange(STATE))["seq"] for _ in range(3)] == [1, 2, 3]
    client.done({"id": "0-0-ignite"})
    await client.exchange(STATE)
    await client.close()
    assert [m["type"] for m in stand_in.heard] == ["open", *["state"] * 4, "close"]
    assert [m.get("seen_event") for m in stand_in.heard[1:5]] == [None, None, None, "0-0-ignite"]


async def test_a_fault_raises_and_the_line_stays_open(
    make_client: Callable[..., Any], module: ModuleType, stand_in: StandIn, stand_in_address: str
) -> None:
    client = make_client(stand_in_address)
    await opened(client)
    fault = {"type": "fault", "code": "bad_value", "field": "mass_kg", "expected": "", "got": "", "message": "no"}
    stand_in.answer = lambda m: {**fault, "seq": m.get("seq")}
    with pytest.raises(module.Fault, match="no"):
        await client.exchange(STATE)
    assert (await client.steer(STATE))["says"].startswith("no; ")
    stand_in.answer = usual_answer
    assert (await client.exchange(STATE))["type"] == "command"
    assert [m["type"] for m in stand_in.heard].count("open") == 1


async def test_steer_returns_at_once_and_takes_the_late_answer_in_a_later_call(
    make_client: Callable[..., Any], stand_in: StandIn, stand_in_address: str
) -> None:
    client, go = make_client(stand_in_address, patience_s=0.0), threading.Event()
    await opened(client)

    def late(message: dict[str, Any]) -> dict[str, Any]:
        assert go.wait(WAIT_S)
        return command_for(message, cutoff_at_s=101.0)

    stand_in.answer = late
    assert (await client.steer(STATE))["command"] is None
    go.set()
    async with asyncio.timeout(WAIT_S):
        while client.net.command is None:
            await asyncio.sleep(0)
    assert client.now(100.5)["engine_on"]
    assert not client.now(101.0)["engine_on"]


async def test_taken_over_is_raised_and_not_fought(
    make_client: Callable[..., Any], module: ModuleType, service: Service
) -> None:
    address = f"tcp://{service.addresses.tcp}"
    first, second = (make_client(address, patience_s=WAIT_S) for _ in range(2))
    token = (await opened(first))["token"]
    assert (await opened(second, resume=token))["resumed"]
    for call in (first.exchange, first.exchange, first.steer):
        with pytest.raises(module.Fault, match="another"):
            await call(STATE)
    assert (await second.steer(STATE))["command"]["type"] == "command"


async def test_steer_flies_on_without_the_service_and_takes_the_session_up_again(
    make_client: Callable[..., Any], service: Service
) -> None:
    client = make_client(f"tcp://{service.addresses.tcp}", patience_s=WAIT_S)
    await opened(client)
    assert not (await client.steer(STATE))["stale"]
    service.kill()
    async with asyncio.timeout(WAIT_S):
        while not (told := await client.steer({**STATE, "time_s": 100.1}))["stale"]:
            await asyncio.sleep(0)
    assert told["says"].startswith("no answer from")
    service.start(forget=False)
    client._next_try_s = float("-inf")  # instead of waiting the pause out
    async with asyncio.timeout(WAIT_S):
        while (await client.steer({**STATE, "time_s": 100.2}))["stale"]:
            await asyncio.sleep(0)
    assert client.resumed


async def test_a_service_that_lost_the_session_is_warned_of(
    make_client: Callable[..., Any], service: Service, tmp_path: Path
) -> None:
    client = make_client(f"tcp://{service.addresses.tcp}", token_file=str(tmp_path / "token"))
    old = (await opened(client))["token"]
    service.kill()
    service.start()
    with pytest.warns(UserWarning, match="began anew"):
        assert (await client.exchange(STATE))["type"] == "command"
    assert client.token != old
    assert (tmp_path / "token").read_text(encoding="utf-8") == client.token
    await client.close()
    assert not (tmp_path / "token").exists()


async def test_silence_ends_in_a_sentence_that_names_the_address(
    make_client: Callable[..., Any], module: ModuleType, stand_in: StandIn, stand_in_address: str
) -> None:
    client = make_client(stand_in_address, timeout_s=0.05, tries=2)
    stand_in.answer = lambda m: None
    with pytest.raises(TimeoutError, match=stand_in_address):
        await opened(client)


def test_another_machine_is_refused_for_there_are_no_keys(module: ModuleType) -> None:
    with pytest.raises(ValueError, match="this machine only"):
        module.GuidanceClient("tcp://192.0.2.1:5771")


@pytest.mark.slow
@pytest.mark.parametrize("cut_at", [None, CUT_AT])
def test_the_example_flies_the_upper_stage_to_orbit_even_when_its_connection_is_cut(
    service: Service, curlew: Craft, vehicle: str, cut_at: int | None
) -> None:
    cut = threading.Thread(target=lambda: cut_at and service.cut_at(cut_at))
    cut.start()
    script = str(CLIENTS / "examples" / "fly_upper_stage_asyncio.py")
    done = run([sys.executable, script, "--guidance", f"tcp://{service.addresses.tcp}", "--vehicle", vehicle])
    cut.join(5.0 * WAIT_S)
    assert service.cuts == (1 if cut_at else 0)
    flies_to_lagoon(done, curlew)

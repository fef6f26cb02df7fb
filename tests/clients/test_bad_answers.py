"""Answers and clocks that are wrong: the engine is cut on what was known before, and nothing raises out of `steer`.

Each row breaks the service's answers from 91 s of the vehicle's clock on, after one good command of a burn that ends at
100 s. The clients' own rules are in clients/PROTOCOL.md, "A safety net of your own".
"""

from __future__ import annotations

import asyncio
import json
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.clients.conftest import StandIn, command_for, load, serve_tcp, usual_answer
from tests.clients.running_service import WAIT_S
from tests.clients.test_other_languages import Built, built, run  # noqa: F401  a fixture

Command = dict[str, Any]
STATE = {"position_m": [6.6e6, 0.0, 0.0], "velocity_m_s": [0.0, 7e3, 0.0], "mass_kg": 1e4, "engine_on": True}
TIMES_S = [90.0, *(91.0 + 0.5 * n for n in range(30))]
NAN = float("nan")


def with_(**more: Any) -> Callable[[Command], Command]:
    return lambda command: {**command, **more}


def without(name: str) -> Callable[[Command], Command]:
    return lambda command: {key: value for key, value in command.items() if key != name}


BROKEN: dict[str, Callable[[Command], Any]] = {
    "no cutoff and no latest time": with_(cutoff_at_s=None, latest_off_at_s=None),
    "cutoff not a number": with_(cutoff_at_s=NAN),
    "cutoff infinite": with_(cutoff_at_s=math.inf),
    "cutoff a word": with_(cutoff_at_s="soon"),
    "cutoff a list": with_(cutoff_at_s=[100.0]),
    "latest time a word": with_(cutoff_at_s=None, latest_off_at_s="soon"),
    "cutoff missing": without("cutoff_at_s"),
    "next contact missing": without("next_contact_s"),
    "next contact not a number": with_(next_contact_s=NAN),
    "pitch null": with_(pitch_deg=None),
    "heading rate missing": without("heading_rate_deg_s"),
    "pointing null": with_(pointing=None),
    "pointing too short": with_(pointing=[1.0, 0.0]),
    "pointing of words": with_(pointing=["a", "b", "c"]),
    "throttle null": with_(throttle=None),
    "throttle down without its time": with_(throttle_down={"throttle": 0.4}),
    "throttle down a word": with_(throttle_down="later"),
    "engine a word": with_(engine_on="yes"),
    "phase missing": without("phase"),
    "time of the state null": with_(time_s=None),
    "seq missing": without("seq"),
    "seq a list": with_(seq=[1]),
    "type a number": with_(type=5),
    "opened again without a token": lambda command: {"type": "opened", "resumed": True},
    "a fault with nothing in it": lambda command: {"type": "fault"},
    "nothing at all": lambda command: None,
}


def answering(row: str) -> Callable[[Command], Command | None]:
    """Good until 90 s, then broken as the row says."""

    def answer(message: Command) -> Command | None:
        reply = usual_answer(message)
        good = message["type"] != "state" or message["time_s"] <= 90.0
        return reply if good else BROKEN[row](reply)

    return answer


def engine_is_cut_in_time(told: list[Command]) -> None:
    """On with the last good command, off from its cutoff on; cut earlier is safe too."""
    assert told[0]["engine_on"]
    late = [one for time_s, one in zip(TIMES_S, told, strict=True) if time_s > 100.1 and one["engine_on"]]
    assert late == []
    assert told[-1]["stale"]
    assert told[-1]["says"]


@pytest.fixture(params=sorted(BROKEN))
def row(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.mark.filterwarnings("ignore::UserWarning")  # what a client has to say is not looked at here
def test_steer_cuts_in_time_whatever_the_answers(module: ModuleType, stand_in: StandIn, address: str, row: str) -> None:
    stand_in.answer = answering(row)
    client = module.GuidanceClient(address, patience_s=WAIT_S, timeout_s=WAIT_S)
    client.open("Curlew", "upper_stage", "curlew_to_lagoon")
    told = [client.steer({**STATE, "time_s": TIMES_S[0]})]
    client.patience_s = 0.005
    told += [client.steer({**STATE, "time_s": time_s}) for time_s in TIMES_S[1:]]
    engine_is_cut_in_time(told)
    client.hang_up()


@pytest.fixture
def line(stand_in: StandIn) -> Iterator[str]:
    yield from serve_tcp(stand_in)


@pytest.mark.filterwarnings("ignore::UserWarning")
async def test_steer_of_asyncio_cuts_in_time_whatever_the_answers(stand_in: StandIn, line: str, row: str) -> None:
    stand_in.answer = answering(row)
    client = load("guidance_client_asyncio").GuidanceClient(line, patience_s=WAIT_S, timeout_s=WAIT_S)
    await client.open("Curlew", "upper_stage", "curlew_to_lagoon")
    told = [await client.steer({**STATE, "time_s": TIMES_S[0]})]
    client.patience_s = 0.005
    for time_s in TIMES_S[1:]:
        told.append(await client.steer({**STATE, "time_s": time_s}))
    engine_is_cut_in_time(told)
    client.hang_up()
    await asyncio.sleep(0)


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_the_file_bridge_cuts_in_time_whatever_the_answers(
    stand_in: StandIn, line: str, row: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stdlib = load("guidance_client_stdlib")
    monkeypatch.setitem(sys.modules, "guidance_client_stdlib", stdlib)
    bridge_module = load("file_bridge")
    stand_in.answer = answering(row)
    client = stdlib.GuidanceClient(line, timeout_s=WAIT_S, tries=1)
    client.open("Curlew", "upper_stage", "curlew_to_lagoon")
    bridge, told = bridge_module.Bridge(tmp_path, client), []
    for seq, time_s in enumerate((*TIMES_S[:1], *TIMES_S[1::6]), 1):
        client.timeout_s = WAIT_S if seq == 1 else 0.02
        (tmp_path / "state.json").write_text(json.dumps({**STATE, "time_s": time_s, "seq": seq}))
        assert bridge.turn()
        told.append((time_s, json.loads((tmp_path / "command.json").read_text())))
    assert told[0][1]["engine_on"]
    assert [one for time_s, one in told if time_s > 100.1 and one.get("engine_on", True)] == []
    client.hang_up()


@pytest.mark.parametrize("reading", [NAN, math.inf, -math.inf, None, "soon"])
def test_a_clock_that_reads_no_number_is_carried_on_by_real_time_and_the_engine_cut(
    module: ModuleType, reading: Any
) -> None:
    real_s = 5.0
    net = module.SafetyNet(clock=lambda: real_s)
    net.take(command_for({"seq": 1, "time_s": 90.0}))
    assert net.now(90.0)["engine_on"]
    real_s = 14.0
    at_99 = net.now(reading)
    assert at_99["engine_on"]
    assert at_99["time_s"] == 99.0
    assert at_99["stale"]
    assert "clock reads" in at_99["says"]
    real_s = 15.1
    assert not net.now(reading)["engine_on"]
    assert not net.now(reading)["engine_on"]
    assert net.now(97.0)["engine_on"] is False  # cut is cut, until the answer to a later state lights it


@pytest.mark.parametrize("reading", [NAN, None])
def test_steer_with_a_clock_that_reads_no_number_raises_nothing(
    module: ModuleType, stand_in: StandIn, address: str, reading: Any
) -> None:
    real_s = 0.0
    client = module.GuidanceClient(address, patience_s=WAIT_S, clock=lambda: real_s)
    client.open("Curlew", "upper_stage", "curlew_to_lagoon")
    assert client.steer({**STATE, "time_s": 90.0})["engine_on"]
    sent = len(stand_in.heard)
    assert client.steer({**STATE, "time_s": reading})["engine_on"]
    real_s = 10.5
    assert not client.steer({**STATE, "time_s": reading})["engine_on"]
    assert len(stand_in.heard) == sent  # no state without a time
    client.hang_up()


def test_a_command_without_a_cutoff_burns_to_the_latest_time_told(module: ModuleType) -> None:
    net = module.SafetyNet()
    net.take(command_for({"seq": 1, "time_s": 90.0}, cutoff_at_s=None, latest_off_at_s=93.0))
    assert net.now(90.0)["engine_on"]
    assert net.now(92.9, "no answer")["engine_on"]
    assert not net.now(93.0, "no answer")["engine_on"]


def test_in_every_language_a_broken_answer_is_passed_over_and_the_engine_cut_in_time(built: Built) -> None:  # noqa: F811
    steps: list[dict[str, Any]] = []
    rows = [name for name in BROKEN if isinstance(BROKEN[name](command_for({"seq": 1, "time_s": 1.0})), dict)]
    rows = [name for name in rows if "type" not in name and "opened" not in name and "fault" not in name]
    for n, name in enumerate(rows):
        begin_s = 1000.0 * n
        ends = {"cutoff_at_s": begin_s + 10.0, "latest_off_at_s": begin_s + 10.0}  # the service tells both alike
        good = command_for({"seq": 10 * n + 1, "time_s": begin_s}, **ends)
        bad = BROKEN[name](command_for({"seq": 10 * n + 2, "time_s": begin_s + 1.0}, **ends))
        steps.append({"do": "take", "command": good})
        steps.append({"do": "now", "time_s": begin_s, "trouble": ""})
        steps.append({"do": "take", "command": bad})
        steps.append({"do": "now", "time_s": begin_s + 10.1, "trouble": ""})
        steps.append({"do": "now", "time_s": begin_s + 30.0, "trouble": ""})
    finite = [step for step in steps if "NaN" not in json.dumps(step) and "Infinity" not in json.dumps(step)]
    text = "".join(json.dumps(step) + "\n" for step in finite)
    done = run([*built.command(built.language.driver), "0.0", "1.0"], text)
    assert done.returncode == 0, done.stderr
    told = [json.loads(text) for text in done.stdout.splitlines()]
    assert len(told) == sum(step["do"] == "now" for step in finite)
    for n, name in enumerate(rows):
        first, cut, after = told[3 * n : 3 * n + 3]
        assert (first["engine_on"], cut["engine_on"], after["engine_on"]) == (True, False, False), name

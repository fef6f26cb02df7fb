"""`steer` and `now` of both one-file clients over a stand-in link with a clock of its own: nothing here waits.

The expectations are the words of clients/PROTOCOL.md (the project's own contract), not of any outside source.
"""

from __future__ import annotations

import math
import warnings
from types import ModuleType
from typing import Any

import pytest

from tests.clients.conftest import command_for

STATE = {
    "position_m": [6.6e6, 0.0, 0.0],
    "velocity_m_s": [0.0, 7800.0, 0.0],
    "mass_kg": 2e4,
    "engine_on": True,
    "throttle": 0.8,
}
TICK_S = 0.1


class Link:
    """A service behind a link: real time passes only while a client waits, or when `tick` says so."""

    def __init__(self) -> None:
        self.time_s = 1000.0
        self.up = True
        self.delay_s = 0.001
        self.connects: list[float] = []
        self.heard: list[dict[str, Any]] = []
        self.coming: list[tuple[float, dict[str, Any]]] = []
        self.fault_to: dict[str, dict[str, Any]] = {}
        self.more: dict[str, Any] = {}
        self.resumed = True
        self.refuses = False

    def answer(self, message: dict[str, Any]) -> dict[str, Any]:
        if message["type"] in self.fault_to:
            return {"type": "fault", "field": "", "expected": "", "got": "", "seq": message.get("seq"),
                    "message": "it says no"} | self.fault_to[message["type"]]  # fmt: skip
        if message["type"] == "open":
            return {"type": "opened", "token": "t-1", "resumed": self.resumed and "resume" in message}
        return command_for(message, **self.more)

    def send(self, message: dict[str, Any]) -> None:
        self.heard.append(message)
        if self.up:
            self.coming.append((self.time_s + self.delay_s, self.answer(message)))

    def receive(self, until: float) -> dict[str, Any]:
        if self.coming and self.coming[0][0] <= max(until, self.time_s):
            at_s, reply = self.coming.pop(0)
            self.time_s = max(self.time_s, at_s)
            return reply
        self.time_s = max(self.time_s, until)
        raise TimeoutError

    def states(self) -> list[float]:
        return [message["time_s"] for message in self.heard if message["type"] == "state"]


@pytest.fixture
def link() -> Link:
    return Link()


@pytest.fixture
def client(module: ModuleType, link: Link) -> Any:
    made = new_client(module, link)
    made.open(vehicle="Curlew", role="upper_stage", plan="curlew_to_lagoon")
    return made


def new_client(module: ModuleType, link: Link) -> Any:
    class OverLink(module.GuidanceClient):  # type: ignore[misc,name-defined]
        def _connect(self, until: float) -> None:
            link.connects.append(link.time_s)
            if link.refuses:
                raise ConnectionRefusedError
            self._socket: Any = link

        def _send(self, message: dict[str, Any], until: float) -> None:
            link.send(message)

        def _receive(self, until: float) -> dict[str, Any]:
            return link.receive(until)

        def hang_up(self) -> None:
            self._socket, self._greeted, self._asked_s = None, False, None
            link.coming.clear()

    return OverLink("tcp://127.0.0.1:1", clock=lambda: link.time_s)


def state(time_s: float, **more: Any) -> dict[str, Any]:
    return {**STATE, "time_s": time_s, **more}


def steer(client: Any, link: Link, time_s: float, **more: Any) -> dict[str, Any]:
    """One turn of a real-time loop: both clocks go on by a tick."""
    began_s = link.time_s
    told: dict[str, Any] = client.steer(state(time_s, **more))
    assert link.time_s - began_s <= client.patience_s + 1e-9, "it held the loop up"
    link.time_s = max(link.time_s, began_s + TICK_S)
    return told


def test_on_a_good_link_every_call_returns_the_answer_to_its_own_state(client: Any, link: Link) -> None:
    for tick in range(5):
        told = steer(client, link, 50.0 + tick * TICK_S)
        assert told["command"]["seq"] == tick + 1
        assert (told["stale"], told["says"], told["engine_on"], told["throttle"]) == (False, "", True, 0.8)


def test_an_outage_in_the_burn_cuts_at_the_tick_of_the_last_cutoff_and_never_throttles_up(
    client: Any, link: Link
) -> None:
    link.more = {"throttle": 0.8, "cutoff_at_s": 55.0}
    steer(client, link, 50.0)
    link.up = False
    flown = [(time_s, steer(client, link, time_s)) for time_s in (50.1 + 0.1 * n for n in range(100))]
    assert all(told["engine_on"] == (time_s < 55.0 - 1e-6) for time_s, told in flown)
    assert all(told["throttle"] <= 0.8 for _, told in flown)
    assert all(told["stale"] for time_s, told in flown if time_s > 51.01)
    assert "no answer from tcp://127.0.0.1:1 since vehicle time 50.0 s" in flown[30][1]["says"]
    assert "until cutoff at 55.0 s" in flown[30][1]["says"]


def test_answers_half_a_second_late_steer_all_the_same(client: Any, link: Link) -> None:
    link.delay_s = 0.5
    told = [steer(client, link, 50.0 + n * TICK_S) for n in range(30)]
    late = told[-1]
    assert late["command"]["time_s"] == pytest.approx(52.9 - 0.5, abs=TICK_S)
    assert not late["stale"]
    assert late["pitch_deg"] == pytest.approx(10.0 - 0.1 * (52.9 - late["command"]["time_s"]))
    assert len(link.connects) == 1


def test_now_takes_what_has_come_without_waiting(client: Any, link: Link) -> None:
    link.delay_s = 0.07
    assert client.steer(state(50.0))["command"] is None
    before_s = link.time_s
    assert client.now(50.01)["command"] is None
    assert link.time_s == before_s
    link.time_s += 0.05
    assert client.now(50.05)["command"]["time_s"] == 50.0


def test_the_pauses_between_attempts_double_up_to_five_seconds(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    link.up, link.refuses = False, True
    for n in range(400):
        steer(client, link, 50.1 + n * TICK_S)
    gaps = [b - a for a, b in zip(link.connects[1:], link.connects[2:], strict=False)]
    wanted = [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]
    assert len(gaps) >= len(wanted)
    for gap, pause in zip(gaps, wanted, strict=False):
        assert pause - 1e-6 <= gap <= pause + TICK_S + 1e-6  # the next tick after the pause


def test_a_link_that_swallows_everything_is_opened_again_by_the_token_and_the_flight_goes_on(
    client: Any, link: Link
) -> None:
    steer(client, link, 50.0)
    link.up = False
    for n in range(30):
        steer(client, link, 50.1 + n * TICK_S)
    link.up = True
    told = [steer(client, link, 53.1 + n * TICK_S) for n in range(50)]
    assert not told[-1]["stale"]
    assert told[-1]["says"] == ""
    assert [m.get("resume") for m in link.heard if m["type"] == "open"][-1] == "t-1"
    seqs = [m["seq"] for m in link.heard if m["type"] == "state"]
    assert seqs == sorted(set(seqs))


def test_after_an_answer_the_pauses_begin_small_again(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    link.refuses = True
    client.hang_up()
    for n in range(100):
        steer(client, link, 50.1 + n * TICK_S)
    link.refuses = False
    for n in range(100):
        steer(client, link, 60.1 + n * TICK_S)
    link.refuses, before = True, len(link.connects)
    client.hang_up()
    for n in range(3):
        steer(client, link, 70.1 + n * TICK_S)
    assert len(link.connects) - before >= 2


def test_a_service_started_again_behind_the_same_socket_is_greeted_again(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    link.fault_to = {"state": {"code": "no_session"}}
    steer(client, link, 50.1)
    link.fault_to = {}
    told = [steer(client, link, 50.2 + n * TICK_S) for n in range(4)][-1]
    assert [m["type"] for m in link.heard].count("open") == 2
    assert not told["stale"]


def test_a_session_that_began_anew_is_warned_of_and_its_old_events_are_forgotten(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    client.done({"id": "0-0-ignite"})
    link.resumed = False
    client.hang_up()
    with pytest.warns(UserWarning, match="began anew"):
        steer(client, link, 50.1)
    assert "seen_event" not in link.heard[-1]
    assert client.resumed is False


def test_taken_over_is_raised_and_nothing_is_sent_any_more(client: Any, link: Link, module: ModuleType) -> None:
    steer(client, link, 50.0)
    link.fault_to = {"state": {"code": "taken_over"}}
    with pytest.raises(module.Fault, match="it says no"):
        steer(client, link, 50.1)
    sent = len(link.heard)
    for call, given in ((client.steer, state(50.2)), (client.now, 50.2), (client.exchange, state(50.2))):
        with pytest.raises(module.Fault):
            call(given)
    client.hang_up()
    with pytest.raises(module.Fault):
        client.exchange(state(50.3))
    assert len(link.heard) == sent
    link.fault_to = {}
    client.open(vehicle="Curlew", role="upper_stage", plan="curlew_to_lagoon", resume="t-1")  # the user wants it back
    assert not steer(client, link, 50.4)["stale"]


def test_exchange_that_was_taken_over_does_not_take_the_vehicle_back(
    client: Any, link: Link, module: ModuleType
) -> None:
    link.fault_to = {"state": {"code": "taken_over"}}
    for _ in range(2):
        with pytest.raises(module.Fault):
            client.exchange(state(50.0))
    assert [m["type"] for m in link.heard] == ["open", "state"]


@pytest.mark.parametrize("code", ["wrong_token", "vehicle_not_allowed", "unknown_plan"])
def test_a_refusal_for_good_is_told_once_and_not_asked_again_while_the_last_law_flies_on(
    client: Any, link: Link, code: str
) -> None:
    link.more = {"cutoff_at_s": 52.0}
    steer(client, link, 50.0)
    client.hang_up()
    link.fault_to = {"open": {"code": code, "seq": None}}
    with pytest.warns(UserWarning, match="not asked again"):
        steer(client, link, 50.1)
    sent = len(link.heard)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        told = [steer(client, link, 50.2 + n * TICK_S) for n in range(200)]
    assert len(link.heard) == sent
    assert "it says no (not asked again)" in told[5]["says"]
    assert told[5]["engine_on"]
    assert not told[-1]["engine_on"]
    assert client.stopped.code == code


def test_a_service_that_is_full_is_asked_again_later(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    client.hang_up()
    link.fault_to = {"open": {"code": "session_limit", "seq": None}}
    for n in range(20):
        steer(client, link, 50.1 + n * TICK_S)
    link.fault_to = {}
    assert not [steer(client, link, 52.1 + n * TICK_S) for n in range(40)][-1]["stale"]


def test_a_fault_to_a_state_is_said_and_the_last_law_flies_on(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    link.fault_to = {"state": {"code": "bad_value"}}
    told = steer(client, link, 50.1)
    assert told["says"] == "it says no"
    assert told["command"]["seq"] == 1
    link.fault_to = {}
    assert steer(client, link, 50.2)["says"] == ""


def test_a_late_answer_from_before_a_reloaded_save_is_not_flown(client: Any, link: Link) -> None:
    link.delay_s = 0.2
    steer(client, link, 99.0)
    told = steer(client, link, 60.0)
    assert told["command"] is None
    link.time_s += 0.05
    assert client.now(60.1)["command"] is None  # the answer to 99.0 s is there by now
    link.time_s += 0.2
    assert client.now(60.2)["command"]["time_s"] == 60.0


def test_a_reloaded_save_forgets_what_was_done_after_it(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    client.done({"id": "2-1-cutoff"})
    steer(client, link, 50.1)
    steer(client, link, 40.0)
    assert [m.get("seen_event") for m in link.heard if m["type"] == "state"] == [None, "2-1-cutoff", None]


def test_time_acceleration_and_a_paused_game_lose_no_answer(client: Any, link: Link) -> None:
    steer(client, link, 50.0)
    link.delay_s = 0.2
    client.steer(state(50.1))
    link.time_s += 3600.0  # an hour in a menu
    told = client.steer(state(50.1))
    assert told["command"]["time_s"] == 50.1
    assert len(link.connects) == 1


def test_steer_before_open_or_without_a_time_says_what_it_wants(module: ModuleType, link: Link, client: Any) -> None:
    with pytest.raises(ValueError, match="open session"):
        new_client(module, link).steer(state(50.0))
    with pytest.raises(ValueError, match="time_s"):
        client.steer({"mass_kg": 1.0})


def test_the_loop_is_never_held_up_longer_than_the_patience_given(module: ModuleType, link: Link) -> None:
    client = new_client(module, link)
    client.patience_s = 0.01
    client.open(vehicle="Curlew", role="upper_stage", plan="curlew_to_lagoon")
    link.up = False
    for n in range(200):
        steer(client, link, 50.0 + n * TICK_S)  # asserts it
    assert math.isclose(link.states()[0], 50.0)

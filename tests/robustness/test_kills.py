"""A service killed with SIGKILL in powered flight: the flight is the one that nobody killed."""

from __future__ import annotations

from pathlib import Path

import pytest

from guidance_svc.playback.replay import replay
from tests.clients.loading import load
from tests.replay import tower_flight
from tests.robustness.kills import run
from tests.systems.short_flight import ServiceProcess, expected, flown


# after ignition, which comes with the 21st exchange, and before
@pytest.mark.slow  # test_toy_law.py kills and resumes always
@pytest.mark.parametrize("kill_at", [45, 10])
def test_a_service_killed_in_a_short_flight_goes_on_with_the_same_replies(tmp_path: Path, kill_at: int) -> None:
    service = ServiceProcess(tmp_path)
    client = load("guidance_client").GuidanceClient(service.zmq, timeout_s=2.0, tries=30)
    try:
        assert flown(service, client, 60, kill_at) == expected(60)
    finally:
        client.hang_up()
        assert service.end() == 0


@pytest.mark.slow  # test_tower_replay.py takes both up again in one process
def test_a_vehicle_and_its_tower_go_on_with_the_same_replies_after_a_kill(tmp_path: Path) -> None:
    service, whole = ServiceProcess(tmp_path), tower_flight.Service()
    clients = {name: load("guidance_client").GuidanceClient(service.zmq, timeout_s=2.0, tries=30)
               for name in ("heron", "tower")}  # fmt: skip
    tower_flight.both_open(whole)
    clients["heron"].open("heron", "booster", tower_flight.LANDING, clock="one")
    clients["tower"].open("tower", "tower", tower_flight.TOWER, clock="one")
    try:
        for k, state in enumerate(tower_flight.STATES):
            if k in (8, 15):
                service.kill()
                service.start()
            word = tower_flight.word_at(state)
            for name, message in (("heron", state), ("tower", word)):
                expected_reply = whole.ask(name, message | {"seq": k + 1})
                assert clients[name].exchange({f: v for f, v in message.items() if f != "seq"}) == expected_reply
    finally:
        for client in clients.values():
            client.hang_up()
        assert service.end() == 0
    found = sorted((tmp_path / "recordings").glob("*.mcap"))
    assert len(found) == 3
    for path in found:  # each begins in flight but the first, and plays by itself
        assert replay(path, tower_flight.Service().replaying()).mismatch is None


@pytest.mark.parametrize("kills", [pytest.param(3, marks=pytest.mark.slow), pytest.param(200, marks=pytest.mark.slow)])
def test_a_killed_service_costs_no_reply_no_orbit_and_no_recording(kills: int) -> None:
    outcomes = run(kills, seed=20261125)
    assert sum(one.kills for one in outcomes) == kills
    for one in outcomes:
        assert one.exchanges > 5000
        assert (one.unequal, one.missing) == (0, 0)
        assert one.apogee_off_m == 0.0  # equal replies fly the same simulator to the same orbit

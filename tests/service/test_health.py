"""The health report, its numbers on a clock of the test's own, its two forms; pace and expiry on the same clock."""

from __future__ import annotations

import json
import logging
import re
import statistics
from typing import Any

import msgpack
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter
from scripted_sessions import ScriptedSessions
from service_world import OPEN, STATE, ask_line, small_library
from typer.testing import CliRunner

from guidance_svc.cli import app
from guidance_svc.service.desk import Desk
from guidance_svc.service.health import Health
from guidance_svc.service.metrics import metrics_text
from guidance_svc.service.pace import STRANGERS, Pace, PaceKeeper
from guidance_svc.wire.messages import HealthMessage


class Clock:
    """Stands still until it is set on."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def watched(sessions: ScriptedSessions, clock: Clock) -> Desk:
    return Desk(sessions, small_library(), health=Health(clock, "7.1", {"recording": lambda: "ok"}))


def say(desk: Desk, message: dict[str, Any], link: Any = ("tcp", 1)) -> dict[str, Any]:
    reply: dict[str, Any] = msgpack.unpackb(desk.receive(link, msgpack.packb(message)))
    return reply


def test_health_needs_no_session_and_says_all_that_the_model_says(watched: Desk, clock: Clock) -> None:
    clock.now_s += 3.5
    report = say(watched, {"type": "health"})
    TypeAdapter(HealthMessage).validate_python(report)
    assert (report["version"], report["uptime_s"], report["sessions"]) == ("7.1", 3.5, [])
    assert (report["recording"], report["journal"]) == ("ok", "none")
    assert report["reply_p50_us"] is None


def test_a_session_is_shown_with_its_last_command_and_how_long_it_is_silent(watched: Desk, clock: Clock) -> None:
    say(watched, OPEN)
    say(watched, {**STATE, "seq": 41, "time_s": 12.25})
    clock.now_s += 60.0
    (one,) = say(watched, {"type": "health"})["sessions"]
    assert one == {"vehicle": "curlew", "phase": "insertion", "seq": 41, "time_s": 12.25, "silent_s": 60.0}
    say(watched, {"type": "close"})
    assert say(watched, {"type": "health"})["sessions"] == []


def test_a_refused_message_is_no_sign_of_life_and_is_counted_by_code(watched: Desk, clock: Clock) -> None:
    say(watched, OPEN)
    clock.now_s += 10.0
    say(watched, {**STATE, "mass_kg": -1.0})
    report = say(watched, {"type": "health"})
    assert report["faults"] == {"bad_value": 1}
    assert report["sessions"][0]["silent_s"] == 10.0


def test_an_extra_field_in_a_health_request_is_refused(watched: Desk) -> None:
    assert say(watched, {"type": "health", "all": True})["field"] == "all"


@given(st.lists(st.floats(1e-6, 1.0), min_size=1, max_size=300))
def test_reply_times_are_the_nearest_rank(took_s: list[float]) -> None:
    # Second way: the standard library's low median, and for p99 the definition counted out.
    health = Health(lambda: 0.0)
    for seconds in took_s:
        health.took(seconds)
    report = health.report()
    micros = [1e6 * seconds for seconds in took_s]
    assert report["reply_p50_us"] == statistics.median_low(micros)
    p99 = report["reply_p99_us"]
    assert p99 in micros
    assert 100 * sum(x <= p99 for x in micros) >= 99 * len(micros)
    assert 100 * sum(x < p99 for x in micros) < 99 * len(micros)
    assert (report["messages"], report["replies"]) == (len(took_s), len(took_s))


SAMPLE = re.compile(r'^(guidance_[a-z_]+)(\{[a-z]+="[^"\\\n]*"\})? (-?[0-9.]+)$')
SUFFIXES = {"counter": "_total", "info": "_info", "gauge": "", "summary": ""}


def test_the_text_keeps_to_openmetrics(watched: Desk, clock: Clock) -> None:
    # OpenMetrics 1.0.0: a family is TYPE, HELP, then its samples together; counters end in _total; EOF ends it all.
    say(watched, OPEN)
    say(watched, {**STATE, "mass_kg": -1.0})
    watched.health.took(0.002)
    text = metrics_text(watched.health.report())
    lines = text.splitlines()
    assert text.endswith("# EOF\n")
    seen: list[str] = []
    family = kind = ""
    for line in lines[:-1]:
        if line.startswith("# TYPE "):
            _, _, family, kind = line.split(" ")
            assert family not in seen
            seen.append(family)
        elif not line.startswith("# HELP "):
            found = SAMPLE.match(line)
            assert found, line
            assert found.group(1) == family + SUFFIXES[kind]
    assert 'guidance_faults_total{code="bad_value"} 1' in lines
    assert 'guidance_reply_seconds{quantile="0.5"} 0.002000000' in lines
    assert 'guidance_session_silent_seconds{vehicle="curlew"} 0.000' in lines
    assert "guidance_recording_ok 1" in lines


def test_both_transports_answer_health_and_the_command_shows_it(run_server) -> None:
    server = run_server()
    sock = server.zmq_socket()
    sock.send(msgpack.packb(OPEN))
    sock.recv()
    sock.send(msgpack.packb({"type": "health"}))
    over_zmq = msgpack.unpackb(sock.recv())
    over_tcp = ask_line(server.tcp_socket(), {"type": "health"})
    assert over_zmq["sessions"][0]["vehicle"] == over_tcp["sessions"][0]["vehicle"] == "curlew"
    assert over_tcp["tcp_connections"] == 1
    assert over_tcp["reply_p99_us"] > 0.0
    for address in (server.server.ready.zmq, server.server.ready.tcp):
        result = CliRunner().invoke(app, ["health", "--connect", address])
        assert result.exit_code == 0, result.stderr
        assert "curlew" in result.stdout
        assert "reply time p99" in result.stdout


def test_health_of_nobody_is_one_sentence() -> None:
    result = CliRunner().invoke(app, ["health", "--connect", "127.0.0.1:1"])
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert "a running service" in result.stderr


def test_a_health_request_is_not_recorded(run_server) -> None:
    server = run_server()
    before = server.path.stat().st_size
    for _ in range(20):
        ask_line(server.tcp_socket(), {"type": "health"})
    assert server.path.stat().st_size == before


def test_a_silent_session_is_given_up_after_the_limit_and_no_other(
    watched: Desk, sessions: ScriptedSessions, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    say(watched, OPEN)
    say(watched, {**OPEN, "vehicle": "bargeman"}, ("tcp", 2))
    clock.now_s += 50.0
    say(watched, STATE, ("tcp", 2))
    clock.now_s += 51.0
    watched.expire(100.0)
    assert set(sessions.vehicles.values()) == {"bargeman"}
    assert watched.health.report()["expired_sessions"] == 1
    (record,) = [r for r in caplog.records if r.levelno == logging.WARNING]
    assert "limits.idle_expiry_s" in record.getMessage()
    assert record.vehicle == "curlew"
    assert say(watched, STATE)["code"] == "no_session"


def test_a_script_that_waits_for_its_replies_is_never_too_fast(clock: Clock) -> None:
    keeper = PaceKeeper(1.0, 4, 1.0, clock)
    for _ in range(10_000):  # one message a turn, the clock standing still: faster than any machine
        keeper.begin_turn()
        assert keeper.judge("a") is Pace.ANSWER


def test_a_flood_is_answered_at_the_rate_and_told_once_a_second(clock: Clock) -> None:
    keeper = PaceKeeper(10.0, 4, 1.0, clock)
    verdicts = []
    for _ in range(100):  # 10 s of 4 messages every 0.1 s
        keeper.begin_turn()
        verdicts += [keeper.judge("flood") for _ in range(4)]
        assert keeper.judge("other") is Pace.ANSWER
        clock.now_s += 0.1
    # The first turn's first message is free, ten may come at once, then ten a second for 9.9 s.
    assert verdicts.count(Pace.ANSWER) == pytest.approx(1 + 10 + 99, abs=1)
    assert verdicts.count(Pace.REFUSE) == pytest.approx(10, abs=1)
    assert keeper.dropped == 400 - verdicts.count(Pace.ANSWER)


def test_a_flood_of_what_takes_long_gets_its_share_of_the_time_and_no_more(clock: Clock) -> None:
    keeper, used_s = PaceKeeper(1000.0, 4, 5e-4, clock), 0.0
    while clock.now_s < 110.0:  # 10 s of messages that take 2 ms each, such as `open`
        keeper.begin_turn()
        for _ in range(2):
            if keeper.judge("flood") is Pace.ANSWER:
                clock.now_s += 2e-3
                used_s += 2e-3
                keeper.took("flood", 2e-3)
        clock.now_s += 1e-4
    # A token stands for 0.25 ms; the other seven parts of 2 ms cost ten each: 71 tokens, 14 a second, and 14 at first.
    assert used_s == pytest.approx((10.0 + 1.0) * 1000.0 / 71.0 * 2e-3, abs=0.02)


def test_a_flood_of_garbage_gets_a_tenth_of_the_answers_of_a_flood_of_states(clock: Clock) -> None:
    keeper, answered = PaceKeeper(1000.0, 4, 1.0, clock), 0
    for _ in range(10_000):  # 10 s of four refused messages a millisecond
        keeper.begin_turn()
        for _ in range(4):
            if keeper.judge("a") is Pace.ANSWER:
                keeper.took("a", 1e-5, refused=True)
                answered += 1
        clock.now_s += 0.001
    assert answered == pytest.approx((10.0 + 1.0) * 100.0, abs=5)


def test_a_pause_of_the_machine_is_not_held_against_a_script_that_waits(clock: Clock) -> None:
    keeper = PaceKeeper(1000.0, 4, 1.0, clock)
    for _ in range(5000):  # refused and slow, one at a time
        keeper.begin_turn()
        assert keeper.judge("a") is Pace.ANSWER
        keeper.took("a", 3.0, refused=True)


def held_part(keeper: PaceKeeper, clock: Clock, seconds: float, other: str | None) -> float:
    """Part of the time that a script in lock-step takes whose messages cost so much, beside another that speaks."""
    began_s, worked_s = clock(), 0.0
    while clock() < began_s + 60.0:
        keeper.begin_turn()
        if other is not None:
            assert keeper.judge(other) is Pace.ANSWER
            keeper.took(other, 5e-5)
        if keeper.judge("costly") is Pace.ANSWER:
            keeper.took("costly", seconds)
            clock.now_s += seconds
            worked_s += seconds
        else:
            clock.now_s += 1e-3
    return worked_s / (clock() - began_s)


@pytest.mark.parametrize("seconds", [1e-3, 5e-3, 5e-2])
def test_a_script_in_lock_step_that_costs_much_gets_its_share_and_no_more_beside_others(
    clock: Clock, seconds: float
) -> None:
    keeper = PaceKeeper(1000.0, 4, 1.0, clock)
    assert held_part(keeper, clock, seconds, "honest") == pytest.approx(0.27, abs=0.07)  # and a full purse


def test_a_script_in_lock_step_that_costs_much_is_not_held_while_it_is_alone(clock: Clock) -> None:
    assert held_part(PaceKeeper(1000.0, 4, 1.0, clock), clock, 5e-3, None) == pytest.approx(1.0)


def test_scripts_in_lock_step_whose_replies_are_cheap_are_never_held(clock: Clock) -> None:
    keeper = PaceKeeper(1000.0, 4, 1.0, clock)
    for turn in range(20_000):  # as fast as the service can: 60 us a reply, a major cycle of 600 us for every tenth
        keeper.begin_turn()
        for link in ("a", "b"):
            assert keeper.judge(link) is Pace.ANSWER
            keeper.took(link, 6e-5)
            clock.now_s += 6e-5
            if turn % 10 == 0:
                keeper.charge_work(link, 6e-4)
                clock.now_s += 6e-4


def test_what_follows_a_held_message_is_told_once_and_counted_as_too_fast(clock: Clock) -> None:
    keeper = PaceKeeper(1000.0, 4, 1.0, clock)
    assert [keeper.beyond_held("a") for _ in range(3)] == [Pace.REFUSE, Pace.DROP, Pace.DROP]
    assert keeper.dropped == 3


def test_connections_without_a_session_pay_together(clock: Clock) -> None:
    keeper = PaceKeeper(1000.0, 4, 1.0, clock)
    held = 0
    for number in range(2000):  # a new connection for each `open`
        keeper.begin_turn()
        keeper.judge("honest")
        if keeper.judge(f"new {number}", STRANGERS) is Pace.HOLD:
            held += 1
            clock.now_s += 2e-3
        else:
            keeper.took(f"new {number}", 2e-3, payer=STRANGERS)
            clock.now_s += 2e-3
    assert 1000 < held < 1800


def test_a_turn_is_up_after_so_many_messages_or_so_much_time(clock: Clock) -> None:
    keeper = PaceKeeper(1000.0, 4, 5e-4, clock)
    keeper.begin_turn()
    for last in (False, False, False, True):
        keeper.judge("a")
        assert keeper.took("a", 1e-5) is last
    keeper.judge("b")
    assert keeper.took("b", 6e-4) is True


def test_what_is_kept_of_floods_is_bounded(clock: Clock) -> None:
    keeper = PaceKeeper(1.0, 4, 1.0, clock)
    keeper.begin_turn()
    for link in range(10_000):
        keeper.judge(link)
        keeper.judge(link)
    assert len(keeper._buckets) <= 4096


def test_every_limit_has_its_reason_in_the_file_and_the_file_says_the_defaults() -> None:
    import tomllib

    from guidance_svc.files.config_files import default_folder
    from guidance_svc.files.settings import Limits, Settings

    text = (default_folder() / "service.toml").read_text()
    table = tomllib.loads(text)
    assert set(table["limits"]) == set(Limits.model_fields)
    assert Settings.model_validate(table) == Settings()
    for key in Limits.model_fields:
        (line,) = [line for line in text.splitlines() if line.startswith(f"{key} ")]
        assert len(line.partition("#")[2].strip()) > 10, key


def test_json_health_is_plain_json(watched: Desk) -> None:
    assert json.loads(watched.receive(("tcp", 1), b'{"type":"health"}', "json"))["type"] == "health"

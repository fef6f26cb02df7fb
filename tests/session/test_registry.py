"""Who may command which vehicle: links, tokens, limits."""

from __future__ import annotations

import gc
from dataclasses import replace
from itertools import count

import pytest

from guidance_svc.domain import FlightPlan, Frame, OpenRequest
from guidance_svc.errors import MessageFault, SessionFault
from guidance_svc.laws.table import LAWS
from guidance_svc.session.registry import Registry
from guidance_svc.session.session import Session
from tests.session.exchange import CLIMB, LATE, late_flight


def registry(limit: int = 10) -> Registry:
    numbers = count()
    return Registry(lambda: f"token-{next(numbers)}", limit)


def request(vehicle: str = "curlew", resume: str | None = None) -> OpenRequest:
    return OpenRequest(vehicle, "upper_stage", LATE, resume=resume)


def code_of(caught: pytest.ExceptionInfo[SessionFault]) -> tuple[str, str]:
    return caught.value.code, caught.value.field


def test_opening_gives_a_token_and_says_what_will_be_done() -> None:
    opened = registry().open("a", request())
    assert opened.token == "token-0"
    assert not opened.resumed
    assert len(opened.phases) == len(LATE.phases)


def test_every_session_has_its_own_token() -> None:
    desk = registry()
    assert desk.open("a", request("one")).token != desk.open("b", request("two")).token


def test_a_vehicle_that_is_flown_already_needs_the_token() -> None:
    desk = registry()
    desk.open("a", request())
    desk.state("a", late_flight()[0].message)
    with pytest.raises(SessionFault) as caught:
        desk.open("b", request())
    assert code_of(caught) == ("vehicle_taken", "resume")
    assert all(way in caught.value.expected for way in ("token file", "`close`", "guidance-svc forget curlew"))
    assert desk.vehicle_of("b") is None
    assert desk.vehicle_of("a") == "curlew"


def test_an_open_whose_reply_was_lost_may_be_sent_again_until_the_first_state() -> None:
    desk = registry()
    desk.open("a", request())  # its reply is lost, and with it the token
    again = desk.open("b", request())
    assert not again.resumed
    assert desk.open("c", request(resume=again.token)).resumed
    assert desk.state("c", late_flight()[0].message) == late_flight()[0].reply


@pytest.mark.parametrize("token", ["", "token-1", "token-00", "tökén-0"])
def test_a_wrong_token_is_refused_without_showing_the_right_one(token: str) -> None:
    desk = registry()
    desk.open("a", request())
    with pytest.raises(SessionFault) as caught:
        desk.open("b", request(resume=token))
    assert code_of(caught) == ("wrong_token", "resume")
    assert "token-0" not in str(caught.value)
    assert desk.vehicle_of("a") == "curlew"


def test_a_connection_commands_one_vehicle_only() -> None:
    desk = registry()
    desk.open("a", request("one"))
    with pytest.raises(SessionFault) as caught:
        desk.open("a", request("two"))
    assert code_of(caught) == ("link_in_use", "vehicle")
    assert desk.vehicle_of("a") == "one"
    assert "two" not in desk.seats


def test_the_number_of_sessions_is_limited_and_closing_makes_room() -> None:
    desk = registry(limit=2)
    for link, vehicle in (("a", "one"), ("b", "two")):
        desk.open(link, request(vehicle))
        desk.state(link, late_flight()[0].message)
    with pytest.raises(SessionFault) as caught:
        desk.open("c", request("three"))
    assert code_of(caught) == ("session_limit", "vehicle")
    assert desk.close("a") == "one"
    assert not desk.open("c", request("three")).resumed


def test_a_session_that_never_had_a_state_makes_way_for_another_and_one_without_connection_first() -> None:
    desk = registry(limit=3)
    desk.open("a", request("flown"))
    desk.state("a", late_flight()[0].message)
    desk.open("b", request("connected"))
    desk.open("c", request("gone"))
    desk.drop_link("c")
    assert desk.open("d", request("next")).made_way == "gone"
    assert desk.open("e", request("after")).made_way == "connected"
    assert set(desk.seats) == {"flown", "next", "after"}
    with pytest.raises(SessionFault) as caught:  # its script opens again, as after a restart
        desk.state("b", late_flight()[0].message)
    assert code_of(caught)[0] == "no_session"


def test_a_state_without_a_session_is_refused() -> None:
    with pytest.raises(SessionFault) as caught:
        registry().state("a", late_flight()[0].message)
    assert code_of(caught)[0] == "no_session"
    with pytest.raises(SessionFault):
        registry().close("a")


def test_a_dropped_connection_goes_on_with_the_same_plan_and_the_token() -> None:
    flight = late_flight()
    desk = registry()
    token = desk.open("a", request()).token
    for exchange in flight[:50]:
        desk.state("a", exchange.message)
    desk.drop_link("a")
    with pytest.raises(SessionFault):
        desk.state("a", flight[50].message)
    opened = desk.open("b", request(resume=token))
    assert opened.resumed
    assert opened.token == token
    for exchange in flight[50:100]:
        assert desk.state("b", exchange.message) == exchange.reply


def test_a_resumed_script_may_count_from_anywhere() -> None:
    flight = late_flight()
    desk = registry()
    token = desk.open("a", request()).token
    for exchange in flight[:50]:
        desk.state("a", exchange.message)
    desk.open("a", request(resume=token))
    again = desk.state("a", flight[50].message._replace(seq=0))
    assert again == flight[50].reply._replace(seq=0)


def test_the_old_connection_loses_the_vehicle_when_another_shows_the_token() -> None:
    desk = registry()
    token = desk.open("a", request()).token
    desk.open("b", request(resume=token))
    assert desk.vehicle_of("a") is None
    assert desk.vehicle_of("b") == "curlew"


@pytest.mark.parametrize(
    "change", [{"plan": CLIMB}, {"frame": Frame(turning=True)}, {"role": "tanker"}], ids=["plan", "frame", "role"]
)
def test_resuming_with_a_changed_request_begins_anew_under_the_same_token(change: dict[str, object]) -> None:
    desk = registry()
    token = desk.open("a", request()).token
    for exchange in late_flight()[:50]:
        desk.state("a", exchange.message)
    opened = desk.open("b", replace(request(resume=token), **change))  # type: ignore[arg-type]
    assert not opened.resumed
    assert opened.token == token
    assert desk.seats["curlew"].session.point is None


def test_one_vehicles_bad_state_never_touches_anothers_session() -> None:
    flight = late_flight()
    desk = registry()
    desk.open("a", request("one"))
    desk.open("b", request("two"))
    for exchange in flight[:60]:
        assert desk.state("a", exchange.message) == exchange.reply
        with pytest.raises(MessageFault):
            desk.state("b", exchange.message._replace(mass_kg=1e12))
    assert desk.seats["two"].session.point is None


def test_waiting_major_cycles_are_worked_off_and_then_none_waits() -> None:
    flight = late_flight()
    desk = registry()
    desk.open("a", request())
    waited = 0
    for exchange in flight[:30]:
        assert desk.state("a", exchange.message) == exchange.reply
        waited += desk.pending()
        desk.work()
        assert not desk.pending()
    # 6 s of flight, a cycle each half second, the first one solved before its reply
    assert 9 <= waited <= 13


def test_a_major_cycle_that_breaks_waits_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    def wrong(*_: object) -> None:
        raise TypeError("a bug")

    desk = registry()
    desk.open("a", request())
    messages = [exchange.message for exchange in late_flight()[:40]]
    used = 0
    while not desk.pending():
        desk.state("a", messages[used])
        used += 1
    with monkeypatch.context() as patched:
        patched.setitem(LAWS, "insertion", replace(LAWS["insertion"], solve=wrong))
        with pytest.raises(TypeError):
            desk.work()
    assert not desk.pending()
    assert desk.state("a", messages[used]).status in ("ok", "converging")


def test_closing_forgets_the_work_that_waited() -> None:
    desk = registry()
    desk.open("a", request())
    for exchange in late_flight()[:30]:
        desk.state("a", exchange.message)
        if desk.pending():
            break
    assert desk.pending()
    desk.close("a")
    assert not desk.pending()
    desk.work()
    assert desk.vehicle_of("a") is None


def test_a_displaced_connection_is_told_and_the_taker_flies_on() -> None:
    flight, desk = late_flight(), registry()
    token = desk.open("a", request()).token
    for exchange in flight[:30]:
        desk.state("a", exchange.message)
    assert desk.open("b", request(resume=token)).resumed
    with pytest.raises(SessionFault) as caught:
        desk.state("a", flight[30].message)
    assert code_of(caught) == ("taken_over", "type")
    assert desk.state("b", flight[30].message) == flight[30].reply


def test_a_dead_connections_late_open_does_not_cost_the_script_its_vehicle() -> None:
    # The script gave up on "a" and came back as "b"; its open over "a" is read only after that over "b".
    flight, desk = late_flight(), registry()
    token = desk.open("first", request()).token
    for exchange in flight[:30]:
        desk.state("first", exchange.message)
    desk.drop_link("first")
    desk.open("b", request(resume=token))
    desk.open("a", request(resume=token))
    desk.drop_link("a")  # its reply finds nobody
    assert desk.state("b", flight[30].message) == flight[30].reply


def test_the_same_state_again_after_a_resume_gets_the_same_reply_once() -> None:
    flight, desk = late_flight(), registry()
    token = desk.open("a", request()).token
    for exchange in flight[:30]:
        desk.state("a", exchange.message)
    desk.open("b", request(resume=token))
    assert desk.state("b", flight[29].message) == flight[29].reply
    assert [desk.state("b", e.message) for e in flight[30:40]] == [e.reply for e in flight[30:40]]


def test_what_changed_is_named_until_the_journal_has_seen_it() -> None:
    desk = registry()
    desk.open("a", request("one"))
    desk.open("b", request("two"))
    assert desk.touched == {"one", "two"}
    desk.touched.clear()
    desk.state("a", late_flight()[0].message)
    desk.close("b")
    assert desk.touched == {"one", "two"}


def test_a_script_that_took_over_and_flew_keeps_the_vehicle_when_its_connection_drops() -> None:
    flight, desk = late_flight(), registry()
    token = desk.open("hung", request()).token
    desk.state("hung", flight[0].message)
    desk.open("fresh", request(resume=token))
    desk.state("fresh", flight[1].message)
    desk.drop_link("fresh")
    with pytest.raises(SessionFault) as caught:
        desk.state("hung", flight[2].message)
    assert caught.value.code == "taken_over"
    assert desk.open("fresh again", request(resume=token)).resumed
    assert desk.state("fresh again", flight[2].message) == flight[2].reply


def test_a_closed_session_and_its_plan_go_without_the_garbage_collector() -> None:
    """What holds itself stays until the collector comes round: 7 kB of each flight."""
    desk, kinds = registry(), (FlightPlan, Session)
    gc.collect()
    gc.disable()
    try:
        before = sum(isinstance(one, kinds) for one in gc.get_objects())
        for _ in range(3):
            desk.open("a", OpenRequest("curlew", "upper_stage", replace(LATE)))
            desk.state("a", late_flight()[0].message)
            desk.work()
            desk.close("a")
        assert sum(isinstance(one, kinds) for one in gc.get_objects()) == before
    finally:
        gc.enable()

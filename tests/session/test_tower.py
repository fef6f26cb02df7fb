"""A tower and the vehicles on its clock: states in, replies out, and what each has heard of the others."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest

from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Answer, Clearance, Frame, TowerReport, VehicleState
from guidance_svc.errors import MessageFault, SessionFault
from guidance_svc.laws.navigation import navigate
from guidance_svc.session.history import History
from guidance_svc.session.packing import pack
from guidance_svc.session.registry import Registry, digest_of
from tests.closed_loop.landing_flights import SITE
from tests.closed_loop.return_flights import CASES, landing_phases, plan_home, start_of
from tests.session.tower_talk import PLAN, TOWER, Talk, arrivals, hop, in_arms, landed, later, tower, vehicle, word

LAST = len(hop()) - 1


def test_a_tower_hears_of_a_vehicle_that_comes_to_its_site() -> None:
    talk = Talk().opened(tower(), vehicle())
    assert arrivals(talk.say("tower", word(1, 0.0))) == ()
    states = hop()
    for state in states[:20]:
        talk.say("heron", state)
    command = talk.say("tower", word(2, states[19].time_s))
    assert command.phase == "receive"
    (one,) = arrivals(command)
    assert (one.vehicle, one.site, one.status) == ("heron", "Samphire", "falling")
    assert one.time_s == states[19].time_s
    assert one.at_s == pytest.approx(landed().contact.time_s, abs=0.5)  # what a landing is asked for
    assert one.position_script_m == pytest.approx(states[19].position_script_m, abs=1.0)  # the same frame
    assert one.speed_m_s == pytest.approx(norm(states[19].velocity_script_m_s or (0.0, 0.0, 0.0)), rel=0.01)
    assert one.miss_m < 1.0


def test_a_tower_reads_the_position_in_its_own_frame() -> None:
    talk = Talk().opened(tower(frame=Frame(turning=True, axes=("x", "z", "y"))), vehicle())
    talk.say("heron", hop()[0])
    (one,) = arrivals(talk.say("tower", word(1, 0.0)))
    x, y, z = hop()[0].position_script_m or (0.0, 0.0, 0.0)  # a body that does not turn
    assert one.position_script_m == pytest.approx((x, z, y), abs=1.0)


def test_an_arrival_falls_burns_and_is_caught() -> None:
    talk = Talk().opened(tower(), vehicle())
    statuses = []
    for k, state in enumerate(hop()):
        talk.say("heron", state)
        statuses.append(arrivals(talk.say("tower", word(k, state.time_s)))[0].status)
    assert list(dict.fromkeys(statuses)) == ["falling", "burning", "caught"]


def test_the_arms_close_at_the_contact_and_are_clear_a_turnaround_later() -> None:
    talk = Talk().opened(tower(), vehicle())
    events = []
    for k, state in enumerate(hop()):
        talk.say("heron", state)
        event = talk.say("tower", word(k, state.time_s, ready=False)).event
        events.append(event)
    assert list(dict.fromkeys(event.name for event in events if event)) == ["close_arms", "clear"]
    caught = arrivals(talk.say("tower", word(LAST + 1, hop()[-1].time_s, ready=False)))[0]
    assert events[-1] is not None
    assert events[-1].at_s == caught.at_s + 900.0
    closing = [event.at_s for event in events if event and event.name == "close_arms"]
    assert closing[-1] == pytest.approx(caught.at_s, abs=0.1)
    late = talk.say("tower", word(LAST + 2, caught.at_s + 903.0, ready=False))
    assert late.warnings[-1].startswith("clear was due at")
    assert talk.say("tower", word(LAST + 3, caught.at_s + 904.0, ready=True)).event is None


@pytest.mark.parametrize(
    ("state", "clearance"),
    [
        (word(1, 0.0, heron="ready"), "ready"),
        (word(1, 0.0, heron="not_ready"), "not_ready"),
        (word(1, 0.0, ready=False), "not_ready"),
        (word(1, 0.0, ready=False, heron="ready"), "ready"),  # by the time it comes
        (word(1, 0.0), "no_answer"),  # ready is no answer to this one
        (word(1, 0.0, kite="ready"), "no_answer"),
        (word(1, -4.9, heron="ready"), "ready"),
        (word(1, -5.1, heron="ready"), "no_answer"),  # silent
        (word(1, 5.1, heron="ready"), "no_answer"),  # of a time that has not come
    ],
)  # fmt: skip
def test_a_vehicle_has_the_answer_that_its_tower_gave_it(state: VehicleState, clearance: Clearance) -> None:
    talk = Talk().opened(tower(), vehicle())
    talk.say("tower", state)
    talk.say("heron", hop()[0])
    answer = talk.answer()
    assert answer is not None
    assert answer.clearance == clearance
    assert navigate(talk.heard[-1], PLAN, Frame()).answer == answer


def test_an_answer_brings_the_wind_and_where_the_arms_are() -> None:
    talk = Talk().opened(tower(), vehicle())
    local = navigate(word(1, 0.0), TOWER, Frame()).local
    report = TowerReport(False, 40.0, (), local.north, (0.5, -0.25, 1.0))
    talk.say("tower", VehicleState(1, 0.0, 0.0, tower=report))
    talk.say("heron", hop()[0])
    answer = talk.answer()
    assert answer is not None
    assert answer[:3] == ("not_ready", 40.0, (0.5, -0.25, 1.0))
    assert answer.wind_m_s == pytest.approx((0.0, 1.0, 0.0), abs=1e-12)


def test_without_a_tower_only_a_vehicle_that_arms_catch_has_no_answer() -> None:
    talk = Talk().opened(vehicle(), vehicle("kite", plan=in_arms()))
    talk.say("heron", hop()[0])
    assert talk.answer() is None
    talk.say("kite", hop()[0])
    assert talk.answer() == Answer("no_answer")


def test_a_tower_that_has_closed_is_heard_no_more() -> None:
    talk = Talk().opened(tower(), vehicle())
    talk.say("tower", word(1, 0.0, heron="ready"))
    talk.say("heron", hop()[0])
    talk.registry.close("tower")
    talk.say("heron", hop()[1])
    assert talk.answer() is None


@pytest.mark.parametrize("other", [vehicle(clock="two"), vehicle(clock=""), vehicle(plan=replace(
    PLAN, landing=replace(PLAN.landing, site=replace(PLAN.landing.site, name="Mudflat"))  # type: ignore[type-var, union-attr]
))])  # fmt: skip
def test_sessions_on_other_clocks_or_of_other_sites_hear_nothing_of_each_other(other) -> None:  # type: ignore[no-untyped-def]
    talk = Talk().opened(tower(), other)
    talk.say("tower", word(1, 0.0, heron="ready"))
    talk.say("heron", hop()[0])
    assert talk.answer() is None
    assert arrivals(talk.say("tower", word(2, 0.1))) == ()


def test_a_vehicle_that_goes_back_in_time_is_unheard_of_from_there_on() -> None:
    talk = Talk().opened(tower(), vehicle())
    states = hop()
    for state in states[:60]:
        talk.say("heron", state)
    before = arrivals(talk.say("tower", word(1, states[59].time_s)))[0]
    talk.say("heron", states[10]._replace(seq=1000))
    after = arrivals(talk.say("tower", word(2, states[59].time_s + 0.1)))[0]
    assert (before.time_s, after.time_s) == (states[59].time_s, states[10].time_s)


def test_a_tower_that_goes_back_in_time_does_not_unsay_what_a_vehicle_had_heard() -> None:
    talk = Talk().opened(tower(), vehicle())
    talk.say("tower", word(1, 0.0))
    states = hop()
    talk.say("tower", word(2, 1.0, heron="ready"))
    replies = [talk.say("heron", state) for state in states[10:20]]
    talk.say("tower", word(3, 0.5, heron="not_ready"))  # a reloaded save
    talk.say("heron", states[15]._replace(seq=500))
    assert talk.answer() == Answer("not_ready")
    session = talk.registry.seats["heron"].session
    kept = [one.state.answer for one in session.history.states_from(0)]
    assert kept == [Answer("ready")] * 5 + [Answer("not_ready")]
    assert talk.say("heron", states[15]._replace(seq=500)) == session.last_command
    assert replies[5].direction == session.last_command.direction  # type: ignore[union-attr]


def test_the_same_state_again_gets_the_same_reply_whatever_was_said_since() -> None:
    talk = Talk().opened(tower(), vehicle())
    talk.say("heron", hop()[0])
    first = talk.say("tower", word(1, 0.0))
    for state in hop()[1:30]:
        talk.say("heron", state)
    assert talk.say("tower", word(1, 0.0)) == first
    talk.registry.open("other", replace(tower(), resume="token-0"))  # from now on all that was sent counts
    assert talk.say("other", word(1, 0.0)) == first


def test_when_the_major_cycle_runs_makes_no_difference_to_what_is_heard() -> None:
    eager, lazy = (Talk(eager=eager).opened(tower(), vehicle()) for eager in (True, False))
    for talk in (eager, lazy):
        for k, state in enumerate(hop()):
            talk.say("heron", state)
            if k % 3 == 0:
                talk.say("tower", word(k, state.time_s, heron="ready"))
    assert eager.heard == lazy.heard


def test_what_was_heard_comes_back_after_a_kill() -> None:
    talk = Talk().opened(tower(), vehicle())
    states = hop()
    for k, state in enumerate(states[:40]):
        talk.say("heron", state)
        talk.say("tower", word(k, state.time_s, heron="ready"))
    again = Talk(restored(talk.registry))
    for one in (talk, again):
        one.registry.open("heron", replace(vehicle(), resume="token-1"))
        one.registry.open("tower", replace(tower(), resume="token-0"))
    for k, state in enumerate(states[40:], start=40):
        assert again.say("heron", state) == talk.say("heron", state)
        assert again.say("tower", word(k, state.time_s)) == talk.say("tower", word(k, state.time_s))
    assert again.heard == talk.heard[-len(again.heard) :]


def restored(registry: Registry) -> Registry:
    """A service that was killed and finds its sessions in the journal, the vehicle before its tower."""
    fresh = Registry(lambda: "unused")
    for name in sorted(registry.seats):
        seat, history = registry.seats[name], History(registry.history_bytes)
        base, stream, marks = seat.session.history.tail()
        history.take_up(base, stream, list(marks))
        fresh.restore(pack(seat.request), digest_of("token-1" if name == "heron" else "token-0"), history)
    return fresh


def test_a_tower_is_told_of_two_that_come_too_near_to_each_other() -> None:
    talk = Talk().opened(tower(), vehicle("first"), vehicle("second"))
    talk.say("second", later(hop(), 100.0)[0])
    talk.say("first", hop()[0])
    command = talk.say("tower", word(1, 0.0, first="ready", second="ready"))
    assert [one.vehicle for one in arrivals(command)] == ["first", "second"]
    assert command.warnings[0] == (
        "second comes 100.0 s after first: 800.0 s are missing to turnaround_s, 900 s"
    )


def test_two_arrivals_have_events_of_their_own() -> None:
    talk = Talk().opened(tower(), vehicle("first"), vehicle("second"))
    talk.say("first", hop()[0])
    one = talk.say("tower", word(1, 0.0)).event
    talk.registry.close("first")
    talk.say("second", later(hop(), 100.0)[0])
    other = talk.say("tower", word(2, 0.1)).event
    assert one is not None
    assert other is not None
    assert (one.id, other.id) == ("0-0-close_arms", "0-0-close_arms-again2")
    with pytest.raises(SessionFault, match="unknown event"):
        talk.say("tower", word(3, 0.2)._replace(seen_event="0-0-close_arms-again"))


def test_a_tower_is_told_of_what_it_has_not_answered_and_promised_too_early() -> None:
    talk = Talk().opened(tower(), vehicle("first"), vehicle("second"))
    talk.say("first", hop()[0])
    talk.say("second", later(hop(), 2000.0)[0])
    report = TowerReport(False, 60.0, (("first", "ready"),))
    words = talk.say("tower", VehicleState(1, 0.0, 0.0, tower=report)).warnings
    assert any(text.startswith("first was told ready and comes at") for text in words)
    words = talk.say("tower", word(2, 15.0)).warnings
    assert "first has no answer: put it into answers" in words
    assert "first has been silent for 15 s; its arrival is as it was" in words


def test_a_reply_to_a_tower_orders_nothing_of_an_engine() -> None:
    talk = Talk().opened(replace(tower(), detail=True))
    command = talk.say("tower", word(1, 0.0))
    assert (command.engine_on, command.throttle_frac, command.cutoff_at_s, command.detail) == (False, 0.0, None, None)
    assert command.pitch_rad == pytest.approx(0.5 * pi)
    assert command.status == "ok"
    assert command.warnings == ()


def test_a_tower_with_the_state_of_a_vehicle_and_a_vehicle_with_that_of_a_tower_are_refused() -> None:
    talk = Talk().opened(tower(), vehicle())
    with pytest.raises(MessageFault) as caught:
        talk.say("tower", hop()[0])
    assert (caught.value.code, caught.value.field) == ("wrong_role", "mass_kg")
    with pytest.raises(MessageFault) as caught:
        talk.say("heron", word(1, 0.0))
    assert (caught.value.code, caught.value.field) == ("wrong_role", "ready")


@pytest.mark.parametrize(
    ("there", "asked", "words"),
    [
        ((), tower(clock=""), "clock: none was named, so nothing of vehicles that come is heard"),
        ((), vehicle(clock="", plan=in_arms()), "clock: none was named, so nothing of the tower Samphire is heard"),
        ((vehicle("a"), vehicle("b")), tower(clock="two"),
         'clock: a tower with a clock of its own: 2 vehicles fly on clock "one", none on "two"'),
        ((tower(),), vehicle(clock="two", plan=in_arms()),
         'clock: the tower Samphire is on clock "one", landing on "two"'),
        ((), tower(), ""),
        ((vehicle(),), tower(), ""),
        ((), vehicle(clock=""), ""),  # a pad needs no tower
    ],
)  # fmt: skip
def test_a_clock_on_which_nobody_is_met_is_told_when_it_is_opened(there, asked, words) -> None:  # type: ignore[no-untyped-def]
    talk = Talk().opened(*there)
    opened = talk.registry.open("link", asked)
    assert [text[: len(words)] for text in opened.warnings] == ([words] if words else [])


def test_another_clock_is_another_flight() -> None:
    talk = Talk().opened(vehicle())
    talk.say("heron", hop()[0])
    assert not talk.registry.open("heron", replace(vehicle(clock="two"), resume="token-0")).resumed
    talk.say("heron", hop()[0])
    talk.opened(tower())
    assert arrivals(talk.say("tower", word(1, 0.0))) == ()  # nothing is left of it on the clock that it was on


def test_positions_of_arrivals_are_the_vehicles_own() -> None:
    talk = Talk().opened(tower(), vehicle())
    for k, state in enumerate(hop()):
        talk.say("heron", state)
        (one,) = arrivals(talk.say("tower", word(k, state.time_s)))
        assert norm(sub(one.position_script_m, state.position_script_m or (0.0, 0.0, 0.0))) < 1.0


def test_a_site_has_one_tower_on_a_clock() -> None:
    talk = Talk().opened(tower(), tower("other", clock="two"))
    with pytest.raises(SessionFault) as caught:
        talk.registry.open("third", tower("third"))
    assert (caught.value.code, caught.value.field) == ("site_taken", "clock")
    assert caught.value.expected == 'one tower of Samphire on clock "one": tower speaks for it'
    talk.registry.close("tower")
    assert not talk.registry.open("third", tower("third")).resumed


def test_a_vehicle_that_reloads_before_its_tower_hears_what_the_tower_had_said_then() -> None:
    talk = Talk().opened(tower(), vehicle())
    states = hop()
    for k, clearance in enumerate(("not_ready", "ready", "not_ready")):
        talk.say("tower", word(k, 7.0 * k, heron=clearance))  # type: ignore[arg-type]
    heard = []
    for seq, at in enumerate((150, 75, 5, 65), start=1000):  # a tenth of a second each
        talk.say("heron", states[at]._replace(seq=seq))
        answer = talk.answer()
        assert answer is not None
        heard.append(answer.clearance)
    assert heard == ["not_ready", "ready", "not_ready", "no_answer"]  # of 14 s, 7 s, 0 s; none within 5 s of 6.5 s


def test_a_booster_is_announced_from_its_fall_on() -> None:
    """From the reference's start it comes down far from the site; it says where and when."""
    case = CASES["B01"]
    plan = plan_home(case, landing_phases(36e3, 60e3))
    site = plan.landing.site if plan.landing else SITE
    station = replace(TOWER, body=plan.body, site=site)
    talk = Talk().opened(tower(plan=station), vehicle("booster", plan=plan))
    position, velocity, ahead = start_of(case, plan.body)
    state = VehicleState(1, 0.0, 73e3, position, velocity, pointing_script=ahead, engine_on=False)
    command = talk.say("booster", state)
    assert command.phase == "fall"
    (one,) = arrivals(talk.say("tower", word(1, 0.0)))
    assert (one.vehicle, one.site, one.status) == ("booster", site.name, "falling")
    assert (one.at_sigma_s, one.miss_sigma_m) == (None, None)
    assert one.position_script_m == pytest.approx(position, abs=1e-3)
    detail = replace(vehicle("booster", plan=plan, clock="one"), detail=True)
    again = Talk().opened(detail).say("booster", state).detail
    assert again is not None
    assert again.landing is not None
    assert (one.at_s, one.miss_m) == (again.landing.contact_in_s, again.landing.miss_m)

"""Messages in, replies out: what a script may rely on, whatever happens to its messages."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from math import inf

import numpy as np
import pytest

from guidance_svc.core.vectors import norm, scale
from guidance_svc.domain import Command, FlightPlan, Frame, OpenRequest, Vec, VehicleState
from guidance_svc.errors import MessageFault, SessionFault
from guidance_svc.laws.memory import Flight, Order
from guidance_svc.laws.navigation import navigate
from guidance_svc.laws.table import LAWS
from guidance_svc.session.registry import Registry
from guidance_svc.session.reply import latest_off_s
from guidance_svc.session.session import Session
from tests.session.exchange import CLIMB, LATE, STACK, UPPER, Exchange, climb_flight, late_flight
from tests.session.remembered import insertion_of

DICE_SEED = 20261125


@cache
def late() -> tuple[Exchange, ...]:
    return tuple(late_flight())


@cache
def climb() -> tuple[Exchange, ...]:
    return tuple(climb_flight(900))


FLIGHTS = [pytest.param(LATE, late, id="insertion to circle"), pytest.param(CLIMB, climb, id="pad to staging")]


def replies(session: Session, messages: list[VehicleState]) -> list[Command]:
    return [session.state(message) for message in messages]


def fresh(plan: FlightPlan) -> Session:
    return Session(plan, Frame())


def sent(flight: tuple[Exchange, ...]) -> list[VehicleState]:
    return [exchange.message for exchange in flight]


def held(session: Session) -> tuple[bytes, int]:
    """What would show that a refused message left a trace."""
    return bytes(session.history.stream), len(session.history.marks)


def without_seq(command: Command) -> Command:
    return command._replace(seq=0)


def renumbered(messages: list[VehicleState], first: int) -> list[VehicleState]:
    return [message._replace(seq=first + k) for k, message in enumerate(messages)]


@pytest.mark.parametrize(("plan", "flight"), FLIGHTS)
def test_the_same_messages_get_the_same_replies(plan: FlightPlan, flight) -> None:  # type: ignore[no-untyped-def]
    assert replies(fresh(plan), sent(flight())) == [exchange.reply for exchange in flight()]


@pytest.mark.parametrize(("plan", "flight"), FLIGHTS)
def test_replies_do_not_depend_on_when_the_major_cycle_runs(plan: FlightPlan, flight) -> None:  # type: ignore[no-untyped-def]
    dice = random.Random(DICE_SEED)
    eager, whimsical = fresh(plan), fresh(plan)
    for exchange in flight():
        assert eager.state(exchange.message) == exchange.reply
        eager.work()
        assert whimsical.state(exchange.message) == exchange.reply
        for _ in range(dice.randrange(3)):
            whimsical.work()


def test_a_command_echoes_the_message_it_answers() -> None:
    for exchange in late():
        assert (exchange.reply.seq, exchange.reply.time_s) == (exchange.message.seq, exchange.message.time_s)


def test_the_same_seq_again_gets_the_same_reply_even_with_other_numbers() -> None:
    session = fresh(LATE)
    *_, last = replies(session, sent(late())[:40])
    point = session.point
    other = sent(late())[39]._replace(time_s=1e6, mass_kg=1.0)
    assert session.state(other) is last
    assert session.point is point


def test_an_older_seq_is_refused_and_changes_nothing() -> None:
    session = fresh(LATE)
    replies(session, sent(late())[:40])
    point, history = session.point, held(session)
    with pytest.raises(SessionFault) as caught:
        session.state(sent(late())[38])
    assert (caught.value.code, caught.value.field) == ("old_seq", "seq")
    assert "39" in caught.value.expected
    assert caught.value.got == "38"
    assert session.point is point
    assert held(session) == history
    assert session.state(sent(late())[40]) == late()[40].reply


def test_a_gap_in_seq_is_normal() -> None:
    messages = [message._replace(seq=1000 * message.seq + 7) for message in sent(late())[:40]]
    got = replies(fresh(LATE), messages)
    assert [without_seq(c) for c in got] == [without_seq(e.reply) for e in late()[:40]]


@pytest.mark.parametrize(("plan", "flight"), FLIGHTS)
def test_after_the_clock_goes_back_the_later_part_was_never_flown(plan: FlightPlan, flight) -> None:  # type: ignore[no-untyped-def]
    # Reloads drawn from all over the flight, so that they cross phases; replies must be equal, not near.
    dice = random.Random(DICE_SEED)
    messages = sent(flight())
    phases = set()
    for _ in range(8):
        here = dice.randrange(2, len(messages))
        there = dice.randrange(0, here)
        session = fresh(plan)
        replies(session, messages[:here])
        again = replies(session, renumbered(messages[there : there + 60], here + 10))
        expected = [exchange.reply for exchange in flight()[there : there + 60]]
        assert [without_seq(c) for c in again] == [without_seq(c) for c in expected]
        phases.add((flight()[here - 1].reply.phase, flight()[there].reply.phase))
    assert any(a != b for a, b in phases)  # the draw did cross phases


def test_after_a_reload_another_way_flown_is_answered_as_if_it_were_the_first() -> None:
    # Heavier and slower from the reload on: nothing of the first attempt may show.
    messages = sent(late())
    other = [
        message._replace(velocity_script_m_s=scale(0.998, message.velocity_script_m_s or (0.0, 0.0, 0.0)),
                mass_kg=1.001 * message.mass_kg)
        for message in messages[200:300]
    ]  # fmt: skip
    flown, clean = fresh(LATE), fresh(LATE)
    replies(flown, messages[:700])
    replies(clean, messages[:200])
    assert replies(flown, renumbered(other, 5000)) == replies(clean, renumbered(other, 5000))


def test_reloads_of_reloads_leave_no_trace() -> None:
    messages = sent(late())
    session = fresh(LATE)
    replies(session, messages[:500])
    replies(session, renumbered(messages[100:200], 1000))
    replies(session, renumbered(messages[50:90], 2000))
    again = replies(session, renumbered(messages[70:400], 3000))
    assert [without_seq(c) for c in again] == [without_seq(e.reply) for e in late()[70:400]]


def test_a_clock_that_goes_back_before_the_first_state_begins_anew() -> None:
    messages = sent(late())
    session = fresh(LATE)
    replies(session, messages[20:200])
    again = replies(session, renumbered(messages[:60], 1000))
    assert [without_seq(c) for c in again] == [without_seq(e.reply) for e in late()[:60]]


@pytest.mark.parametrize("count_of_reloads", [25, *(pytest.param(n, marks=pytest.mark.slow) for n in (200, 1000))])
def test_reloads_all_over_a_flight_leave_no_trace(count_of_reloads: int) -> None:
    # Back by a state, by seconds, by the whole flight; again and again, before the flight had come as far as before.
    dice = random.Random(DICE_SEED)
    flight, session = late(), fresh(LATE)
    replies(session, sent(flight))
    here, seq = len(flight), 10**6
    for _ in range(count_of_reloads):
        there = dice.randrange(0, here - 1)
        count = min(dice.choice((3, 10, 60)), len(flight) - there)
        again = replies(session, renumbered(sent(flight[there : there + count]), seq))
        assert [without_seq(c) for c in again] == [without_seq(e.reply) for e in flight[there : there + count]]
        here, seq = there + count, seq + count
        if here < 30:
            replies(session, renumbered(sent(flight[here:]), seq))
            here, seq = len(flight), seq + len(flight)


def test_time_may_start_anywhere_and_replies_shift_with_it() -> None:
    # A whole number of seconds keeps every difference of times exact, so that replies are equal but for the shift.
    for start_s in (-86400.0, 65536.0):
        moved = [m._replace(time_s=m.time_s + start_s) for m in sent(late())[:200]]
        for got, exchange in zip(replies(fresh(LATE), moved), late()[:200], strict=True):
            assert got.direction == pytest.approx(exchange.reply.direction, abs=1e-9)
            assert (got.cutoff_at_s or 0.0) - start_s == pytest.approx(exchange.reply.cutoff_at_s or -start_s, abs=1e-4)


def test_the_history_is_bounded_and_reloads_within_it_stay_exact() -> None:
    flight = late()
    session = Session(LATE, Frame(), history_bytes=40_000)  # a third of the flight
    replies(session, sent(flight))
    assert len(session.history.stream) <= 40_000
    oldest = next(mark.time_s for mark in session.history.marks if mark.at >= session.history.base)
    within = next(k for k, exchange in enumerate(flight) if exchange.message.time_s > oldest + 1.0)
    again = replies(session, renumbered(sent(flight[within:]), 10**6))
    assert [without_seq(c) for c in again] == [without_seq(e.reply) for e in flight[within:]]


def test_a_reload_beyond_the_history_finds_the_phase_and_the_target() -> None:
    flight = late()
    session = Session(LATE, Frame(), history_bytes=40_000)
    replies(session, sent(flight))
    assert session.history.base > 0
    there = 150
    again = replies(session, renumbered(sent(flight[there : there + 100]), 10**6))
    assert again[0].phase == flight[there].reply.phase
    # The point kept is up to ten seconds older than the reload: the law is solved anew from the state itself.
    assert again[-1].cutoff_at_s == pytest.approx(flight[there + 99].reply.cutoff_at_s, abs=0.01)
    assert session.history.end == session.history.base + len(session.history.stream)


@pytest.mark.parametrize("creep_s", [0.0, 1e-10, 2e-4])
def test_a_clock_that_jitters_costs_no_more_memory_than_its_states(creep_s: float) -> None:
    # The simulator stands still, or creeps on; its clock goes to and fro by 1e-9 s: 5.5 kB a state before.
    dice, grown = random.Random(DICE_SEED), []
    for jitter_s in (0.0, 1e-9):
        session = fresh(LATE)
        replies(session, sent(late())[:50])
        state, before = sent(late())[50], session.history.held_bytes
        for seq in range(300):
            time_s = state.time_s + creep_s * seq + dice.uniform(-jitter_s, jitter_s)
            session.state(state._replace(seq=1000 + seq, time_s=time_s))
        grown.append(session.history.held_bytes - before)
    assert grown[1] < grown[0] + 15_000  # two marks


def test_reloads_again_and_again_to_one_place_keep_one_mark() -> None:
    session, flight = fresh(LATE), late()
    replies(session, sent(flight)[:300])
    count = len(session.history.marks)
    for k in range(50):
        again = replies(session, renumbered(sent(flight[250:260]), 1000 + 20 * k))
        assert [without_seq(c) for c in again] == [without_seq(e.reply) for e in flight[250:260]]
    assert len(session.history.marks) <= count + 1


@pytest.mark.parametrize("limit", [30_000, 100_000])
def test_without_a_journal_the_memory_of_all_sessions_is_bounded_and_late_reloads_stay_exact(limit: int) -> None:
    registry = Registry(lambda: "token", memory_bytes=limit)
    registry.open("link", OpenRequest("curlew", "upper_stage", LATE))
    flight, session = late(), registry.seats["curlew"].session
    assert [registry.state("link", m) for m in sent(flight)] == [e.reply for e in flight]
    assert session.history.held_bytes <= limit
    oldest = session.history.marks[session.history.marks.at_or_after(session.history.first)].time_s
    within = next(k for k, e in enumerate(flight) if e.message.time_s > oldest)
    again = [registry.state("link", m) for m in renumbered(sent(flight[within:]), 10**6)]
    assert [without_seq(c) for c in again] == [without_seq(e.reply) for e in flight[within:]]


def test_a_stale_command_after_a_reload_repeats_nothing_of_the_part_never_flown(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    flown, clean = fresh(LATE), fresh(LATE)
    replies(flown, sent(late())[:300])
    replies(clean, sent(late())[:100])
    message, row = sent(late())[100]._replace(seq=900), LAWS["insertion"]

    def breaks_there(memory, now, *rest):  # type: ignore[no-untyped-def]
        return row.order(memory, now, *rest) if now.time_s < message.time_s else broken()

    monkeypatch.setitem(LAWS, "insertion", replace(row, order=breaks_there))
    stale = flown.state(message)
    assert stale.status == "stale"
    assert stale == clean.state(message)


def test_a_clock_before_the_first_state_leaves_nothing_of_the_later_flight(monkeypatch: pytest.MonkeyPatch) -> None:
    messages = sent(late())
    flown, opened = fresh(LATE), fresh(LATE)
    replies(flown, messages[20:200])
    broke = {"insertion": replace(LAWS["insertion"], order=broken)}
    for law, row in broke.items():
        monkeypatch.setitem(LAWS, law, row)
    assert flown.state(messages[0]._replace(seq=900)) == opened.state(messages[0]._replace(seq=900))


def test_a_major_cycle_that_breaks_in_an_unexpected_way_does_not_lock_the_session(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def wrong(*_: object) -> None:
        raise TypeError("a bug")

    session = fresh(LATE)
    messages = sent(late())
    replies(session, messages[:30])
    at = next(k for k in range(30, 60) if session.state(messages[k]) and session.point and session.point.due)
    attempts = insertion_of(session).burn.attempts
    with monkeypatch.context() as patched:
        patched.setitem(LAWS, "insertion", replace(LAWS["insertion"], solve=wrong))
        with pytest.raises(TypeError):
            session.work()
        assert session.point is not None
        assert session.point.due is None
        assert insertion_of(session).burn.attempts == attempts + 1
    assert session.state(messages[at + 1]).status == "ok"


def bad(message: VehicleState, what: str) -> VehicleState:
    """A state that cannot be."""
    r: Vec = message.position_script_m or (0.0, 0.0, 0.0)
    v: Vec = message.velocity_script_m_s or (0.0, 0.0, 0.0)
    changes = {
        "kilometres": {"position_script_m": scale(1e-3, r)},
        "under the surface": {"position_script_m": scale(0.95, r)},
        "feet": {"velocity_script_m_s": scale(10.0, v)},
        "tonnes": {"mass_kg": 1e-3 * message.mass_kg},
        "grams": {"mass_kg": 1e3 * message.mass_kg},
    }
    return message._replace(**changes[what])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("what", "field", "limit"),
    [
        ("kilometres", "position_m", "m from the centre"),
        ("under the surface", "position_m", "m from the centre"),
        ("feet", "velocity_m_s", "m/s at this radius"),
        ("tonnes", "mass_kg", "kg for vehicle"),
        ("grams", "mass_kg", "kg for vehicle"),
    ],
)
def test_an_impossible_state_names_its_field_and_limit_and_changes_nothing(what: str, field: str, limit: str) -> None:
    session = fresh(LATE)
    messages = sent(late())
    replies(session, messages[:30])
    point, history, last = session.point, held(session), session.last_command
    with pytest.raises(MessageFault) as caught:
        session.state(bad(messages[30], what))
    assert (caught.value.code, caught.value.field) == ("out_of_range", field)
    assert limit in caught.value.expected
    assert caught.value.got
    assert session.point is point
    assert held(session) == history
    assert session.last_command is last
    assert session.state(messages[30]) == late()[30].reply  # the seq was not used up


def test_an_impossible_state_with_an_earlier_time_does_not_take_the_session_back() -> None:
    session = fresh(LATE)
    messages = sent(late())
    replies(session, messages[:30])
    with pytest.raises(MessageFault):
        session.state(bad(messages[5], "feet")._replace(seq=30))
    assert session.state(messages[30]) == late()[30].reply


def broken(*_: object) -> None:
    raise ZeroDivisionError("the null vector")


def test_when_the_physics_fail_the_last_command_is_repeated_as_stale(monkeypatch: pytest.MonkeyPatch) -> None:
    session = fresh(LATE)
    messages = sent(late())
    *_, good = replies(session, messages[:30])
    with monkeypatch.context() as patched:
        patched.setitem(LAWS, "insertion", replace(LAWS["insertion"], order=broken))
        stale = session.state(messages[30])
    assert stale.status == "stale"
    assert "outside of what the equations can be solved for" in stale.warnings[0]
    assert stale.seq == 30
    assert stale.time_s == messages[30].time_s
    assert stale.direction == good.direction
    assert (stale.engine_on, stale.throttle_frac, stale.cutoff_at_s) == (
        good.engine_on, good.throttle_frac, good.cutoff_at_s,
    )  # fmt: skip
    after = session.state(messages[31])
    assert after.status == "ok"
    assert after.cutoff_at_s == pytest.approx(late()[31].reply.cutoff_at_s, abs=1e-3)


def test_when_the_very_first_state_fails_the_session_waits_with_the_engine_off(monkeypatch: pytest.MonkeyPatch) -> None:
    session = fresh(LATE)
    with monkeypatch.context() as patched:
        patched.setitem(LAWS, "insertion", replace(LAWS["insertion"], order=broken))
        first = session.state(sent(late())[0])
    assert first.status == "converging"
    assert not first.engine_on
    assert session.state(sent(late())[1]).status in ("ok", "converging")


def test_a_major_cycle_that_fails_leaves_the_last_law_in_force(monkeypatch: pytest.MonkeyPatch) -> None:
    session = fresh(LATE)
    messages = sent(late())
    replies(session, messages[:30])
    before = insertion_of(session).burn.law
    with monkeypatch.context() as patched:
        patched.setitem(LAWS, "insertion", replace(LAWS["insertion"], solve=broken))
        got = replies(session, messages[30:36])
    assert insertion_of(session).burn.law is before
    assert {c.status for c in got} <= {"ok", "stale"}
    assert all(c.direction for c in got)


def test_an_event_repeats_until_a_state_says_that_it_was_seen() -> None:
    session = fresh(CLIMB)
    on_pad = sent(climb())[0]
    unseen = [on_pad._replace(seq=k, time_s=0.2 * k) for k in range(35)]  # ignition is at 7 s
    ids = [c.event.id if c.event else None for c in replies(session, unseen)]
    assert ids == ["0-0-ignite"] * 35
    seen = on_pad._replace(seq=35, time_s=7.0, seen_event="0-0-ignite")
    told = session.state(seen)
    assert told.event is not None
    assert told.event.name == "release"
    # and stays seen when later states no longer say so
    later = session.state(on_pad._replace(seq=36, time_s=7.2))
    assert later.event is not None
    assert later.event.name == "release"


def test_an_event_that_the_state_shows_to_have_happened_is_not_asked_for_again() -> None:
    # never acknowledged: the separation shows in the stage, the next phase begins and asks for its own events
    session = fresh(CLIMB)
    got = replies(session, [message._replace(seen_event=None) for message in sent(climb())])
    names = [c.event.name for c in got if c.event and c.phase == "insertion"]
    assert "separate" not in names
    assert "ignite" in names


def test_events_of_a_climb_come_in_order_with_times_ahead() -> None:
    order: list[str] = []
    for exchange in climb():
        event = exchange.reply.event
        if event is not None and (not order or order[-1] != event.id):
            order.append(event.id)
            assert event.at_s >= exchange.message.time_s - 0.2  # told before, or in the very tick
    assert order == ["0-0-ignite", "0-0-release", "1-0-cutoff", "1-0-separate", "2-1-ignite", "2-1-cutoff"]


def test_a_target_beyond_the_propellant_is_said_to_be_so() -> None:
    reply = climb()[-1].reply
    assert reply.status == "unreachable"
    assert any("propellant" in warning for warning in reply.warnings)


def test_the_engine_is_commanded_on_before_release_and_off_in_the_coast() -> None:
    for exchange in climb():
        if exchange.reply.phase == "hold":
            assert exchange.reply.engine_on == (exchange.message.time_s >= 7.0)
    assert all(not exchange.reply.engine_on for exchange in late() if exchange.reply.phase in ("coast", "orbit"))


def test_cutoff_is_announced_with_its_time_from_the_first_solution_on() -> None:
    announced = [e.reply.cutoff_at_s for e in late() if e.reply.phase == "insertion"]
    assert all(at is not None for at in announced)
    # absolute, so a script may be silent: it must hardly move
    assert max(announced) - min(announced) < 0.5  # type: ignore[type-var, operator]


@pytest.mark.parametrize("flight", [late, climb], ids=["late", "climb"])
def test_every_command_with_the_engine_on_tells_a_latest_time(flight: Callable[[], tuple[Exchange, ...]]) -> None:
    burning = [one.reply for one in flight() if one.reply.engine_on]
    assert burning
    for command in burning:
        assert command.latest_off_at_s is not None
        if command.cutoff_at_s is not None:
            assert command.latest_off_at_s == command.cutoff_at_s
        else:
            assert command.latest_off_at_s > command.time_s
    assert any(command.cutoff_at_s is None for command in burning) or flight is late
    assert all(one.reply.latest_off_at_s is None for one in flight() if not one.reply.engine_on)


def test_without_a_cutoff_the_latest_time_is_that_of_the_last_propellant() -> None:
    hold_down = next(one.reply for one in climb() if one.reply.engine_on)  # full tanks, no cutoff planned yet
    assert hold_down.cutoff_at_s is None
    booster = STACK.stages[0]
    burn_s = (booster.propellant_kg - booster.reserve_kg) / booster.mass_flow_kg_s  # rocket equation's own mass flow
    assert hold_down.latest_off_at_s == pytest.approx(hold_down.time_s + burn_s, abs=0.2)


@pytest.mark.parametrize("throttle", [1.0, 0.7])
@pytest.mark.parametrize("limit_m_s2", [8.0, 12.0, 25.0, inf])
def test_the_latest_time_is_when_the_propellant_ends_at_the_throttle_as_ordered(
    limit_m_s2: float, throttle: float
) -> None:
    """A script without a link holds its throttle: mass over mass flow, the rocket equation's own."""
    only = replace(UPPER.stages[0], acceleration_limit_m_s2=limit_m_s2, throttle_min_frac=0.1)
    plan = replace(LATE, vehicle=replace(UPPER, stages=(only,)))
    order = Order((1.0, 0.0, 0.0), (1.0, 0.0, 0.0), engine_on=True, throttle_frac=throttle)
    for mass_kg in (20_000.0, 9000.0, 4100.0):
        now = navigate(late()[0].message._replace(mass_kg=mass_kg), plan, Frame())
        latest_s = latest_off_s(order, Flight(), now, plan)
        assert latest_s is not None
        ends_s = (mass_kg - only.dry_mass_kg) / (throttle * only.mass_flow_kg_s)
        assert latest_s - now.time_s == pytest.approx(ends_s, rel=1e-12)


def test_detail_is_sent_only_when_asked_for() -> None:
    session = Session(LATE, Frame(), detail=True)
    got = replies(session, sent(late())[:20])
    assert all(c.detail is not None for c in got)
    assert all(e.reply.detail is None for e in late())
    detail = got[-1].detail
    assert detail is not None
    assert detail.velocity_to_gain_m_s is not None
    assert detail.present_orbit is not None
    assert [c._replace(detail=None) for c in got] == [e.reply for e in late()[:20]]


def test_the_same_flight_in_a_turning_left_handed_frame_gets_the_same_angles() -> None:
    from guidance_svc.sim.telemetry import telemetry
    from tests.session.exchange import late_start

    world, state = late_start()
    odd = Frame(turning=True, axes=("x", "z", "y"), meridian_at_zero_rad=0.7)
    plain = Session(LATE, Frame()).state(telemetry(state, world, Frame(), 0))
    turned = Session(LATE, odd).state(telemetry(state, world, odd, 0))
    assert turned.pitch_rad == pytest.approx(plain.pitch_rad, abs=1e-9)
    assert turned.heading_rad == pytest.approx(plain.heading_rad, abs=1e-9)
    assert turned.cutoff_at_s == pytest.approx(plain.cutoff_at_s, abs=1e-6)


@pytest.mark.parametrize("form", ["cartesian", "local"])
@pytest.mark.parametrize("up", ["geocentric", "geodetic"])
def test_both_forms_of_a_state_get_the_same_command(form: str, up: str) -> None:
    from guidance_svc.sim.telemetry import telemetry
    from tests.session.exchange import late_start

    world, state = late_start()
    frame = Frame(up=up, height_above="ellipsoid")  # type: ignore[arg-type]
    command = Session(LATE, frame).state(telemetry(state, world, frame, 0, form=form))  # type: ignore[arg-type]
    assert command.cutoff_at_s == pytest.approx(late()[0].reply.cutoff_at_s, abs=1e-6)


def test_a_pointing_of_single_precision_is_made_exactly_unit() -> None:
    x, y = float(np.float32(0.6)), float(np.float32(0.8))
    told = sent(late())[0]._replace(pointing_script=(x, y, 0.0))
    assert norm(told.pointing_script or (0.0, 0.0, 0.0)) != pytest.approx(1.0, abs=1e-15)
    assert norm(navigate(told, LATE, Frame()).pointing or (0.0, 0.0, 0.0)) == pytest.approx(1.0, abs=1e-15)

"""Events: only what was sent is believed, what the state shows needs no word, and nothing is late in silence.

States of an invented stack, changed by hand; the times and masses are those of its plan in tests/session/exchange.py.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate

import pytest

from guidance_svc.domain import Command, Frame, VehicleState
from guidance_svc.errors import SessionFault
from guidance_svc.session.session import Session
from guidance_svc.sim.telemetry import telemetry
from tests.session.exchange import CLIMB, LATE, Exchange, climb_flight, late_start
from tests.session.remembered import flight_of

WITH_BOTH_KG = CLIMB.vehicle.mass_at_ignition_kg(0)
UPPER_KG = CLIMB.vehicle.mass_at_ignition_kg(1)


class Script:
    """Sends the recorded climb's states, changed as a test wants it."""

    def __init__(self) -> None:
        self.session = Session(CLIMB, Frame())
        self.seq = 0

    def send(self, message: VehicleState, **changes: object) -> Command:
        self.seq += 1
        base: dict[str, object] = {"seen_event": None, "seq": self.seq}
        return self.session.state(message._replace(**(base | changes)))  # type: ignore[arg-type]


def events_of(name: str) -> list[Exchange]:
    return [e for e in climb_flight(900) if e.reply.event is not None and e.reply.event.name == name]


def before(time_s: float) -> list[VehicleState]:
    return [e.message for e in climb_flight(900) if e.message.time_s < time_s]


def separation() -> tuple[float, float]:
    """Vehicle times of the booster's cutoff and of the separation, as the recorded flight had them at last."""
    cutoff, separate = events_of("cutoff"), events_of("separate")
    booster = [e for e in cutoff if e.reply.phase == "boost"]
    assert booster[-1].reply.event is not None
    assert separate[-1].reply.event is not None
    return booster[-1].reply.event.at_s, separate[-1].reply.event.at_s


@pytest.mark.parametrize("slip", ["0-0-ignit", "7-0-ignite", "0-9-release", "", "made-up-event-1", "0-0-ignite-again"])
def test_an_id_that_no_event_of_this_flight_has_is_a_fault_that_names_the_standing_one(slip: str) -> None:
    script = Script()
    script.send(climb_flight(900)[0].message)
    point, history = script.session.point, bytes(script.session.history.stream)
    with pytest.raises(SessionFault) as caught:
        script.send(climb_flight(900)[1].message, seen_event=slip)
    assert (caught.value.code, caught.value.field) == ("unknown_event", "seen_event")
    assert "0-0-ignite" in caught.value.expected
    assert script.session.point is point
    assert bytes(script.session.history.stream) == history
    assert script.session.state(climb_flight(900)[1].message._replace(seq=2, seen_event=None)).event is not None


def test_what_is_kept_of_events_does_not_grow_with_what_a_script_says() -> None:
    script = Script()
    for exchange in climb_flight(900):
        script.send(exchange.message, seen_event="1-0-cutoff")
    flight = flight_of(script.session)
    assert len(flight.seen) <= 8
    assert len(flight.sent) <= 8


def test_an_event_is_not_believed_before_its_time() -> None:
    script = Script()
    script.send(climb_flight(900)[0].message)
    early = script.send(climb_flight(900)[0].message._replace(time_s=0.2), seen_event="0-0-ignite")  # its time is 7 s
    assert early.event is not None
    assert early.event.name == "ignite"


def test_an_event_that_was_never_sent_is_not_believed() -> None:
    script = Script()
    script.send(climb_flight(900)[0].message)
    after = [e.message for e in climb_flight(900) if 10.0 < e.message.time_s < 11.0]
    script.send(after[0], seen_event="1-0-separate")
    assert "1-0-separate" not in flight_of(script.session).seen


def test_a_stale_acknowledgement_after_a_reloaded_save_separates_nothing() -> None:
    # The clients sent the last id for ever: after the reload it is of a time that was never flown.
    script, (cutoff, separate) = Script(), separation()
    for exchange in climb_flight(900):
        if exchange.message.time_s > separate + 2.0:
            break
        script.send(exchange.message, seen_event=exchange.message.seen_event)
    asked: list[str] = []
    last = before(cutoff)[-1]._replace(engine_on=False)
    for k, message in enumerate(before(cutoff)[-20:] + [last] * 40):
        time_s = message.time_s if k < 20 else last.time_s + 0.2 * (k - 19)
        stage = None if k % 2 else 0  # told or not, the mass says that the booster is on
        reply = script.send(message, time_s=time_s, stage=stage, seen_event="1-0-separate")
        assert reply.phase == "boost"
        asked += [reply.event.name] if reply.event else []
    assert asked[-1] == "separate"
    assert any("separate" in w and "due" in w for w in reply.warnings)


@pytest.mark.parametrize(
    ("mass_kg", "stage", "phase"),
    [
        (UPPER_KG + 6000.0, None, "boost"),  # the booster's dry mass is still there
        (UPPER_KG + 6000.0, 1, "boost"),  # ... whatever the stage number says (a script may count from 1)
        (UPPER_KG, 0, "boost"),
        (1.01 * UPPER_KG, None, "insertion"),  # 1 % over the file, as an acknowledgement may excuse
        (UPPER_KG, 1, "insertion"),
    ],
)
def test_an_acknowledged_separation_must_not_contradict_the_state(
    mass_kg: float, stage: int | None, phase: str
) -> None:
    script, (_, separate) = Script(), separation()
    for message in before(separate):
        script.send(message, stage=0)
    after = next(e.message for e in climb_flight(900) if e.message.time_s > separate)
    told = script.send(after, mass_kg=mass_kg, stage=stage, engine_on=False, seen_event="1-0-separate")
    assert told.phase == phase


def test_ignition_shows_in_an_engine_that_is_told_on() -> None:
    script = Script()
    got = [script.send(m) for m in before(9.9)]
    names = {c.event.name for c in got if c.event and c.time_s > 8.0}
    assert names == {"release"}


def test_ignition_shows_in_a_mass_that_falls() -> None:
    script = Script()
    got = [script.send(m, engine_on=None, thrust_n=None, throttle_frac=None) for m in before(9.9)]
    names = {c.event.name for c in got if c.event and c.time_s > 8.0}
    assert names == {"release"}


@pytest.mark.parametrize("told", [True, False])
def test_without_any_acknowledgement_every_event_still_comes_in_its_turn(told: bool) -> None:
    script, order = Script(), list[str]()
    for exchange in climb_flight(900):
        on = exchange.message.engine_on if told else None
        event = script.send(exchange.message, engine_on=on, stage=None).event
        if event is not None and (not order or order[-1] != event.id):
            order.append(event.id)
    assert order[:5] == ["0-0-ignite", "0-0-release", "1-0-cutoff", "1-0-separate", "2-1-ignite"]


def test_an_engine_that_does_not_light_is_said_to_be_overdue() -> None:
    script = Script()
    pad = climb_flight(900)[0].message
    replies = {t: script.send(pad, time_s=t, engine_on=False) for t in (0.0, 6.0, 7.0, 8.9, 9.2, 9.8)}
    assert [t for t, c in replies.items() if c.warnings] == [9.2, 9.8]  # 2 s after the 7 s of the plan
    assert "ignite" in replies[9.2].warnings[0]
    assert "7.0 s" in replies[9.2].warnings[0]


def test_a_vehicle_that_stays_on_the_pad_is_still_asked_to_leave_it() -> None:
    script = Script()
    pad = climb_flight(900)[0].message
    for time_s in (0.0, 7.0):
        script.send(pad, time_s=time_s)
    reply = script.send(pad, time_s=14.0, engine_on=True, mass_kg=pad.mass_kg - 100.0)
    assert reply.event is not None
    assert reply.event.name == "release"
    assert any("release" in warning for warning in reply.warnings)


def test_no_script_is_sent_to_sleep_past_what_is_planned() -> None:
    for exchange in climb_flight(900):
        reply = exchange.reply
        planned = [reply.cutoff_at_s, reply.event.at_s if reply.event else None]
        ahead = [at - reply.time_s for at in planned if at is not None and at > reply.time_s + 1e-6]
        assert all(reply.next_contact_s <= wait + 1e-9 for wait in ahead)


def test_an_instant_met_but_for_the_rounding_of_a_clock_is_met() -> None:
    # 500 ticks of 0.02 s add up to 9.99999999999982 s in doubles (IEEE 754).
    ticks = list(accumulate([0.02] * 500))[-1]  # `sum` rounds once only since Python 3.12
    assert ticks < 10.0
    plan = replace(LATE, phases=(replace(LATE.phases[0], ignite_at_s=10.0), *LATE.phases[1:]))
    world, start = late_start()
    session = Session(plan, Frame())
    state = telemetry(replace(start, engine_on=False), world, session.frame, 0)
    waiting = session.state(state._replace(time_s=ticks - 0.3))
    assert not waiting.engine_on
    assert waiting.next_contact_s == pytest.approx(0.3, abs=1e-9)
    assert waiting.event is not None
    met = session.state(state._replace(time_s=ticks, seq=1, seen_event=waiting.event.id))
    assert met.engine_on


def test_a_hold_lights_the_engine_at_an_instant_met_but_for_rounding() -> None:
    script = Script()
    assert not script.send(climb_flight(900)[0].message, time_s=6.99).engine_on
    assert script.send(climb_flight(900)[0].message, time_s=7.0 - 1e-9).engine_on

"""What a tower's answer changes in a descent: messages in, replies out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from guidance_svc.domain import Alternate, Answer, Command, Frame, Landing, Site, VehicleState
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.rehearsal.loop import FlightLog, fly, in_process
from guidance_svc.session.describe import phase_sentences
from guidance_svc.session.packing import pack, unpack
from guidance_svc.session.session import Point, Session
from guidance_svc.sim.pad import Pad
from guidance_svc.wire.replies import command_message
from tests.closed_loop.landing_flights import DIVERT, LANDER, MOONLIKE, SITE, Flown, craft_of, plan_of

HOP = Descent(planned_frac=0.6, tilt_end_rad=0.07, tilt_per_m_rad=0.005)
MUDFLAT = Site("Mudflat", SITE.latitude_rad + 40.0 / MOONLIKE.radius_m, SITE.longitude_rad, SITE.altitude_m)
FAR = Site("Cinder Shoal", SITE.latitude_rad + 3000.0 / MOONLIKE.radius_m, SITE.longitude_rad, SITE.altitude_m)
ARMS = Landing(SITE, "arms", 30.0, 0.5, (Alternate(MUDFLAT),), "divert")
CAUGHT = replace(LANDER, catch_point_m=5.0)
PLAN = plan_of(HOP, ARMS, CAUGHT, MOONLIKE)
CYCLES_S = 3.0  # after which the alternate has been weighed
UNTIL_S = 10.0  # of the flight: it cannot divert any more then
TICK_S = 0.2


@pytest.fixture(scope="module")
def to_arms() -> Flown:
    """The first part of a landing whose tower says nothing, because there is none."""
    craft, session = craft_of(PLAN, DIVERT, Pad(SITE, 30.0)), Session(PLAN, Frame(), detail=True)
    out = Flown(FlightLog(craft))

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        out.states.append(message._replace(seen_event=None))
        out.commands.append(command)

    out.log = fly(
        craft, in_process(session), lambda log: out.states[-1:] and out.states[-1].time_s > UNTIL_S, tick_s=TICK_S,
        watch=watch,
    )  # fmt: skip
    return out


def answered(states: list[VehicleState], *said: tuple[float, Answer | None]) -> list[Command]:
    """The replies to states that carry what a tower had said: each answer stands from its time on."""
    session, out = Session(PLAN, Frame(), detail=True), []
    for state in states:
        answer = next((words for at_s, words in reversed(said) if state.time_s >= at_s), None)
        out.append(session.state(state._replace(answer=answer, seen_event=None)))
        session.work()
    return out


@pytest.fixture(scope="module")
def silent(to_arms: Flown) -> list[Command]:
    """The replies while a tower on the vehicle's clock says nothing."""
    return answered(to_arms.states, (0.0, Answer("no_answer")))


def divert_of(commands: list[Command]) -> int:
    """Number of the first reply after the divert."""
    return next(k for k, c in enumerate(commands) if "diverted" in "".join(c.warnings))


def test_without_a_tower_nothing_is_said_of_a_clearance(to_arms: Flown) -> None:
    assert {c.clearance for c in to_arms.commands} == {None}
    assert "clearance" not in command_message(to_arms.commands[5])
    assert not to_arms.log.warnings


def test_the_last_instant_and_the_price_of_each_alternate_are_told(to_arms: Flown) -> None:
    session = Session(plan_of(HOP, replace(ARMS, alternates=(Alternate(FAR), *ARMS.alternates)), CAUGHT, MOONLIKE),
                      Frame(), detail=True)  # fmt: skip
    states = [state for state in to_arms.states if state.time_s < 1.6 * CYCLES_S]
    for state in states:
        command = session.state(state)
        session.work()
    message = command_message(command)
    far, near = message["detail"]["divert"]
    assert far == {"site": "Cinder Shoal", "in_reach": False, "decide_at_s": None, "extra_kg": None}
    assert near["site"] == "Mudflat"
    assert near["in_reach"]
    assert near["decide_at_s"] == message["decide_at_s"] > states[-1].time_s
    assert 0.0 < near["extra_kg"] < 100.0
    assert message["detail"]["reach"]["inside_m"] > 10.0


@pytest.mark.parametrize("clearance", ["ready", "not_ready", "no_answer"])
def test_what_the_tower_says_is_shown_at_once(to_arms: Flown, clearance: Any) -> None:
    commands = answered(to_arms.states[:10], (1.0, Answer(clearance)))
    for state, command in zip(to_arms.states, commands, strict=False):
        assert command.clearance == (clearance if state.time_s >= 1.0 else None)
    assert command_message(commands[-1])["clearance"] == clearance


@pytest.mark.parametrize("clearance", ["not_ready", "no_answer"])
def test_a_tower_that_is_not_ready_sends_the_vehicle_to_the_alternate_at_the_last_instant(
    to_arms: Flown, clearance: Any
) -> None:
    states = to_arms.states
    commands = answered(states, (0.0, Answer(clearance)))
    at = divert_of(commands)
    decide_s = commands[at - 1].decide_at_s
    assert decide_s is not None
    assert decide_s - 0.41 < states[at].time_s <= decide_s + 1e-9
    assert commands[at].decide_at_s is None
    why = "the tower is not ready" if clearance == "not_ready" else "the tower has not answered"
    assert commands[at].warnings[-1] == f"diverted to Mudflat at {states[at].time_s:.1f} s: {why}"
    names = [c.event.name for c in commands if c.event is not None]
    assert "divert" in names
    assert commands[at].detail is not None
    assert commands[at].detail.divert == ()
    assert commands[at - 1].warnings[-1] == f"{why}: it diverts to Mudflat at {decide_s:.1f} s"


def test_a_ready_that_comes_before_keeps_the_site(to_arms: Flown) -> None:
    states = to_arms.states
    kept = answered(states, (0.0, Answer("not_ready")), (CYCLES_S, Answer("ready")))
    assert "diverted" not in "".join(w for c in kept for w in c.warnings)
    assert [c.direction for c in kept] == [c.direction for c in to_arms.commands]


def test_once_diverted_a_ready_changes_nothing(to_arms: Flown, silent: list[Command]) -> None:
    states = to_arms.states
    at_s = states[divert_of(silent) + 1].time_s
    later = answered(states, (0.0, Answer("no_answer")), (at_s, Answer("ready")))
    assert later[-1].clearance == "ready"
    assert [c.direction for c in later] == [c.direction for c in silent]


def test_with_land_it_lands_all_the_same_and_says_so(to_arms: Flown) -> None:
    plan = plan_of(HOP, replace(ARMS, without_answer="land"), CAUGHT, MOONLIKE)
    session = Session(plan, Frame())
    for state in to_arms.states[:10]:
        command = session.state(state._replace(answer=Answer("not_ready"), seen_event=None))
        session.work()
    assert command.warnings == ("the tower is not ready: it lands at Samphire all the same, as the plan says",)
    assert command.status == "ok"


def test_arms_that_are_a_little_aside_are_flown_to(to_arms: Flown) -> None:
    states = to_arms.states[:8]
    aside = answered(states, (0.0, Answer("ready", None, (2.0, 0.0, 0.0))))
    detail = aside[-1].detail
    assert detail is not None
    assert detail.landing is not None
    assert detail.landing.miss_m < 0.5
    assert aside[-1].direction != to_arms.commands[7].direction
    far = answered(states, (0.0, Answer("ready", None, (20.0, 0.0, 0.0))))
    assert far[-1].direction == to_arms.commands[7].direction
    assert far[-1].warnings == (
        "the arms are said to be 20.0 m from where the plan has them: more than 5 m is not followed",
    )


def test_a_contact_told_high_above_the_site_is_not_believed(to_arms: Flown) -> None:
    high = to_arms.states[3]
    assert high.readings is not None
    session = Session(PLAN, Frame())
    for state in to_arms.states[:3]:
        session.state(state)
        session.work()
    command = session.state(high._replace(readings=high.readings._replace(contact=True)))
    assert command.status == "ok"
    assert command.warnings[0].startswith("contact is told 288 m above Samphire at 15 m/s")
    assert "not believed above 100 m and 5 m/s" in command.warnings[0]


def test_in_the_middle_of_a_divert_what_is_kept_goes_on_to_the_same_digit(
    to_arms: Flown, silent: list[Command]
) -> None:
    states = [s._replace(answer=Answer("no_answer"), seen_event=None) for s in to_arms.states]
    session, at = Session(PLAN, Frame(), detail=True), divert_of(silent)
    for state in states[: at + 1]:
        session.state(state)
        session.work()
    kept, taken_up = Session(PLAN, Frame(), detail=True), Session(PLAN, Frame(), detail=True)
    assert session.point is not None
    kept.point = unpack(Point, pack(session.point))
    taken_up.take_up(session.history)
    for expected, state in zip(silent[at + 1 :], states[at + 1 :], strict=True):
        for other in (kept, taken_up):
            assert other.state(state) == expected
            other.work()


@pytest.mark.slow
def test_a_reload_to_before_the_divert_asks_the_tower_again(to_arms: Flown, silent: list[Command]) -> None:
    """In the default run the test above stands for it: what is kept in the middle of a divert."""
    at = divert_of(silent)
    session, said = Session(PLAN, Frame(), detail=True), []
    for state in to_arms.states[: at + 2]:
        session.state(state._replace(answer=Answer("no_answer")))
        session.work()
    for state in to_arms.states[at - 3 :]:
        said.append(session.state(state._replace(seq=state.seq + 1000, answer=Answer("ready"))))
        session.work()
    assert [c.direction for c in said] == [c.direction for c in to_arms.commands[at - 3 :]]


def test_the_sentence_says_where_the_alternates_are_and_what_silence_does() -> None:
    assert phase_sentences(PLAN)[0].endswith(
        "cut at contact; to Mudflat (40 m away), if a tower is not ready when it must be decided"
    )

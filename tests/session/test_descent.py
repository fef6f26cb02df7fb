"""The law `descent` through a session: flown, reloaded, kept and taken up; its words, its events, its refusals."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, hypot
from re import fullmatch, search
from typing import Any

import pytest

from guidance_svc.core.effort import allowed
from guidance_svc.domain import Command, Frame, Landing, LandingReport, Stage, VehicleState
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.session.describe import phase_sentences
from guidance_svc.session.packing import pack, unpack
from guidance_svc.session.session import Point, Session
from guidance_svc.sim.pad import Pad
from guidance_svc.wire.replies import command_message
from tests.closed_loop.landing_flights import (
    DIVERT,
    LANDER,
    MOONLIKE,
    SITE,
    Flown,
    Start,
    craft_of,
    flown,
    plan_of,
)

HOP = Descent(planned_frac=0.6, tilt_end_rad=0.07, tilt_per_m_rad=0.005)
LANDING = Landing(SITE, contact_speed_m_s=0.5)
PLAN = plan_of(HOP, LANDING, LANDER, MOONLIKE)
PAD = Pad(SITE)
SITE_AT_ZERO = replace(SITE, altitude_m=0.0)


def landing_in(command: Command) -> LandingReport:
    """The landing in a command's detail."""
    assert command.detail is not None
    assert command.detail.landing is not None
    return command.detail.landing


@pytest.fixture(scope="module")
def hop() -> Flown:
    return flown(PLAN, craft_of(PLAN, DIVERT, PAD), tick_s=0.1)


def test_a_divert_of_a_hundred_metres_without_air_ends_on_its_legs(hop: Flown) -> None:
    contact = hop.contact
    assert contact.miss_m < 0.1
    assert contact.down_m_s == pytest.approx(0.5, abs=0.05)
    assert contact.across_m_s < 0.05
    assert hop.commands[-1].status == "complete"
    assert hop.log.statuses == {"ok", "complete"}
    assert not hop.log.warnings


def test_the_ignition_is_told_ahead_and_then_the_contact(hop: Flown) -> None:
    assert [event.name for event in hop.log.events] == ["ignite", "contact"]
    told = [c.event.at_s for c in hop.commands if c.event and c.event.name == "ignite"]
    assert max(told) - min(told) < 0.05  # the same instant from the first state on: nothing disturbs
    first = hop.commands[0].event
    assert first is not None
    assert first.name == "ignite"
    assert first.at_s > hop.states[0].time_s + 1.0


def test_a_burn_is_cut_at_contact_or_when_it_has_stopped_the_vehicle(hop: Flown) -> None:
    burning = [c for c in hop.commands if c.engine_on]
    assert {c.cut_on_contact for c in burning} == {True}
    last = burning[-1]
    assert last.cutoff_at_s is not None
    assert hop.contact.time_s < last.cutoff_at_s < hop.contact.time_s + 1.0
    assert not hop.commands[-1].engine_on


def test_the_detail_tells_the_contact_that_comes(hop: Flown) -> None:
    lit = next(k for k, c in enumerate(hop.commands) if c.engine_on)
    landing = landing_in(hop.commands[lit + 20])
    assert hop.states[lit + 20].time_s + landing.contact_in_s == pytest.approx(hop.contact.time_s, abs=0.5)
    assert landing.speed_m_s == pytest.approx(0.5, abs=0.1)
    assert landing.miss_m < 1.0
    left = hop.log.state.propellant_kg[0]
    assert landing.propellant_left_kg == pytest.approx(left, abs=3.0)
    assert command_message(hop.commands[lit + 20])["detail"]["landing"]["throttle"] == pytest.approx(0.6, abs=0.01)


def answers(session: Session, states: list[VehicleState]) -> list[Command]:
    out = []
    for state in states:
        out.append(session.state(state))
        session.work()
    return out


def test_a_reloaded_save_is_answered_as_if_the_rest_had_never_been_flown(hop: Flown) -> None:
    session = Session(PLAN, Frame(), detail=True)
    middle = len(hop.states) // 2
    assert answers(session, hop.states) == hop.commands
    again = [s._replace(seq=s.seq + 1000, seen_event=None) for s in hop.states[middle:]]
    straight = Session(PLAN, Frame(), detail=True)
    answers(straight, hop.states[:middle])
    for first, second in zip(answers(session, again), answers(straight, again), strict=True):
        assert first == second


def test_what_is_kept_of_it_goes_on_to_the_same_digit(hop: Flown) -> None:
    middle = len(hop.states) // 2
    session = Session(PLAN, Frame(), detail=True)
    answers(session, hop.states[:middle])
    kept = Session(PLAN, Frame(), detail=True)
    assert session.point is not None
    kept.point = unpack(Point, pack(session.point))
    assert answers(kept, hop.states[middle:]) == hop.commands[middle:]
    taken_up = Session(PLAN, Frame(), detail=True)
    taken_up.take_up(session.history)
    assert answers(taken_up, hop.states[middle:]) == hop.commands[middle:]


def test_a_state_costs_no_more_than_a_reply_may(hop: Flown) -> None:
    session = Session(PLAN, Frame())
    spent = []
    for state in hop.states:
        with allowed(10_000) as effort:
            session.state(state)
        spent.append(effort.spent)
    assert max(spent) <= 2400
    assert sorted(spent)[len(spent) // 2] < 150


def test_a_gap_of_some_seconds_is_made_up_for(hop: Flown) -> None:
    session = Session(PLAN, Frame(), detail=True)
    lit = next(k for k, c in enumerate(hop.commands) if c.engine_on)
    gap = [s for k, s in enumerate(hop.states) if not lit + 20 < k < lit + 60]
    last = answers(session, gap[: lit + 25])[-1]
    assert last.status == "ok"
    assert landing_in(last).miss_m < 1.0


def test_a_site_out_of_reach_is_told_with_the_metres() -> None:
    far = Start((-5000.0, 80.0, 320.0), (6.0, -4.0, -12.0), 5200.0)
    craft = craft_of(PLAN, far, PAD)
    command = first_command(craft)
    assert command.status == "unreachable"
    words = r"Samphire is [1-4]\d{3} m beyond reach; as flown now, contact there with \d+\.\d m/s"
    assert fullmatch(words, command.warnings[0])


def test_engines_that_cannot_stop_are_told_with_the_speed() -> None:
    command = first_command(craft_of(PLAN, Start((0.0, 0.0, 300.0), (0.0, 0.0, -90.0), 5200.0), PAD))
    assert command.status == "unreachable"
    assert "the engines cannot stop the vehicle: " in command.warnings[0]


def test_missing_propellant_is_told_in_kilograms() -> None:
    command = first_command(craft_of(PLAN, replace(DIVERT, propellant_kg=40.0), PAD))
    assert command.status == "short_of_propellant"
    assert "kg of propellant are missing at contact" in command.warnings[0]


def first_command(craft: Any) -> Command:
    """The answer to the first state."""
    from guidance_svc.sim.telemetry import telemetry

    return Session(PLAN, Frame()).state(telemetry(craft.state, craft.world, Frame(), 1))


def test_legs_are_let_down_before_contact() -> None:
    plan = plan_of(replace(HOP, legs_out_s=8.0), LANDING, LANDER, MOONLIKE)
    done = flown(plan, craft_of(plan, DIVERT, PAD), tick_s=0.1)
    assert [event.name for event in done.log.events] == ["ignite", "deploy_legs", "contact"]
    asked = next(event for event in done.log.events if event.name == "deploy_legs")
    assert asked.at_s == pytest.approx(done.contact.time_s - 8.0, abs=0.3)


def test_an_engine_that_must_not_go_out_idles_until_the_burn() -> None:
    plan = plan_of(replace(HOP, idles=True), LANDING, LANDER, MOONLIKE)
    craft = craft_of(plan, DIVERT, PAD)
    craft.state = replace(craft.state, engine_on=True, throttle_frac=0.1)
    done = flown(plan, craft, tick_s=0.1)
    assert done.commands[0].engine_on
    assert done.commands[0].throttle_frac == pytest.approx(0.1)
    assert {event.name for event in done.log.events} == {"contact"}
    assert done.contact.miss_m < 0.2
    assert hypot(done.contact.down_m_s - 0.5, done.contact.across_m_s) < 0.1


def test_an_engine_that_idles_is_not_waited_for_as_one_that_is_lit() -> None:
    slow = replace(LANDER, stages=(replace(LANDER.stages[0], ignition_delay_s=1.0),))
    done = []
    for vehicle in (LANDER, slow):
        plan = plan_of(replace(HOP, idles=True), LANDING, vehicle, MOONLIKE)
        craft = craft_of(plan, DIVERT, PAD)
        craft.state = replace(craft.state, engine_on=True, throttle_frac=0.1)
        done.append(flown(plan, craft, tick_s=0.1).commands)
    assert [c.throttle_frac for c in done[0]] == [c.throttle_frac for c in done[1]]


def test_the_sentence_says_burn_place_and_contact() -> None:
    nine = replace(LANDER, stages=(Stage("s", 4e3, 5e3, 9e5, 3050.0, engine_count=9, groups=(1, 3, 9)),))
    phase = replace(HOP, engines=((3, 60.0), (1, 0.0)), soft_speed_m_s=15.0, soft_frac=0.7)
    assert phase_sentences(plan_of(phase, LANDING, nine))[0] == (
        "descent: one burn of 3, then 1 engines, planned at throttle 0.6, from 15 m/s on at 0.7, to Samphire: contact "
        "at 0.5 m/s, leaning at most 4.01 deg; cut at contact"
    )


@pytest.fixture(scope="module")
def library() -> Library:
    return load_library(default_folder())


def refused(library: Library, descent: dict[str, Any], vehicle: dict[str, Any], landing: Any = ()) -> ConfigError:
    """The refusal of a plan with these keys over ones that would do."""
    stage = {"name": "s", "dry_mass_kg": 4e3, "propellant_kg": 5.2e3, "thrust_n": 45e3, "exhaust_velocity_m_s": 3050.0,
             "throttle_min_frac": 0.1}  # fmt: skip
    table: dict[str, Any] = {
        "body": "moon", "vehicle": {"stages": [stage | vehicle]}, "phases": [{"law": "descent"} | descent],
        "landing": {"name": "Samphire", "latitude_deg": 28.5, "longitude_deg": -80.5} | dict(landing or ()),
    }  # fmt: skip
    if landing is None:
        del table["landing"]
    with pytest.raises(ConfigError) as refusal:
        library.plan(table, "booster")
    return refusal.value


@pytest.mark.parametrize(("descent", "vehicle", "field", "words"), [
    ({"planned_throttle": 0.05}, {}, "phases.0.planned_throttle", "at least s's lowest throttle, 0.1"),
    ({"engines": [[2, 0.0]]}, {"engine_count": 9, "groups": [1, 3, 9]}, "phases.0.engines.0", "one of 1, 3, 9"),
    ({"engines": [[1, 0.0]]}, {"engine_count": 9, "groups": [1, 9]}, "phases.0.engines", "more thrust than the weight"),
    ({"engines": [[9, 10.0], [1, 0.0], [1, 5.0]]}, {}, "phases.0", "engines with falling speeds, the last of them 0"),
    ({"soft_speed_m_s": 15.0}, {}, "phases.0", "soft_speed_m_s and soft_throttle, both or neither"),
    ({"relights": False, "ignition_delay_s": 1.0}, {}, "phases.0", "no ignition_delay_s with relights = false"),
    ({"soft_speed_m_s": 15.0, "soft_throttle": 0.12}, {}, "phases.0.soft_throttle", "more thrust than the weight"),
])  # fmt: skip
def test_a_plan_that_cannot_land_is_refused_with_key_and_number(
    library: Library, descent: dict[str, Any], vehicle: dict[str, Any], field: str, words: str
) -> None:
    refusal = refused(library, descent, vehicle)
    assert refusal.field == field
    assert words in refusal.expected


def test_arms_need_a_point_to_hold_and_legs_stand_on_the_ground(library: Library) -> None:
    assert refused(library, {}, {}, {"bears": "arms"}).field == "vehicle.catch_point_m"
    assert refused(library, {}, {}, {"catch_height_m": 60.0}).field == "landing.catch_height_m"
    assert refused(library, {}, {}, {"catch_height_m": -5.0}).field == "landing.catch_height_m"
    assert refused(library, {}, {}, None).field == "landing"


def at(name: str, north_m: float, **keys: Any) -> dict[str, Any]:
    """An alternate so far north of the site."""
    return {"name": name, "latitude_deg": 28.5 + degrees(north_m / 1737.4e3), "longitude_deg": -80.5} | keys


ELSEWHERE = [at("Mudflat", 600.0)]
FIRM = {"throttle_min_frac": 0.5}


@pytest.mark.parametrize(("vehicle", "landing", "field", "words"), [
    ({}, {"alternates": [at("Mudflat", 600.0), at("Far", 1.5e6)]}, "landing.alternates.1",
     r"within \d{6} m of Samphire, what a hop from there reaches .* \(\d{4} m/s\); got Far, \d{7} m away"),
    ({}, {"alternates": [at("Samphire", 600.0)]}, "landing.alternates.0.name", "a name of its own; got Samphire"),
    ({}, {"alternates": [at("Mudflat", 9.0, catch_height_m=4.0)]}, "landing.alternates.0.catch_height_m", "legs stand"),
    ({}, {"without_answer": "divert"}, "landing.without_answer", '"land", or alternates to divert to'),
    (FIRM, {"without_answer": "hold", "alternates": ELSEWHERE}, "landing.without_answer",
     r"the lowest thrust of s is 3\.4\d times the weight of the empty vehicle; got hold"),
    ({}, {"without_answer": "hold", "alternates": ELSEWHERE}, "landing.without_answer", "is not flown yet; got hold"),
])  # fmt: skip
def test_an_alternate_that_cannot_be_is_refused_with_key_and_number(
    library: Library, vehicle: dict[str, Any], landing: dict[str, Any], field: str, words: str
) -> None:
    refusal = refused(library, {}, vehicle, landing)
    assert refusal.field == field
    assert search(words, refusal.sentence())


def test_a_catch_point_that_puts_the_legs_below_the_ground_is_refused(library: Library) -> None:
    table: dict[str, Any] = {
        "body": "moon", "vehicle": {"catch_point_m": 20.0, "legs_below_m": 12.0, "stages": [{
            "name": "s", "dry_mass_kg": 4e3, "propellant_kg": 5.2e3, "thrust_n": 45e3, "exhaust_velocity_m_s": 3050.0,
            "throttle_min_frac": 0.1}]}, "phases": [{"law": "descent"}],
        "landing": {"name": "Samphire", "latitude_deg": 28.5, "longitude_deg": -80.5, "bears": "arms",
                    "catch_height_m": 31.0},
    }  # fmt: skip
    with pytest.raises(ConfigError) as refusal:
        library.plan(table, "booster")
    assert refusal.value.field == "landing.catch_height_m"
    assert "at least 32 m" in refusal.value.expected
    table["landing"]["catch_height_m"] = 33.0
    assert library.plan(table, "booster").landing == Landing(SITE_AT_ZERO, "arms", 33.0)

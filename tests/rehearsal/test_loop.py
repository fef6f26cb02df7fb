"""The flight loop obeys a command as PROTOCOL.md says, and each disturbance does what its name says and no more."""

from __future__ import annotations

from math import log
from statistics import fmean, pstdev
from typing import Any

import pytest

from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Command, Event, ThrottleDown, VehicleState
from guidance_svc.errors import MessageFault
from guidance_svc.rehearsal.disturbances import Disturbances
from guidance_svc.rehearsal.loop import FlightLog, burnt_out
from guidance_svc.rehearsal.orders import controls_for, seconds_for
from tests.rehearsal.scripted import FLOW_KG_S, STAGE, command, flown, mass_now_kg, steady

START_KG = 10_000.0
STATE = VehicleState(0, 5.0, START_KG)


@pytest.mark.parametrize(
    ("name", "key"),
    [("release", "release_at_s"), ("ignite", "ignite_at_s"), ("circularize", "ignite_at_s"),
     ("cutoff", "cutoff_at_s"), ("separate", "separate_at_s"), ("drop_cover", "drop_cover_at_s")],
)  # fmt: skip
def test_an_event_that_asks_for_an_action_becomes_that_action_at_its_time(name: Any, key: str) -> None:
    assert controls_for(command(STATE, event=Event("0-0-x", name, 9.0)), 5.0)[key] == 9.0


@pytest.mark.parametrize("name", ["coast", "orbit"])
def test_an_event_that_only_tells_asks_for_nothing(name: Any) -> None:
    assert controls_for(command(STATE, event=Event("0-0-x", name, 9.0)), 5.0) == controls_for(command(STATE), 5.0)


@pytest.mark.parametrize(
    ("cutoff_s", "latest_s", "off_s"), [(8.0, 9.0, 8.0), (9.0, 8.0, 8.0), (None, 8.0, 8.0), (8.0, None, 8.0)]
)
def test_the_engine_is_off_from_the_earlier_of_cutoff_and_latest_off(
    cutoff_s: float | None, latest_s: float | None, off_s: float
) -> None:
    said = command(STATE, cutoff_at_s=cutoff_s, latest_off_at_s=latest_s)
    assert controls_for(said, 5.0)["cutoff_at_s"] == off_s
    assert controls_for(said, 5.0)["engine_on"] is True
    assert controls_for(said, off_s)["engine_on"] is False


def test_once_cut_only_the_answer_to_a_later_state_lights_the_engine() -> None:
    assert "engine_on" not in controls_for(command(STATE), 6.0, cut_s=5.5)
    assert controls_for(command(STATE, time_s=5.6), 6.0, cut_s=5.5)["engine_on"] is True


def test_an_engine_lit_as_told_ahead_is_not_cut_by_the_command_that_told_it() -> None:
    """The answer to a state after the ignition comes a link's delay later."""
    said = command(STATE, engine_on=False, cutoff_at_s=None, event=Event("0-0-ignite", "ignite", 6.0))
    assert controls_for(said, 5.9)["engine_on"] is False
    assert "engine_on" not in controls_for(said, 6.1)
    assert controls_for(said._replace(cutoff_at_s=6.05), 6.1)["engine_on"] is False
    assert controls_for(said._replace(time_s=6.05), 6.1)["engine_on"] is False


def test_the_throttle_goes_down_when_no_newer_command_has_come() -> None:
    said = command(STATE, throttle_down=ThrottleDown(7.0, 0.5))
    assert controls_for(said, 6.9)["throttle"] == 1.0
    assert controls_for(said, 7.0)["throttle"] == 0.5


def test_without_power_the_script_is_silent_to_the_next_event_at_most() -> None:
    off = command(STATE, engine_on=False, next_contact_s=100.0)
    assert seconds_for(off, 5.0, 0.1) == 100.0
    assert seconds_for(off._replace(event=Event("0-0-ignite", "ignite", 25.0)), 5.0, 0.1) == 20.0
    assert seconds_for(command(STATE), 5.0, 0.1) == 0.1


def test_a_cutoff_falls_on_its_instant_whatever_the_ticks() -> None:
    """Propellant burnt is flow times time (definition of mass flow)."""
    end = flown(steady(cutoff_at_s=3.4567), done=burnt_out, tick_s=0.3)
    assert START_KG - mass_now_kg(end) == pytest.approx(FLOW_KG_S * 3.4567, rel=1e-9)
    assert end.state.time_s == pytest.approx(3.6)


def test_an_event_is_carried_out_at_its_time_and_acknowledged_with_the_next_state() -> None:
    event, seen = Event("0-0-ignite", "ignite", 20.0), list[tuple[float, str | None, bool | None]]()

    def guide(message: VehicleState) -> Command:
        seen.append((message.time_s, message.seen_event, message.engine_on))
        return command(message, engine_on=message.time_s >= 20.0, next_contact_s=500.0,
                       event=None if message.seen_event else event)  # fmt: skip

    end = flown(guide, engine_on=False, seconds=21.0)
    assert seen[:2] == [(0.0, None, False), (20.0, "0-0-ignite", True)]
    assert end.events == [event]
    assert START_KG - mass_now_kg(end) == pytest.approx(FLOW_KG_S, rel=1e-6)


def test_a_refused_state_ends_the_flight_and_is_kept() -> None:
    fault = MessageFault("bad_value", "mass_kg", "more", 0)

    def guide(message: VehicleState) -> Command:
        raise fault

    assert flown(guide).refused is fault


def test_states_come_at_their_rate() -> None:
    times: list[float] = []
    flown(steady(), tick_s=0.02, state_every=25, watch=lambda log, message, said: times.append(message.time_s))
    assert times == pytest.approx([0.5 * k for k in range(20)])


def errors(d: Disturbances) -> list[float]:
    """Told less true, all axes of position and velocity, and the mass, in sigmas."""
    found: list[float] = []

    def watch(end: FlightLog, message: VehicleState, said: Command) -> None:
        assert message.position_script_m is not None
        assert message.velocity_script_m_s is not None
        found.extend(x / 10.0 for x in sub(message.position_script_m, end.state.position_m))
        found.extend(x / 0.1 for x in sub(message.velocity_script_m_s, end.state.velocity_m_s))
        found.append((message.mass_kg - mass_now_kg(end)) / 5.0)

    flown(steady(), d, watch=watch, tick_s=0.02)
    return found


def test_noise_has_the_sigma_told_and_is_that_of_its_seed() -> None:
    """3500 draws: the mean within 4 and the spread within 4 of their own sigmas, 1.7 % and 1.2 %."""
    noisy = Disturbances(7, noise_m=10.0, noise_m_s=0.1, noise_kg=5.0)
    drawn = errors(noisy)
    assert abs(fmean(drawn)) < 4.0 * 0.017
    assert abs(pstdev(drawn) - 1.0) < 4.0 * 0.012
    assert errors(noisy) == drawn
    assert errors(Disturbances(8, noise_m=10.0, noise_m_s=0.1, noise_kg=5.0))[:7] != drawn[:7]


def test_a_command_is_in_force_a_delay_after_its_state() -> None:
    late: set[float] = set()

    def done(end: FlightLog) -> bool:
        if end.last is not None:
            late.add(round(end.state.time_s - end.last.time_s, 6))
        return False

    flown(steady(), Disturbances(delay_s=0.3), done=done)
    assert late == {0.3, 0.4}  # right after it came, and after the tick that it was obeyed for


def test_a_cutoff_that_comes_too_late_cuts_at_once_and_nothing_lights_the_engine_again() -> None:
    def guide(message: VehicleState) -> Command:
        return command(message, cutoff_at_s=2.05 if message.time_s > 1.95 else None)

    end = flown(guide, Disturbances(delay_s=0.5))
    assert START_KG - mass_now_kg(end) == pytest.approx(FLOW_KG_S * 2.5, rel=1e-6)
    assert len(end.at_cutoff) == 1


def test_states_and_replies_get_lost_as_often_as_told() -> None:
    """500 states at 40 %: 300 heard and 180 answered, 11 one sigma (binomial)."""
    heard: list[int] = []

    def guide(message: VehicleState) -> Command:
        heard.append(message.seq)
        return command(message)

    end = flown(guide, Disturbances(3, lost_frac=0.4), tick_s=0.02)
    assert abs(len(heard) - 300) < 4 * 11
    assert abs(end.commands - 180) < 4 * 11
    assert heard[-1] > 490


def test_where_no_newer_command_comes_the_last_one_holds_until_the_latest_time_for_the_engine() -> None:
    end = flown(steady(latest_off_at_s=4.0), state_every=1000)
    assert START_KG - mass_now_kg(end) == pytest.approx(FLOW_KG_S * 4.0, rel=1e-6)


@pytest.mark.parametrize(("cutoff_s", "cut_s"), [(3.41, 3.4), (3.49, 3.5), (3.4, 3.4)])
def test_an_engine_cut_on_ticks_is_cut_on_the_nearest(cutoff_s: float, cut_s: float) -> None:
    end = flown(steady(cutoff_at_s=cutoff_s, latest_off_at_s=cutoff_s), Disturbances(cut_on_tick=True))
    assert START_KG - mass_now_kg(end) == pytest.approx(FLOW_KG_S * cut_s, rel=1e-6)


def test_a_vehicle_that_is_not_as_its_file_says() -> None:
    """Flow is thrust over exhaust velocity; the plan's dry mass is 1000 kg."""
    d = Disturbances(thrust_frac=0.97, exhaust_frac=0.98, dry_mass_frac=1.01)
    end = flown(steady(), d)
    assert mass_now_kg(end) == pytest.approx(10_010.0 - FLOW_KG_S * 0.97 / 0.98 * 10.0, rel=1e-9)


def test_a_tail_off_pushes_for_its_seconds_of_full_thrust() -> None:
    """Rocket equation: the same burn, longer by the tail-off."""
    cut = {s: flown(steady(cutoff_at_s=s, engine_on=True), Disturbances(tail_off_s=t), done=burnt_out, seconds=3.0)
           for s, t in ((2.0, 0.15), (2.15, None))}  # fmt: skip
    assert mass_now_kg(cut[2.0]) == pytest.approx(mass_now_kg(cut[2.15]), rel=1e-12)
    gain = norm(cut[2.0].craft.state.velocity_m_s) - norm(flown(
        steady(cutoff_at_s=2.0), done=burnt_out, seconds=3.0).state.velocity_m_s)  # fmt: skip
    before_kg, after_kg = START_KG - 50.0, START_KG - 50.0 - 0.15 * FLOW_KG_S
    assert gain == pytest.approx(STAGE.exhaust_velocity_m_s * log(before_kg / after_kg), rel=1e-4)


def test_a_part_of_the_thrust_is_lost_from_its_time_on() -> None:
    end = flown(steady(), Disturbances(thrust_kept_frac=2.0 / 3.0, engine_loss_at_s=4.0))
    assert START_KG - mass_now_kg(end) == pytest.approx(FLOW_KG_S * (4.0 + 6.0 * 2.0 / 3.0), rel=1e-9)


def test_what_is_not_told_is_left_out_of_every_state() -> None:
    fields = ("thrust_n", "engine_on", "seen_event")
    flown(steady(), Disturbances(untold=fields), seconds=1.0, watch=lambda end, message, said: check(message))


def check(message: VehicleState) -> None:
    assert message.thrust_n is None
    assert message.engine_on is None
    assert message.throttle_frac == 1.0


def test_a_vehicle_that_comes_down_ends_the_flight() -> None:
    end = flown(steady(direction=(-1.0, 0.0, 0.0)), seconds=2000.0, tick_s=5.0)
    assert end.grounded
    assert not end.out_of_time

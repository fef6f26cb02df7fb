"""The safety net of the one-file clients, on the vehicle's clock alone: no socket, no service, no real time.

The expectations are the rules under "A safety net of your own" in clients/PROTOCOL.md (the project's own contract);
that a direction turned at a steady rate lies on its great circle is geometry.
"""

from __future__ import annotations

import math
from types import ModuleType
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.clients.conftest import command_for
from tests.clients.loading import load

STEP_S = 0.1


@pytest.fixture
def net(module: ModuleType) -> Any:
    return module.SafetyNet()


def command(seq: int, time_s: float, **more: Any) -> dict[str, Any]:
    return command_for({"seq": seq, "time_s": time_s}, **more)


def test_between_two_replies_attitude_turns_on_with_its_rates(net: Any) -> None:
    net.take(command(1, 50.0))
    told = net.now(51.0)
    assert told["pitch_deg"] == pytest.approx(10.0 - 0.1)
    assert told["heading_deg"] == pytest.approx(90.0 + 0.05)


def test_rates_are_applied_for_ten_seconds_and_then_held(net: Any) -> None:
    net.take(command(1, 50.0, cutoff_at_s=None))
    assert net.now(59.0)["pitch_deg"] == pytest.approx(9.1)
    assert net.now(60.0)["pitch_deg"] == pytest.approx(9.0)
    assert net.now(95.0)["pitch_deg"] == pytest.approx(9.0)


def test_heading_stays_within_a_circle_and_pitch_below_the_zenith(net: Any) -> None:
    net.take(command(1, 50.0, heading_deg=359.9, heading_rate_deg_s=0.5, pitch_deg=89.0, pitch_rate_deg_s=1.0))
    told = net.now(52.0)
    assert told["heading_deg"] == pytest.approx(0.9)
    assert told["pitch_deg"] == 90.0


def turning(time_s: float, rate_deg_s: float = 0.7) -> list[float]:
    """A direction that turns steadily in one plane."""
    angle = math.radians(rate_deg_s * time_s)
    return [math.cos(angle), 0.0, math.sin(angle)]


def angle_deg(a: list[float], b: list[float]) -> float:
    return math.degrees(math.dist(a, b))  # of unit vectors, small angles


def test_pointing_is_carried_on_along_its_turn_and_stays_a_unit_vector(net: Any) -> None:
    for seq in range(1, 31):
        net.take(command(seq, seq * STEP_S, pointing=turning(seq * STEP_S)))
    told = net.now(5.0)
    assert math.hypot(*told["pointing"]) == pytest.approx(1.0, abs=1e-12)
    # The chord of the last 2 s, 1.4 deg long, points off the circle by half of that, over as long a way: 0.02 deg.
    assert angle_deg(told["pointing"], turning(5.0)) < 0.1
    assert angle_deg(turning(3.0), turning(5.0)) > 1.3  # what holding it would have missed


def test_noise_of_a_tenth_of_a_degree_is_not_blown_up_tenfold_by_carrying_pointing_on(net: Any) -> None:
    for seq in range(1, 101):
        jitter = 0.1 if seq % 2 else -0.1
        net.take(command(seq, seq * 0.02, pointing=turning(jitter, rate_deg_s=1.0)))
    # 0.2 deg over the 2 s trail is 0.1 deg/s, for 2 s; over the last two commands it would be 10 deg/s.
    assert angle_deg(net.now(4.0)["pointing"], turning(0.0)) < 0.4


def test_pointing_of_an_earlier_phase_is_not_carried_on(net: Any) -> None:
    net.take(command(1, 50.0, pointing=[1.0, 0.0, 0.0]))
    net.take(command(2, 50.5, pointing=[0.0, 1.0, 0.0], phase="coast"))
    assert net.now(51.0)["pointing"] == [0.0, 1.0, 0.0]


def test_the_engine_is_off_from_the_last_cutoff_on_though_nobody_answers(net: Any) -> None:
    net.take(command(1, 95.0))
    assert net.now(95.0)["engine_on"]
    assert net.now(99.99)["engine_on"]
    told = net.now(100.0)
    assert not told["engine_on"]
    assert told["stale"]
    assert "engine off" in told["says"]


def test_with_a_tick_the_cut_falls_on_the_tick_nearest_to_the_cutoff(module: ModuleType) -> None:
    for cutoff_s, first_off_s in ((100.004, 100.0), (100.012, 100.02)):
        net = module.SafetyNet(tick_s=0.02)
        net.take(command(1, 99.0, cutoff_at_s=cutoff_s))
        off = [tick for tick in (99.96, 99.98, 100.0, 100.02, 100.04) if not net.now(tick)["engine_on"]]
        assert off[0] == first_off_s


def test_once_cut_a_late_answer_to_an_earlier_state_does_not_light_it_again(net: Any) -> None:
    net.take(command(1, 99.9))
    assert not net.now(100.0)["engine_on"]
    net.take(command(2, 99.95, cutoff_at_s=100.3))
    assert not net.now(100.1)["engine_on"]
    net.take(command(3, 100.0, cutoff_at_s=100.3))  # of the very instant of the cut
    assert not net.now(100.2)["engine_on"]


def test_the_answer_to_a_state_after_the_cut_lights_it_again(net: Any) -> None:
    net.take(command(1, 99.9))
    assert not net.now(100.0)["engine_on"]
    net.take(command(2, 100.1, cutoff_at_s=104.0))
    assert net.now(100.1)["engine_on"]
    assert not net.now(104.0)["engine_on"]


@pytest.mark.parametrize(
    ("next_contact_s", "age_s", "stale"),
    [(0.5, 1.0, False), (0.5, 1.01, True), (600.0, 599.0, False), (600.0, 601.0, True)],
)
def test_data_is_stale_after_the_next_contact_or_a_second_whichever_is_longer(
    net: Any, next_contact_s: float, age_s: float, stale: bool
) -> None:
    net.take(command(1, 0.0, next_contact_s=next_contact_s, cutoff_at_s=None))
    told = net.now(age_s)
    assert told["stale"] is stale
    assert bool(told["says"]) is stale


def test_stale_data_never_throttle_up_nor_light_the_engine(net: Any) -> None:
    net.take(command(1, 50.0, throttle=0.6))
    net.now(50.0)
    net.take(command(2, 50.1, throttle=1.0))  # came late: nothing after it
    assert net.now(60.0)["throttle"] == 0.6
    net.take(command(3, 60.0, engine_on=False))
    assert not net.now(60.0)["engine_on"]
    net.take(command(4, 60.1))
    assert not net.now(70.0)["engine_on"]
    net.take(command(5, 70.1, throttle=1.0))
    told = net.now(70.1)
    assert (told["engine_on"], told["throttle"], told["stale"]) == (True, 1.0, False)


def test_a_throttle_that_was_ordered_down_late_is_obeyed_though_stale(net: Any) -> None:
    net.take(command(1, 50.0, throttle=1.0))
    net.now(50.0)
    net.take(command(2, 50.1, throttle=0.4))
    assert net.now(60.0)["throttle"] == 0.4


def test_a_throttle_down_told_ahead_is_carried_out_though_nobody_answers(net: Any) -> None:
    net.take(command(1, 94.9, throttle=1.0, throttle_down={"at_s": 95.0, "throttle": 0.46}))
    assert net.now(94.99)["throttle"] == 1.0
    assert net.now(95.0)["throttle"] == 0.46
    assert net.now(99.0)["throttle"] == 0.46


def test_it_says_since_when_and_until_when_it_flies_alone(net: Any) -> None:
    net.take(command(1, 90.0))
    net.now(90.0)
    says = net.now(95.0, "no answer from tcp://somewhere")["says"]
    assert says == (
        "no answer from tcp://somewhere since vehicle time 90.0 s; flying on the last law until cutoff at 100.0 s"
    )


def test_without_a_cutoff_it_flies_alone_until_the_latest_time_that_the_service_told(net: Any) -> None:
    net.take(command(1, 90.0, cutoff_at_s=None, latest_off_at_s=96.0))
    net.now(90.0)
    assert "until cutoff at 96.0 s" in net.now(95.0)["says"]
    assert not net.now(96.0)["engine_on"]


def test_a_burning_command_with_neither_time_is_passed_over(net: Any) -> None:
    net.take(command(1, 90.0))
    net.take(command(2, 91.0, cutoff_at_s=None, latest_off_at_s=None))
    assert net.command["seq"] == 1
    assert "latest_off_at_s" in net.now(91.0)["says"]


def test_a_reloaded_save_forgets_commands_and_cuts_of_the_later_time(net: Any) -> None:
    burning = {"engine_on": True, "throttle": 0.7}
    net.take(command(1, 99.0))
    assert not net.now(100.0)["engine_on"]
    assert net.at(60.0, burning)
    told = net.now(60.0)
    assert told["command"] is None
    assert told["pointing"] is None
    assert (told["engine_on"], told["throttle"]) == (True, 0.7)  # as the reloaded state shows it, for a moment
    assert net.now(61.0)["engine_on"]
    assert not net.now(61.1)["engine_on"]
    net.take(command(3, 61.2, cutoff_at_s=100.0))
    assert net.now(61.2)["engine_on"]


def test_a_reload_by_a_moment_goes_on_with_the_command_of_that_time(net: Any) -> None:
    net.take(command(1, 98.0, throttle=0.5))
    net.take(command(2, 99.0, throttle=0.9))
    net.now(99.0)
    assert net.at(98.5, {"engine_on": True, "throttle": 0.5})
    assert net.now(98.5)["command"]["seq"] == 1


def test_before_any_answer_it_neither_lights_nor_cuts_but_for_a_second(net: Any) -> None:
    assert not net.now(0.0)["engine_on"]
    net.at(0.1, {"engine_on": True, "throttle": 1.0})
    assert net.now(0.2)["engine_on"]
    assert not net.now(1.5)["engine_on"]


def test_commands_that_come_twice_or_out_of_order_change_nothing(net: Any) -> None:
    net.take(command(2, 50.1, pitch_deg=5.0))
    before = net.now(50.2)
    net.take(command(2, 50.1, pitch_deg=7.0))
    net.take(command(1, 50.0, pitch_deg=8.0))
    assert net.now(50.2) == before


def landing(seq: int, time_s: float, **more: Any) -> dict[str, Any]:
    """An order of a landing burn that is to end at 100 s of the vehicle's clock."""
    return command(seq, time_s, **{"phase": "descent", "cut_on_contact": True, "engines": 1, **more})


def test_a_landing_is_flown_on_by_the_last_order_until_its_cutoff_though_nobody_answers(net: Any) -> None:
    net.take(landing(1, 89.0, throttle=0.6, pointing=[1.0, 0.0, 0.0]))
    net.now(89.0)
    net.take(landing(2, 90.0, throttle=0.9, pointing=[0.8, 0.6, 0.0]))  # more thrust than before, and nothing after it
    told = net.now(99.99)
    assert told["stale"]
    assert (told["engine_on"], told["throttle"], told["engines"]) == (True, 0.9, 1)
    assert told["pointing"] == [0.8, 0.6, 0.0]  # not turned on past the upright
    assert told["pitch_deg"] == 10.0
    assert "landing by the last order until contact or cutoff at 100.0 s" in told["says"]
    assert not net.now(100.0)["engine_on"]


def test_contact_cuts_a_landing_burn_at_once_with_and_without_the_service(net: Any) -> None:
    net.take(landing(1, 90.0))
    assert net.now(90.0)["engine_on"]
    net.at(95.0, {"engine_on": True, "throttle": 0.8, "contact": True})
    assert not net.now(95.0, "no answer")["engine_on"]
    net.take(landing(2, 95.1))  # an answer to a state before the service knew
    assert not net.now(95.1)["engine_on"]
    assert net.at(94.0, {"engine_on": True, "throttle": 0.8, "contact": False})  # a save is reloaded
    net.take(landing(3, 94.0))
    assert net.now(94.0)["engine_on"]


def test_contact_cuts_no_burn_but_a_landing(net: Any) -> None:
    net.take(command(1, 90.0))
    net.at(90.0, {"engine_on": True, "throttle": 0.8, "contact": True})  # on its pad, held down
    assert net.now(90.0)["engine_on"]


def test_an_ignition_of_a_landing_that_was_told_ahead_is_carried_out_though_nobody_answers(net: Any) -> None:
    ahead = {"id": "0-0-ignite", "name": "ignite", "at_s": 93.0}
    net.take(landing(1, 90.0, engine_on=False, latest_off_at_s=None, event=ahead))
    assert not net.now(92.9)["engine_on"]
    told = net.now(93.0)
    assert (told["engine_on"], told["stale"]) == (True, True)
    assert not net.now(100.0)["engine_on"]
    net.take(command(2, 101.0, engine_on=False, cutoff_at_s=200.0, event={**ahead, "at_s": 103.0}))
    assert not net.now(103.0)["engine_on"]  # of any other burn it is not: nobody says that it is still wanted


@pytest.mark.parametrize(("name", "value"), [("engines", "three"), ("cut_on_contact", "yes")])
def test_a_landing_order_with_a_wrong_field_is_passed_over(net: Any, name: str, value: Any) -> None:
    net.take(landing(1, 90.0))
    net.take(landing(2, 90.5, **{name: value}))
    assert net.command["seq"] == 1
    assert name in net.now(90.5)["says"]


times = st.floats(0.0, 200.0, allow_nan=False)
orders = st.tuples(st.booleans(), st.floats(0.0, 1.0), st.one_of(st.none(), times), st.booleans(), st.floats(0.0, 3.0))


@given(st.lists(orders, min_size=1, max_size=40))
def test_whatever_comes_the_engine_never_burns_past_the_last_cutoff_nor_harder_than_ordered(steps: list[Any]) -> None:
    net: Any = load("guidance_client_stdlib").SafetyNet()
    time_s, seq = 0.0, 0
    newest: dict[str, Any] | None = None
    before = {"engine_on": False, "throttle": 0.0}
    for on, throttle, cutoff_s, comes, pause_s in steps:
        time_s, seq = time_s + pause_s, seq + 1
        if comes:
            newest = command(seq, time_s, engine_on=on, throttle=throttle, cutoff_at_s=cutoff_s)
            net.take(newest)
        told = net.now(time_s)
        if newest is not None and told["engine_on"]:
            assert newest["engine_on"]
            assert newest["cutoff_at_s"] is None or time_s < newest["cutoff_at_s"]
            assert told["throttle"] <= newest["throttle"]
        if told["stale"]:
            assert told["throttle"] <= before["throttle"]
            assert told["engine_on"] <= before["engine_on"]
        before = told


def test_memory_is_bounded_however_many_commands_come(net: Any) -> None:
    for seq in range(1, 5001):
        net.take(command(seq, seq * 1e-3))
    assert len(net._trail) <= 201

"""The heading that is sent while the thrust is near the vertical, where a direction has none of its own."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import acos, degrees, pi, radians
from random import Random

import pytest

from guidance_svc.core.frames import direction_of, pitch_and_heading, triad, triad_at
from guidance_svc.core.vectors import dot
from guidance_svc.domain import Boost, Coast, Command, Frame, Hold, VehicleState
from guidance_svc.session.reply import told_angles
from guidance_svc.session.session import Session
from guidance_svc.sim.telemetry import telemetry
from tests.session.exchange import CLIMB, climb_flight, flown, late_start, pad_start

HERE = triad_at(0.4, 1.1)


def own_heading_rad(reply: Command, message: VehicleState) -> float:
    """Of the direction itself."""
    local = triad(message.position_script_m or HERE.up, "geocentric", CLIMB.body)
    return pitch_and_heading(reply.direction, local)[1]


def apart_deg(a: float, b: float) -> float:
    return abs((degrees(a - b) + 180.0) % 360.0 - 180.0)


def test_on_the_pad_and_in_the_rise_the_heading_is_that_of_the_ascent() -> None:
    flight = climb_flight(106)
    replies = [one.reply for one in flight]
    vertical = [r for r in replies if r.pitch_rad > radians(88.0)]
    assert {r.phase for r in vertical} == {"hold", "boost"}
    last = flight[len(vertical)]  # 8 s after release, leaning by 2 deg: the direction has a heading of its own
    own = own_heading_rad(last.reply, last.message)
    assert max(apart_deg(r.heading_rad, own) for r in vertical) < 0.01
    assert all(r.heading_rate_rad_s == 0.0 for r in vertical)


def test_nothing_jumps_where_the_ascent_leaves_the_vertical() -> None:
    """At 3 deg the law begins to follow the flow, whose heading differs by 4 deg: that much the direction shows."""
    flight = [one for one in climb_flight(350) if one.reply.pitch_rad < radians(89.0)]
    told = [one.reply.heading_rad for one in flight]
    own = [own_heading_rad(one.reply, one.message) for one in flight]
    assert max(apart_deg(a, b) for a, b in zip(told, own, strict=True)) < 2.5
    shown = max(apart_deg(a, b) for a, b in pairwise(own))
    assert max(apart_deg(a, b) for a, b in pairwise(told)) <= shown + 1e-9


def test_the_azimuth_of_the_plan_is_held_before_release() -> None:
    phases = (Hold(10.0, 3.0), Boost(azimuth_rad=radians(123.0)), *CLIMB.phases[2:])
    replies = [one.reply for one in flown(replace(CLIMB, phases=phases), pad_start(), 0.2, 90)]
    assert max(apart_deg(r.heading_rad, radians(123.0)) for r in replies) < 0.2


def test_a_later_phase_goes_on_with_the_heading_last_sent() -> None:
    world, state = late_start()
    plan = replace(CLIMB, phases=(Hold(release_at_s=2.0), Coast()), site=None)
    session = Session(plan, Frame())
    replies = [session.state(telemetry(replace(state, time_s=0.5 * k), world, Frame(), k)) for k in range(1, 9)]
    held = [r.heading_rad for r in replies if r.phase == "hold"]
    assert apart_deg(held[0], held[-1]) == 0.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_near_the_vertical_the_angles_stay_near_the_direction(sign: float) -> None:
    """To 2 deg within the cone where the heading is held, exactly outside it, without a jump in between."""
    dice = Random(8)
    for _ in range(300):
        own, held = dice.uniform(0.0, 2.0 * pi), dice.uniform(0.0, 2.0 * pi)
        before = None
        for step in range(121):
            lean = radians(0.05 * step)
            direction = direction_of(sign * (0.5 * pi - lean), own, HERE)
            pitch, heading = told_angles(direction, HERE, held)
            off = degrees(acos(min(1.0, dot(direction, direction_of(pitch, heading, HERE)))))
            assert off <= min(degrees(lean), 4.0) + 1e-5
            if degrees(lean) < 1.999:
                assert apart_deg(heading, held) < 1e-9
                assert off < 2.0
            if degrees(lean) > 4.001:
                assert off < 1e-5
            if before is not None:
                assert apart_deg(heading, before) < 7.0  # 180 deg over 2 deg of lean, steepest in the middle
            before = heading

"""Diverts flown by the simulator with errors and noise, and engines lost for which a larger group takes over."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from guidance_svc.domain import Landing
from guidance_svc.laws import descent
from guidance_svc.laws.descent_divert import must_divert
from guidance_svc.laws.descent_reach import Around
from guidance_svc.laws.navigation import Navigation
from guidance_svc.rehearsal.disturbances import Disturbances
from guidance_svc.sim.pad import Pad
from tests.closed_loop.divert_flights import FIRST_S, diverted_flight
from tests.closed_loop.landing_flights import BELOW, SITE, SOFT, STAGE, VEHICLE, Flown, craft_of, flown, plan_of

LEGS_M, LEGS_M_S = 2.0, 1.0  # within which legs stand: the bar of landings with noise
ANY_S = 4.0  # the instant to divert at is taken from so long a time; where it is later than the last one, that holds


def assert_landed_at_the_alternate(out: Flown) -> None:
    """On the alternate's ground, after a divert."""
    assert any("diverted to Mudflat" in words for c in out.commands for words in c.warnings)
    assert out.contact.miss_m < LEGS_M
    assert out.contact.speed_m_s < LEGS_M_S


def test_a_divert_at_the_last_instant_lands_at_the_alternate() -> None:
    assert_landed_at_the_alternate(diverted_flight(0))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100))
def test_a_divert_at_any_moment_until_it_must_be_decided_succeeds(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """All errors and noise; every fourth at the last instant. The row above stands for it in the default run."""
    at_s = FIRST_S + ANY_S * Random(seed + 1000).random() if seed % 4 else 1e9

    def must(landing: Landing, around: Around, now: Navigation, since_s: float) -> bool:
        return must_divert(landing, around, now, since_s) or now.time_s >= at_s

    monkeypatch.setattr(descent, "must_divert", must)
    assert_landed_at_the_alternate(diverted_flight(seed))


def test_where_the_engine_that_burns_is_lost_the_larger_group_lands_it() -> None:
    """The middle one of three, alone at first: the two others take over at less throttle."""
    triple = replace(
        STAGE, thrust_n=2640e3, exit_area_m2=2.2, engine_count=3, groups=(1, 3), ignition_delay_s=0.1,
        throttle_min_frac=0.4,
    )  # fmt: skip
    phase = replace(SOFT, planned_frac=0.8, engines=((1, 0.0),), soft_speed_m_s=0.0, soft_frac=0.0)
    plan = plan_of(phase, Landing(SITE), replace(VEHICLE, stages=(triple,)))
    lost = Disturbances(lost_engine=0, engine_loss_at_s=10.0)
    done = flown(plan, craft_of(plan, BELOW, Pad(SITE)), tick_s=0.1, disturbances=lost)
    assert done.contact.miss_m < 0.5
    assert done.contact.speed_m_s < 0.5
    asked = [c.engines for c in done.commands if c.engine_on]
    assert list(dict.fromkeys(asked)) == [1, None]  # one, then all three
    at_s = next(s.time_s for s, c in zip(done.states, done.commands, strict=True) if c.engine_on and c.engines is None)
    assert at_s < 10.6
    assert done.commands[-10].warnings == ("1 engine is lost: 3 are asked for instead",)

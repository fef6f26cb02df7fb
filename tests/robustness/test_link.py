"""Insertion over links that misbehave: a seeded flight of each row of the table in `link.py`."""

from __future__ import annotations

import pytest

from guidance_svc.sim.state import Controls
from tests.robustness.link import ROWS, Flight, Miss, Row, flown
from tests.robustness.virtual import Rig, Trouble, client_on
from tests.robustness.world import PLAN

# 1 m/s at a 200 km perigee is 3.6 km of apogee (vis-viva), and the engine gives 11 m/s2 at the end.
CLEAN_M = 100.0  # 3 cm/s, 2.5 ms of thrust: a link may cost what the law's extrapolation costs, not a tick of 50 ms
NOISY_M = 2000.0  # 0.1 m/s of noise in the last state before an outage is 360 m, and the cutoff stands on few states
PERIGEE_M = 100.0  # where the cutoff is: what position the burn has missed by
PLANE_DEG = 0.02  # 2.6 m/s across at orbital speed

BY_NAME = {row.name: row for row in ROWS}


def require_inserted(miss: Miss, apogee_m: float) -> None:
    assert abs(miss.apogee_m) < apogee_m
    assert abs(miss.perigee_m) < PERIGEE_M
    assert miss.plane_deg < PLANE_DEG
    assert miss.phase == "orbit"  # the session has seen the cutoff, whatever was lost


ALWAYS = ("5 s outage across cutoff", "service killed and restored", "noise 0.1 m/s, 10 m, all together")


@pytest.mark.parametrize(
    "row", [pytest.param(row, id=row.name, marks=[] if row.name in ALWAYS else [pytest.mark.slow]) for row in ROWS]
)
def test_a_burn_over_a_bad_link_ends_in_the_orbit_asked_for(row: Row) -> None:
    miss = flown(row, 1)
    require_inserted(miss, NOISY_M if row.trouble.noise[0] > 0.0 else CLEAN_M)
    lost = row.trouble.outages + row.trouble.outage_at_cutoff + row.trouble.half_open + row.trouble.dies
    assert (miss.connections > 1) == (lost > 0 or row.trouble.killed)  # what the row says has happened


@pytest.mark.slow
def test_the_same_seed_flies_the_same_flight() -> None:
    row = BY_NAME["all together"]
    assert flown(row, 3) == flown(row, 3)


class WithoutNet(Flight):
    """A script that does what the last command said, and nothing between commands."""

    def _script(self) -> None:
        super()._script()
        command = self.told["command"]
        if command is not None:
            x, y, z = command["pointing"]
            self.rig.controls = Controls((x, y, z), command["throttle"], command["engine_on"])


def test_without_the_safety_net_an_outage_across_the_cutoff_costs_the_orbit() -> None:
    miss = WithoutNet(BY_NAME["5 s outage across cutoff"], 1).run()
    assert miss.apogee_m > 3000.0  # 1 s of thrust too long is 40 km; so the rows above test something


def test_a_displaced_script_is_told_and_its_states_change_nothing() -> None:
    rig = Rig(Trouble(), 1)
    first, second = client_on(rig), client_on(rig)
    first.open("curlew", "upper_stage", PLAN)
    first.steer(rig.message())
    assert second.open("curlew", "upper_stage", PLAN, resume=first.token)["resumed"]
    rig.advance(rig.now_s + 0.1)
    second.steer(rig.message())
    before = rig.service.snapshot()
    rig.advance(rig.now_s + 0.1)
    with pytest.raises(Exception, match="taken") as told:
        first.steer(rig.message())
    assert told.value.code == "taken_over"  # type: ignore[attr-defined]
    assert rig.service.snapshot() == before
    assert second.steer(rig.message())["stale"] is False


def test_two_scripts_that_claim_one_vehicle_the_second_is_refused_and_the_first_flies_on() -> None:
    rig = Rig(Trouble(), 1)
    first, second = client_on(rig), client_on(rig)
    first.open("curlew", "upper_stage", PLAN)
    first.steer(rig.message())
    before = rig.service.snapshot()
    with pytest.raises(Exception, match="token") as told:
        second.open("curlew", "upper_stage", PLAN)
    assert told.value.code == "vehicle_taken"  # type: ignore[attr-defined]
    assert rig.service.snapshot() == before
    assert first.steer(rig.message())["stale"] is False

"""The report's numbers against what the simulator itself says of the same flight."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from guidance_svc.playback.report_reading import Recording
from guidance_svc.report.burns import Burns
from guidance_svc.report.flight import flight_rows
from guidance_svc.report.flown import Flown, Said
from guidance_svc.report.outcome import outcome_rows, verdict
from guidance_svc.report.overview import panel_groups
from tests.report.reported import Tanker, bent, reported

Read = tuple[Recording, Flown, Burns]


def test_target_achieved_and_error_are_those_of_the_simulators_own_log(tanker: Tanker, tanker_read: Read) -> None:
    """The log has the states at the very cutoffs; the report has the next told ones, followed back to the cutoff.

    0.1 m and 1e-7 deg: 10 microseconds of the clock lie between the told cutoff and the log's.
    """
    _, flown, burns = tanker_read
    true = flight_rows("Bargeman", tanker.truth.plan, tanker.truth.moments)
    got = outcome_rows(flown, burns)
    assert [(r.moment, r.quantity) for r in got] == [(r.moment, r.quantity) for r in true]
    for mine, its in zip(got, true, strict=True):
        within = {"km": 1e-4, "kg": 1e-2, "deg": 1e-6, "m/s": 1e-2}[its.unit]
        if its.moment == "separation" and its.unit == "deg":
            within = 1e-4  # 1 mm/s of a told speed
        assert mine.achieved == pytest.approx(its.achieved, abs=within), its


def test_burns_begin_and_end_when_the_simulator_lit_and_cut(tanker: Tanker, tanker_read: Read) -> None:
    lit = [m.time_s for m in tanker.truth.moments if m.mark == "ignite"]
    cut = [m.time_s for m in tanker.truth.moments if m.mark == "cutoff"]
    _, _, burns = tanker_read
    assert [b.start_s for b in burns.list] == pytest.approx(lit, abs=1e-3)
    assert [b.end_s for b in burns.list] == pytest.approx(cut, abs=1e-3)


def test_the_ledger_adds_up_and_ends_with_what_is_in_the_simulators_tanks(tanker: Tanker, tanker_read: Read) -> None:
    """10 g: the burnt propellant is summed from told masses of 780 t."""
    _, _, burns = tanker_read
    first, second = burns.tanks
    assert (first.start_kg, second.start_kg) == (560000.0, 150000.0)  # configs/vehicles/bargeman.toml
    assert first.left_kg == pytest.approx(20000.0, abs=0.01)
    assert second.left_kg == pytest.approx(tanker.truth.moments[-1].propellant_kg, abs=0.01)
    for tank in burns.tanks:
        assert abs(tank.open_kg) < 0.01


def test_the_most_dynamic_pressure_is_the_simulators(tanker: Tanker, tanker_read: Read) -> None:
    """The log takes the height along the radius, the report the geodetic one: 1e-5 of it, 0.1 % of the pressure."""
    _, flown, _ = tanker_read
    assert np.max(flown.dynamic_pressure_pa) == pytest.approx(tanker.truth.most_dynamic_pressure_pa, rel=1e-3)


def test_what_guidance_believed_comes_out_the_same_whether_recorded_or_played_again(
    kite: Path, kite_read: Read, tmp_path: Path
) -> None:
    asking = bent(
        kite, tmp_path / "detail.mcap", lambda e: [{**e.message, "detail": True} if e.type == "open" else e.message]
    )
    recording, flown, _ = kite_read
    other, ((detailed, _),) = reported(asking)
    assert other.replayed == 0
    assert (recording.replayed, recording.different) == (len(flown.seqs), 0)
    for name in ("velocity_to_gain_m_s", "apogee_altitude_m", "margin_kg", "exhaust_velocity_m_s", "mass_flow_kg_s"):
        assert np.isfinite(getattr(flown.replies, name)).sum() > 100
        np.testing.assert_array_equal(getattr(detailed.replies, name), getattr(flown.replies, name))


def test_guidance_believes_in_the_engine_that_flies(tanker_read: Read) -> None:
    _, flown, _ = tanker_read
    believed = flown.replies.exhaust_velocity_m_s[flown.replies.phase.index("insertion") + 300]
    assert believed == pytest.approx(3620.0, rel=1e-3)  # configs/vehicles/bargeman.toml


def test_the_flight_is_told_as_finished_and_the_link_as_whole(tanker_read: Read) -> None:
    _, flown, _ = tanker_read
    assert verdict(flown) == "The flight plan was flown to its end."
    assert flown.link.closed
    assert flown.link.skipped == 0
    assert flown.link.late == 0
    assert [e.name for e in flown.events][:3] == ["ignite", "release", "cutoff"]


def test_flown_attitude_follows_the_commanded_one(tanker_read: Read) -> None:
    """The simulator takes each command at once within 6 deg/s; a degree is what it turns in a sixth of a second."""
    _, flown, burns = tanker_read
    inside = slice(burns.list[1].first + 100, burns.list[1].last)
    assert np.nanmax(np.abs(flown.pitch_error_deg[inside])) < 1.0
    assert np.nanmax(np.abs(flown.heading_error_deg[inside])) < 1.0


def test_there_is_a_panel_for_everything_that_was_asked_for(tanker_read: Read) -> None:
    _, flown, burns = tanker_read
    groups = dict(panel_groups(flown, burns))
    assert list(groups) == ["The whole flight", "To orbit", "Burn in orbit: circularize"]
    titles = " ".join(panel.title for panel in groups["To orbit"])
    for word in ("Altitude", "Speed", "Pitch", "Heading", "Throttle", "Dynamic pressure", "Time to cutoff",
                 "Velocity to gain", "Apsides", "Prediction", "margin", "Exhaust velocity", "Mass flow"):  # fmt: skip
        assert word in titles
    assert "Ground track" in groups["The whole flight"][1].title


@pytest.mark.parametrize(("status", "word"), [("unreachable", "NO ORBIT"), ("short_of_propellant", "NOT AS PLANNED")])
def test_a_flight_that_failed_is_told_as_failed_and_why(tanker_read: Read, status: str, word: str) -> None:
    _, flown, _ = tanker_read
    replies = replace(flown.replies, status=(*flown.replies.status[:-1], status))
    failed = replace(flown, replies=replies, warnings=(Said("the path meets the ground", 1, 0.0, 0.0),))
    assert verdict(failed).startswith(word)
    assert verdict(failed).endswith(": the path meets the ground.")

"""What a report makes of recordings as they come: reloads, repeats, several sessions, refusals, missing fields."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import count
from math import degrees
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from guidance_svc.core.frames import from_bci
from guidance_svc.domain import Frame
from guidance_svc.errors import ConfigError, RecordingError
from guidance_svc.playback.report_reading import Recording
from guidance_svc.playback.reporting import flights_of
from guidance_svc.report.burns import Burns
from guidance_svc.report.flight import separation_rows
from guidance_svc.report.flown import Flown
from guidance_svc.report.outcome import outcome_rows, verdict
from guidance_svc.report.panels import View, panels, windows
from tests.replay import flown as kites
from tests.report.reported import Service, bent, reported

EARLY_S = 40.0  # a part of the burn shows it
Read = tuple[Recording, Flown, Burns]
Change = Callable[[dict[str, Any]], Iterable[dict[str, Any]]]


def changed(kite: Path, tmp_path: Path, change: Change) -> tuple[Recording, Flown, Burns]:
    """The same states sent otherwise; `change` gets the states only."""
    recording, flights = reported(bent(
        kite, tmp_path / "bent.mcap", lambda e: change(e.message) if e.type == "state" else [e.message]
    ))  # fmt: skip
    return recording, *flights[-1]


def states_of(flown: Flown) -> tuple[np.ndarray, np.ndarray]:
    return flown.track.times_s, flown.track.positions_m


def test_states_sent_again_count_once(kite: Path, kite_read: Read, tmp_path: Path) -> None:
    _, plain, _ = kite_read
    _, twice, _ = changed(kite, tmp_path, lambda m: [m, m] if m["seq"] % 3 == 0 else [m])
    np.testing.assert_array_equal(states_of(plain)[1], states_of(twice)[1])
    assert twice.link.repeats == len([s for s in plain.seqs if s % 3 == 0])
    assert twice.link.skipped == 0


def test_only_what_counts_after_a_reload_is_shown(kite: Path, kite_read: Read, tmp_path: Path) -> None:
    """At 40 s the save of 30 s is loaded: what was flown between is gone, the flight goes on from there."""
    _, plain, _ = kite_read
    kept: list[dict[str, Any]] = []
    numbers = count()

    def reload(message: dict[str, Any]) -> Iterable[dict[str, Any]]:
        kept.append(message)
        again = kept[:-1] if abs(message["time_s"] - 40.0) < 1e-6 else []
        for one in (message, *(m for m in again if m["time_s"] > 30.0 - 1e-6), *([message] if again else [])):
            yield {**one, "seq": next(numbers)}

    recording, flown, burns = changed(kite, tmp_path, reload)
    (reached, back), = flown.link.reloads
    assert (reached, back) == (pytest.approx(40.0), pytest.approx(30.0))
    np.testing.assert_allclose(states_of(flown)[0], states_of(plain)[0])
    np.testing.assert_array_equal(states_of(flown)[1], states_of(plain)[1])
    assert recording.different == 0
    assert burns.list[0].losses.ideal_m_s == pytest.approx(Burns(plain).list[0].losses.ideal_m_s, abs=1e-9)


def test_gaps_and_skipped_numbers_are_counted(kite: Path, tmp_path: Path) -> None:
    _, flown, _ = changed(kite, tmp_path, lambda m: [] if 100 <= m["seq"] < 150 or m["time_s"] > EARLY_S else [m])
    assert flown.link.skipped == 50
    assert np.max(flown.track.gaps_s) == pytest.approx(5.1)
    assert flown.link.late == 1


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("pointing", ("Attitude was not told",)), ("stage", ("The stage was not told",)),
        ("throttle", ("Throttle was not told",)), ("engine_on", ("engine is on was not told",)),
        (None, ("Thrust was not told", "Propellant was not told")),
    ],
)  # fmt: skip
def test_missing_optional_fields_are_made_up_for_and_said(
    kite: Path, tmp_path: Path, field: str | None, words: tuple[str, ...]
) -> None:
    """The sum holds within 1 % all the same: the flight plan's engine is 2 % off the flown one in this flight."""
    _, flown, burns = changed(
        kite, tmp_path, lambda m: [{k: v for k, v in m.items() if k != field}] if m["time_s"] < EARLY_S else []
    )
    for said in words:
        assert any(said in note for note in flown.notes)
    losses = burns.list[0].losses
    assert abs(losses.rest_m_s) < 0.03 * losses.ideal_m_s


def test_the_propellant_of_a_script_that_tells_none_follows_from_the_mass(kite_read: Read) -> None:
    """Mass less dry mass: 1500 kg in the flight plan, nothing above (tests/report/test_calibrate_command.py)."""
    _, flown, burns = kite_read
    (tank,) = burns.tanks
    assert not tank.told
    assert tank.start_kg == pytest.approx(9000.0, abs=1e-6)
    assert tank.left_kg == pytest.approx(flown.track.masses_kg[-1] - 1500.0, abs=1e-6)


def test_states_in_a_turning_left_handed_frame_are_read_as_inertial_ones(kite: Path, kite_read: Read) -> None:
    """Converted back by the frame's own inverse they are the recorded ones; 1e-6 m is rounding."""
    from guidance_svc.playback.recordings import RecordedMessage, RecordingReader

    _, flown, _ = kite_read
    told = [e.message for e in RecordingReader(kite).entries() if isinstance(e, RecordedMessage) and e.type == "state"]
    frame = Frame(turning=True, axes=("x", "z", "y"), meridian_at_zero_rad=0.5)
    assert degrees(flown.frame.meridian_at_zero_rad) == pytest.approx(degrees(0.5))
    for k in (0, 100, -1):
        r, v = flown.track.positions_m[k], flown.track.velocities_m_s[k]
        place, speed = from_bci(tuple(r), tuple(v), frame, flown.plan.body, float(flown.track.times_s[k]))
        np.testing.assert_allclose(place, told[k]["position_m"], atol=1e-6)
        np.testing.assert_allclose(speed, told[k]["velocity_m_s"], atol=1e-9)


def test_a_flight_that_ends_early_shows_where_it_stood(kite: Path, tmp_path: Path) -> None:
    _, flown, burns = changed(kite, tmp_path, lambda m: [m] if m["time_s"] < 60.0 else [])
    rows = outcome_rows(flown, burns)
    assert {row.moment for row in rows} == {"last state"}
    assert "propellant left" in {row.quantity for row in rows}
    assert verdict(flown).startswith("Not finished: the recording ends in phase insertion")
    (window,) = windows(flown, burns)
    titles = " ".join(panel.title for panel in panels(View(flown, burns, window)))
    assert "Velocity to gain, down to" in titles
    assert "Prediction comes within" not in titles  # there is no orbit flown to compare with


def test_a_booster_that_only_separates_has_its_separation(tmp_path: Path) -> None:
    """A recording of the boost alone, cut at the separation's announcement: rows without an orbit's target."""
    from tests.report.boosted import fly_booster

    path, truth = fly_booster(tmp_path / "booster.mcap")
    _, ((flown, burns),) = reported(path)
    rows = {row.quantity: row for row in outcome_rows(flown, burns)}
    assert {row.moment for row in rows.values()} == {"separation"}
    for true in separation_rows("Sandpiper", flown.plan, truth):  # 1 m and 1 cm/s: half-second states, no thrust
        within = {"km": 1e-3, "m/s": 0.01, "deg": 1e-3, "kg": 0.01}[true.unit]
        assert rows[true.quantity].achieved == pytest.approx(true.achieved, abs=within)
    assert burns.list[0].ended.time_s <= truth.time_s


def test_two_vehicles_a_lost_connection_and_refusals_are_told_apart(tmp_path: Path) -> None:
    """tests/replay/flown.py: two kites; one resumes over a second connection, one sends a negative mass and garbage."""
    recording, flights = reported(kites.fly(tmp_path / "kites.mcap"))
    by_name = {flown.vehicle: flown for flown, _ in flights}
    assert list(by_name) == ["kite-1", "kite-2"]
    assert by_name["kite-1"].link.connections == 2
    assert by_name["kite-1"].link.resumed == 1
    assert by_name["kite-1"].link.closed
    texts = " ".join(f.text for f in by_name["kite-2"].link.faults)
    assert "mass_kg" in texts
    assert sum(f.count for f in by_name["kite-2"].link.faults) == 2
    assert any("token" in text for text in recording.strangers)


def test_several_sessions_of_a_vehicle_are_several_flights(tmp_path: Path) -> None:
    service = Service(tmp_path / "twice.mcap", kites.library())
    for _ in range(2):
        service.ask(1, kites.open_message("kite"))
        state = kites.first_state(0.0)
        for _ in range(10):
            state = kites.step(state, service.ask(1, state))
        service.ask(1, {"type": "close"})
    service.recorder.close()
    _, flights = reported(tmp_path / "twice.mcap")
    assert [flown.name for flown, _ in flights] == ["kite, session 1", "kite, session 2"]
    assert [len(flown.seqs) for flown, _ in flights] == [10, 10]


def test_a_recording_without_a_flight_says_what_is_in_it(tmp_path: Path) -> None:
    service = Service(tmp_path / "none.mcap", kites.library())
    service.ask(1, kites.open_message("kite"))
    service.ask(1, kites.first_state(0.0))
    service.recorder.close()
    with pytest.raises(RecordingError, match="at least two states; got kite with 1"):
        reported(tmp_path / "none.mcap")


def test_a_vehicle_that_is_not_in_the_recording_is_refused_with_those_that_are(kite_read: Read) -> None:
    recording, _, _ = kite_read
    with pytest.raises(ConfigError, match="one of kite-1"):
        flights_of(recording, "gull")

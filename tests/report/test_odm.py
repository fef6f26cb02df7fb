"""Orbit messages read back by independent libraries: `oem` (OEM) and `ccsds-ndm-py` (OPM and OEM, strict grammar).

The promise is 1 m and 1 mm/s; what is asserted is what the printed digits give.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import ccsds_ndm
import numpy as np
import oem
import pytest

from guidance_svc.errors import ConfigError
from guidance_svc.report.burns import Burns
from guidance_svc.report.flight import radius_range
from guidance_svc.report.flown import Flown
from guidance_svc.report.odm import ephemeris, orbit_parameters, parse_epoch
from guidance_svc.report.track import vec

EPOCH, CREATED = datetime(2026, 3, 1, 12, 0, 0), datetime(2026, 11, 25, 10, 0, 0)
SAME_M, SAME_M_S = 1.0, 1e-3  # the promise; an epoch is good to 0.5 us, which is 4 mm of a low orbit


def seconds(epoch: datetime) -> float:
    return (epoch - EPOCH) / timedelta(seconds=1)


@pytest.fixture(scope="module")
def flown(tanker_read: tuple[object, Flown, Burns]) -> Flown:
    return tanker_read[1]


def told_at(flown: Flown, time_s: float) -> tuple[np.ndarray, np.ndarray] | None:
    """The recorded state at a time, if there is one within a microsecond."""
    k = int(np.argmin(np.abs(flown.track.times_s - time_s)))
    if abs(flown.track.times_s[k] - time_s) > 1e-6:
        return None
    return flown.track.positions_m[k], flown.track.velocities_m_s[k]


def read_oem(text: str, path: Path) -> Iterator[tuple[float, np.ndarray, np.ndarray]]:
    path.write_text(text)
    for segment in oem.OrbitEphemerisMessage.open(path).segments:
        for state in segment.states:
            yield seconds(state.epoch.datetime), np.array(state.position) * 1e3, np.array(state.velocity) * 1e3


def test_the_ephemeris_read_back_has_every_recorded_state(flown: Flown, tmp_path: Path) -> None:
    rows = list(read_oem(ephemeris(flown, EPOCH, CREATED), tmp_path / "tanker.oem"))
    found = 0
    for time_s, position, velocity in rows:
        told = told_at(flown, time_s)
        if told is not None:
            found += 1
            assert np.linalg.norm(position - told[0]) < SAME_M
            assert np.linalg.norm(velocity - told[1]) < SAME_M_S
    borders = len(rows) - len({round(time_s, 6) for time_s, _, _ in rows})  # neighbouring segments share a state
    assert found - borders == len(flown.seqs)


def test_computed_points_of_a_coast_stay_on_the_orbit(flown: Flown, tmp_path: Path) -> None:
    """They lie between the radii that the coast can reach (an independent integration in tests/report/test_flight.py),
    and lead to the next recorded state: the distance to it shrinks by what its speed covers, within 1 %."""
    rows = list(read_oem(ephemeris(flown, EPOCH, CREATED), tmp_path / "tanker.oem"))
    computed = [(t, r) for t, r, _ in rows if told_at(flown, t) is None]
    assert len(computed) > 30
    k = int(np.argmax(flown.track.gaps_s))
    low, high = radius_range(vec(flown.track.positions_m[k]), vec(flown.track.velocities_m_s[k]), flown.plan.body)
    for _, position in computed:
        assert low - 1.0 < np.linalg.norm(position) < high + 1.0
    last_s, last = computed[-1]
    left_s = flown.track.times_s[k + 1] - last_s
    ahead = np.linalg.norm(flown.track.positions_m[k + 1] - last)
    assert ahead == pytest.approx(flown.speed_m_s[k + 1] * left_s, rel=0.01)


def test_a_strict_reader_accepts_the_ephemeris(flown: Flown) -> None:
    message = ccsds_ndm.from_str(ephemeris(flown, EPOCH, CREATED))
    message.validate()
    assert message.segments[0].metadata.object_name == "Bargeman"
    assert message.segments[0].metadata.center_name == "EARTH"
    assert str(message.segments[0].metadata.start_time).startswith("2026-03-01T12:00:00")
    assert len(message.segments) == 7  # hold, boost, pause, pause after separation, insertion, coast, circular burn


def test_the_parameter_message_read_back_has_the_last_state(flown: Flown) -> None:
    message = ccsds_ndm.from_str(orbit_parameters(flown, EPOCH, CREATED))
    message.validate()
    state, data = message.segment.data.state_vector, message.segment.data
    position = 1e3 * np.array([state.x, state.y, state.z])
    velocity = 1e3 * np.array([state.x_dot, state.y_dot, state.z_dot])
    assert np.linalg.norm(position - flown.track.positions_m[-1]) < SAME_M
    assert np.linalg.norm(velocity - flown.track.velocities_m_s[-1]) < SAME_M_S
    assert seconds(datetime.fromisoformat(str(state.epoch))) == pytest.approx(flown.track.times_s[-1], abs=1e-6)
    assert data.spacecraft_parameters.mass == pytest.approx(flown.track.masses_kg[-1], abs=1e-5)
    elements = data.keplerian_elements
    assert elements.semi_major_axis == pytest.approx(6378.137 + 460.0, abs=0.1)  # Lagoon's height, configs
    assert elements.inclination == pytest.approx(30.0, abs=0.01)


def test_any_epoch_and_clock_serve_and_the_file_says_which(flown: Flown) -> None:
    later = replace(flown, track=replace(flown.track, times_s=flown.track.times_s + 1e8))
    text = orbit_parameters(later, EPOCH, CREATED)
    assert "COMMENT Vehicle time 0 is 2026-03-01T12:00:00 UTC." in text
    message = ccsds_ndm.from_str(text)
    assert seconds(datetime.fromisoformat(str(message.segment.data.state_vector.epoch))) == pytest.approx(
        1e8 + flown.track.times_s[-1], abs=1e-6
    )


def test_a_clock_beyond_the_calendar_gets_a_sentence(flown: Flown) -> None:
    far = replace(flown, track=replace(flown.track, times_s=flown.track.times_s + 1e12))
    with pytest.raises(ConfigError, match="years 1 to 9999"):
        ephemeris(far, EPOCH, CREATED)


def test_names_that_are_no_plain_text_stay_on_one_line(flown: Flown) -> None:
    odd = replace(flown, vehicle="Barge\nman\u2028 = <b>")
    message = ccsds_ndm.from_str(orbit_parameters(odd, EPOCH, CREATED))
    assert message.segment.metadata.object_name == "Barge?man? = <b>"


@pytest.mark.parametrize("text", ["soon", "2026-13-01", "2026-01-01T00:00:00+02:00"])
def test_an_epoch_that_is_no_utc_date_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="a date in UTC"):
        parse_epoch(text)

"""UTC and seconds, meridian and Terrestrial Time, against pyerfa; dates that are refused."""

from __future__ import annotations

from math import degrees, pi

import erfa
import pytest

from guidance_svc.errors import ConfigError
from guidance_svc.orbits.timescale import GMST_RATE_RAD_S, epoch_of, gmst_rad, seconds_of, utc_text

DATES = ("1972-01-01", "1999-01-01T12:00:00Z", "2005-12-31 23:59:59", "2006-01-01", "2026-03-01T06:30:15.250Z")


@pytest.mark.parametrize("date", DATES)
def test_the_meridian_is_erfas(date: str) -> None:
    epoch = epoch_of(date)
    for time_s in (0.0, 12345.678, 30.0 * 86400.0):
        wanted = erfa.gmst82(epoch.jd_utc, time_s / 86400.0)
        assert gmst_rad(epoch, time_s) == pytest.approx(wanted, abs=1e-8)  # 40 us of resolution of the date
    turned = gmst_rad(epoch, 86400.0) - gmst_rad(epoch)
    assert (GMST_RATE_RAD_S * 86400.0 - turned + pi) % (2.0 * pi) - pi == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize("date", DATES)
def test_terrestrial_time_is_erfas(date: str) -> None:
    epoch = epoch_of(date)
    at = epoch.utc
    utc = erfa.dtf2d("UTC", at.year, at.month, at.day, at.hour, at.minute, at.second + 1e-6 * at.microsecond)
    wanted = sum(float(part) for part in erfa.taitt(*erfa.utctai(*utc)))
    assert (epoch.jd_tt - wanted) * 86400.0 == pytest.approx(0.0, abs=1e-3)


def test_seconds_and_dates_undo_each_other() -> None:
    epoch = epoch_of("2026-03-01")
    assert seconds_of(epoch, "2026-03-02T01:00:01Z") == 90001.0
    assert utc_text(epoch, 90001.0) == "2026-03-02T01:00:01Z"
    assert degrees(gmst_rad(epoch)) == pytest.approx(158.814, abs=0.001)  # data/launch_windows.json, TB-36


@pytest.mark.parametrize(
    ("text", "match"),
    [("tomorrow", "a date in UTC"), ("2026-02-30", "exists"), ("1969-07-16", "1972"), ("2026-03-01T00+02:00", "UTC"),
     ("2026-13-01", "exists"), ("", "a date in UTC")],
)  # fmt: skip
def test_what_is_no_date_is_refused_with_its_key(text: str, match: str) -> None:
    with pytest.raises(ConfigError, match=match) as caught:
        epoch_of(text, "from")
    assert caught.value.field == "from"


def test_a_date_before_the_epoch_is_refused_with_the_first_that_works() -> None:
    with pytest.raises(ConfigError, match="2026-03-01T00:00:00Z or later"):
        seconds_of(epoch_of("2026-03-01"), "2026-02-28")

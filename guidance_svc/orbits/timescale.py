"""UTC and seconds from an epoch, the Earth's meridian, Terrestrial Time. Reads no clock.

A simulator with its own seconds needs none of this: its body turns from `meridian_at_zero_rad` at its rotation rate.
UT1 is taken for UTC: at most 0.9 s, 0.004 deg of the Earth's turn. A span counts 86400 s a day; leap seconds inside it
are left out of the span and only enter the step to Terrestrial Time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import pi, radians

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.errors import ConfigError

J2000_JD = 2451545.0  # 2000-01-01 12:00
GMST_TURNS_A_DAY = 1.002737909350795  # of UT1, in turns against the mean equinox; Aoki et al. 1982
GMST_RATE_RAD_S = 2.0 * pi * GMST_TURNS_A_DAY / SECONDS_PER_DAY
TT_MINUS_TAI_S = 32.184  # IAU 1991
TAI_MINUS_UTC_S = (  # IERS Bulletin C; from the first of the month on
    (1972, 1, 10), (1972, 7, 11), (1973, 1, 12), (1974, 1, 13), (1975, 1, 14), (1976, 1, 15), (1977, 1, 16),
    (1978, 1, 17), (1979, 1, 18), (1980, 1, 19), (1981, 7, 20), (1982, 7, 21), (1983, 7, 22), (1985, 7, 23),
    (1988, 1, 24), (1990, 1, 25), (1991, 1, 26), (1992, 7, 27), (1993, 7, 28), (1994, 7, 29), (1996, 1, 30),
    (1997, 7, 31), (1999, 1, 32), (2006, 1, 33), (2009, 1, 34), (2012, 7, 35), (2015, 7, 36), (2017, 1, 37),
)  # fmt: skip
_UTC = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?)?(Z|\+00:00)?")


@dataclass(frozen=True, slots=True)
class Epoch:
    """The instant that is second 0, in UTC, from 1972 on."""

    utc: datetime

    @property
    def jd_utc(self) -> float:
        """Julian date of the UTC reading; 40 microseconds of resolution."""
        since = self.utc - datetime(2000, 1, 1, 12, tzinfo=UTC)
        return J2000_JD + since.days + (since.seconds + 1e-6 * since.microseconds) / SECONDS_PER_DAY

    @property
    def jd_tt(self) -> float:
        """Julian date in Terrestrial Time."""
        steps = [s for year, month, s in TAI_MINUS_UTC_S if (year, month) <= (self.utc.year, self.utc.month)]
        return self.jd_utc + (steps[-1] + TT_MINUS_TAI_S) / SECONDS_PER_DAY


def epoch_of(text: str, field: str = "epoch") -> Epoch:
    """An epoch from ISO text, such as 2026-03-01T12:00:00Z; a date alone is midnight.

    Raises:
        ConfigError: no date, a date that does not exist, or one before 1972, where UTC ran at another rate.
    """
    if not _UTC.fullmatch(text):
        raise ConfigError("bad_date", field, "a date in UTC, such as 2026-03-01T12:00:00Z", text)
    try:
        utc = datetime.fromisoformat(text.removesuffix("Z").removesuffix("+00:00")).replace(tzinfo=UTC)
    except ValueError as error:
        raise ConfigError("bad_date", field, f"a date that exists ({error})", text) from None
    if utc.year < 1972:
        raise ConfigError("bad_date", field, "1972-01-01 or later, since when UTC keeps SI seconds", text)
    return Epoch(utc)


def seconds_of(epoch: Epoch, text: str, field: str = "date") -> float:
    """Seconds from the epoch to a date.

    Raises:
        ConfigError: as `epoch_of`; or the date lies before the epoch.
    """
    there = epoch_of(text, field)
    span = (there.utc - epoch.utc).total_seconds()
    if span < 0.0:
        raise ConfigError("before_epoch", field, f"{utc_text(epoch, 0.0)} or later, the epoch", text)
    return span


def utc_text(epoch: Epoch, time_s: float) -> str:
    """The instant as ISO text, to the second.

    >>> utc_text(epoch_of("2026-03-01"), 15860.7)
    '2026-03-01T04:24:21Z'
    """
    try:
        return (epoch.utc + timedelta(seconds=round(time_s))).strftime("%Y-%m-%dT%H:%M:%SZ")
    except OverflowError:
        expected = f"a date from which {time_s:.0f} s on is before the year 10000"
        raise ConfigError("bad_date", "epoch", expected, epoch.utc.isoformat()) from None


def gmst_rad(epoch: Epoch, time_s: float = 0.0) -> float:
    """Inertial angle of the Earth's prime meridian from the mean equinox of date, [0, 2 pi).

    Source: IAU 1982, Aoki et al. 1982, Astronomy and Astrophysics 105, 359; UT1 = UTC.
    Accuracy: rounding; the apparent angle (true equinox) differs by up to 0.005 deg.
    """
    days = epoch.jd_utc - J2000_JD + time_s / SECONDS_PER_DAY
    t = days / 36525.0
    seconds = 67310.54841 + (8640184.812866 + (0.093104 - 6.2e-6 * t) * t) * t
    return wrap_angle(radians(seconds / 240.0) + 2.0 * pi * (days % 1.0))

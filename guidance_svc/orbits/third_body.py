"""Moon and Sun about the Earth, through pyerfa (extra `sky`); no data files, no downloads.

Series: the Moon by Meeus 1998 after Chapront's ELP 2000-82 (ERFA `moon98`), the Earth by VSOP2000's fit (`epv00`), the
true equator of date by IAU 2006 precession and IAU 2000A nutation (`pnm06a`).
Accuracy, measured against DE421 at three dates (tests/reference): Moon 6 arc seconds and 3 km, its plane 0.001 deg.
"""

from __future__ import annotations

from math import atan2, hypot
from typing import Any

import numpy as np

from guidance_svc.core.kepler import wrap_angle
from guidance_svc.domain import Vec
from guidance_svc.errors import ConfigError
from guidance_svc.orbits.values import ThirdBody
from guidance_svc.orbits.zonal import Array

AU_M = 149597870700.0  # IAU 2012
DAY_S = 86400.0
MU_M3_S2: dict[ThirdBody, float] = {"moon": 4.902800066e12, "sun": 1.32712440018e20}  # DE430, JPL; DE405, JPL
HOW_TO_GET = "the package pyerfa: pip install '.[sky]' in the checkout"


def erfa() -> Any:
    """The library, imported when it is first needed.

    Raises:
        ConfigError: it is not installed; says how to get it.
    """
    try:
        import erfa as library
    except ImportError:
        raise ConfigError("missing_package", "moon", HOW_TO_GET, "no module erfa") from None
    return library


def equator_of_date(jd_tt: float) -> Array:
    """Matrix (3, 3) from the celestial reference system to the true equator and equinox of date."""
    return np.asarray(erfa().pnm06a(jd_tt, 0.0), dtype=float)


def states(which: ThirdBody, jd_tt: Array) -> tuple[Array, Array]:
    """Positions (m) and velocities (m/s) from the Earth's centre, shape (3, n), celestial reference system (GCRS)."""
    library = erfa()
    if which == "moon":
        pv, sign = library.moon98(jd_tt, 0.0), 1.0
    else:
        pv, sign = library.epv00(jd_tt, 0.0)[0], -1.0
    return sign * AU_M * np.asarray(pv["p"]).T, sign * AU_M / DAY_S * np.asarray(pv["v"]).T


def state_of_date(which: ThirdBody, jd_tt: float) -> tuple[Vec, Vec]:
    """Position (m) and velocity (m/s) on the true equator and equinox of that date."""
    turn = equator_of_date(jd_tt)
    r, v = states(which, np.array([jd_tt]))
    (x, y, z), (vx, vy, vz) = (turn @ r[:, 0]).tolist(), (turn @ v[:, 0]).tolist()
    return (x, y, z), (vx, vy, vz)


def moon_plane(jd_tt: float) -> tuple[float, float]:
    """Inclination and node of the Moon's osculating orbit to the true equator of date, rad."""
    r, v = state_of_date("moon", jd_tt)
    h = np.cross(r, v)
    return atan2(hypot(h[0], h[1]), h[2]), wrap_angle(atan2(h[0], -h[1]))

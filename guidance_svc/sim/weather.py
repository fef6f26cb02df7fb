"""Wind by height with gusts, and air that is not as the body's model says.

A function of place and time: it has no state, and the same seed blows the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, sqrt, tan
from random import Random
from typing import Final

from guidance_svc.core.compiled import kernel
from guidance_svc.core.curves import interpolate

Wave = tuple[float, float, float]
"""Angular frequency (rad/s), phases of the northward and of the eastward part (rad)."""
Winds = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], float, tuple[Wave, ...]]
"""Heights (m), northward and eastward speeds there (m/s), amplitude of each gust wave (m/s), the waves."""
STILL: Final[Winds] = ((0.0,), (0.0,), (0.0,), 0.0, ((0.0, 0.0, 0.0),))
WAVES: Final = 12
FASTEST: Final = 30.0  # of the waves, over the slowest that matter: faster ones shake nothing that flies


@dataclass(frozen=True, slots=True)
class Weather:
    """The air on one day.

    Args:
        wind: (height above the ellipsoid m, northward, eastward m/s of the air over ground), heights rising; linear
            between, flat outside; empty: none.
        gust_m_s: one sigma of the gusts, northward and eastward each.
        gust_s: their correlation time.
        seed: of the gusts.
        density_frac, drag_frac: true over modelled density, drag coefficient.
        told: the vehicle tells the wind in its states.
    """

    wind: tuple[tuple[float, float, float], ...] = ()
    gust_m_s: float = 0.0
    gust_s: float = 3.0
    seed: int = 0
    density_frac: float = 1.0
    drag_frac: float = 1.0
    told: bool = False


def winds_of(weather: Weather) -> Winds:
    """The wind as the kernels take it."""
    rows = weather.wind or ((0.0, 0.0, 0.0),)
    heights, norths, easts = zip(*((float(h), float(n), float(e)) for h, n, e in rows), strict=True)
    if weather.gust_m_s == 0.0:
        return (heights, norths, easts, 0.0, STILL[4])
    return (heights, norths, easts, weather.gust_m_s * sqrt(2.0 / WAVES), gust_waves(weather.seed, weather.gust_s))


def gust_waves(seed: int, gust_s: float) -> tuple[Wave, ...]:
    """Waves whose sum has about the spectrum of first-order noise, 1 / (1 + (frequency x correlation time)^2).

    One frequency is drawn from each of as many parts of that spectrum as there are waves, all of equal power.

    Source: Shinozuka and Jan, Digital simulation of random processes, J. Sound and Vibration 25(1), 1972 (from memory).
    """
    draw = Random(f"gusts {seed}")
    waves = []
    for i in range(WAVES):
        times = min(FASTEST, tan(0.5 * pi * (i + draw.random()) / WAVES))
        waves.append((times / gust_s, 2.0 * pi * draw.random(), 2.0 * pi * draw.random()))
    return tuple(waves)


@kernel
def wind_at(height_m: float, time_s: float, winds: Winds) -> tuple[float, float]:
    """Northward and eastward speed of the air over ground, m/s."""
    north, east = interpolate(height_m, winds[0], winds[1]), interpolate(height_m, winds[0], winds[2])
    if winds[3] > 0.0:
        for rate, phase_north, phase_east in winds[4]:
            north += winds[3] * cos(rate * time_s + phase_north)
            east += winds[3] * cos(rate * time_s + phase_east)
    return (north, east)

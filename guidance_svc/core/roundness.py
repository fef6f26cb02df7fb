"""How round an orbit is, by each of three meanings, and the velocity that makes it roundest.

With the flattening's gravity no orbit is a circle. Osculating-circular at an instant, least spread of the
distance from the centre over the next revolution, and least spread of the height over the ellipsoid are three
different orbits; the second and third are found here.
"""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from guidance_svc.core.coast import coast, local_period_s, vertex
from guidance_svc.core.frames import geodetic
from guidance_svc.core.vectors import along, cross, norm, scale, unit
from guidance_svc.domain import Body, Roundness, Vec

SAMPLES = 90  # a revolution: every 4 deg
PROBE_M_S = 0.5  # step of the linear fit
SEARCH_FROM_M_S = 0.4  # first step of the search for the least spread, halved until it is small
SEARCH_TO_M_S = 0.02  # 0.02 m/s moves the spread of a low orbit by under 100 m
SEARCH_ROUNDS = 40  # 8 in a low orbit; each moves or halves the step

Measure = Callable[[Vec], float]
Values = NDArray[np.float64]


def radius_of(body: Body) -> Measure:
    """Distance from the centre."""
    return norm


def height_of(body: Body) -> Measure:
    """Height above the ellipsoid."""
    return lambda position: geodetic(position, body.radius_m, body.flattening)[1]


def sample_measure(
    position_m: Vec, velocity_m_s: Vec, body: Body, measure: Measure, samples: int = SAMPLES
) -> list[float]:
    """A measure at equal times over the next revolution, and one step further."""
    step = local_period_s(position_m, velocity_m_s, body) / samples
    values = [measure(position_m)]
    r, v = position_m, velocity_m_s
    for _ in range(samples + 1):
        r, v = coast(r, v, step, body)
        values.append(measure(r))
    return values


def spread_of(values: list[float]) -> float:
    """Greatest less least, the extremes between samples taken from parabolas."""
    peaks = [vertex(*values[i - 1 : i + 2]) for i in range(1, len(values) - 1)]
    return max(values + peaks) - min(values + peaks)


def radius_spread_m(position_m: Vec, velocity_m_s: Vec, body: Body, samples: int = 180) -> float:
    """Greatest minus least distance from the body's centre over the next revolution.

    Raises:
        OrbitNotClosed: on an escape path.

    Accuracy: 1 m on a 40 km spread with 180 samples.
    """
    return spread_of(sample_measure(position_m, velocity_m_s, body, radius_of(body), samples))


def height_spread_m(position_m: Vec, velocity_m_s: Vec, body: Body, samples: int = 180) -> float:
    """Greatest minus least height above the ellipsoid over the next revolution.

    Raises:
        OrbitNotClosed: on an escape path.
    """
    return spread_of(sample_measure(position_m, velocity_m_s, body, height_of(body), samples))


def circular_velocity(position_m: Vec, velocity_m_s: Vec, body: Body, radial_m_s: float, level_m_s: float) -> Vec:
    """Osculating-circular velocity at a place, in the present plane, with a radial and a level part added."""
    up = unit(position_m)
    ahead = unit(cross(cross(position_m, velocity_m_s), position_m))
    speed = sqrt(body.mu_m3_s2 / norm(position_m)) + level_m_s
    return along(scale(speed, ahead), radial_m_s, up)


def roundest(position_m: Vec, velocity_m_s: Vec, body: Body, meaning: Roundness) -> tuple[float, float]:
    """Radial and level speed to add to the osculating-circular velocity for the least spread.

    The measure over a revolution is as good as linear in the two speeds. A least-squares fit gives the least
    variance; from there, on slopes taken there, a search by halved steps gives the least spread.

    Args:
        position_m, velocity_m_s: where the burn will end; the velocity gives the plane.

    Returns:
        (radial, level), m/s; (0, 0) for "osculating".

    Accuracy: within SEARCH_TO_M_S of the search that flies every trial (tests/core/test_roundness.py).
    """
    if meaning == "osculating":
        return (0.0, 0.0)
    measure = radius_of(body) if meaning == "least_radius_spread" else height_of(body)

    def values(radial: float, level: float) -> Values:
        velocity = circular_velocity(position_m, velocity_m_s, body, radial, level)
        return np.array(sample_measure(position_m, velocity, body, measure))

    about = least_variance(linear(values, (0.0, 0.0)))
    return least_spread(linear(values, about), about)


def linear(values: Callable[[float, float], Values], about: tuple[float, float]) -> tuple[Values, Values, Values]:
    """Values at two speeds, and their slopes there."""
    here = values(*about)
    radial = (values(about[0] + PROBE_M_S, about[1]) - here) / PROBE_M_S
    level = (values(about[0], about[1] + PROBE_M_S) - here) / PROBE_M_S
    return here, radial, level


def least_variance(model: tuple[Values, Values, Values]) -> tuple[float, float]:
    """The two speeds that make the values most equal."""
    here, radial, level = model
    fit = np.linalg.lstsq(np.array([radial, level, np.ones(len(here))]).T, -here, rcond=None)[0]
    return (float(fit[0]), float(fit[1]))


def least_spread(model: tuple[Values, Values, Values], about: tuple[float, float]) -> tuple[float, float]:
    """The two speeds near those that the model belongs to with the least spread of the values."""
    here, radial, level = model

    def size_at(point: tuple[float, float]) -> float:
        return spread_of((here + (point[0] - about[0]) * radial + (point[1] - about[1]) * level).tolist())

    best, size, step = about, size_at(about), SEARCH_FROM_M_S
    for _ in range(SEARCH_ROUNDS):
        around = [(best[0] + a * step, best[1] + b * step) for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1))]
        sizes = [size_at(point) for point in around]
        least = min(sizes)
        if least < size:
            best, size = around[sizes.index(least)], least
        else:
            step *= 0.5
            if step <= SEARCH_TO_M_S:
                break
    return best

"""U.S. Standard Atmosphere 1976: density, pressure, speed of sound and temperature from 0 to 1000 km.

Below 86 km the seven layers of the standard, exact. Above, the standard's own table, interpolated in the
logarithm, and its temperature profile (the part above 86 km is an integration of several gases there).
Source: U.S. Standard Atmosphere, 1976 (NOAA, NASA, USAF; NOAA-S/T 76-1562), tables 3 and 4, equations 18 to 50,
and table I. Rows of HIGH are from memory of table I, except 86 and 230 km (seen); tests hold them to each other
through the gas law and the standard's molecular weights. The row at 86 km has the digits of the layers' end.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, log, sqrt

from guidance_svc.core.compiled import kernel
from guidance_svc.domain import AirRow, Body

EARTH_RADIUS_M = 6356766.0  # r0 of the standard, for geopotential altitude
GAS_CONSTANT = 8314.32  # J/(kmol K), R* of the standard
MOLECULAR_WEIGHT = 28.9644  # kg/kmol, M0 at sea level
STANDARD_GRAVITY_M_S2 = 9.80665  # g0'
HEAT_RATIO = 1.4
AIR_CONSTANT = GAS_CONSTANT / MOLECULAR_WEIGHT  # J/(kg K)
LAPSE = STANDARD_GRAVITY_M_S2 / AIR_CONSTANT  # K/m, of the homogeneous atmosphere

LAYER_BASE_M = (0.0, 11e3, 20e3, 32e3, 47e3, 51e3, 71e3)  # geopotential
LAYER_GRADIENT_K_M = (-6.5e-3, 0.0, 1e-3, 2.8e-3, 0.0, -2.8e-3, -2e-3)  # molecular-scale temperature
TOP_OF_LAYERS_M = 86e3  # geometric
LOWEST_M = -5e3  # the standard's table begins there

HIGH = (  # geometric altitude km, pressure Pa, density kg/m3
    (86.0, 3.733836e-1, 6.957879e-6), (90.0, 1.8359e-1, 3.416e-6), (91.0, 1.5381e-1, 2.860e-6),
    (92.0, 1.2887e-1, 2.393e-6), (93.0, 1.0801e-1, 2.000e-6), (94.0, 9.0560e-2, 1.670e-6), (95.0, 7.5966e-2, 1.393e-6),
    (100.0, 3.2011e-2, 5.604e-7), (105.0, 1.4477e-2, 2.325e-7), (110.0, 7.1042e-3, 9.708e-8),
    (115.0, 4.0096e-3, 4.289e-8), (120.0, 2.5382e-3, 2.222e-8), (130.0, 1.2505e-3, 8.152e-9),
    (140.0, 7.2028e-4, 3.831e-9), (150.0, 4.5422e-4, 2.076e-9), (160.0, 3.0395e-4, 1.233e-9),
    (180.0, 1.5271e-4, 5.194e-10), (200.0, 8.4736e-5, 2.541e-10), (230.0, 3.9276e-5, 1.029e-10),
    (250.0, 2.4767e-5, 6.073e-11), (300.0, 8.7704e-6, 1.916e-11), (350.0, 3.4498e-6, 7.014e-12),
    (400.0, 1.4518e-6, 2.803e-12), (450.0, 6.4468e-7, 1.184e-12), (500.0, 3.0236e-7, 5.215e-13),
    (600.0, 8.2130e-8, 1.137e-13), (700.0, 3.1908e-8, 3.070e-14), (800.0, 1.7036e-8, 1.136e-14),
    (900.0, 1.0873e-8, 5.759e-15), (1000.0, 7.5138e-9, 3.561e-15),
)  # fmt: skip
HIGH_ALTITUDE_M = tuple(1e3 * row[0] for row in HIGH)
HIGH_LOG_PRESSURE = tuple(log(row[1]) for row in HIGH)
HIGH_LOG_DENSITY = tuple(log(row[2]) for row in HIGH)
LAST_ROW = len(HIGH) - 1
TOP_M = HIGH_ALTITUDE_M[LAST_ROW]


def layer_bases() -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Temperature (K) and pressure (Pa) at the base of each layer, from 288.15 K and 101325 Pa upwards."""
    temperature, pressure = [288.15], [101325.0]
    for i in range(6):
        rise = LAYER_BASE_M[i + 1] - LAYER_BASE_M[i]
        top = temperature[i] + LAYER_GRADIENT_K_M[i] * rise
        isothermal = LAYER_GRADIENT_K_M[i] == 0.0
        factor = exp(-LAPSE * rise / top) if isothermal else (temperature[i] / top) ** (LAPSE / LAYER_GRADIENT_K_M[i])
        temperature.append(top)
        pressure.append(pressure[i] * factor)
    return (tuple(temperature), tuple(pressure))


LAYER_TEMPERATURE_K, LAYER_PRESSURE_PA = layer_bases()


@kernel
def air(altitude_m: float) -> tuple[float, float, float, float]:
    """Density (kg/m3), pressure (Pa), speed of sound (m/s) and temperature (K) at a geometric altitude.

    Args:
        altitude_m: above the surface; below -5 km the values at -5 km, above 1000 km no air at all.

    Above 86 km the standard defines no speed of sound; the value at 86 km is kept, which only serves the
    Mach number of a drag table that is flat there. From 80 to 86 km the temperature is the molecular-scale one,
    at most 0.04 % above the kinetic.

    Accuracy: all digits of the standard's tables below 86 km; its table's digits at the rows above.

    >>> round(air(0.0)[0], 4), round(air(11e3)[1])
    (1.225, 22700)
    """
    if altitude_m >= TOP_OF_LAYERS_M:
        return thin_air(altitude_m)
    z = altitude_m if altitude_m > LOWEST_M else LOWEST_M
    h = EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z)
    i = 0
    while i < 6 and h >= LAYER_BASE_M[i + 1]:
        i += 1
    base_k, gradient = LAYER_TEMPERATURE_K[i], LAYER_GRADIENT_K_M[i]
    rise = h - LAYER_BASE_M[i]
    temperature = base_k + gradient * rise
    if gradient == 0.0:
        pressure = LAYER_PRESSURE_PA[i] * exp(-LAPSE * rise / base_k)
    else:
        pressure = LAYER_PRESSURE_PA[i] * (base_k / temperature) ** (LAPSE / gradient)
    specific = AIR_CONSTANT * temperature
    return (pressure / specific, pressure, sqrt(HEAT_RATIO * specific), temperature)


NO_ROWS: tuple[AirRow, ...] = ((0.0, 0.0, 0.0, 1.0),)
NO_AIR, STANDARD_AIR, TABLE_AIR = 0.0, 1.0, 2.0  # how kernels are told which model a body has


def air_of(body: Body, altitude_m: float) -> tuple[float, float, float, float]:
    """`air` by the model of a body: none, the standard's, or its own table."""
    kind, rows = air_model(body)
    return modelled_air(altitude_m, kind, rows)


def air_model(body: Body) -> tuple[float, tuple[AirRow, ...]]:
    """Which model a body has, and the rows of its own table, as the kernels take them."""
    if body.atmosphere == "table":
        return TABLE_AIR, body.air
    return (STANDARD_AIR if body.atmosphere == "us1976" else NO_AIR), NO_ROWS


@kernel
def modelled_air(altitude_m: float, kind: float, rows: Sequence[AirRow]) -> tuple[float, float, float, float]:
    """`air` by one of the three models; a table tells no temperature, 0 stands for it."""
    if kind == 0.0:
        return (0.0, 0.0, 300.0, 0.0)
    if kind == 1.0:
        return air(altitude_m)
    return table_air(altitude_m, rows)


@kernel
def table_air(altitude_m: float, rows: Sequence[AirRow]) -> tuple[float, float, float, float]:
    """Air by a table: density and pressure interpolated in the logarithm, speed of sound linearly.

    Below the first row its values; above the last row no air at all.

    Args:
        rows: height (m), density (kg/m3), pressure (Pa), speed of sound (m/s); two or more, heights rising, all but the
            heights positive.

    >>> rows = ((0.0, 1.2, 1e5, 340.0), (1e4, 0.3, 2.5e4, 300.0))
    >>> [round(x, 3) for x in table_air(5e3, rows)], table_air(1.1e4, rows)[:2]
    ([0.6, 50000.0, 320.0, 0.0], (0.0, 0.0))
    """
    if altitude_m <= rows[0][0]:
        return (rows[0][1], rows[0][2], rows[0][3], 0.0)
    last = len(rows) - 1
    if altitude_m > rows[last][0]:
        return (0.0, 0.0, rows[last][3], 0.0)
    i = 1
    while altitude_m > rows[i][0]:
        i += 1
    below, above = rows[i - 1], rows[i]
    part = (altitude_m - below[0]) / (above[0] - below[0])
    density = below[1] * exp(part * log(above[1] / below[1]))
    pressure = below[2] * exp(part * log(above[2] / below[2]))
    return (density, pressure, below[3] + part * (above[3] - below[3]), 0.0)


@kernel
def thin_air(altitude_m: float) -> tuple[float, float, float, float]:
    """`air` from 86 to 1000 km, both included, and nothing above."""
    sound_m_s = 274.09632  # at 86 km
    if altitude_m > TOP_M:
        return (0.0, 0.0, sound_m_s, 1000.0)
    i = 1
    while i < LAST_ROW and altitude_m >= HIGH_ALTITUDE_M[i]:
        i += 1
    part = (altitude_m - HIGH_ALTITUDE_M[i - 1]) / (HIGH_ALTITUDE_M[i] - HIGH_ALTITUDE_M[i - 1])
    log_pressure = HIGH_LOG_PRESSURE[i - 1] + part * (HIGH_LOG_PRESSURE[i] - HIGH_LOG_PRESSURE[i - 1])
    log_density = HIGH_LOG_DENSITY[i - 1] + part * (HIGH_LOG_DENSITY[i] - HIGH_LOG_DENSITY[i - 1])
    return (exp(log_density), exp(log_pressure), sound_m_s, high_temperature_k(altitude_m))


@kernel
def high_temperature_k(altitude_m: float) -> float:
    """Kinetic temperature from 86 to 1000 km (the standard's equations 25, 27, 29 and 31)."""
    z_km = 1e-3 * altitude_m
    if z_km < 91.0:
        return 186.8673
    if z_km < 110.0:
        part = (z_km - 91.0) / 19.9429
        return 263.1905 - 76.3232 * sqrt(1.0 - part * part)
    if z_km < 120.0:
        return 240.0 + 12.0 * (z_km - 110.0)
    earth_km = 1e-3 * EARTH_RADIUS_M
    height = (z_km - 120.0) * (earth_km + 120.0) / (earth_km + z_km)
    return 1000.0 - 640.0 * exp(-0.01875 * height)

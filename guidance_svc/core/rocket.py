"""The rocket equation and what follows from it, for constant thrust and exhaust velocity.

Source: Tsiolkovsky's equation; Sutton and Biblarz, Rocket Propulsion Elements, chapters 2 and 4.
"""

from __future__ import annotations

from math import expm1, log1p

from guidance_svc.core.compiled import kernel


@kernel
def speed_gain_m_s(mass_kg: float, propellant_kg: float, exhaust_velocity_m_s: float) -> float:
    """Ideal speed gain of burning `propellant_kg` (< mass) out of `mass_kg`.

    >>> round(speed_gain_m_s(1000.0, 500.0, 3000.0), 1)
    2079.4
    """
    return -exhaust_velocity_m_s * log1p(-propellant_kg / mass_kg)


@kernel
def propellant_for_gain_kg(mass_kg: float, gain_m_s: float, exhaust_velocity_m_s: float) -> float:
    """Propellant that an ideal speed gain costs, from `mass_kg` at ignition; the inverse of `speed_gain_m_s`."""
    return -mass_kg * expm1(-gain_m_s / exhaust_velocity_m_s)


@kernel
def burn_time_s(mass_kg: float, gain_m_s: float, thrust_n: float, exhaust_velocity_m_s: float) -> float:
    """Burn time of an ideal speed gain at constant thrust, from `mass_kg` at ignition.

    >>> round(burn_time_s(1000.0, 2079.44, 3e4, 3000.0), 2)
    50.0
    """
    return propellant_for_gain_kg(mass_kg, gain_m_s, exhaust_velocity_m_s) * exhaust_velocity_m_s / thrust_n


@kernel
def mass_after_kg(mass_kg: float, thrust_n: float, exhaust_velocity_m_s: float, burn_s: float) -> float:
    """Mass after burning for a time at constant thrust."""
    return mass_kg - burn_s * thrust_n / exhaust_velocity_m_s


@kernel
def thrust_at_n(vacuum_thrust_n: float, exit_area_m2: float, pressure_pa: float) -> float:
    """Thrust at an ambient pressure: the vacuum thrust less pressure times nozzle exit area, not below 0."""
    thrust = vacuum_thrust_n - exit_area_m2 * pressure_pa
    return thrust if thrust > 0.0 else 0.0

"""The last seconds of a burn in numbers: throttle and cutoff for what is still needed.

The same source in Python, in a session, and compiled, in kernels.
"""

from __future__ import annotations

from math import ceil, exp, inf
from typing import NamedTuple

from guidance_svc.core.burns import Motor
from guidance_svc.core.compiled import part

FREEZE_BELOW_S = 2.0  # to go: the direction is frozen, only the cutoff follows
TAPER_FRAC = 0.3  # throttle for the end, where the engine can go so low
TAPER_ROOM = 1.15  # over the lowest throttle, so that trimming can go down as well
TRIM_UNTIL_STATES = 3.0  # before the cutoff: the throttle is left alone
COARSEST_GRID_S = 0.25  # states further apart than this say nothing of the script's clock


class Finish(NamedTuple):
    """The last seconds of a burn.

    Args:
        time_s: of the last state; minus infinity before the first (NO_FINISH).
        grid_s: spacing of the script's states, 0 while unknown or coarse.
        aim_s: cutoff instant on that grid that the throttle is trimmed for; minus infinity for none.
        throttle_frac: as last trimmed, 0 before that.
    """

    time_s: float
    grid_s: float
    aim_s: float
    throttle_frac: float


NO_FINISH = Finish(-inf, 0.0, -inf, 0.0)


class Ending(NamedTuple):
    """The engine in the last seconds: as flown, its throttle before the taper, its lowest throttle by the plan."""

    motor: Motor
    cruise_frac: float
    lowest_frac: float


class Aimed(NamedTuple):
    """What a state of the last seconds comes to: the record, speed still to gain, throttle and cutoff for it."""

    finish: Finish
    gain_m_s: float
    throttle_frac: float
    cutoff_s: float


@part
def taper_frac(cruise_frac: float, lowest_frac: float) -> float:
    """Throttle for the end of a burn: the cruise throttle itself, where the engine does not throttle."""
    return min(cruise_frac, max(TAPER_FRAC, TAPER_ROOM * lowest_frac)) if lowest_frac < 1.0 else cruise_frac


@part
def closing_time_s(cruise_frac: float, taper_frac: float) -> float:
    """How long the last seconds last: what FREEZE_BELOW_S at the cruise throttle gives, at the taper."""
    return FREEZE_BELOW_S * cruise_frac / taper_frac


@part
def tail_m_s(motor: Motor, mass_kg: float, throttle_frac: float) -> float:
    """Speed that the tail-off will give after a cutoff at this throttle, by the mean mass while it lasts."""
    impulse = throttle_frac * motor.tail_off_impulse_n_s
    return impulse / (mass_kg - 0.5 * impulse / motor.exhaust_velocity_m_s)


@part
def time_for_gain_s(motor: Motor, throttle_frac: float, mass_kg: float, gain_m_s: float) -> float:
    """Burn time that gives an ideal speed gain at a throttle."""
    tau_s = mass_kg * motor.exhaust_velocity_m_s / (throttle_frac * motor.thrust_n)
    return tau_s * (1.0 - exp(-gain_m_s / motor.exhaust_velocity_m_s))


@part
def aim_cutoff(finish: Finish, end: Ending, time_s: float, mass_kg: float, gain_m_s: float) -> Aimed:
    """One state of the last seconds.

    Args:
        gain_m_s: speed to gain, without what the tail-off gives.
    """
    dt, needed = time_s - finish.time_s, max(gain_m_s, 0.0)
    grid = dt if 0.0 < dt <= COARSEST_GRID_S else 0.0
    now = Finish(time_s, grid, finish.aim_s, finish.throttle_frac)
    finish, throttle = trim(now, end, time_s, mass_kg, needed)
    return Aimed(finish, needed, throttle, time_s + time_for_gain_s(end.motor, throttle, mass_kg, needed))


class Trimmed(NamedTuple):
    """The record with the cutoff instant that it aims for, and the throttle for the rest."""

    finish: Finish
    throttle_frac: float


@part
def trim(finish: Finish, end: Ending, time_s: float, mass_kg: float, gain_m_s: float) -> Trimmed:
    """Throttle for the rest, so that the cutoff falls on the script's clock grid."""
    taper, f = taper_frac(end.cruise_frac, end.lowest_frac), finish
    if not taper < end.cruise_frac:
        return Trimmed(f, end.cruise_frac)
    lasts, aim, throttle = time_for_gain_s(end.motor, taper, mass_kg, gain_m_s), f.aim_s, f.throttle_frac
    if aim == -inf and f.grid_s > 0.0:
        aim, throttle = time_s + ceil(lasts / f.grid_s) * f.grid_s, taper
    ordered = taper
    if aim > -inf and f.grid_s > 0.0:
        left = aim - time_s
        if left <= TRIM_UNTIL_STATES * f.grid_s:
            ordered = throttle if throttle > 0.0 else taper
        else:
            throttle = min(end.cruise_frac, max(end.lowest_frac, taper * lasts / left))
            ordered = throttle
    return Trimmed(Finish(f.time_s, f.grid_s, aim, throttle), ordered)

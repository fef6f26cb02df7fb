"""The last seconds of a burn in numbers: what is still needed, by the mean over states; throttle and cutoff for it.

The same source in Python, in a session, and compiled, in kernels.
"""

from __future__ import annotations

from math import ceil, exp, inf
from typing import NamedTuple

from guidance_svc.core.burns import Motor
from guidance_svc.core.compiled import keep_last, part

FREEZE_BELOW_S = 2.0  # to go: the direction is frozen, only the cutoff follows
MOST_NEEDS = 25  # states that the speed to gain is averaged over; more would carry the thrust model's error
QUIET_M_S = 0.002  # velocity noise below which one state is enough
TAPER_FRAC = 0.3  # throttle for the end, where the engine can go so low
TAPER_ROOM = 1.15  # over the lowest throttle, so that trimming can go down as well
TRIM_UNTIL_STATES = 3.0  # before the cutoff: the throttle is left alone
COARSEST_GRID_S = 0.25  # states further apart than this say nothing of the script's clock
THROTTLE_STEP = 0.02  # a change beyond this within the mean's span, acting late, would spoil it


class Finish(NamedTuple):
    """The last seconds of a burn.

    Args:
        time_s: of the last state; minus infinity before the first (NO_FINISH).
        full_push_m_s2, running_frac: acceleration at full throttle, and throttle, at it.
        given_m_s: speed that the engine has given since the last seconds began.
        needs_m_s: for each state, the speed to gain it showed plus `given_m_s`: equal but for noise.
        grid_s: spacing of the script's states, 0 while unknown or coarse.
        aim_s: cutoff instant on that grid that the throttle is trimmed for; minus infinity for none.
        throttle_frac: as last trimmed, 0 before that.
    """

    time_s: float
    full_push_m_s2: float
    running_frac: float
    given_m_s: float
    needs_m_s: tuple[float, ...]
    grid_s: float
    aim_s: float
    throttle_frac: float


NO_FINISH = Finish(-inf, 0.0, 0.0, 0.0, (), 0.0, -inf, 0.0)


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
def aim_cutoff(
    finish: Finish, end: Ending, time_s: float, mass_kg: float, gain_m_s: float, tail_m_s: float, running_frac: float,
    noise_m_s: float,
) -> Aimed:  # fmt: skip
    """One state of the last seconds.

    Args:
        gain_m_s: speed to gain that this state shows, without ...
        tail_m_s: ... what the tail-off gives.
        running_frac: throttle at which the engine runs now.
        noise_m_s: of the velocity of a state.
    """
    finish = add_need(finish, end.motor, time_s, mass_kg, gain_m_s + tail_m_s, running_frac)
    needed = max(mean_need_m_s(finish, noise_m_s) - finish.given_m_s - tail_m_s, 0.0)
    finish, throttle = trim(finish, end, time_s, mass_kg, needed)
    return Aimed(finish, needed, throttle, time_s + time_for_gain_s(end.motor, throttle, mass_kg, needed))


@part
def add_need(
    finish: Finish, motor: Motor, time_s: float, mass_kg: float, gain_m_s: float, running_frac: float
) -> Finish:
    """The record of needs with this state's; begun anew when the throttle has stepped."""
    push = motor.thrust_n / mass_kg
    if finish.time_s == -inf:
        return Finish(time_s, push, running_frac, 0.0, keep_last(finish.needs_m_s[:0], gain_m_s, 1), 0.0, -inf, 0.0)
    dt = time_s - finish.time_s
    given = finish.given_m_s + 0.5 * dt * running_frac * (push + finish.full_push_m_s2)
    stepped = abs(running_frac - finish.running_frac) > THROTTLE_STEP
    needs = finish.needs_m_s[:0] if stepped else finish.needs_m_s
    needs = keep_last(needs, gain_m_s + given, MOST_NEEDS)
    grid = dt if 0.0 < dt <= COARSEST_GRID_S else 0.0
    return Finish(time_s, push, running_frac, given, needs, grid, finish.aim_s, finish.throttle_frac)


@part
def mean_need_m_s(finish: Finish, noise_m_s: float) -> float:
    """Total speed gain needed since the last seconds began; mean over more states the noisier they are."""
    over = noise_m_s / QUIET_M_S
    count = min(float(len(finish.needs_m_s)), max(1.0, float(ceil(over * over))))
    return sum(finish.needs_m_s[len(finish.needs_m_s) - int(count) :]) / count


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
    return Trimmed(
        Finish(f.time_s, f.full_push_m_s2, f.running_frac, f.given_m_s, f.needs_m_s, f.grid_s, aim, throttle), ordered
    )

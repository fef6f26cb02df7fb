"""What is left to burn: arcs with and without thrust, and what they give.

Thrust integrals: the L, J, S, Q of the powered-explicit-guidance major loop; R. L. McHenry, T. J. Brand, A. D. Long,
B. F. Cockrell, J. R. Thibodeau, Journal of the Astronautical Sciences 27(1), 1979, pages 1-38 (from memory; equation
numbers not at hand).
"""

from __future__ import annotations

from collections.abc import MutableSequence
from dataclasses import dataclass, replace
from math import exp, inf, log
from typing import NamedTuple

from guidance_svc.core.arcs import mass_after
from guidance_svc.core.burn_flight import arc_times, longest_s
from guidance_svc.core.compiled import column, part
from guidance_svc.domain import Stage


@dataclass(frozen=True, slots=True)
class Arc:
    """One stretch of constant engine setting.

    Args:
        mass_kg: at its start.
        duration_s: how long it can last (propellant above the reserve), or for a coast how long it does last.
        thrust_n: 0 for a coast.
        exhaust_velocity_m_s: thrust over mass flow.
        held_m_s2: > 0 where the engine is throttled to hold this acceleration.
        stage: index of the vehicle's stage that burns.
        closing: the last arc, of fixed duration, flown whole at the end of any burn; its mass follows from that.
    """

    mass_kg: float
    duration_s: float
    thrust_n: float = 0.0
    exhaust_velocity_m_s: float = 1.0
    held_m_s2: float = 0.0
    stage: int = 0
    closing: bool = False

    @property
    def powered(self) -> bool:
        """Whether the engine is on."""
        return self.thrust_n > 0.0

    @property
    def longest_s(self) -> float:
        """Duration beyond which the arc is no longer physical, even when stretched past its propellant."""
        return longest_s(self.mass_kg, self.thrust_n, self.exhaust_velocity_m_s, self.held_m_s2)

    def mass_after_kg(self, time_s: float) -> float:
        """Mass `time_s` into the arc."""
        return mass_after(self.mass_kg, self.thrust_n, self.exhaust_velocity_m_s, self.held_m_s2, time_s)

    def speed_gain_m_s(self, time_s: float) -> float:
        """Ideal speed gain of the first `time_s` seconds."""
        if not self.powered:
            return 0.0
        return self.exhaust_velocity_m_s * log(self.mass_kg / self.mass_after_kg(time_s))

    def time_for_gain_s(self, gain_m_s: float) -> float:
        """Burn time that gives an ideal speed gain."""
        if self.held_m_s2 > 0.0:
            return gain_m_s / self.held_m_s2
        tau = self.mass_kg * self.exhaust_velocity_m_s / self.thrust_n
        return tau * (1.0 - exp(-gain_m_s / self.exhaust_velocity_m_s))


class Motor(NamedTuple):
    """The numbers of a stage's engine, as in `domain.Stage`."""

    thrust_n: float
    exhaust_velocity_m_s: float
    throttle_min_frac: float
    acceleration_limit_m_s2: float
    tail_off_impulse_n_s: float


def motor_of(stage: Stage) -> Motor:
    """The engine of a stage."""
    return Motor(
        stage.thrust_n, stage.exhaust_velocity_m_s, stage.throttle_min_frac, stage.acceleration_limit_m_s2,
        stage.tail_off_impulse_n_s,
    )  # fmt: skip


class Setting(NamedTuple):
    """One stretch of constant engine setting: mass where it begins, how long it can last, thrust, held acceleration."""

    mass_kg: float
    duration_s: float
    thrust_n: float
    held_m_s2: float


@part
def settings_of(motor: Motor, mass_kg: float, burnout_kg: float) -> list[Setting]:
    """The burn of one stage to its burnout: full thrust, then held acceleration, then lowest throttle."""
    full, ve, limit = motor.thrust_n, motor.exhaust_velocity_m_s, motor.acceleration_limit_m_s2
    lowest = full * motor.throttle_min_frac
    mass = max(mass_kg, burnout_kg)
    if limit == inf:
        return [Setting(mass, (mass - burnout_kg) * ve / full, full, 0.0)]
    out = [Setting(mass, 0.0, full, 0.0)]
    for thrust, held, floor in ((full, 0.0, full / limit), (full, limit, lowest / limit), (lowest, 0.0, 0.0)):
        end = max(burnout_kg, floor)
        if mass > end:
            lasts = ve / held * log(mass / end) if held > 0.0 else (mass - end) * ve / thrust
            out.append(Setting(mass, lasts, thrust, held))
            mass = end
    return out[1:] if len(out) > 1 else out


def burn_arcs(stage: Stage, index: int, mass_kg: float, burnout_kg: float) -> list[Arc]:
    """The burn of one stage to its burnout: full thrust, then held acceleration, then lowest throttle."""
    ve = stage.exhaust_velocity_m_s
    return [
        Arc(s.mass_kg, s.duration_s, s.thrust_n, ve, s.held_m_s2, index)
        for s in settings_of(motor_of(stage), mass_kg, burnout_kg)
    ]  # fmt: skip


def open_arcs(arcs: tuple[Arc, ...]) -> tuple[Arc, ...]:
    """The arcs whose duration the burn time decides."""
    return arcs[:-1] if arcs[-1].closing else arcs


def allot(arcs: tuple[Arc, ...], burn_s: float) -> list[tuple[Arc, float]]:
    """The arcs that a burn time fills, each with its duration; a closing arc comes on top.

    Coasts are flown whole when a burn follows them. A burn time beyond the propellant stretches the last
    powered arc: the solver may pass through such values, and the margin is then negative.
    """
    times = iter(arc_times(flat(arcs), counts(arcs), burn_s))
    out = []
    for at, begins_kg, lasts_s in zip(times, times, times, strict=True):
        arc = arcs[int(at)]
        out.append((replace(arc, mass_kg=begins_kg) if arc.closing else arc, lasts_s))
    return out


def flat(arcs: tuple[Arc, ...]) -> MutableSequence[float]:
    """Arcs as kernels take them: the columns of `core.burn_flight.Arcs`, one after another."""
    return column(
        [arc.mass_kg for arc in arcs] + [arc.duration_s for arc in arcs] + [arc.thrust_n for arc in arcs]
        + [arc.exhaust_velocity_m_s for arc in arcs] + [arc.held_m_s2 for arc in arcs] + [arc.stage for arc in arcs]
    )  # fmt: skip


def counts(arcs: tuple[Arc, ...]) -> tuple[int, int]:
    """How many arcs are open, and the index of the last of them that burns.

    Raises:
        ValueError: none does.
    """
    count = len(open_arcs(arcs))
    return count, max(i for i in range(count) if arcs[i].powered)


def burn_for_gain_s(arcs: tuple[Arc, ...], gain_m_s: float) -> float:
    """Burn time that gives an ideal speed gain; the last open arc is stretched if the propellant does not reach."""
    filled = [arc for arc in open_arcs(arcs) if arc.powered]
    left, total = gain_m_s, 0.0
    if arcs[-1].closing:
        left -= closing_gain_m_s(arcs[-1], filled, gain_m_s)
    for arc in filled[:-1]:
        whole = arc.speed_gain_m_s(arc.duration_s)
        if whole >= left:
            return total + max(arc.time_for_gain_s(left), 0.0)
        left -= whole
        total += arc.duration_s
    return total + min(max(filled[-1].time_for_gain_s(left), 0.0), filled[-1].longest_s)


def closing_gain_m_s(closing: Arc, filled: list[Arc], gain_m_s: float) -> float:
    """Speed that a closing arc gives at the end of a burn of a total gain."""
    left = gain_m_s
    for arc in filled[:-1]:
        left -= arc.speed_gain_m_s(arc.duration_s)
    end_kg = filled[-1].mass_kg * exp(-max(left, 0.0) / closing.exhaust_velocity_m_s)
    burnt_kg = closing.thrust_n / closing.exhaust_velocity_m_s * closing.duration_s
    return closing.exhaust_velocity_m_s * log(1.0 + burnt_kg / end_kg)


def time_at_gain_s(parts: list[tuple[Arc, float]], gain_m_s: float) -> float:
    """Instant within an allotted burn at which a part of its speed gain has been given."""
    left, start = gain_m_s, 0.0
    for arc, duration in parts:
        whole = arc.speed_gain_m_s(duration)
        if arc.powered and whole >= left:
            return start + arc.time_for_gain_s(left)
        left -= whole
        start += duration
    return start


def gain_m_s(arcs: tuple[Arc, ...], burn_s: float) -> float:
    """Ideal speed gain of a total burn time."""
    return sum(arc.speed_gain_m_s(duration) for arc, duration in allot(arcs, burn_s))


def mass_at_end_kg(arcs: tuple[Arc, ...], burn_s: float) -> float:
    """Mass at cutoff after a total burn time."""
    arc, duration_s = allot(arcs, burn_s)[-1]
    return arc.mass_after_kg(duration_s)


@dataclass(frozen=True, slots=True)
class ThrustIntegrals:
    """Integrals of thrust acceleration a(t) over the remaining burn, t from now to cutoff.

    L: of a, m/s; J: of a t, m; S: double integral of a, m; Q: double integral of a t, m s.
    """

    speed_gain_m_s: float  # L
    first_moment_m: float  # J
    distance_m: float  # S
    distance_moment_m_s: float  # Q
    total_s: float


def thrust_integrals(arcs: tuple[Arc, ...], burn_s: float, slices: int = 6) -> ThrustIntegrals:
    """The four integrals over the remaining arcs, coasts included.

    Gauss-Legendre would do as well; here each slice of an arc is taken with its exact speed gain, placed at
    its middle: within 2 % of the closed forms with six slices an arc, enough for a starting value.
    """
    total = sum(duration for _, duration in allot(arcs, burn_s))
    gain = moment = distance = distance_moment = start = 0.0
    for arc, duration in allot(arcs, burn_s):
        for k in range(slices if arc.powered else 0):
            t0, t1 = duration * k / slices, duration * (k + 1) / slices
            dv = arc.speed_gain_m_s(t1) - arc.speed_gain_m_s(t0)
            t = start + 0.5 * (t0 + t1)
            gain += dv
            moment += dv * t
            distance += dv * (total - t)
            distance_moment += dv * t * (total - t)
        start += duration
    return ThrustIntegrals(gain, moment, distance, distance_moment, total)

"""A whole burn flown in numbers: the arcs that a burn time fills, one after another, under one steering law."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, inf, log
from typing import NamedTuple

from guidance_svc.core.arcs import fly_arc, mass_after
from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.effort import CALL_STEPS
from guidance_svc.core.vectors import along, unit
from guidance_svc.domain import Vec

MASS_FLOOR_FRAC = 0.02  # no arc is extended past the point where this fraction of its mass is left
PREDICTION_STEPS = 64  # in all arcs together: what four arcs of the longest kind ask for
PREDICTION_OVERHEAD = 3  # what a prediction and its conditions cost besides, in steps


class Arcs(NamedTuple):
    """What is left to burn: one index an arc, one column a quantity (`core.burns.Arc`).

    Args:
        open_count: arcs whose duration the burn time decides; one more follows where the last one is closing.
        last_burn: index of the last open one with thrust.
    """

    mass_kg: Sequence[float]
    duration_s: Sequence[float]
    thrust_n: Sequence[float]
    exhaust_velocity_m_s: Sequence[float]
    held_m_s2: Sequence[float]
    stage: Sequence[float]
    open_count: int
    last_burn: int


class Gravity(NamedTuple):
    """Of a body: gravitational parameter, reference radius and second zonal harmonic (0 for a sphere)."""

    mu_m3_s2: float
    radius_m: float
    j2: float


class Arrival(NamedTuple):
    """Where a steering law leads: time of flight, state and steering vectors at cutoff, BCI; and what it cost.

    Args:
        gain_m_s: ideal speed gain.
        steps: as counted by `core.effort`.
    """

    total_s: float
    position_m: Vec
    velocity_m_s: Vec
    steer: Vec
    steer_rate: Vec
    gain_m_s: float
    steps: int


class Filled(NamedTuple):
    """The arcs that a burn time fills: which of `Arcs`, mass where each begins, how long, in how many steps flown."""

    arc: list[int]
    begins_kg: list[float]
    lasts_s: list[float]
    steps: list[int]


COLUMNS = 6  # of `Arcs`


@part
def arcs_from(flat: Sequence[float], open_count: int, last_burn: int) -> Arcs:
    """Arcs from their columns, one after another in one sequence: how they cross into compiled code."""
    n = len(flat) // COLUMNS
    return Arcs(
        flat[0:n], flat[n : 2 * n], flat[2 * n : 3 * n], flat[3 * n : 4 * n], flat[4 * n : 5 * n], flat[5 * n : 6 * n],
        open_count, last_burn,
    )  # fmt: skip


@part
def longest_s(mass_kg: float, thrust_n: float, exhaust_velocity_m_s: float, held_m_s2: float) -> float:
    """Duration beyond which an arc is no longer physical, even when stretched past its propellant."""
    if thrust_n <= 0.0 or held_m_s2 > 0.0:
        return inf
    return (1.0 - MASS_FLOOR_FRAC) * mass_kg * exhaust_velocity_m_s / thrust_n


@part
def fill_arcs(arcs: Arcs, burn_s: float) -> Filled:
    """The arcs that a burn time fills, each with its duration; a closing arc comes on top.

    Coasts are flown whole when a burn follows them. A burn time beyond the propellant stretches the last
    powered arc: the solver may pass through such values, and the margin is then negative.
    """
    out = Filled([0] * 0, [0.0] * 0, [0.0] * 0, [0] * 0)
    left = burn_s
    for i in range(arcs.open_count):
        if left <= 0.0 and i > 0 and arcs.thrust_n[i - 1] > 0.0:
            break
        lasts = arcs.duration_s[i]
        if arcs.thrust_n[i] > 0.0:
            if i == arcs.last_burn:
                lasts = longest_s(arcs.mass_kg[i], arcs.thrust_n[i], arcs.exhaust_velocity_m_s[i], arcs.held_m_s2[i])
            used = min(left, lasts)
            lasts = max(used, 0.0)
            left -= used
        add_arc(out, arcs, i, arcs.mass_kg[i], lasts)
    while arcs.thrust_n[out.arc[-1]] <= 0.0:
        remove_last(out)
    k, last = arcs.open_count, out.arc[-1]
    if len(arcs.mass_kg) > k and arcs.stage[k] == arcs.stage[last]:
        add_arc(out, arcs, k, mass_in_arc_kg(arcs, last, out.begins_kg[-1], out.lasts_s[-1]), arcs.duration_s[k])
    total = sum(out.steps)
    for j in range(len(out.steps)):
        out.steps[j] = bounded_steps(out.steps[j], total)
    return out


@part
def add_arc(out: Filled, arcs: Arcs, i: int, begins_kg: float, lasts_s: float) -> None:
    """Append an arc that begins with this mass and lasts so long, with the steps that it needs."""
    out.arc.append(i)
    out.begins_kg.append(begins_kg)
    out.lasts_s.append(lasts_s)
    burnt_frac = 0.0
    if arcs.thrust_n[i] > 0.0:
        burnt_frac = 1.0 - mass_in_arc_kg(arcs, i, begins_kg, lasts_s) / begins_kg
    out.steps.append(step_count(lasts_s, burnt_frac))


@part
def remove_last(out: Filled) -> None:
    """Drop the last arc again: it turned out to be a coast with no burn behind it."""
    out.arc.pop()
    out.begins_kg.pop()
    out.lasts_s.pop()
    out.steps.pop()


@part
def bounded_steps(steps: int, total: int) -> int:
    """Steps of one arc; fewer where all arcs together would ask for more than PREDICTION_STEPS."""
    return max(1, steps * PREDICTION_STEPS // total) if total > PREDICTION_STEPS else steps


@part
def step_count(duration_s: float, burnt_frac: float) -> int:
    """Integrator steps for one arc: 60 s each, more where the acceleration climbs, 2 to 16."""
    return max(2, ceil(min(16.0, duration_s / 60.0 + 8.0 * burnt_frac)))


@part
def mass_in_arc_kg(arcs: Arcs, i: int, begins_kg: float, time_s: float) -> float:
    """Mass some time into an arc."""
    return mass_after(begins_kg, arcs.thrust_n[i], arcs.exhaust_velocity_m_s[i], arcs.held_m_s2[i], time_s)


@part
def end_mass_kg(arcs: Arcs, burn_s: float) -> float:
    """Mass at cutoff after a total burn time, as `core.burns.mass_at_end_kg`."""
    parts = fill_arcs(arcs, burn_s)
    return mass_in_arc_kg(arcs, parts.arc[-1], parts.begins_kg[-1], parts.lasts_s[-1])


@part
def fly_burn(
    position_m: Vec, velocity_m_s: Vec, steer: Vec, steer_rate: Vec, burn_s: float, tail_m_s: float, arcs: Arcs,
    gravity: Gravity,
) -> Arrival:  # fmt: skip
    """Fly a law to its cutoff, tail-off included.

    Args:
        steer, steer_rate: p and p' (core.arcs), BCI.
        burn_s: coasts and the closing arc not counted.
        tail_m_s: speed that the tail-off gives along the last direction, at once, after the cutoff.
    """
    parts = fill_arcs(arcs, burn_s)
    total_s, gain_m_s, spent = 0.0, 0.0, PREDICTION_OVERHEAD
    for j in range(len(parts.arc)):
        i, begins, lasts, steps = parts.arc[j], parts.begins_kg[j], parts.lasts_s[j], parts.steps[j]
        thrust, exhaust, held = arcs.thrust_n[i], arcs.exhaust_velocity_m_s[i], arcs.held_m_s2[i]
        position_m, velocity_m_s, steer, steer_rate = fly_arc(
            position_m, velocity_m_s, steer, steer_rate, begins, thrust, exhaust, held, lasts, steps,
            gravity.mu_m3_s2, gravity.radius_m, gravity.j2,
        )  # fmt: skip
        total_s += lasts
        spent += steps + CALL_STEPS
        if thrust > 0.0:
            gain_m_s += exhaust * log(begins / mass_after(begins, thrust, exhaust, held, lasts))
    if tail_m_s != 0.0:
        velocity_m_s = along(velocity_m_s, tail_m_s, unit(steer))
    return Arrival(total_s, position_m, velocity_m_s, steer, steer_rate, gain_m_s, spent)


@kernel
def arc_times(flat_arcs: Sequence[float], counts: tuple[int, int], burn_s: float) -> list[float]:
    """Of the arcs that a burn time fills: index, mass where it begins, duration; one after another."""
    open_count, last_burn = counts
    parts = fill_arcs(arcs_from(flat_arcs, open_count, last_burn), burn_s)
    out = [0.0] * 0
    for j in range(len(parts.arc)):
        out.append(float(parts.arc[j]))
        out.append(parts.begins_kg[j])
        out.append(parts.lasts_s[j])
    return out


@kernel
def arrival_plain(
    place: tuple[Vec, Vec, float], law: tuple[Vec, Vec, float], flat_arcs: Sequence[float], counts: tuple[int, int],
    gravity: tuple[float, float, float],
) -> tuple[float, Vec, Vec, Vec, Vec, float, int]:  # fmt: skip
    """`fly_burn` from plain tuples to one: named ones take five times as long to cross into compiled code."""
    position_m, velocity_m_s, tail_m_s = place
    steer, steer_rate, burn_s = law
    open_count, last_burn = counts
    arcs = arcs_from(flat_arcs, open_count, last_burn)
    a = fly_burn(position_m, velocity_m_s, steer, steer_rate, burn_s, tail_m_s, arcs, Gravity(*gravity))
    return a.total_s, a.position_m, a.velocity_m_s, a.steer, a.steer_rate, a.gain_m_s, a.steps

"""The rows of the disturbance table: what is wrong in each, one seeded flight of it, and how far it missed.

Case V06 (three-dimensional, 24 t, T/W 0.8, 359 s to 200 x 500 km). The clock's ticks fall at a random phase against
the cutoff: the first tick of a flight is cut short at random by seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import ceil, degrees, pi
from random import Random

from guidance_svc.core.kepler import apsides, inclination_rad, node_rad
from guidance_svc.domain import FlightPlan
from guidance_svc.sim.state import Controls, SimState, World
from guidance_svc.sim.step import step
from tests.closed_loop.disturbed import Disturbance, fly_disturbed
from tests.closed_loop.hand_written_disturbed import fly_by_hand_disturbed
from tests.closed_loop.hand_written_law import Tuning, tuned
from tests.closed_loop.optimum_cases import CASES, insertion_case

CASE = "V06"
BURN_S: float = CASES[CASE]["optimum"]["burn_time_total_s"]
TICK_S = 0.02


@dataclass(frozen=True)
class Row:
    """One row: its name, what is wrong, and the apogee error that was to be beaten (None where none was set)."""

    name: str
    disturbance: Disturbance
    to_beat_m: float | None = None


NOISE = Disturbance(noise_m_s=0.1, noise_m=10.0)
TAIL_OFF = Disturbance(tail_off_s=0.15)
TAIL_OFF_WRONG = replace(TAIL_OFF, tail_off_told=0.8)
LOSS = Disturbance(thrust_kept=2.0 / 3.0)
ALL = Disturbance(
    noise_m_s=0.1, noise_m=10.0, delay_ticks=2, cut_on_tick=True, thrust=0.97, isp=0.98, mass=1.01, tail_off_s=0.15,
    thrust_kept=2.0 / 3.0, lost_at=0.4,
)  # fmt: skip

CLOCK_AND_FIGURES = (
    Row("clean", Disturbance(), 20.0),
    Row("cut at nearest 20 ms tick", Disturbance(cut_on_tick=True)),
    Row("cut at nearest 20 ms tick, taper", Disturbance(cut_on_tick=True, throttle_min=0.4), 300.0),
    Row("noise 0.1 m/s, 10 m", NOISE, 350.0),
    Row("noise 0.1 m/s, 10 m, taper", replace(NOISE, throttle_min=0.4), 350.0),
    Row("delay 2 ticks", Disturbance(delay_ticks=2)),
    Row("thrust -3 %, Isp -2 %, mass +1 %", Disturbance(thrust=0.97, isp=0.98, mass=1.01)),
    Row("tail-off 0.15 s known", TAIL_OFF),
    Row("tail-off 20 % wrong", TAIL_OFF_WRONG),
    Row("tail-off 20 % wrong, taper", replace(TAIL_OFF_WRONG, throttle_min=0.4)),
)
ENGINE_LOSS = tuple(Row(f"a third lost at {at:.0%}", replace(LOSS, lost_at=at), 150.0) for at in (0.2, 0.4, 0.7))
EVERYTHING = tuple(
    Row(f"all, throttle {low}-1, tail-off {said}", replace(ALL, throttle_min=low, tail_off_told=told), 1500.0)
    for said, told in (("known", 1.0), ("20 % wrong", 0.8))
    for low in (0.25, 0.4)
)
RATES = tuple(
    Row(f"state every {every * TICK_S:g} s{said}", replace(base, state_every=every), beat)
    for said, base, beat in (("", Disturbance(), None), (", noise", NOISE, None))
    for every in (1, 5, 25, 100)
)
GROUPS = {
    "Clock, noise, figures": CLOCK_AND_FIGURES,
    "A third of the thrust lost": ENGINE_LOSS,
    "All together, a third lost at 40 %": EVERYTHING,
    "Rate of states": RATES,
}


@dataclass(frozen=True)
class Miss:
    """Errors at the end: apsides in m, inclination and node in deg; what the replies said on the way."""

    perigee_m: float
    apogee_m: float
    inclination_deg: float
    node_deg: float
    statuses: frozenset[str] = frozenset()


def started(seed: int, major_cycle_s: float, tick_s: float) -> tuple[FlightPlan, World, SimState]:
    """The case, a random part of a tick after ignition."""
    plan, world, state = insertion_case(CASE, major_cycle_s)
    part = Random(f"phase {seed}").uniform(0.02, 1.0)
    return plan, world, step(state, Controls(engine_on=True), part * tick_s, world)


def miss_of(plan: FlightPlan, state: SimState, statuses: frozenset[str] = frozenset()) -> Miss:
    """How far the orbit is from the plan's target."""
    target = plan.target
    assert target is not None
    place, speed = state.position_m, state.velocity_m_s
    low, high = apsides(place, speed, plan.body.mu_m3_s2)
    off = (node_rad(place, speed) - target.node_rad + pi) % (2.0 * pi) - pi
    return Miss(
        low - target.perigee_radius_m, high - target.apogee_radius_m,
        degrees(inclination_rad(place, speed) - target.inclination_rad), degrees(off), statuses,
    )  # fmt: skip


def flown(disturbance: Disturbance, seed: int, tick_s: float = TICK_S) -> Miss:
    """One flight by the service."""
    plan, world, state = started(seed, 0.5, tick_s)
    end, _, commands = fly_disturbed(plan, world, state, disturbance, seed, BURN_S, tick_s)
    return miss_of(plan, end, frozenset(command.status for command in commands))


@cache
def tuning() -> Tuning:
    """What the author of the hand-written law found by trying, with the planned vehicle, undisturbed."""
    plan, world, state = insertion_case(CASE)
    return tuned(plan, world, state)


def flown_by_hand(disturbance: Disturbance, seed: int, tick_s: float = TICK_S) -> Miss:
    """The same flight by the hand-written law; its engine is not throttled."""
    plan, world, state = started(seed, 0.5, tick_s)
    end = fly_by_hand_disturbed(plan, world, state, disturbance, seed, BURN_S, tuning(), tick_s)
    return miss_of(plan, end)


def percentile(values: Sequence[float], frac: float) -> float:
    """Of the absolute values: the least that is not exceeded by this part of them."""
    ordered = sorted(abs(value) for value in values)
    return ordered[max(0, ceil(frac * len(ordered)) - 1)]

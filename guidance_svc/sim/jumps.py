"""What happens to a vehicle at an instant: engines lit, cut, regrouped or lost, stages dropped, holds let go."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from guidance_svc.core.rocket import speed_gain_m_s
from guidance_svc.core.vectors import along
from guidance_svc.domain import Stage
from guidance_svc.sim.state import (
    SimState,
    World,
    alive_count,
    given_frac,
    lit_count,
    mass_kg,
    present_stage,
    tank_kg,
)


def ignite(state: SimState, world: World) -> SimState:
    """Engines commanded on now; nothing changes if they are on, have nothing to burn, or cannot be lit again."""
    stage = present_stage(state, world)
    if stage is None or state.engine_on or tank_kg(state) <= 0.0 or not can_light(state, stage):
        return state
    lit = count_lighting(state, stage)
    return replace(lit, engine_on=True, thrust_from_s=state.time_s + delay_s(stage, world), burning=0)


def delay_s(stage: Stage, world: World) -> float:
    """From an ignition command to the first thrust."""
    return max(0.0, world.ignition_delay_s + stage.ignition_delay_s)


def can_light(state: SimState, stage: Stage) -> bool:
    """Whether an ignition of the present stage is left."""
    done = state.lightings[state.stage] if state.stage < len(state.lightings) else 0
    return stage.ignitions is None or done < stage.ignitions


def count_lighting(state: SimState, stage: Stage) -> SimState:
    """The state with one ignition more spent, where they are counted."""
    if stage.ignitions is None:
        return state
    counts = state.lightings + (0,) * (len(state.propellant_kg) - len(state.lightings))
    return replace(state, lightings=(*counts[: state.stage], counts[state.stage] + 1, *counts[state.stage + 1 :]))


def regroup(state: SimState, world: World, engines: int | None) -> SimState:
    """So many engines asked for from now on, None for all: fewer at once, more after the ignition delay, if they can be
    lit."""
    stage = present_stage(state, world)
    if engines == state.engines or stage is None:
        return state
    asked = replace(state, engines=engines)
    if not state.engine_on:
        return asked
    after = alive_count(asked, stage)
    if state.time_s < state.thrust_from_s:
        return replace(asked, burning=min(state.burning, after))
    before = lit_count(state, world)
    if after <= before:
        return asked
    if not can_light(state, stage):
        return state
    later_s = state.time_s + delay_s(stage, world)
    return replace(count_lighting(asked, stage), burning=before, thrust_from_s=later_s)


def without_engine(state: SimState, world: World, index: int) -> SimState:
    """An engine of the present stage lost now, with its thrust; for good.

    Args:
        index: of the engine, from 0 in the middle: a group of n engines is 0 to n - 1.
    """
    if index in state.lost:
        return state
    before = lit_count(state, world)
    lost = replace(state, lost=(*state.lost, index), burning=state.burning - (index < state.burning))
    after = lit_count(lost, world)
    return lost if after == before else replace(lost, thrust_frac=lost.thrust_frac * after / before)


def cut_off(state: SimState, world: World) -> SimState:
    """Engines commanded off now; tail-off impulse in proportion to the thrust, given at once, as propellant lasts."""
    stage, frac = present_stage(state, world), given_frac(state, world)
    off = replace(state, engine_on=False, thrust_frac=0.0, burning=0)
    if stage is None or frac == 0.0 or stage.tail_off_impulse_n_s == 0.0:
        return off
    left = state.propellant_kg[state.stage]
    burnt = min(left, frac * stage.tail_off_impulse_n_s / stage.exhaust_velocity_m_s)
    gain = speed_gain_m_s(mass_kg(state, world), burnt, stage.exhaust_velocity_m_s)
    tanks = with_tank(state.propellant_kg, state.stage, left - burnt)
    return replace(off, propellant_kg=tanks, velocity_m_s=along(state.velocity_m_s, gain, state.pointing))


def separate(state: SimState, world: World) -> SimState:
    """The present stage dropped with what is left in it; engine off. Nothing changes when none is left to drop."""
    if present_stage(state, world) is None:
        return state
    return replace(
        state, stage=state.stage + 1, engine_on=False, thrust_from_s=-inf, thrust_frac=0.0, burning=0, lost=(),
        engines=None,
    )  # fmt: skip


def release(state: SimState, world: World) -> SimState:
    """The state after what held the vehicle, on the pad or after a contact, has let go."""
    return replace(state, held_down=False, contact=None)


def drop_cover(state: SimState, world: World) -> SimState:
    """The cover dropped; nothing changes when it is gone."""
    return replace(state, covered=False) if state.covered else state


def with_tank(tanks: tuple[float, ...], index: int, propellant_kg: float) -> tuple[float, ...]:
    """The tanks with one of them changed."""
    return (*tanks[:index], propellant_kg, *tanks[index + 1 :])

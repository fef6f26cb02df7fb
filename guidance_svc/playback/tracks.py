"""The states of a recorded session as arrays in the inertial frame; what the script did not tell is made up for."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan
from typing import Any, Final

import numpy as np

from guidance_svc.core.frames import direction_to_bci, state_to_bci
from guidance_svc.core.vectors import unit
from guidance_svc.domain import Body, Boost, FlightPlan, Frame, Insertion, Vec, Vehicle, VehicleState
from guidance_svc.laws.table import act_of
from guidance_svc.playback.setting import Setting
from guidance_svc.report.track import Ints, Track, throttle_as_set

NOWHERE: Final = (nan, nan, nan)
DROPPED_FRAC: Final = 0.5  # of a stage's dry mass, lost between two states: the stage is gone

Commands = Sequence[dict[str, Any] | None]


def track_of(setting: Setting, states: Sequence[VehicleState], commands: Commands) -> Track:
    """The arrays, SI, BCI; what the script did not tell is taken from the command before.

    Args:
        states, commands: in step, times rising; None where a state has no reply.
    """
    frame, body = setting.frame, setting.plan.body
    told = [state_to_bci(state, frame, body) for state in states]
    before = [None, *commands[:-1]]
    cutoffs = [nan if c is None or c["cutoff_at_s"] is None else c["cutoff_at_s"] for c in commands]
    on = np.array([burning(s, c) for s, c in zip(states, before, strict=True)])
    throttle = np.array([_throttle(s, c) for s, c in zip(states, before, strict=True)])
    stages, vehicle = _stages(setting.plan, states), setting.plan.vehicle
    return Track(
        times_s=np.array([s.time_s for s in states]),
        positions_m=np.array([p for p, _ in told]),
        velocities_m_s=np.array([v for _, v in told]),
        masses_kg=np.array([s.mass_kg for s in states]),
        pointing=np.array([_pointing(s, c, frame, body) for s, c in zip(states, before, strict=True)]),
        throttle_frac=throttle_as_set(throttle, on),
        engine_on=on,
        stage=stages,
        thrust_n=np.array([nan if s.thrust_n is None else s.thrust_n for s in states]),
        cutoff_at_s=np.array(cutoffs, dtype=float),
        ignite_at_s=np.array([_ignition(c) for c in commands], dtype=float),
        lit_frac=np.array([_lit_frac(*row, vehicle) for row in zip(states, before, stages, strict=True)]),
        bears=np.array([_bears(s) for s in states]),
        body=body,
    )


def _lit_frac(state: VehicleState, command: dict[str, Any] | None, stage: int, vehicle: Vehicle) -> float:
    """Part of the stage's engines that burn; all of them where neither state nor command says how many."""
    count = vehicle.stages[min(stage, len(vehicle.stages) - 1)].engine_count
    told = state.readings.engines_lit if state.readings is not None else None
    return (told or (command or {}).get("engines") or count) / count


def _bears(state: VehicleState) -> float:
    """Whether legs or arms bear: 1, 0, NaN where the state does not say."""
    told = state.readings.contact if state.readings is not None else None
    return nan if told is None else float(told)


def burning(state: VehicleState, command: dict[str, Any] | None) -> bool:
    """Whether the engine is on at a state; `command` is the reply to the one before."""
    if state.engine_on is not None:
        return state.engine_on
    if state.thrust_n is not None:
        return state.thrust_n > 0.0
    if state.throttle_frac is not None:
        return state.throttle_frac > 0.0
    return command is not None and bool(command["engine_on"])


def _first_stage(plan: FlightPlan) -> int:
    """Index of the stage that burns first: 0 with a boost, else that of the insertion."""
    if any(isinstance(phase, Boost) for phase in plan.phases):
        return 0
    return next((phase.first_stage for phase in plan.phases if isinstance(phase, Insertion)), 0)


def _stages(plan: FlightPlan, states: Sequence[VehicleState]) -> Ints:
    """The burning stage as told; where it is not, one more whenever most of a stage's dry mass goes at once."""
    vehicle, index = plan.vehicle, _first_stage(plan)
    last, found = len(vehicle.stages) - 1, list[int]()
    before = states[0]
    for state in states:
        lost_kg = before.mass_kg - state.mass_kg
        dry_kg = vehicle.stages[min(index, last)].dry_mass_kg
        if lost_kg > DROPPED_FRAC * dry_kg and _too_fast(vehicle, lost_kg, state.time_s - before.time_s):
            index = min(index + 1, last)
        before = state
        found.append(index if state.stage is None else state.stage)
    return np.array(found, dtype=np.int64)


def _too_fast(vehicle: Vehicle, lost_kg: float, gap_s: float) -> bool:
    """Whether a loss of mass is more than any engine of the vehicle burns in that time."""
    return lost_kg > 2.0 * max(stage.mass_flow_kg_s for stage in vehicle.stages) * max(gap_s, 0.0)


def _pointing(state: VehicleState, command: dict[str, Any] | None, frame: Frame, body: Body) -> Vec:
    vector = state.pointing_script
    if vector is None and command is not None:
        x, y, z = command["pointing"]
        vector = (x, y, z)
    return NOWHERE if vector is None else direction_to_bci(unit(vector), frame, body, state.time_s)


def _throttle(state: VehicleState, command: dict[str, Any] | None) -> float:
    if state.throttle_frac is not None:
        return state.throttle_frac
    return 1.0 if command is None else float(command["throttle"])


def _ignition(command: dict[str, Any] | None) -> float:
    event = None if command is None else command["event"]
    return float(event["at_s"]) if event is not None and act_of(event["name"]) == "ignite" else nan

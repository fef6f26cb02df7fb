"""Fewer states of a long recording, so that its report fits in memory however long it is.

Where nothing changes, states closer together than a gap are left out; the gap is an eighth as long while the engine
burns. States near a change of phase, status, event, engine or stage stay, and so do the first and the last.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from guidance_svc.domain import VehicleState
from guidance_svc.report.track import Bools

MOST_STATES: Final = 100_000  # of all vehicles; 3 kB each until the page is written
FIRST_GAP_S: Final = 0.16  # between coasting states
BURNING_FRAC: Final = 0.125
LONGEST_COAST_GAP_S: Final = 4.0  # beyond 5 s gravity is no longer integrated over (report.track)
LONGEST_GAP_S: Final = 100.0  # beyond it nothing is spared
NEAR_S: Final = 2.0  # of a change: spool-up, tail-off, the last seconds


def choose_states(states: Sequence[VehicleState], commands: Sequence[dict[str, Any] | None], gap_s: float) -> list[int]:
    """Indices of the states that stay.

    Args:
        states, commands: of one session, in step, times rising.
        gap_s: between coasting states.
    """
    if len(states) < 3:
        return list(range(len(states)))
    keys = [_key(state, command) for state, command in zip(states, commands, strict=True)]
    times_s = np.array([state.time_s for state in states])
    near = _near(times_s, np.array([a != b for a, b in zip(keys[1:], keys[:-1], strict=True)]))
    coast_gap_s, burn_gap_s = min(gap_s, LONGEST_COAST_GAP_S), BURNING_FRAC * gap_s
    if gap_s > LONGEST_GAP_S:  # a flight of nothing but changes
        near, coast_gap_s = np.zeros(len(times_s), dtype=bool), gap_s
    chosen = [0]
    for index in range(1, len(states) - 1):
        least_s = burn_gap_s if keys[index][2] else coast_gap_s
        if near[index] or times_s[index] - times_s[chosen[-1]] >= least_s * (1.0 - 1e-9):
            chosen.append(index)
    return [*chosen, len(states) - 1]


def _near(times_s: Any, changes: Bools) -> Bools:
    """Which states are near a change."""
    at_s = times_s[1:][changes]
    if not len(at_s):
        return np.zeros(len(times_s), dtype=bool)
    after = np.searchsorted(at_s, times_s)
    before_s = np.where(after > 0, times_s - at_s[np.maximum(after - 1, 0)], np.inf)
    ahead_s = np.where(after < len(at_s), at_s[np.minimum(after, len(at_s) - 1)] - times_s, np.inf)
    return np.asarray(np.minimum(before_s, ahead_s) <= NEAR_S)


def _key(state: VehicleState, command: dict[str, Any] | None) -> tuple[object, ...]:
    """What must not be lost when it changes; the third is whether the engine burns."""
    if command is None:
        return ("", "", bool(state.engine_on), state.stage, None)
    event = command["event"]["id"] if command["event"] else None
    burning = bool(command["engine_on"]) if state.engine_on is None else state.engine_on
    return (command["phase"], command["status"], burning, state.stage, event)

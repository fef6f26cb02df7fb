"""A short burn through the real session layer, recorded with or without detail; coarse steps, invented vehicle."""

from __future__ import annotations

from itertools import count
from math import sqrt
from pathlib import Path
from typing import Any

import msgpack
from board_recordings import MU_M3_S2, PLAN, library

from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder

THRUST_N, FLOW_KG_S, STEP_S = 1e5, 1e5 / 3400.0, 0.5


def fly_recorded(path: Path, detail: bool, steps: int = 120) -> Path:
    """A minute of an insertion; the recording is left as a killed service would."""
    ticks = count(1_700_000_000_000_000_000, 100_000_000)
    recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
    registry = Registry(lambda: "secret")
    desk = Desk(registry, library(), recorder)

    def ask(message: dict[str, Any]) -> dict[str, Any]:
        reply: dict[str, Any] = msgpack.unpackb(desk.receive(("zmq", 1), msgpack.packb(message)))
        while registry.pending():
            registry.work()
        return reply

    opening = {"type": "open", "protocol": 1, "vehicle": "kite-1", "role": "upper_stage", "plan": PLAN}
    assert ask(opening | {"detail": detail})["type"] == "opened"
    state: dict[str, Any] = {
        "type": "state", "seq": 0, "time_s": 10.0, "mass_kg": 10500.0, "stage": 1,
        "position_m": [6.538e6, 0.0, 0.0], "velocity_m_s": [400.0, 5500.0, 300.0],
    }  # fmt: skip
    for _ in range(steps):
        command = ask(state)
        assert command["type"] == "command", command
        state = stepped(state, command)
    recorder.flush()
    recorder._sink.close()
    return path


def stepped(state: dict[str, Any], command: dict[str, Any]) -> dict[str, Any]:
    """The next state along the command, one Euler step."""
    r, v, mass = state["position_m"], state["velocity_m_s"], state["mass_kg"]
    pull, on = -MU_M3_S2 / sqrt(sum(x * x for x in r)) ** 3, command["engine_on"]
    speeds = [
        v[i] + STEP_S * (pull * r[i] + (THRUST_N / mass * command["pointing"][i] if on else 0.0)) for i in range(3)
    ]
    return state | {
        "seq": state["seq"] + 1, "time_s": state["time_s"] + STEP_S,
        "mass_kg": mass - (STEP_S * FLOW_KG_S if on else 0.0),
        "position_m": [r[i] + STEP_S * speeds[i] for i in range(3)], "velocity_m_s": speeds,
    }  # fmt: skip

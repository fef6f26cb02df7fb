"""A long recording for measurements: a burn as flown, then hours of coast, written by the service's own recorder."""

from __future__ import annotations

import tomllib
from itertools import count
from pathlib import Path
from typing import Any

import msgpack

from guidance_svc.core.kepler import propagate
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder
from tests.bench import states

TICK_S = 0.02
FLUSH_EVERY = 1000


def write(path: Path, exchanges: int, vehicle: str = "curlew") -> None:
    """A burn answered by a real session, then coasting states at 50 Hz with the last reply at their times.

    Args:
        path: of the recording, which must not be there.
        exchanges: states in all.
    """
    ticks = count(1_700_000_000_000_000_000, 20_000_000)
    recorder = McapRecorder(path, lambda: next(ticks), {"version": "bench"})
    registry = Registry(lambda: "token")
    desk = Desk(registry, load_library(default_folder()), recorder)
    earth = tomllib.loads((default_folder() / "bodies" / "earth.toml").read_text("utf-8"))
    opening = {**msgpack.unpackb(states.opening(vehicle)), "plan": {**states.PLAN, "body": earth}}
    desk.receive(("zmq", 1), msgpack.packb(opening))
    burn = states.flown()[:exchanges]
    reply: dict[str, Any] = {}
    for state in burn:
        reply = msgpack.unpackb(desk.receive(("zmq", 1), msgpack.packb(states.as_message(state))))
        registry.work()
    last, body = burn[-1], states.plan().body
    message = {**states.as_message(last), "engine_on": False, "throttle": 0.0, "thrust_n": 0.0}
    reply = {**reply, "phase": "orbit", "engine_on": False, "cutoff_at_s": None, "time_to_cutoff_s": None,
             "throttle_down": None, "event": None}  # fmt: skip
    r, v, time_s = last.position_script_m, last.velocity_script_m_s, last.time_s
    assert r is not None
    assert v is not None
    for k in range(1, exchanges - len(burn) + 1):
        r, v = propagate(r, v, TICK_S, body.mu_m3_s2)
        now = {"seq": last.seq + k, "time_s": time_s + TICK_S * k}
        recorder.exchange(1, vehicle, {**message, **now, "position_m": r, "velocity_m_s": v}, {**reply, **now})
        if k % FLUSH_EVERY == 0:
            recorder.flush()
    recorder.close()

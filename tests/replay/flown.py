"""A small flight through the real session layer, recorded: coarse steps, invented vehicle; only sameness matters."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count
from math import sqrt
from pathlib import Path
from typing import Any

import msgpack

from guidance_svc.files.config_files import Library
from guidance_svc.laws.plan_model import flight_plan_model
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.storage.compacting import compact
from guidance_svc.storage.recorder import McapRecorder, NoRecorder, Recorder
from guidance_svc.wire.plans import BodyModel, StageModel, VehicleModel

MU_M3_S2 = 3.986004418e14
THRUST_N, FLOW_KG_S = 1e5, 1e5 / 3400.0
STEP_S = 0.5


def plan_table(apogee_km: float = 460.0) -> dict[str, Any]:
    return {
        "name": "up",
        "body": "earth",
        "vehicle": "kite",
        "gravity": "sphere",
        "target": {"perigee_altitude_km": 200.0, "apogee_altitude_km": apogee_km},
    }


def library() -> Library:
    stage = StageModel(
        name="kite", dry_mass_kg=1500.0, propellant_kg=9000.0, thrust_n=THRUST_N, exhaust_velocity_m_s=3400.0
    )
    return Library(
        bodies={"earth": BodyModel(mu_m3_s2=MU_M3_S2, radius_m=6378137.0)},
        vehicles={"kite": VehicleModel(stages=[stage])},
        flights={"up": flight_plan_model().model_validate(plan_table())},
    )


class Service:
    """A desk with the real registry; every message and its deferred work, one at a time."""

    def __init__(self, recorder: Recorder | None = None) -> None:
        tokens = count(1)
        self.recorder = recorder or NoRecorder()
        self.registry = Registry(lambda: f"secret-{next(tokens)}")
        self.desk = Desk(self.registry, library(), recorder)

    def ask(self, link: Any, message: dict[str, Any]) -> dict[str, Any]:
        reply: dict[str, Any] = msgpack.unpackb(self.desk.receive(link, msgpack.packb(message)))
        while self.registry.pending():
            self.registry.work()
        self.recorder.flush()
        return reply


def open_message(vehicle: str, **fields: Any) -> dict[str, Any]:
    return {"type": "open", "protocol": 1, "vehicle": vehicle, "role": "upper_stage", "plan": "up", **fields}


def step(state: dict[str, Any], command: dict[str, Any]) -> dict[str, Any]:
    """The next state after STEP_S along the command, by one midpoint-free Euler step: coarse on purpose."""
    r, v, mass = state["position_m"], state["velocity_m_s"], state["mass_kg"]
    pull = -MU_M3_S2 / sqrt(sum(x * x for x in r)) ** 3
    push = THRUST_N / mass if command["engine_on"] else 0.0
    speeds = [v[i] + STEP_S * (pull * r[i] + push * command["pointing"][i]) for i in range(3)]
    return {
        **state,
        "seq": state["seq"] + 1,
        "time_s": state["time_s"] + STEP_S,
        "mass_kg": mass - (STEP_S * FLOW_KG_S if command["engine_on"] else 0.0),
        "position_m": [r[i] + STEP_S * speeds[i] for i in range(3)],
        "velocity_m_s": speeds,
    }


def first_state(offset_m: float) -> dict[str, Any]:
    return {
        "type": "state",
        "seq": 0,
        "time_s": 10.0,
        "mass_kg": 10500.0,
        "position_m": [6.538e6, offset_m, 0.0],
        "velocity_m_s": [400.0, 5500.0, 300.0],
    }


def fly(
    path: Path,
    steps: int = 60,
    bent: Callable[[dict[str, Any]], dict[str, Any]] | None = None,
    close: bool = True,
    detail: bool = True,
) -> Path:
    """Two vehicles, a lost connection, a resumed session and two refusals, recorded to `path`.

    Args:
        bent: changes each reply as it is recorded, to make recordings that a replay must not accept.
    """
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    recorder = McapRecorder(path, lambda: next(ticks), {"version": "test"})
    play_through(Service(_Bending(recorder, bent) if bent else recorder), steps, detail)
    if close:
        recorder.close()
        compact(path)
    else:
        abandon(recorder)
    return path


def play_through(service: Service, steps: int, detail: bool = True) -> None:
    """The flight of `fly`."""
    links: dict[str, Any] = {"kite-1": ("tcp", 1), "kite-2": ("zmq", b"\x00a")}
    tokens = {name: service.ask(link, open_message(name, detail=True))["token"] for name, link in links.items()}
    states = {"kite-1": first_state(0.0), "kite-2": first_state(20e3)}
    for k in range(steps):
        for name in links:
            command = service.ask(links[name], states[name])
            assert command["type"] == "command", command
            states[name] = step(states[name], command)
        if k == steps // 2:
            service.desk.drop(links["kite-1"])
            links["kite-1"] = ("tcp", 2)
            service.ask(links["kite-1"], open_message("kite-1", detail=detail, resume="wrong"))
            service.ask(links["kite-1"], open_message("kite-1", detail=detail, resume=tokens["kite-1"]))
            service.ask(links["kite-2"], {**states["kite-2"], "mass_kg": -1.0})
            service.desk.receive(links["kite-2"], b"\xc1garbage")
    service.ask(links["kite-1"], {"type": "close"})


def abandon(recorder: McapRecorder) -> None:
    """Leave the file as a killed process would: everything handed over, nothing finished."""
    recorder.flush()
    recorder._sink.close()


class _Bending:
    """A recorder in front of the real one that changes replies."""

    def __init__(self, inner: McapRecorder, bent: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
        self._inner, self._bent = inner, bent
        self.plan, self.refusal, self.flush, self.state = inner.plan, inner.refusal, inner.flush, inner.state

    def exchange(self, link: int, vehicle: str | None, request: dict[str, Any], reply: dict[str, Any]) -> None:
        self._inner.exchange(link, vehicle, request, self._bent(dict(reply)))

    def close(self) -> None:
        self._inner.close()

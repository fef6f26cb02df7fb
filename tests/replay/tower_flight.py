"""A lander and its tower on one clock, through the desk: both recorded, the tower making up its mind in the middle."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import count
from math import degrees
from pathlib import Path
from typing import Any

import msgpack

from guidance_svc.files.config_files import Library
from guidance_svc.playback.replay import InProcess
from guidance_svc.rehearsal.speaking import state_message
from guidance_svc.service.desk import Desk
from guidance_svc.service.keeping import RecordedSessions
from guidance_svc.session.registry import Registry
from guidance_svc.storage.recorder import McapRecorder, NoRecorder, Recorder
from tests.closed_loop.landing_flights import LANDER, MOONLIKE, SITE
from tests.session.tower_talk import hop, word

PLACE = {
    "name": SITE.name, "latitude_deg": degrees(SITE.latitude_rad), "longitude_deg": degrees(SITE.longitude_rad),
    "altitude_m": SITE.altitude_m,
}  # fmt: skip
BODY = {"name": "moonlike", "mu_m3_s2": MOONLIKE.mu_m3_s2, "radius_m": MOONLIKE.radius_m}
STAGE = {
    "name": "lander", "dry_mass_kg": 4e3, "propellant_kg": 5.2e3, "thrust_n": 45e3, "exhaust_velocity_m_s": 3050.0,
    "throttle_min_frac": 0.1,
}  # fmt: skip
LANDING = {
    "body": BODY, "vehicle": {"stages": [STAGE], "legs_below_m": LANDER.legs_below_m}, "landing": PLACE,
    "phases": [{"law": "descent", "planned_throttle": 0.6}],
}  # fmt: skip
TOWER = {"body": BODY, "site": PLACE, "phases": [{"law": "receive", "catch_height_m": 60.0, "turnaround_s": 900.0}]}
CONTACT = next(k for k, state in enumerate(hop()) if state.readings and state.readings.contact)
STATES = [state_message(state._replace(seq=k)) for k, state in enumerate([*hop()[:CONTACT:8], hop()[CONTACT]])]


class Service:
    """A desk, its registry and its recorder; major cycles wait for as long as they can, as on a busy machine."""

    def __init__(self, recorder: Recorder | None = None) -> None:
        tokens = count()
        self.recorder = recorder or NoRecorder()
        self.registry = Registry(lambda: f"token-{next(tokens)}")
        self.desk = Desk(self.registry, Library(), self.recorder)

    def ask(self, name: str, message: dict[str, Any]) -> dict[str, Any]:
        reply: dict[str, Any] = msgpack.unpackb(self.desk.receive(name, msgpack.packb(message)))
        return reply

    def replaying(self) -> InProcess:
        return InProcess(self.desk, self.registry, RecordedSessions(self.registry))


def opening(name: str, role: str, plan: dict[str, Any], **fields: Any) -> dict[str, Any]:
    return {"type": "open", "protocol": 1, "vehicle": name, "role": role, "plan": plan, "clock": "one", **fields}


def recorder_at(path: Path) -> McapRecorder:
    ticks = count(1_700_000_000_000_000_000, 1_000_000)
    return McapRecorder(path, lambda: next(ticks), {"version": "test"})


def word_at(state: dict[str, Any]) -> dict[str, Any]:
    """What the tower says right after a vehicle's state."""
    answer = "ready" if state["seq"] > 10 else "not_ready"
    return state_message(word(state["seq"], state["time_s"] + 0.05, heron=answer))  # type: ignore[arg-type]


def fly(service: Service, states: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Vehicle and tower in turns; the tower makes up its mind in the middle."""
    replies = []
    for state in states:
        replies.append(service.ask("heron", state))
        replies.append(service.ask("tower", word_at(state)))
    assert {reply["type"] for reply in replies} == {"command"}, replies
    return replies


def both_open(service: Service) -> None:
    assert service.ask("heron", opening("heron", "booster", LANDING))["type"] == "opened"
    assert service.ask("tower", opening("tower", "tower", TOWER))["type"] == "opened"


def record(path: Path) -> Path:
    """The whole flight."""
    service = Service(recorder_at(path))
    both_open(service)
    fly(service, STATES)
    service.recorder.close()
    return path

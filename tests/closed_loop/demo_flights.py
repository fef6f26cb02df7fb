"""Flies the demo's plans without sockets: session against simulated vehicle, as the example scripts do it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from guidance_svc.core.atmosphere import air
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import FlightPlan, Frame
from guidance_svc.files.config_files import Library
from guidance_svc.rehearsal import loop
from guidance_svc.rehearsal.craft import Craft, moment
from guidance_svc.rehearsal.speaking import Speaking
from guidance_svc.report.flight import Moment
from guidance_svc.session.session import Session
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.wire.parse import parse_state
from guidance_svc.wire.replies import command_message

STEP_S = 0.1
MOST_EXCHANGES = 20_000


@dataclass
class Flown:
    """What came of a flight."""

    plan: FlightPlan
    moments: list[Moment] = field(default_factory=list)
    exchanges: list[tuple[dict[str, Any], dict[str, Any]]] = field(default_factory=list)
    most_dynamic_pressure_pa: float = 0.0

    def log(self, line: Mapping[str, Any]) -> None:
        """Take a line of the flight log."""
        self.moments.append(moment(json.loads(json.dumps(line))))
        self.most_dynamic_pressure_pa = max(self.most_dynamic_pressure_pa, dynamic_pressure_pa(self))

    def at(self, mark: str, stage: int = 0) -> list[Moment]:
        """The moments of one kind."""
        return [m for m in self.moments if m.mark == mark and m.stage == stage]


def dynamic_pressure_pa(flown: Flown) -> float:
    """Half density times speed through the turning air squared, at the last moment."""
    body, m = flown.plan.body, flown.moments[-1]
    spin = (-body.rotation_rad_s * m.position_m[1], body.rotation_rad_s * m.position_m[0], 0.0)
    speed = norm(sub(m.velocity_m_s, spin))
    return 0.5 * air(height_above_ellipsoid_m(m.position_m, body.radius_m, body.flattening))[0] * speed * speed


def fly(craft: Craft, flown: Flown) -> None:
    """To the plan's end, the session in place of the service; every message and its reply is kept."""
    session = Session(flown.plan, Frame())

    def ask(message: dict[str, Any]) -> dict[str, Any]:
        command = command_message(session.state(parse_state(message)))
        session.work()
        flown.exchanges.append((message, command))
        return command

    log = loop.fly(craft, Speaking(ask, Frame(), flown.plan.body), tick_s=STEP_S, first_seq=1)
    assert log.last is not None
    assert log.last.status == "complete", f"{craft.name} ended {log.last}"


def tanker_plan(library: Library) -> FlightPlan:
    """Bargeman's."""
    return library.plan("bargeman_to_lagoon", "tanker")

"""The flight of the robustness tests, and a service in this process whose state can be looked at; all invented."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cache
from itertools import count
from pathlib import Path
from shutil import copytree
from tempfile import TemporaryDirectory
from typing import Any, Final

import msgpack

from guidance_svc.domain import FlightPlan
from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import fly
from guidance_svc.rehearsal.speaking import Speaking
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.sim.state import SimState, World, full_tanks
from guidance_svc.storage.journal import FolderJournal
from guidance_svc.wire.codec import Encoding, encode

PLAN: Final[dict[str, Any]] = {
    "name": "late", "body": "earth", "gravity": "j2", "major_cycle_s": 0.5,
    "vehicle": {
        "name": "upper",
        "stages": [{"name": "only", "dry_mass_kg": 4000.0, "propellant_kg": 16000.0, "thrust_n": 160e3,
                    "exhaust_velocity_m_s": 3400.0}],
    },
    "target": {"perigee_altitude_km": 200.0, "apogee_altitude_km": 460.0, "plane": "inclination_and_node",
               "inclination_deg": 30.0, "node_deg": 0.0},
    "phases": [{"law": "insertion"}, {"law": "orbit"}],
}  # fmt: skip
"""The last three minutes of an upper stage's burn to 200 x 460 km."""
TICK_S: Final = 0.05
START_HEIGHT_M, START_CLIMB_M_S, START_LEVEL_M_S = 165e3, 330.0, 6670.0
LEVEL: Final = (0.0, 0.8703556959, 0.4924235601)  # unit, level at longitude 0, 29.5 deg from east: half a degree off


@cache
def library() -> Library:
    """The configuration that comes with the package."""
    return load_library(default_folder())


@cache
def flight_plan() -> FlightPlan:
    """PLAN as the service resolves it."""
    return library().plan(PLAN, "upper_stage")


def start() -> tuple[World, SimState]:
    """Late in the burn, engine lit."""
    plan = flight_plan()
    place = (plan.body.radius_m + START_HEIGHT_M, 0.0, 0.0)
    speed = (START_CLIMB_M_S, START_LEVEL_M_S * LEVEL[1], START_LEVEL_M_S * LEVEL[2])
    return World(plan.body, plan.vehicle), SimState(0.0, place, speed, LEVEL, full_tanks(plan.vehicle), engine_on=True)


def opening(vehicle: str, resume: str | None = None, **more: Any) -> dict[str, Any]:
    """The `open` of one vehicle."""
    message = {"type": "open", "protocol": 1, "vehicle": vehicle, "role": "upper_stage", "plan": PLAN, **more}
    return message if resume is None else {**message, "resume": resume}


class Service:
    """A service in this process, tokens counted instead of drawn."""

    def __init__(self) -> None:
        numbers = count(1)
        self.registry = Registry(lambda: f"token-{next(numbers)}")
        self.desk = Desk(self.registry, library())

    def ask(self, link: Hashable, payload: bytes, encoding: Encoding | None = None) -> bytes:
        """The reply to one message; deferred guidance is worked out after it, as the server does."""
        reply = self.desk.receive(link, payload, encoding)
        while self.registry.pending():
            self.registry.work()
        return reply

    def told(self, link: Hashable, message: dict[str, Any]) -> dict[str, Any]:
        """The same with dicts."""
        reply: dict[str, Any] = msgpack.unpackb(self.ask(link, encode(message, "msgpack")))
        return reply

    def snapshot(self) -> dict[str, tuple[Any, ...]]:
        """Everything that a message may change, by vehicle; two that are equal hold the same session."""
        return {
            name: (
                seat.session, seat.session.point, seat.session.last_message, seat.session.last_command,
                seat.session.resumed, seat.session.detail, seat.session.history.base, seat.session.history.end,
                len(seat.session.history.marks), seat.request, seat.link, seat.digest,
            )
            for name, seat in self.registry.seats.items()
        }  # fmt: skip


class KeptService(Service):
    """The same with its sessions kept on disk, written before each reply as the server does."""

    def __init__(self, kept_in: Path | None = None) -> None:
        super().__init__()
        self.folder = TemporaryDirectory()
        if kept_in is not None:
            copytree(kept_in, self.folder.name, dirs_exist_ok=True)
        self.journal = FolderJournal(Path(self.folder.name), self.registry, lambda: 0.0, lambda vehicle, why: None)
        self.journal.take_up()

    def ask(self, link: Hashable, payload: bytes, encoding: Encoding | None = None) -> bytes:
        """As `Service.ask`, the journal written before guidance is worked out."""
        reply = self.desk.receive(link, payload, encoding)
        self.journal.sync()
        while self.registry.pending():
            self.registry.work()
        return reply

    def killed(self) -> KeptService:
        """A new service from what stood on disk at this instant."""
        after = KeptService(Path(self.folder.name))
        self.end()
        return after

    def end(self) -> None:
        """Give the folder back."""
        self.journal.close()
        self.folder.cleanup()


@dataclass(frozen=True)
class HonestFlight:
    """What an undisturbed script sends, and what it gets."""

    messages: tuple[dict[str, Any], ...]
    requests: tuple[bytes, ...]
    replies: tuple[bytes, ...]


@cache
def honest_flight(tick_s: float = TICK_S) -> HonestFlight:
    """The burn flown once by itself, to one reply after its end; the `open` is not in it."""
    service, (world, state) = Service(), start()
    assert service.told("honest", opening("honest"))["type"] == "opened"
    messages, requests, replies = list[dict[str, Any]](), list[bytes](), list[bytes]()

    def ask(message: dict[str, Any]) -> dict[str, Any]:
        messages.append(message)
        requests.append(encode(message, "msgpack"))
        replies.append(service.ask("honest", requests[-1]))
        command: dict[str, Any] = msgpack.unpackb(replies[-1])
        return command

    frame = service.registry.seats["honest"].session.frame
    log = fly(Craft("honest", world, state), Speaking(ask, frame, world.body), tick_s=tick_s, first_seq=1)
    assert log.refused is None
    return HonestFlight(tuple(messages), tuple(requests), tuple(replies))

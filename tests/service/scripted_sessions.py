"""A session layer of a few lines, to test the transports without guidance: pitch is the time, nothing else is true."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from guidance_svc.domain import Command, Event, FlightPlan, OpenRequest, VehicleState
from guidance_svc.errors import SessionFault


@dataclass
class Opened:
    token: str
    resumed: bool
    phases: tuple[str, ...]
    plan: FlightPlan
    warnings: tuple[str, ...] = ()
    made_way: str = ""


class ScriptedSessions:
    """One vehicle a link; `broken` makes the next state of that vehicle raise, as a bug would."""

    def __init__(self) -> None:
        self.vehicles: dict[Hashable, str] = {}
        self.states: list[tuple[str, VehicleState]] = []
        self.broken: set[str] = set()
        self.work_done = 0
        self._waiting = 0

    def open(self, link: Hashable, request: OpenRequest) -> Opened:
        self.vehicles[link] = request.vehicle
        return Opened(f"token-of-{request.vehicle}", request.resume is not None, ("held still",), request.plan)

    def hear(self, link: Hashable, state: VehicleState) -> VehicleState:
        return state

    def state(self, link: Hashable, state: VehicleState) -> Command:
        if link not in self.vehicles:
            raise SessionFault("no_session", "type", "open before state", "state")
        vehicle = self.vehicles[link]
        if vehicle in self.broken:
            raise ZeroDivisionError("a bug of ours")
        self.states.append((vehicle, state))
        self._waiting += 1
        cutoff = Event("1-cutoff", "cutoff", 100.0) if state.time_s > 50.0 else None
        return Command(
            state.seq, state.time_s, "insertion", (1.0, 0.0, 0.0), (0.0, 0.0, 1.0), 0.001 * state.time_s, 1.0,
            0.0, 0.0, 1.0, True, 100.0, 100.0 - state.time_s, cutoff, 0.5, "ok",
        )  # fmt: skip

    def close(self, link: Hashable) -> str:
        if link not in self.vehicles:
            raise SessionFault("no_session", "type", "open before close", "close")
        return self.vehicles.pop(link)

    def drop_link(self, link: Hashable) -> str | None:
        self.vehicles.pop(link, None)
        return None

    def plan_of(self, vehicle: str, name: str) -> None:
        return None

    def forget(self, vehicle: str) -> None:
        self.vehicles = {link: name for link, name in self.vehicles.items() if name != vehicle}

    def pending(self) -> bool:
        return self._waiting > 0

    def next_link(self) -> Hashable | None:
        return None

    def work(self) -> None:
        self._waiting = 0
        self.work_done += 1

    def has_flown(self, link: Hashable) -> bool:
        return any(vehicle == self.vehicles.get(link) for vehicle, _ in self.states)

    def vehicle_of(self, link: Hashable) -> str | None:
        return self.vehicles.get(link)

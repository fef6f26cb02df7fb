"""A vehicle's landing and its tower's states, told to one registry in the order of their times."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count

from guidance_svc.domain import (
    Answer,
    Arrival,
    Clearance,
    Command,
    FlightPlan,
    Frame,
    Landing,
    OpenRequest,
    TowerReport,
    Vehicle,
    VehicleState,
)
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.receive import Receive
from guidance_svc.session.registry import Registry
from guidance_svc.sim.pad import Pad
from tests.closed_loop.landing_flights import DIVERT, LANDER, MOONLIKE, SITE, Flown, craft_of, flown, plan_of

HOP = Descent(planned_frac=0.6, tilt_end_rad=0.07, tilt_per_m_rad=0.005)
PLAN = plan_of(HOP, Landing(SITE, contact_speed_m_s=0.5), LANDER, MOONLIKE)
TOWER = FlightPlan("tower", MOONLIKE, Vehicle("", ()), None, (Receive(60.0, 900.0, 5.0),), site=SITE)
INERTIAL = Frame()


@cache
def landed() -> Flown:
    """A lander flown to the site, ten states a second."""
    return flown(PLAN, craft_of(PLAN, DIVERT, Pad(SITE)), tick_s=0.1)


@cache
def hop() -> tuple[VehicleState, ...]:
    """What its script sent, to a few states beyond contact."""
    contact = next(k for k, state in enumerate(landed().states) if state.readings and state.readings.contact)
    return tuple(landed().states[: contact + 3])


def vehicle(name: str = "heron", clock: str = "one", plan: FlightPlan = PLAN) -> OpenRequest:
    """Its `open`."""
    return OpenRequest(name, "booster", plan, clock=clock)


def tower(name: str = "tower", clock: str = "one", frame: Frame = INERTIAL, plan: FlightPlan = TOWER) -> OpenRequest:
    """Its `open`."""
    return OpenRequest(name, "tower", plan, frame, clock=clock)


def word(seq: int, time_s: float, ready: bool = True, **answers: Clearance) -> VehicleState:
    """A tower's state; vehicles by name."""
    return VehicleState(seq, time_s, 0.0, tower=TowerReport(ready, answers=tuple(sorted(answers.items()))))


def new_registry() -> Registry:
    """A registry whose tokens are token-0, token-1 and so on."""
    numbers = count()
    return Registry(lambda: f"token-{next(numbers)}")


@dataclass
class Talk:
    """A registry and what was said in it; a link has the name of its vehicle.

    Args:
        eager: whether major cycles run at once, as in a replay, or only when they must.
    """

    registry: Registry = field(default_factory=new_registry)
    eager: bool = True
    heard: list[VehicleState] = field(default_factory=list)

    def opened(self, *requests: OpenRequest) -> Talk:
        """With these sessions."""
        for request in requests:
            self.registry.open(request.vehicle, request)
        return self

    def say(self, name: str, state: VehicleState) -> Command:
        """One state and its reply."""
        told = self.registry.hear(name, state)
        self.heard.append(told)
        command = self.registry.state(name, told)
        while self.eager and self.registry.pending():
            self.registry.work()
        return command

    def answer(self) -> Answer | None:
        """What the last state's vehicle had heard."""
        return self.heard[-1].answer


def arrivals(command: Command) -> tuple[Arrival, ...]:
    """Of a tower's command."""
    assert command.arrivals is not None
    return command.arrivals


def later(states: Iterable[VehicleState], by_s: float) -> list[VehicleState]:
    """The same flight on a later clock; on a body that does not turn."""
    return [state._replace(time_s=state.time_s + by_s) for state in states]


def in_arms() -> FlightPlan:
    """The same flight caught by arms."""
    landing = Landing(SITE, "arms", 60.0, 0.5)
    return replace(PLAN, landing=landing, vehicle=replace(LANDER, catch_point_m=1.0))

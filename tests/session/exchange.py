"""Short flights for session tests: messages that a simulated vehicle sent, and the replies it got."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import radians

from guidance_svc.core.kepler import ellipse_speed_and_angle
from guidance_svc.domain import (
    Body,
    Boost,
    Circularize,
    Coast,
    Command,
    FlightPlan,
    Frame,
    Hold,
    Insertion,
    Orbit,
    Site,
    Stage,
    Target,
    Vehicle,
    VehicleState,
)
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, fly, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World, full_tanks, on_pad

EARTH = Body("earth", 3.986004418e14, 6378137.0, 1.0 / 298.257223563, 1.08262668e-3, 7.292115e-5)
LOW, HIGH = EARTH.radius_m + 200e3, EARTH.radius_m + 260e3
SPEED, ANGLE = ellipse_speed_and_angle(LOW, LOW, HIGH, EARTH.mu_m3_s2)
TARGET = Target(LOW, HIGH, LOW, SPEED, ANGLE, "inclination", radians(30.0))

UPPER = Vehicle("upper", (Stage("only", 4000.0, 16000.0, 160e3, 3400.0),))
LATE = FlightPlan(
    "late", EARTH, UPPER, TARGET, (Insertion(), Coast(), Circularize(), Orbit()), major_cycle_s=0.5
)
"""The last two minutes of an insertion, a coast, a circular burn."""

STACK = Vehicle(
    "stack", (Stage("booster", 6000.0, 90e3, 1.9e6, 3000.0, reserve_kg=4000.0), UPPER.stages[0]), 1000.0
)
PAD = Site("pad", radians(28.5), radians(-80.0), 5.0)
CLIMB = FlightPlan(
    "climb", replace(EARTH, atmosphere="none"), STACK, TARGET,
    (Hold(release_at_s=10.0, ignition_lead_s=3.0), Boost(rise_s=8.0), Insertion(first_stage=1, pause_s=4.0), Orbit()),
    PAD, major_cycle_s=0.5,
)  # fmt: skip
"""From the pad: hold-down, boost, separation, the beginning of the upper stage's burn."""


@dataclass(frozen=True)
class Exchange:
    """One message and its reply."""

    message: VehicleState
    reply: Command


def late_start() -> tuple[World, SimState]:
    """High and fast enough for the late plan; engine lit."""
    world = World(EARTH, UPPER)
    r, v = (EARTH.radius_m + 165e3, 0.0, 0.0), (330.0, 5800.0, 3300.0)
    return world, SimState(0.0, r, v, (0.0, 1.0, 0.0), full_tanks(UPPER), engine_on=True)


def pad_start() -> tuple[World, SimState]:
    """Standing on the pad."""
    world = World(CLIMB.body, STACK)
    return world, on_pad(PAD, world)


def flown(plan: FlightPlan, start: tuple[World, SimState], tick_s: float, most: int = 4000) -> list[Exchange]:
    """Fly with a fresh session until the status is complete or `most` states were sent."""
    out: list[Exchange] = []

    def over(log: FlightLog) -> bool:
        return len(out) == most or (log.last is not None and log.last.status == "complete")

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        out.append(Exchange(message, command))

    world, state = start
    fly(Craft(plan.name, world, state), in_process(Session(plan, Frame())), over, tick_s=tick_s, watch=watch)
    return out


@cache
def late_flight() -> tuple[Exchange, ...]:
    """The late plan flown at five states a second."""
    return tuple(flown(LATE, late_start(), 0.2))


@cache
def climb_flight(most: int = 1200) -> tuple[Exchange, ...]:
    """The climb flown at five states a second."""
    return tuple(flown(CLIMB, pad_start(), 0.2, most))

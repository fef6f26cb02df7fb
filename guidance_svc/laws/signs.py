"""The events that laws ask for, and the signs by which a state shows that one has happened or has not."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from guidance_svc.core.vectors import norm
from guidance_svc.domain import Event, EventName, FlightPlan
from guidance_svc.laws.instants import CLOCK_SLACK_S
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.separation import dropped, still_on

OVERDUE_S = 2.0  # past its instant an event that does not show is warned of
ON_PAD_M_S = 1.0  # over ground: slower than this is standing on the pad
BURNING_FRAC = 0.2  # of the mass flow: a mass that falls so fast is an engine that burns

Sign = Callable[[Event, Flight, Navigation, FlightPlan], bool]


def never_shows(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """False: no state shows this, or speaks against it."""
    return False


class EventKind(NamedTuple):
    """One kind of event.

    Args:
        asks: what the script is to do, in words; empty where there is nothing to do.
        shows: whether a state shows that it has happened; asked only from its time on.
        belied: whether a state shows that it has not.
        again: a burn lit again after a miss has such an event with an id of its own.
    """

    name: EventName
    asks: str = ""
    shows: Sign = never_shows
    belied: Sign = never_shows
    again: bool = False


def flow_kg_s(flight: Flight, plan: FlightPlan) -> float:
    """Mass flow of the present stage at the throttle last ordered."""
    return flight.throttle_frac * plan.vehicle.stages[flight.stage].mass_flow_kg_s


def falls(flight: Flight, now: Navigation, plan: FlightPlan) -> bool | None:
    """Whether the mass has fallen since the last state as a burning engine lets it; None when that cannot be said."""
    if flight.weighed is None or now.time_s <= flight.weighed.time_s:
        return None
    lost = BURNING_FRAC * flow_kg_s(flight, plan) * (now.time_s - flight.weighed.time_s)
    return flight.weighed.mass_kg - now.mass_kg > lost


def engine_burns(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the engine's word, else by the mass."""
    return now.engine_on is True or (now.engine_on is None and falls(flight, now, plan) is True)


def engine_is_off(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the engine's word, else by a mass that has stayed since the event's time."""
    after = flight.weighed is not None and flight.weighed.time_s >= event.at_s - CLOCK_SLACK_S
    return now.engine_on is False or (now.engine_on is None and after and falls(flight, now, plan) is False)


def engine_told_on(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the engine's word alone."""
    return now.engine_on is True


def moves(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the speed over ground."""
    return norm(now.ground_velocity_m_s) > ON_PAD_M_S


def stage_gone(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the stage's number, an acknowledgement or the mass."""
    return dropped(flight, now, plan)


def stage_there(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the stage's number, or a mass that is far too large."""
    return still_on(flight, now, plan)


def said_often_enough(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the time alone: nothing is to be done."""
    return now.time_s > event.at_s + OVERDUE_S


IGNITE = EventKind("ignite", "light the engine", engine_burns, again=True)
CIRCULARIZE = EventKind("circularize", "light the engine", engine_burns)
RELEASE = EventKind("release", "let the vehicle go", moves)
CUTOFF = EventKind("cutoff", "cut the engine", engine_is_off, engine_told_on, again=True)
SEPARATE = EventKind("separate", "let the spent stage go", stage_gone, stage_there)
COAST = EventKind("coast", shows=said_often_enough)
ORBIT = EventKind("orbit")

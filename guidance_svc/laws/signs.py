"""The events that laws ask for, and the signs by which a state shows that one has happened or has not."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from guidance_svc.core.vectors import norm
from guidance_svc.domain import Act, Event, FlightPlan
from guidance_svc.laws.instants import CLOCK_SLACK_S, event_id
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import Navigation

OVERDUE_S = 2.0  # past its instant an event that does not show is warned of
ON_PAD_M_S = 1.0  # over ground: slower than this is standing on the pad
BURNING_FRAC = 0.2  # of the mass flow: a mass that falls so fast is an engine that burns
CLEARLY_DRY_FRAC = 0.5  # of the spent stage's dry mass, and ...
CLEARLY_FRAC = 0.01  # ... of what is above it: a mass more than that over the upper part's is not the upper part's
LOAD_PART = 0.5  # of what a booster carries: burnt out with that it is heavier, without it lighter

Sign = Callable[[Event, Flight, Navigation, FlightPlan], bool]


def never_shows(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """False: no state shows this, or speaks against it."""
    return False


class EventKind(NamedTuple):
    """One kind of event.

    Args:
        asks: what the script is to do, in words; empty where there is nothing to do.
        act: the same as a vehicle knows it; None where there is nothing to do.
        shows: whether a state shows that it has happened; asked only from its time on.
        sign: the same in words, for clients/PROTOCOL.md; empty where no state shows it.
        belied: whether a state shows that it has not.
        again: it may come more than once in a phase, each time with an id of its own.
        word: as the board calls it; empty for its name.
    """

    name: str
    asks: str = ""
    act: Act | None = None
    shows: Sign = never_shows
    sign: str = ""
    belied: Sign = never_shows
    again: bool = False
    word: str = ""

    def of(self, flight: Flight, at_s: float, suffix: str = "") -> Event:
        """Such an event in the flight's present phase and stage.

        Args:
            at_s: vehicle time.
            suffix: of the id, for one that comes again after a miss.
        """
        return Event(event_id(flight, self.name) + suffix, self.name, at_s)


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


def is_stage_dropped(flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the present stage has been let go: by its number, an acknowledgement or the mass, if none is belied."""
    if still_on(flight, now, plan):
        return False
    if event_id(flight, SEPARATE.name) in flight.seen:
        return True
    if now.stage is not None and flight.stage + 1 < len(plan.vehicle.stages):
        return now.stage > flight.stage
    if comes_back(flight, plan):
        return now.mass_kg < plan.vehicle.burnout_kg[flight.stage] - LOAD_PART * plan.vehicle.mass_at_ignition_kg(
            flight.stage + 1)  # fmt: skip
    return now.mass_kg <= 1.002 * plan.vehicle.mass_at_ignition_kg(flight.stage + 1)


def comes_back(flight: Flight, plan: FlightPlan) -> bool:
    """Whether it is the last stage that the plan goes on with, and what that carries is let go."""
    return plan.landing is not None and flight.stage + 1 == len(plan.vehicle.stages)


def still_on(flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the state shows that the present stage has not been let go: by its number, or by far too large a mass.

    A vehicle whose last stage is let go flies on as that stage, so that its number says nothing. One that comes back
    goes on as that stage alone: heavier than it ever was alone it still carries its load.
    """
    vehicle = plan.vehicle
    if now.stage is not None and now.stage <= flight.stage and flight.stage + 1 < len(vehicle.stages):
        return True
    if comes_back(flight, plan):
        return now.mass_kg > vehicle.stages[flight.stage].dry_mass_kg + vehicle.stages[flight.stage].propellant_kg
    above = vehicle.mass_at_ignition_kg(flight.stage + 1)
    clearly = max(CLEARLY_DRY_FRAC * vehicle.stages[flight.stage].dry_mass_kg, CLEARLY_FRAC * above)
    return now.mass_kg > above + clearly


def stage_gone(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the stage's number, an acknowledgement or the mass."""
    return is_stage_dropped(flight, now, plan)


def stage_there(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the stage's number, or a mass that is far too large."""
    return still_on(flight, now, plan)


def said_often_enough(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the time alone: nothing is to be done."""
    return now.time_s > event.at_s + OVERDUE_S


BURN_SHOWS = "`engine_on`, or the mass that falls"
RELEASE = EventKind("release", "let the vehicle go", "release", moves, "motion over ground")
IGNITE = EventKind("ignite", "light the engine", "ignite", engine_burns, BURN_SHOWS, again=True, word="ignition")
CUTOFF = EventKind(
    "cutoff", "cut the engine", "cutoff", engine_is_off, "`engine_on` false, or the mass that falls no more",
    engine_told_on, again=True,
)  # fmt: skip
SEPARATE = EventKind(
    "separate", "let the spent stage go", "separate", stage_gone, "`stage`, or the mass", stage_there, word="separation"
)
COAST = EventKind("coast", shows=said_often_enough)
CIRCULARIZE = EventKind(
    "circularize", "light the engine for the circular burn", "ignite", engine_burns, BURN_SHOWS, word="circularization"
)
ORBIT = EventKind("orbit")

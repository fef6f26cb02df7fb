"""Events between session and script: which one stands, which are done, what is late, what may not be slept through.

An event is done when a state acknowledges it, not before its time, or when the state itself shows that it happened.
Ids that were sent in a time that was never flown (a reloaded save, a service begun anew) say nothing.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from guidance_svc.domain import Command, Event, FlightPlan
from guidance_svc.errors import SessionFault
from guidance_svc.laws.cover import COVER_ID, DROP_COVER
from guidance_svc.laws.instants import CLOCK_SLACK_S
from guidance_svc.laws.memory import Flight, Order, Turning, Weighed
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.signs import OVERDUE_S
from guidance_svc.laws.table import EVENTS

MOST_SENT = 8  # events sent and not done that are remembered; at most four stand at once
SOME_ID = re.compile(r"(\d{1,3})-(\d{1,3})-([a-z_]+)(-again-?\d+)?")


def require_known(seen_event: str | None, flight: Flight, plan: FlightPlan, last: Command | None) -> None:
    """Refuse an id that no event of this flight can have.

    Raises:
        SessionFault: `unknown_event`, naming the event that stands.
    """
    if seen_event is None or seen_event in flight.seen or any(event.id == seen_event for event in flight.sent):
        return
    some = SOME_ID.fullmatch(seen_event)
    in_plan = some and int(some[1]) < len(plan.phases) and int(some[2]) < max(len(plan.vehicle.stages), 1)
    if some and in_plan and can_be(some[3], bool(some[4])):
        return
    if seen_event == COVER_ID and plan.vehicle.cover_mass_kg > 0.0:
        return
    standing = f"{last.event.id}, the event that stands" if last and last.event else "nothing: no event stands"
    raise SessionFault("unknown_event", "seen_event", standing, seen_event)


def can_be(name: str, again: bool) -> bool:
    """Whether a phase's event has this name, and may come again after a burn that was missed."""
    kind = EVENTS.get(name)
    return kind is not None and kind is not DROP_COVER and (kind.again or not again)


def acknowledge_event(seen_event: str | None, flight: Flight, now: Navigation, plan: FlightPlan) -> Flight:
    """The flight with an event that was sent, whose time has come and that the state does not belie, done."""
    event = next((sent for sent in flight.sent if sent.id == seen_event), None)
    if event is None or now.time_s < event.at_s - CLOCK_SLACK_S or EVENTS[event.name].belied(event, flight, now, plan):
        return flight
    return retire_events(flight, (event.id,))


def retire_events(flight: Flight, ids: tuple[str, ...]) -> Flight:
    """The flight with these events done."""
    return flight._replace(seen=flight.seen.union(ids), sent=tuple(e for e in flight.sent if e.id not in ids))


def settle_shown(order: Order, flight: Flight, now: Navigation, plan: FlightPlan) -> Flight:
    """The flight with the events done whose time has come and that the state shows to have happened."""
    ids: tuple[str, ...] = ()
    for e in order.events:
        if now.time_s >= e.at_s - CLOCK_SLACK_S and e.id not in flight.seen:
            ids = (*ids, e.id) if EVENTS[e.name].shows(e, flight, now, plan) else ids
    return retire_events(flight, ids) if ids else flight


class Instant(NamedTuple):
    """What an order comes to at one instant.

    Args:
        event: the first one that is not done; a cover that is long overdue hides no other.
        engine_on: an ignition or cutoff less than the clock's rounding ahead is taken as met.
        next_contact_s: no silence lasts past the next instant.
        late: what should have happened long ago, in words.
    """

    event: Event | None
    engine_on: bool
    next_contact_s: float
    late: tuple[str, ...] = ()


def at_instant(order: Order, flight: Flight, time_s: float) -> Instant:
    """The order at a vehicle time; `flight` knows which events are done. One pass: it is asked for with every state."""
    seen, contact_s, cutoff_s = flight.seen, order.next_contact_s, order.cutoff_at_s
    standing, lit, separating, late = None, False, False, False
    for event in order.events:
        act, at_s = EVENTS[event.name].act, event.at_s
        if at_s > time_s + CLOCK_SLACK_S:
            contact_s = min(contact_s, at_s - time_s)
        if 0.0 < at_s - time_s <= CLOCK_SLACK_S and act == "ignite":
            lit = True
        separating = separating or act == "separate"
        if event.id not in seen:
            standing = standing or event
            late = late or time_s > at_s + OVERDUE_S
    engine_on = order.engine_on or (lit and not separating)
    if cutoff_s is not None:
        if cutoff_s > time_s + CLOCK_SLACK_S:
            contact_s = min(contact_s, cutoff_s - time_s)
        if 0.0 < cutoff_s - time_s <= CLOCK_SLACK_S:
            engine_on = False
    if not late:
        return Instant(standing, engine_on, contact_s)
    standing = next_event(order, flight, time_s)
    return Instant(standing, engine_on, contact_s, overdue_words(order, standing, flight, time_s))


def next_event(order: Order, flight: Flight, time_s: float) -> Event | None:
    """The first event that is not done; a cover that is long overdue hides no other."""
    left = [event for event in order.events if event.id not in flight.seen]
    others = [event for event in left if event.id != COVER_ID or time_s <= event.at_s + OVERDUE_S]
    return next(iter(others or left), None)


def overdue_words(order: Order, standing: Event | None, flight: Flight, time_s: float) -> tuple[str, ...]:
    """Events that should have happened long ago, in words."""
    late = [
        event for event in order.events
        if event.id not in flight.seen and time_s > event.at_s + OVERDUE_S and EVENTS[event.name].asks
        and (event == standing or event.id == COVER_ID)
    ]  # fmt: skip
    return tuple(f"{event.name} was due at {event.at_s:.1f} s and nothing shows that it happened" for event in late)


def note_reply(flight: Flight, event: Event | None, turning: Turning, now: Navigation) -> Flight:
    """The flight after the reply: the event that went out, as last said, the rates told, and the mass of this state."""
    sent = flight.sent
    if event is not None and not (sent and sent[-1] == event) and event.id not in flight.seen:
        others = tuple(before for before in sent if before.id != event.id)
        sent = (*others[1 - MOST_SENT :], event)
    return flight._replace(weighed=Weighed(now.time_s, now.mass_kg), sent=sent, turning=turning)

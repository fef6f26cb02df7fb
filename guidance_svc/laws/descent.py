"""The law `descent`: the powered landing, from the end of a fall, or from a burn, to contact."""

from __future__ import annotations

from collections.abc import Iterable

from guidance_svc.constants import CLOCK_SLACK_S
from guidance_svc.core.effort import spend
from guidance_svc.core.lander import air_flow
from guidance_svc.core.landing_divert import redirect
from guidance_svc.core.landing_guide import begin, guide
from guidance_svc.core.landing_state import BURNING, Guided, moment_of
from guidance_svc.core.vectors import norm, scale, sub
from guidance_svc.domain import Arrival, Command, Event, FlightPlan, Vec
from guidance_svc.laws.descent_arrival import arrival_of
from guidance_svc.laws.descent_divert import (
    Diverted,
    best_alternate,
    must_divert,
    offset_to_follow,
    refused_words,
    to_frame,
)
from guidance_svc.laws.descent_engines import NONE_MISSING, missing_engines, next_burners, with_burners
from guidance_svc.laws.descent_memory import DescentMemory, frame_at
from guidance_svc.laws.descent_place import Frame, direction_bci, frame_of, heard_at
from guidance_svc.laws.descent_plan import Descent, DescentModel, check, sentence
from guidance_svc.laws.descent_reach import (
    LATEST_S,
    decide_at_s,
    diverts_of,
    figures_of,
    is_shaken,
    look_around,
    reach_of,
)
from guidance_svc.laws.descent_verdict import is_belied, is_elsewhere, judge, report_of, verdict
from guidance_svc.laws.instants import CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.landing_places import landing_of
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import IGNITE, EventKind, said_often_enough
from guidance_svc.laws.stack import burnout_alone_kg

GAP_S = 3.0  # without a state: what the filter knows is no longer worth anything
NEAR_IGNITION_S = 15.0  # from here on states come often, so that the burn begins with a good knowledge of the air
LEANS_S = 1.0  # before ignition a vehicle with lift takes up the lean of the burn
LANDED_CONTACT_S = 60.0
DIVERT_SHOWN_S = 5.0  # an ignition that comes so soon after a divert is told before it


def bears(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the word of the legs or the arms."""
    return now.contact is True


CONTACT = EventKind("contact", shows=bears, sign="`contact`")
DEPLOY_LEGS = EventKind("deploy_legs", "let the legs down", word="legs")
DIVERT = EventKind("divert", shows=said_often_enough)


def enter(
    flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Descent
) -> Memory[DescentMemory]:
    """Solve the landing from here."""
    flight = flight._replace(stage=len(plan.vehicle.stages) - 1)
    memory = Memory(flight, DescentMemory(begin_landing(frame_of(plan, phase, flight.stage), now, phase)))
    status, _ = judge(memory, plan, phase)
    return memory if status == "ok" else Memory(flight, memory.own._replace(doubted_s=flight.since_s))


def begin_landing(frame: Frame, now: Navigation, phase: Descent) -> Guided:
    """The landing at its first state; an engine that burns and may go out has begun the burn."""
    lit = now.engine_on is True and not phase.idles
    anew = begin(frame.lander, frame.keys, heard_at(now, frame.place), lit)
    spend(anew.steps)
    return anew.guided


def follow(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent
) -> Memory[DescentMemory]:
    """Take a state in and solve the landing from it."""
    flight, own = memory
    since_s = now.time_s - own.guided.time_s
    if own.contact_s is not None or since_s <= 0.0:
        return memory
    if has_landed(own, now):
        return Memory(flight, own._replace(contact_s=now.time_s))
    memory = follow_arms(memory, now, plan)
    frame = frame_at(memory, plan, phase)
    if since_s > GAP_S:
        return Memory(flight, memory.own._replace(guided=begin_landing(frame, now, phase)))
    guided = guide(frame.lander, frame.keys, memory.own.guided, heard_at(now, frame.place))
    spend(guided.stop.steps)
    memory = Memory(flight._replace(throttle_frac=guided.throttle_frac), memory.own._replace(guided=guided))
    memory = replace_engines(memory, now, plan, phase)
    return choose_place(doubt(memory, now, plan, phase), now, plan, phase, since_s)


def replace_engines(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent
) -> Memory[DescentMemory]:
    """The landing with a larger group of engines, where some are lost and the others do not suffice."""
    flight, own = memory
    frame, stage = frame_at(memory, plan, phase), plan.vehicle.stages[flight.stage]
    missing = missing_engines(own.guided, frame, now, own.missing)
    burners = next_burners(own.guided, frame, now, missing, phase, stage, own.burners)
    if burners is None:
        return memory if missing == own.missing else Memory(flight, own._replace(missing=missing))
    memory = Memory(flight, own._replace(burners=burners, missing=NONE_MISSING))
    there = frame_at(memory, plan, phase)
    guided, guess = with_burners(own.guided, frame, there, missing)
    start = moment_of(guided, there.lander, heard_at(now, there.place))
    anew = redirect(there.lander, there.keys, guided, start, guess)
    spend(anew.steps)
    return Memory(flight._replace(throttle_frac=anew.guided.throttle_frac), memory.own._replace(guided=anew.guided))


def doubt(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent) -> Memory[DescentMemory]:
    """Since when the landing has been found not to come out as asked for."""
    status, _ = judge(memory, plan, phase)
    flight, own = memory
    if status == "ok":
        return Memory(flight, own._replace(doubted_s=None)) if own.doubted_s is not None else memory
    return memory if own.doubted_s is not None else Memory(flight, own._replace(doubted_s=now.time_s))


def follow_arms(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan) -> Memory[DescentMemory]:
    """The contact point moved to where the arms are said to be."""
    flight, own = memory
    if now.answer is None or own.spot > 0:
        return memory
    offset = offset_to_follow(landing_of(plan), now.answer, own.offset_m)
    if offset == own.offset_m:
        return memory
    g = own.guided
    f = g.filtered
    by = sub(offset, own.offset_m)
    f = f._replace(position_m=sub(f.position_m, by), heard_position_m=sub(f.heard_position_m, by))
    return Memory(flight, own._replace(offset_m=offset, guided=g._replace(filtered=f)))


def choose_place(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent, since_s: float
) -> Memory[DescentMemory]:
    """The landing at an alternate, where the tower's answer or a landing that cannot be sends it there."""
    own, landing = memory.own, landing_of(plan)
    best = best_alternate(own.around)
    if own.spot > 0 or best is None or is_shaken(own.guided):
        return memory
    if must_divert(landing, own.around, now, since_s):
        return divert(memory, now, plan, phase, best, refused_words(now.answer))
    status, _ = verdict(memory, now, plan, phase)
    if status == "ok" or own.doubted_s == memory.flight.since_s:
        return memory
    return divert(memory, now, plan, phase, best, f"{landing.site.name} cannot be reached any more")


def divert(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent, spot: int, why: str
) -> Memory[DescentMemory]:
    """The landing solved anew to another place."""
    flight, own = memory
    here, there = frame_at(memory, plan, phase), frame_of(plan, phase, flight.stage, spot, own.burners)
    guided = to_frame(own.guided, here.place, there.place)
    start = moment_of(guided, there.lander, heard_at(now, there.place))
    anew = redirect(there.lander, there.keys, guided, start, own.around.chances[spot - 1].now)
    spend(anew.steps)
    flight = flight._replace(throttle_frac=anew.guided.throttle_frac)
    diverted = Diverted(now.time_s, why)
    return Memory(flight, DescentMemory(anew.guided, spot=spot, diverted=diverted, burners=own.burners))


def is_due(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent) -> bool:
    """Whether to look around after this state; while the thrust changes it says nothing of the engines."""
    own, g = memory.own, memory.own.guided
    if own.contact_s is not None or g.stop.end_s < LATEST_S or not g.stop.stops:
        return False
    if is_shaken(g):
        return False
    last_s = own.around.solved_at_s
    return last_s is None or g.time_s - last_s >= plan.major_cycle_s - CLOCK_SLACK_S


def look(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent) -> Memory[DescentMemory]:
    """The major cycle: how far the landing can be led aside, and until when to the alternates."""
    flight, own = memory
    frame = frame_at(memory, plan, phase)
    alternates = range(1, len(landing_of(plan).places)) if own.spot == 0 else range(0)
    others = tuple(frame_of(plan, phase, flight.stage, spot, own.burners) for spot in alternates)
    start = moment_of(own.guided, frame.lander, heard_at(now, frame.place))
    least_kg = burnout_alone_kg(plan)
    return Memory(flight, own._replace(around=look_around(frame, others, own.guided, start, least_kg, own.around)))


def look_failed(own: DescentMemory) -> DescentMemory:
    """The next look comes a cycle later."""
    return own._replace(around=own.around._replace(solved_at_s=own.guided.time_s))


def look_figures(own: DescentMemory) -> Iterable[tuple[str, float | None]]:
    """Numbers that a look must not leave infinite or undefined."""
    return figures_of(own.around)


def has_landed(own: DescentMemory, now: Navigation) -> bool:
    """By the word of the legs or the arms; where none is told, by an engine that is off after the end of the burn."""
    if now.contact is not None:
        return now.contact and not is_belied(own, now)
    burnt = own.guided.stage == BURNING and now.time_s >= own.guided.time_s + own.guided.stop.end_s
    return burnt and now.engine_on is False and not is_elsewhere(own, now)


def cutoff_s(own: DescentMemory) -> float:
    """Vehicle time at which the engine is to be cut without a contact: when it has stopped the vehicle."""
    stop = own.guided.stop
    still_s = -stop.velocity_m_s[2] / stop.rise_m_s2 if stop.rise_m_s2 > 0.0 else 0.0
    return own.guided.time_s + stop.end_s + max(still_s, 0.0)


def order(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent) -> Order:
    """Throttle, lean and instants of the landing; engine off once it stands."""
    own = memory.own
    if own.contact_s is not None:
        return Order(
            now.local.up, now.local.up, False, 0.0, next_contact_s=LANDED_CONTACT_S, status="complete",
        )  # fmt: skip
    frame, guided = frame_at(memory, plan, phase), own.guided
    burning = guided.stage == BURNING
    wanted = guided.direction if burning or not falls_by_lift(guided, now, plan, phase) else against_flow(guided)
    pointing = direction_bci(wanted, now, frame.place)
    status, warnings = verdict(memory, now, plan, phase)
    near = burning or guided.light_at_s - now.time_s < NEAR_IGNITION_S
    return Order(
        pointing, None, burning or phase.idles, guided.throttle_frac if burning else idle_throttle(frame, guided),
        cutoff_at_s=cutoff_s(own), events=events_of(memory, plan, phase),
        next_contact_s=NEAR_CUTOFF_CONTACT_S if near else CONTACT_S, status=status, warnings=warnings,
        engines=frame.counts[guided.leg], cut_on_contact=True, clearance=now.answer.clearance if now.answer else None,
        decide_at_s=decide_at_s(own.around) if own.spot == 0 else None,
    )  # fmt: skip


def falls_by_lift(guided: Guided, now: Navigation, plan: FlightPlan, phase: Descent) -> bool:
    """Whether the vehicle has lift, which would carry it aside if it leaned for a burn that is not yet due."""
    return bool(plan.vehicle.fall_lift_curve) and not phase.idles and guided.light_at_s - now.time_s > LEANS_S


def against_flow(guided: Guided) -> Vec:
    """Engines first; landing frame."""
    flow = air_flow(guided.filtered.velocity_m_s, guided.wind_m_s)
    speed = norm(flow)
    return scale(-1.0 / speed, flow) if speed > 0.0 else guided.direction


def idle_throttle(frame: Frame, guided: Guided) -> float:
    """Before the burn: that of an engine that must not go out, else that with which it will be lit."""
    return frame.keys.idle_frac or guided.throttle_frac


def events_of(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> tuple[Event, ...]:
    """In the order of their times, but that a divert hides no ignition."""
    flight, own = memory
    contact_s = own.guided.time_s + own.guided.stop.end_s
    events = [CONTACT.of(flight, contact_s)]
    if not phase.idles:
        events.append(IGNITE.of(flight, own.guided.light_at_s))
    if phase.legs_out_s is not None:
        events.append(DEPLOY_LEGS.of(flight, max(contact_s - phase.legs_out_s, flight.since_s)))
    events.sort(key=lambda event: event.at_s)
    if own.diverted is None:
        return tuple(events)
    soon = events[0].name == IGNITE.name and events[0].at_s < own.diverted.at_s + DIVERT_SHOWN_S
    events.insert(1 if soon else 0, DIVERT.of(flight, own.diverted.at_s))
    return tuple(events)


def numbers(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent) -> Numbers:
    """The landing as it is predicted; nothing once it is over."""
    if memory.own.contact_s is not None:
        return Numbers()
    report = report_of(memory, plan, phase)
    own = memory.own
    names = (place.site.name for place in landing_of(plan).alternates)
    return Numbers(
        propellant_margin_kg=report.propellant_left_kg, landing=report, reach=reach_of(own.around),
        divert=diverts_of(own.around, names) if own.spot == 0 else (),
    )  # fmt: skip


def says(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent, command: Command
) -> Arrival:
    """What the tower that it comes to hears of it."""
    own, place = memory.own, frame_at(memory, plan, phase).place
    return arrival_of(own, place, landing_of(plan), command)


ROW = LawRow(
    Descent, DescentMemory, sentence, (IGNITE, DEPLOY_LEGS, DIVERT, CONTACT), enter, order, follow=follow, due=is_due,
    solve=look, failed=look_failed, figures=look_figures,
    numbers=numbers, says=says, model=DescentModel, check=check, predecessors=("coast",), ended_by="contact",
)  # fmt: skip

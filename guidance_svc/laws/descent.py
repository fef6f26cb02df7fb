"""The law `descent`: the powered landing, from the end of a fall, or from a burn, to contact."""

from __future__ import annotations

from math import hypot, sqrt
from typing import NamedTuple

from guidance_svc.core.effort import spend
from guidance_svc.core.lander import air_flow
from guidance_svc.core.landing_guide import begin, guide
from guidance_svc.core.landing_state import BURNING, Guided
from guidance_svc.core.vectors import norm, scale
from guidance_svc.domain import Arrival, Command, Event, FlightPlan, LandingReport, Status, Vec
from guidance_svc.laws.descent_arrival import arrival_of
from guidance_svc.laws.descent_place import Frame, direction_bci, frame_of, heard_at
from guidance_svc.laws.descent_plan import Descent, DescentModel, check, landing_of, sentence
from guidance_svc.laws.instants import CONTACT_S, NEAR_CUTOFF_CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Numbers, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import IGNITE, EventKind
from guidance_svc.laws.stack import burnout_alone_kg

GAP_S = 3.0  # without a state: what the filter knows is no longer worth anything
NEAR_IGNITION_S = 15.0  # from here on states come often, so that the burn begins with a good knowledge of the air
LEANS_S = 1.0  # before ignition a vehicle with lift takes up the lean of the burn
LANDED_CONTACT_S = 60.0
MISS_TOLD_M = 1.0  # of the predicted place of contact: further off it is out of reach, ...
MISS_FRAC = 0.01  # ... plus this part of the height
DOUBTED_S = 1.0  # so long it must last
SPEED_TOLD_M_S = 0.5  # over the speed asked for, likewise


def bears(event: Event, flight: Flight, now: Navigation, plan: FlightPlan) -> bool:
    """By the word of the legs or the arms."""
    return now.contact is True


CONTACT = EventKind("contact", shows=bears, sign="`contact`")
DEPLOY_LEGS = EventKind("deploy_legs", "let the legs down", word="legs")


class DescentMemory(NamedTuple):
    """What is remembered in a descent.

    Args:
        guided: the landing in numbers.
        contact_s: vehicle time of contact; None before it.
        doubted_s: since when it has been found not to come out as asked for; None while it does.
    """

    guided: Guided
    contact_s: float | None = None
    doubted_s: float | None = None


def frame_at(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> Frame:
    """The landing frame that is flown in."""
    return frame_of(plan, phase, memory.flight.stage)


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
    guided = begin(frame.lander, frame.keys, heard_at(now, frame.place), lit)
    spend(guided.stop.steps)
    return guided


def follow(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent
) -> Memory[DescentMemory]:
    """Take a state in and solve the landing from it."""
    flight, own = memory
    if own.contact_s is not None or now.time_s <= own.guided.time_s:
        return memory
    if has_landed(own, now):
        return Memory(flight, own._replace(contact_s=now.time_s))
    frame = frame_at(memory, plan, phase)
    if now.time_s - own.guided.time_s > GAP_S:
        return Memory(flight, own._replace(guided=begin_landing(frame, now, phase)))
    guided = guide(frame.lander, frame.keys, own.guided, heard_at(now, frame.place))
    spend(guided.stop.steps)
    own = own._replace(guided=guided)
    memory = Memory(flight._replace(throttle_frac=guided.throttle_frac), own)
    status, _ = judge(memory, plan, phase)
    if status == "ok":
        return Memory(memory.flight, own._replace(doubted_s=None)) if own.doubted_s is not None else memory
    return memory if own.doubted_s is not None else Memory(memory.flight, own._replace(doubted_s=now.time_s))


def has_landed(own: DescentMemory, now: Navigation) -> bool:
    """By the word of the legs or the arms; where none is told, by an engine that is off after the end of the burn."""
    if now.contact is not None:
        return now.contact
    burnt = own.guided.stage == BURNING and now.time_s >= own.guided.time_s + own.guided.stop.end_s
    return burnt and now.engine_on is False


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
        engines=frame.counts[guided.leg], cut_on_contact=True,
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
    """In the order of their times."""
    flight, own = memory
    contact_s = own.guided.time_s + own.guided.stop.end_s
    events = [CONTACT.of(flight, contact_s)]
    if not phase.idles:
        events.append(IGNITE.of(flight, own.guided.light_at_s))
    if phase.legs_out_s is not None:
        events.append(DEPLOY_LEGS.of(flight, contact_s - phase.legs_out_s))
    return tuple(sorted(events, key=lambda event: event.at_s))


def verdict(
    memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent
) -> tuple[Status, tuple[str, ...]]:
    """How the landing stands; what is found is believed when it lasts: an ignition shakes the prediction."""
    doubted_s = memory.own.doubted_s
    if doubted_s is None or (now.time_s - doubted_s < DOUBTED_S and doubted_s > memory.flight.since_s):
        return "ok", ()
    return judge(memory, plan, phase)


def judge(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> tuple[Status, tuple[str, ...]]:
    """How the landing stands by this state alone, in words with its number."""
    own, report = memory.own, report_of(memory, plan, phase)
    landing, height = landing_of(plan), max(own.guided.filtered.position_m[2], 0.0)
    down_m_s = fall_speed_m_s(own)
    if not own.guided.stop.stops or down_m_s > landing.contact_speed_m_s + SPEED_TOLD_M_S + MISS_FRAC * height:
        return "unreachable", (
            f"the engines cannot stop the vehicle: {down_m_s:.1f} m/s down at contact, throttle "
            f"{report.throttle_frac:.2f} wanted",
        )  # fmt: skip
    if report.propellant_left_kg < 0.0:
        return "short_of_propellant", (f"{-report.propellant_left_kg:.0f} kg of propellant are missing at contact",)
    if report.miss_m > MISS_TOLD_M + MISS_FRAC * height:
        return "unreachable", (
            f"{landing.site.name} is {report.miss_m:.0f} m beyond reach; as flown now, contact there with "
            f"{report.speed_m_s:.1f} m/s",
        )  # fmt: skip
    return "ok", ()


def fall_speed_m_s(own: DescentMemory) -> float:
    """Downward speed at contact: what is asked for, and more where the vehicle would stop below the contact point."""
    stop = own.guided.stop
    down_m_s = stop.velocity_m_s[2]
    return sqrt(down_m_s * down_m_s + 2.0 * max(stop.rise_m_s2, 0.0) * max(-stop.position_m[2], 0.0))


def report_of(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> LandingReport:
    """The landing as it is predicted."""
    own = memory.own
    g, stop = own.guided, own.guided.stop
    lander = frame_at(memory, plan, phase).lander
    wanted = stop.throttle_frac + stop.beyond_frac
    (x, y, _), (u, v, _), noise = stop.position_m, stop.velocity_m_s, g.filtered.noise
    margin = min(lander.most_frac - wanted, wanted - lander.least_frac)
    return LandingReport(
        stop.end_s, hypot(x, y), hypot(u, v, fall_speed_m_s(own)), wanted, margin,
        stop.mass_kg - burnout_alone_kg(plan), sqrt(noise.position_m2), sqrt(noise.velocity_m2_s2),
    )  # fmt: skip


def numbers(memory: Memory[DescentMemory], now: Navigation, plan: FlightPlan, phase: Descent) -> Numbers:
    """The landing as it is predicted; nothing once it is over."""
    if memory.own.contact_s is not None:
        return Numbers()
    report = report_of(memory, plan, phase)
    return Numbers(propellant_margin_kg=report.propellant_left_kg, landing=report)


def says(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent, command: Command) -> Arrival:
    """What the tower that it comes to hears of it."""
    own, place = memory.own, frame_at(memory, plan, phase).place
    return arrival_of(own.guided, own.contact_s, place, landing_of(plan), command)


ROW = LawRow(
    Descent, DescentMemory, sentence, (IGNITE, DEPLOY_LEGS, CONTACT), enter, order, follow=follow,
    numbers=numbers, says=says, model=DescentModel, check=check, predecessors=("coast",), ended_by="contact",
)  # fmt: skip

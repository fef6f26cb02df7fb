"""The laws of the way up through the air: hold and boost."""

from __future__ import annotations

from dataclasses import replace

from guidance_svc.core.boost import (
    curve_of,
    guided,
    launch_heading_rad,
    limits_of,
    program_of,
    shape_of,
    time_to_speed_s,
    velocity_soon,
    wanted_normal,
)
from guidance_svc.core.frames import Triad, pitch_and_heading, turn_z
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import add, along, norm, scale
from guidance_svc.domain import Boost, Event, EventName, FlightPlan, Hold, Vec
from guidance_svc.laws.air import air_here
from guidance_svc.laws.memory import Memory, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.stack import mass_at_burnout_kg

SEPARATION_DELAY_S = 1.0  # between the booster's cutoff and the separation, for the thrust to die away
CONTACT_S = 0.5
CLOCK_SLACK_S = 1e-6  # a script that acts at a stated instant may report it rounded down
LATE_S = 2.0  # after release in which the hold's own events are still repeated
ON_PAD_M_S = 1.0  # over ground: slower than this is standing on the pad
CLEARLY_DRY_FRAC = 0.5  # of the spent stage's dry mass, and ...
CLEARLY_FRAC = 0.01  # ... of what is above it: a mass more than that over the upper part's is not the upper part's
ASIDE_S = 5.0  # how long the script may stay silent once nothing is left to do


def event_id(memory: Memory, name: str) -> str:
    """Stable id of an event: phase, stage, name."""
    return f"{memory.phase}-{memory.stage}-{name}"


def lit_by(ignite_at_s: float, now: Navigation) -> bool:
    """Whether ignition is past: by the clock, or by an engine that burns an instant before it.

    Without the engine's word the slack would take the event from the very reply that a script acts on.
    """
    return now.time_s >= ignite_at_s - (CLOCK_SLACK_S if now.engine_on else 0.0)


def hold_enter(memory: Memory, now: Navigation, plan: FlightPlan, phase: Hold) -> Memory:
    """The heading of the ascent, as it will be at release: a heading is told while the thrust is vertical."""
    boost = next((other for other in plan.phases if isinstance(other, Boost)), Boost())
    turn = plan.body.rotation_rad_s * max(0.0, phase.release_at_s - now.time_s)
    local = Triad(*(turn_z(axis, turn) for axis in now.local))
    return replace(memory, heading_rad=ascent_heading_rad(boost, turn_z(now.position_m, turn), plan, local))


def ascent_heading_rad(phase: Boost, position_m: Vec, plan: FlightPlan, local: Triad) -> float:
    """Launch heading over ground from a place on the pad: the plan's, else into the target's plane, else east."""
    if phase.azimuth_rad is not None:
        return phase.azimuth_rad
    if plan.target is not None:
        return launch_heading_rad(position_m, plan.body, plan.target, local)
    return pitch_and_heading(local.east, local)[1]


def hold_done(memory: Memory, now: Navigation, plan: FlightPlan, phase: Hold) -> bool:
    """Whether the hold-down is over."""
    return now.time_s >= phase.release_at_s - CLOCK_SLACK_S


def hold_fly(memory: Memory, now: Navigation, plan: FlightPlan, phase: Hold) -> Order:
    """Upright, engines lit ahead of release."""
    ignite_at = phase.release_at_s - phase.ignition_lead_s
    return Order(
        direction=now.local.up,
        direction_soon=now.local.up,
        engine_on=now.time_s >= ignite_at - CLOCK_SLACK_S,
        events=(
            Event(event_id(memory, "ignite"), "ignite", ignite_at),
            Event(event_id(memory, "release"), "release", phase.release_at_s),
        ),
        next_contact_s=max(CONTACT_S, min(60.0, ignite_at - now.time_s)),
    )


def boost_enter(memory: Memory, now: Navigation, plan: FlightPlan, phase: Boost) -> Memory:
    """Choose the launch heading, once."""
    heading = ascent_heading_rad(phase, now.position_m, plan, now.local)
    return replace(memory, heading_rad=heading, cutoff_at_s=None, separate_at_s=None)


def released_at_s(memory: Memory, plan: FlightPlan) -> float:
    """Vehicle time of release: the hold's, or the begin of the boost when there was no hold."""
    before = plan.phases[memory.phase - 1] if memory.phase else None
    return before.release_at_s if isinstance(before, Hold) else memory.since_s


def late_events(memory: Memory, now: Navigation, plan: FlightPlan) -> list[Event]:
    """Release, and ignition at the same instant: the script hears of one event at a time, so the second comes late.

    A vehicle that stays on the pad goes on hearing of them, then with the time at which they were due.
    """
    before = plan.phases[memory.phase - 1] if memory.phase else None
    if not isinstance(before, Hold):
        return []
    late = now.time_s > before.release_at_s + LATE_S
    if late and norm(now.ground_velocity_m_s) > ON_PAD_M_S:
        return []
    names: tuple[EventName, ...] = ("ignite", "release")
    held = replace(memory, phase=memory.phase - 1)
    return [Event(event_id(held, name), name, before.release_at_s if late else now.time_s) for name in names]


def push_m_s2(memory: Memory, now: Navigation, plan: FlightPlan) -> float:
    """Thrust acceleration at the ordered throttle, in vacuum."""
    return memory.throttle_frac * plan.vehicle.stages[memory.stage].thrust_n / now.mass_kg


def boost_end_s(memory: Memory, now: Navigation, plan: FlightPlan, phase: Boost, direction: Vec) -> float:
    """Vehicle time at which the boost must end, by whichever limit comes first."""
    burnout = mass_at_burnout_kg(plan.vehicle, memory.stage, phase.separate_at_reserve)
    flow = memory.throttle_frac * plan.vehicle.stages[memory.stage].mass_flow_kg_s
    left = max(0.0, now.mass_kg - burnout) / flow
    pull = acceleration(now.position_m, plan.body.mu_m3_s2, plan.body.radius_m, plan.body.j2)
    total = add(pull, scale(push_m_s2(memory, now, plan), direction))
    to_speed = time_to_speed_s(phase.separate_at_speed_m_s, now.ground_velocity_m_s, total)
    return min(now.time_s + left, now.time_s + to_speed, released_at_s(memory, plan) + phase.separate_at_s)


def boost_follow(memory: Memory, now: Navigation, plan: FlightPlan, phase: Boost) -> Memory:
    """Throttle; keep the planned end up to date until it is past, then it stands."""
    if memory.cutoff_at_s is not None and now.time_s >= memory.cutoff_at_s:
        return memory
    direction, throttle = law_at(memory, now.time_s, now, plan, phase)
    memory = replace(memory, throttle_frac=throttle)
    end = max(now.time_s, boost_end_s(memory, now, plan, phase, direction))
    return replace(memory, cutoff_at_s=end, separate_at_s=end + SEPARATION_DELAY_S)


def law_at(memory: Memory, time_s: float, now: Navigation, plan: FlightPlan, phase: Boost) -> tuple[Vec, float]:
    """The boost law's direction and throttle at a vehicle time, for the motion that `now` holds."""
    vehicle, target = plan.vehicle, plan.target
    stage = vehicle.stages[memory.stage]
    limits = limits_of(phase)
    limits = (limits[0], limits[1], min(limits[2], stage.acceleration_limit_m_s2), limits[3])
    normal = wanted_normal(now.position_m, target, now.local) if phase.max_yaw_rad > 0.0 else None
    speed = target.cutoff_speed_m_s if target else 0.0
    yaw = phase.max_yaw_rad if normal else 0.0
    return guided(
        time_s - released_at_s(memory, plan), (now.position_m, now.velocity_m_s, now.ground_velocity_m_s),
        (now.local.up, now.local.north, now.local.east), now.mass_kg, air_here(now, plan.body),
        (stage.thrust_n, stage.exit_area_m2, stage.throttle_min_frac), vehicle.drag_area_m2,
        *curve_of(vehicle.drag_curve, 0.0), (normal or now.local.up, speed, yaw, memory.heading_rad or 0.0),
        shape_of(phase), *program_of(phase), *curve_of(phase.throttle, 1.0), limits, plan.body.mu_m3_s2,
    )  # fmt: skip


def direction_soon(memory: Memory, now: Navigation, plan: FlightPlan, phase: Boost, direction: Vec) -> Vec:
    """The boost direction in one second, drag left out."""
    push = push_m_s2(memory, now, plan)
    later = velocity_soon(now.position_m, now.ground_velocity_m_s, direction, push, plan.body, 1.0)
    if norm(later) == 0.0:
        return direction
    gained = along(later, -1.0, now.ground_velocity_m_s)
    soon = replace(now, ground_velocity_m_s=later, velocity_m_s=add(now.velocity_m_s, gained))
    return law_at(memory, now.time_s + 1.0, soon, plan, phase)[0]


def dropped(memory: Memory, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the present stage has been let go: by its number, an acknowledgement or the mass, if none is belied."""
    if still_on(memory, now, plan):
        return False
    if event_id(memory, "separate") in memory.seen:
        return True
    if now.stage is not None and memory.stage + 1 < len(plan.vehicle.stages):
        return now.stage > memory.stage
    return now.mass_kg <= 1.002 * plan.vehicle.mass_at_ignition_kg(memory.stage + 1)


def still_on(memory: Memory, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the state shows that the present stage has not been let go: by its number, or by far too large a mass.

    A vehicle whose last stage is let go flies on as that stage, so that its number says nothing.
    """
    vehicle = plan.vehicle
    if now.stage is not None and now.stage <= memory.stage and memory.stage + 1 < len(vehicle.stages):
        return True
    above = vehicle.mass_at_ignition_kg(memory.stage + 1)
    clearly = max(CLEARLY_DRY_FRAC * vehicle.stages[memory.stage].dry_mass_kg, CLEARLY_FRAC * above)
    return now.mass_kg > above + clearly


def boost_done(memory: Memory, now: Navigation, plan: FlightPlan, phase: Boost) -> bool:
    """Whether the stage has been let go and a later phase takes over."""
    last = memory.phase + 1 == len(plan.phases)
    at = memory.separate_at_s
    return not last and at is not None and now.time_s >= at and dropped(memory, now, plan)


def boost_fly(memory: Memory, now: Navigation, plan: FlightPlan, phase: Boost) -> Order:
    """Thrust along the air flow until the planned end, then hold and separate."""
    direction = law_at(memory, now.time_s, now, plan, phase)[0]
    cutoff, separate = memory.cutoff_at_s, memory.separate_at_s
    burning = cutoff is not None and now.time_s < cutoff
    soon = direction_soon(memory, now, plan, phase, direction) if burning else direction
    events = late_events(memory, now, plan)
    if cutoff is not None and separate is not None:
        events += [
            Event(event_id(memory, "cutoff"), "cutoff", cutoff),
            Event(event_id(memory, "separate"), "separate", separate),
        ]
    through = not burning and memory.phase + 1 == len(plan.phases) and separate is not None and now.time_s > separate
    return Order(
        direction=direction,
        direction_soon=soon,
        engine_on=burning,
        throttle_frac=memory.throttle_frac,
        cutoff_at_s=cutoff if burning else None,
        events=tuple(events),
        next_contact_s=ASIDE_S if through else CONTACT_S,
        status="complete" if through else "ok",
    )

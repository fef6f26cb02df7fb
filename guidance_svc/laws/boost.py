"""The law `boost`: through the air along the air flow, then the stage is let go."""

from __future__ import annotations

from math import degrees, inf, radians
from typing import Annotated, Literal, NamedTuple

from pydantic import Field, model_validator

from guidance_svc.core.boost import (
    BoostEngine,
    Motion,
    Towards,
    curve_of,
    guide_boost,
    limits_of,
    program_of,
    shape_of,
    time_to_speed_s,
    velocity_soon,
    wanted_normal,
)
from guidance_svc.core.gravity import acceleration
from guidance_svc.core.vectors import add, along, norm, scale
from guidance_svc.domain import Boost, Event, FlightPlan, Hold, Vec
from guidance_svc.laws.air import air_here
from guidance_svc.laws.boost_checks import check_boost
from guidance_svc.laws.cover import DROP_COVER
from guidance_svc.laws.heading import ascent_heading_rad
from guidance_svc.laws.instants import CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import CUTOFF, IGNITE, ON_PAD_M_S, RELEASE, SEPARATE, is_stage_dropped
from guidance_svc.laws.stack import limits_held, mass_at_burnout_kg
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import NotNegative, Positive, Program, require_rising

SEPARATION_DELAY_S = 1.0  # between the booster's cutoff and the separation, for the thrust to die away
LATE_S = 2.0  # after release in which the hold's own events are still repeated
ASIDE_S = 5.0  # how long the script may stay silent once nothing is left to do


class BoostModel(PhaseModel):
    """Through the air: rise, pitch over, near zero angle of attack, separate at whichever limit comes first."""

    law: Literal["boost"]
    rise_s: NotNegative = 10.0
    """Vertical flight after release."""
    pitch_over_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 3.0
    """From the vertical, at the end of the rise."""
    pitch_over_rate_deg_s: Annotated[float, Field(gt=0.0, le=90.0)] = 1.0
    azimuth_deg: Annotated[float, Field(ge=0.0, lt=360.0)] | None = None
    """Over ground, clockwise from north; None: from the target's plane."""
    separate_at_speed_m_s: Positive | None = None
    """Over ground."""
    separate_at_s: Positive | None = None
    """From release."""
    separate_at_reserve: bool = True
    """When the stage's reserve_kg is reached."""
    reserve_kg: NotNegative | None = None
    """What the stage keeps on this flight; None: what its vehicle's table says."""
    bias_deg: Program = Field([])
    """[seconds since release, angle of attack, nose up positive] pairs; linear between, flat outside."""
    pitch_deg: Program = Field([])
    """[seconds since release, deg above the horizon] pairs, instead of pitch_over_deg and bias_deg; the angle of attack
    that leads there is bounded by the limits."""
    throttle: Program = Field([])
    """[seconds since release, throttle] pairs; none: full."""
    max_yaw_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 0.0
    """Lean towards the target's plane once past the pitch-over."""
    max_dynamic_pressure_pa: Positive | None = None
    """Kept by throttling back."""
    max_q_alpha_pa_deg: Positive | None = None
    """Dynamic pressure times angle of attack; holds in the insertion that follows as well."""
    max_acceleration_m_s2: Positive | None = None
    """Of the thrust; kept by throttling back."""
    max_alpha_deg: Annotated[float, Field(gt=0.0, le=90.0)] | None = None
    """Angle of attack."""

    @model_validator(mode="after")
    def _programs_hold(self) -> BoostModel:
        if self.bias_deg and self.pitch_deg:
            raise ValueError("bias_deg or pitch_deg, not both")
        require_rising("bias_deg", self.bias_deg, -90.0, 90.0, "angle")
        require_rising("pitch_deg", self.pitch_deg, 0.0, 90.0, "pitch")
        require_rising("throttle", self.throttle, 0.0, 1.0, "throttle")
        return self

    @model_validator(mode="after")
    def _ends(self) -> BoostModel:
        if not self.separate_at_reserve and self.separate_at_speed_m_s is None and self.separate_at_s is None:
            raise ValueError("at least one of separate_at_speed_m_s, separate_at_s, separate_at_reserve = true")
        return self

    def to_domain(self) -> Boost:
        """The phase in radians."""
        return Boost(
            rise_s=self.rise_s,
            pitch_over_rad=radians(self.pitch_over_deg),
            pitch_over_rate_rad_s=radians(self.pitch_over_rate_deg_s),
            azimuth_rad=None if self.azimuth_deg is None else radians(self.azimuth_deg),
            separate_at_speed_m_s=inf if self.separate_at_speed_m_s is None else self.separate_at_speed_m_s,
            separate_at_s=inf if self.separate_at_s is None else self.separate_at_s,
            separate_at_reserve=self.separate_at_reserve,
            reserve_kg=self.reserve_kg,
            bias=tuple((time, radians(angle)) for time, angle in self.bias_deg),
            pitch=tuple((time, radians(angle)) for time, angle in self.pitch_deg),
            throttle=tuple((time, frac) for time, frac in self.throttle),
            max_yaw_rad=radians(self.max_yaw_deg),
            max_dynamic_pressure_pa=inf if self.max_dynamic_pressure_pa is None else self.max_dynamic_pressure_pa,
            max_q_alpha_pa_rad=inf if self.max_q_alpha_pa_deg is None else radians(self.max_q_alpha_pa_deg),
            max_acceleration_m_s2=inf if self.max_acceleration_m_s2 is None else self.max_acceleration_m_s2,
            max_alpha_rad=inf if self.max_alpha_deg is None else radians(self.max_alpha_deg),
        )


class BoostMemory(NamedTuple):
    """What a boost remembers: the planned end of the burn, and the planned separation."""

    cutoff_at_s: float | None = None
    separate_at_s: float | None = None


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Boost) -> Memory[BoostMemory]:
    """Choose the launch heading, once."""
    heading = ascent_heading_rad(phase, now.position_m, plan, now.local)
    return Memory(flight._replace(heading_rad=heading), BoostMemory())


def released_at_s(flight: Flight, plan: FlightPlan) -> float:
    """Vehicle time of release: the hold's, or the begin of the boost when there was no hold."""
    before = plan.phases[flight.phase - 1] if flight.phase else None
    return before.release_at_s if isinstance(before, Hold) else flight.since_s


def late_events(flight: Flight, now: Navigation, plan: FlightPlan) -> list[Event]:
    """Release, and ignition at the same instant: the script hears of one event at a time, so the second comes late.

    A vehicle that stays on the pad goes on hearing of them, then with the time at which they were due.
    """
    before = plan.phases[flight.phase - 1] if flight.phase else None
    if not isinstance(before, Hold):
        return []
    late = now.time_s > before.release_at_s + LATE_S
    if late and norm(now.ground_velocity_m_s) > ON_PAD_M_S:
        return []
    held = flight._replace(phase=flight.phase - 1)
    at_s = before.release_at_s if late else now.time_s
    return [IGNITE.of(held, at_s), RELEASE.of(held, at_s)]


def push_m_s2(flight: Flight, now: Navigation, plan: FlightPlan) -> float:
    """Thrust acceleration at the ordered throttle, in vacuum."""
    return flight.throttle_frac * plan.vehicle.stages[flight.stage].thrust_n / now.mass_kg


def boost_end_s(flight: Flight, now: Navigation, plan: FlightPlan, phase: Boost, direction: Vec) -> float:
    """Vehicle time at which the boost must end, by whichever limit comes first."""
    burnout = mass_at_burnout_kg(plan.vehicle, flight.stage, phase.separate_at_reserve)
    flow = flight.throttle_frac * plan.vehicle.stages[flight.stage].mass_flow_kg_s
    left = max(0.0, now.mass_kg - burnout) / flow
    pull = acceleration(now.position_m, plan.body.mu_m3_s2, plan.body.radius_m, plan.body.j2)
    total = add(pull, scale(push_m_s2(flight, now, plan), direction))
    to_speed = time_to_speed_s(phase.separate_at_speed_m_s, now.ground_velocity_m_s, total)
    return min(now.time_s + left, now.time_s + to_speed, released_at_s(flight, plan) + phase.separate_at_s)


def follow(memory: Memory[BoostMemory], now: Navigation, plan: FlightPlan, phase: Boost) -> Memory[BoostMemory]:
    """Throttle; keep the planned end up to date until it is past, then it stands."""
    flight, own = memory
    if own.cutoff_at_s is not None and now.time_s >= own.cutoff_at_s:
        return memory
    direction, throttle = law_at(flight, now.time_s, now, plan, phase)
    if throttle != flight.throttle_frac:
        flight = flight._replace(throttle_frac=throttle)
    end = max(now.time_s, boost_end_s(flight, now, plan, phase, direction))
    return Memory(flight, BoostMemory(end, end + SEPARATION_DELAY_S))


def law_at(flight: Flight, time_s: float, now: Navigation, plan: FlightPlan, phase: Boost) -> tuple[Vec, float]:
    """The boost law's direction and throttle at a vehicle time, for the motion that `now` holds."""
    vehicle, target = plan.vehicle, plan.target
    stage = vehicle.stages[flight.stage]
    normal = wanted_normal(now.position_m, target, now.local) if phase.max_yaw_rad > 0.0 else None
    speed = target.cutoff_speed_m_s if target else 0.0
    yaw = phase.max_yaw_rad if normal else 0.0
    return guide_boost(
        time_s - released_at_s(flight, plan), Motion(now.position_m, now.velocity_m_s, now.ground_velocity_m_s),
        now.local, now.mass_kg, air_here(now, plan.body),
        BoostEngine(stage.thrust_n, stage.exit_area_m2, stage.throttle_min_frac), vehicle.drag_area_m2,
        curve_of(vehicle.drag_curve, 0.0), Towards(normal or now.local.up, speed, yaw, flight.heading_rad or 0.0),
        shape_of(phase), program_of(phase), curve_of(phase.throttle, 1.0),
        limits_of(phase, stage.acceleration_limit_m_s2), plan.body.mu_m3_s2,
    )  # fmt: skip


def direction_soon(flight: Flight, now: Navigation, plan: FlightPlan, phase: Boost, direction: Vec) -> Vec:
    """The boost direction in one second, drag left out."""
    push = push_m_s2(flight, now, plan)
    later = velocity_soon(now.position_m, now.ground_velocity_m_s, direction, push, plan.body, 1.0)
    if norm(later) == 0.0:
        return direction
    gained = along(later, -1.0, now.ground_velocity_m_s)
    soon = now._replace(ground_velocity_m_s=later, velocity_m_s=add(now.velocity_m_s, gained))
    direction, _ = law_at(flight, now.time_s + 1.0, soon, plan, phase)
    return direction


def done(memory: Memory[BoostMemory], now: Navigation, plan: FlightPlan, phase: Boost) -> bool:
    """Whether the stage has been let go and a later phase takes over."""
    last = memory.flight.phase + 1 == len(plan.phases)
    at = memory.own.separate_at_s
    return not last and at is not None and now.time_s >= at and is_stage_dropped(memory.flight, now, plan)


def order(memory: Memory[BoostMemory], now: Navigation, plan: FlightPlan, phase: Boost) -> Order:
    """Thrust along the air flow until the planned end, then hold and separate."""
    flight, (cutoff, separate) = memory
    direction, _ = law_at(flight, now.time_s, now, plan, phase)
    burning = cutoff is not None and now.time_s < cutoff
    soon = direction_soon(flight, now, plan, phase, direction) if burning else direction
    events = late_events(flight, now, plan)
    if cutoff is not None and separate is not None:
        events += [CUTOFF.of(flight, cutoff), SEPARATE.of(flight, separate)]
    through = not burning and flight.phase + 1 == len(plan.phases) and separate is not None and now.time_s > separate
    return Order(
        direction=direction,
        direction_soon=soon,
        engine_on=burning,
        throttle_frac=flight.throttle_frac,
        cutoff_at_s=cutoff if burning else None,
        events=tuple(events),
        next_contact_s=ASIDE_S if through else CONTACT_S,
        status="complete" if through else "ok",
    )


def sentence(phase: Boost, plan: FlightPlan) -> str:
    """Rise, tip over, follow, separate."""
    limits = []
    if phase.separate_at_reserve:
        limits.append("the propellant reserve is reached")
    else:
        limits.append("the propellant is spent")
    if phase.separate_at_speed_m_s < inf:
        limits.append(f"the speed over ground is {phase.separate_at_speed_m_s:g} m/s")
    if phase.separate_at_s < inf:
        limits.append(f"{phase.separate_at_s:g} s have passed since release")
    heading = "in the target's plane" if phase.azimuth_rad is None else f"{degrees(phase.azimuth_rad):.3f} deg"
    way = f"tip {degrees(phase.pitch_over_rad):g} deg towards heading {heading}, then along the velocity over ground"
    if phase.pitch:
        last_s, last = phase.pitch[-1]
        way = f"then a pitch program towards heading {heading}, down to {degrees(last):.1f} deg at {last_s:g} s"
    elif phase.bias:
        way += f" with a program of {len(phase.bias)} angles of attack"
    kept = boost_limits(phase)
    return (
        f"vertical for {phase.rise_s:g} s, {way}"
        f"{'; within ' + ', '.join(kept) if kept else ''}; separate when {' or '.join(limits)}"
        f"{limits_held(plan.vehicle.stages[:1])}"
    )


def boost_limits(phase: Boost) -> list[str]:
    """The limits that a boost keeps, in words."""
    named = (
        (phase.max_dynamic_pressure_pa, "dynamic pressure {:g} Pa"),
        (degrees(phase.max_q_alpha_pa_rad), "dynamic pressure times angle of attack {:g} Pa deg"),
        (degrees(phase.max_alpha_rad), "angle of attack {:g} deg"),
        (phase.max_acceleration_m_s2, "acceleration {:g} m/s2"),
    )
    return [text.format(value) for value, text in named if value < inf]


ROW = LawRow(
    Boost, BoostMemory, sentence, (RELEASE, IGNITE, CUTOFF, SEPARATE, DROP_COVER), enter, order, follow, done,
    model=BoostModel, check=check_boost, successors=("insertion", "coast", "orbit"), ended_by="separation",
)  # fmt: skip

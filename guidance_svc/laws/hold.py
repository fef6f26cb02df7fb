"""The law `hold`: upright on the pad until release, engines lit ahead of it."""

from __future__ import annotations

from types import NoneType
from typing import Literal

from guidance_svc.core.frames import Triad, turn_z
from guidance_svc.domain import Boost, FlightPlan, Hold
from guidance_svc.laws.heading import ascent_heading_rad
from guidance_svc.laws.instants import CLOCK_SLACK_S, CONTACT_S
from guidance_svc.laws.memory import Burn, Flight, Memory, Order
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.signs import IGNITE, RELEASE
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import NotNegative, Time


class HoldModel(PhaseModel):
    """Hold-down on the pad."""

    law: Literal["hold"]
    release_at_s: Time = 0.0
    """Vehicle time."""
    ignition_lead_s: NotNegative = 0.0
    """Engines are lit this long before release."""

    def to_domain(self) -> Hold:
        """The checked keys as a phase of the plan."""
        return Hold(self.release_at_s, self.ignition_lead_s)


def enter(flight: Flight, left: Burn | None, now: Navigation, plan: FlightPlan, phase: Hold) -> Memory[None]:
    """The heading of the ascent, as it will be at release: a heading is told while the thrust is vertical."""
    boost = next((other for other in plan.phases if isinstance(other, Boost)), Boost())
    turn = plan.body.rotation_rad_s * max(0.0, phase.release_at_s - now.time_s)
    local = Triad(*(turn_z(axis, turn) for axis in now.local))
    heading = ascent_heading_rad(boost, turn_z(now.position_m, turn), plan, local)
    return Memory(flight._replace(heading_rad=heading), None)


def done(memory: Memory[None], now: Navigation, plan: FlightPlan, phase: Hold) -> bool:
    """Whether the hold-down is over."""
    return now.time_s >= phase.release_at_s - CLOCK_SLACK_S


def order(memory: Memory[None], now: Navigation, plan: FlightPlan, phase: Hold) -> Order:
    """Upright, engines lit ahead of release."""
    ignite_at = phase.release_at_s - phase.ignition_lead_s
    return Order(
        direction=now.local.up,
        direction_soon=now.local.up,
        engine_on=now.time_s >= ignite_at - CLOCK_SLACK_S,
        events=(IGNITE.of(memory.flight, ignite_at), RELEASE.of(memory.flight, phase.release_at_s)),
        next_contact_s=max(CONTACT_S, min(60.0, ignite_at - now.time_s)),
    )


def sentence(phase: Hold, plan: FlightPlan) -> str:
    """What the phase does."""
    lead = f", engines lit {phase.ignition_lead_s:g} s before" if phase.ignition_lead_s else ""
    return f"upright on the pad until vehicle time {phase.release_at_s:g} s{lead}"


ROW = LawRow(
    Hold, NoneType, sentence, (RELEASE, IGNITE), enter, order, done=done,
    model=HoldModel, successors=("boost", "insertion", "coast", "orbit"), ended_by="release",
)  # fmt: skip

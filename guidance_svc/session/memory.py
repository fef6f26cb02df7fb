"""What a session remembers, as one immutable value, and what a phase law orders.

Because the value is immutable, going back in time is taking up an earlier one.
"""

from __future__ import annotations

from dataclasses import dataclass

from guidance_svc.core.steering import Steering
from guidance_svc.domain import Event, OrbitReport, Status, Vec


@dataclass(frozen=True, slots=True)
class Memory:
    """Everything that changes while a session flies.

    Args:
        phase: index into the plan's phases.
        since_s: vehicle time at which the phase began.
        stage: index of the vehicle's stage that burns now or next.
        ignite_at_s: planned ignition, None once it is past or there is none.
        cutoff_at_s: planned end of the present burn.
        separate_at_s: planned separation.
        spent_at_s: when the present stage's propellant ends, as last seen.
        law: the last steering law that converged.
        trial: the law being worked on; equals `law` when that is fresh.
        attempts: Newton calls since the law last converged.
        solved_at_s: vehicle time of the last major cycle.
        heading_rad: launch heading, chosen once at release.
        seen: ids of events that the script has acknowledged.
        spread_m: radius spread over the next revolution, once in orbit.
    """

    phase: int = 0
    since_s: float = 0.0
    stage: int = 0
    ignite_at_s: float | None = None
    cutoff_at_s: float | None = None
    separate_at_s: float | None = None
    spent_at_s: float | None = None
    law: Steering | None = None
    trial: Steering | None = None
    attempts: int = 0
    solved_at_s: float | None = None
    heading_rad: float | None = None
    seen: frozenset[str] = frozenset()
    spread_m: float | None = None


@dataclass(frozen=True, slots=True)
class Order:
    """What a phase law wants now.

    Args:
        direction, direction_soon: unit thrust direction now and in one second, BCI.
        events: in order; the first one that the script has not seen goes out.
    """

    direction: Vec
    direction_soon: Vec
    engine_on: bool
    throttle_frac: float = 1.0
    cutoff_at_s: float | None = None
    events: tuple[Event, ...] = ()
    next_contact_s: float = 1.0
    status: Status = "ok"
    warnings: tuple[str, ...] = ()
    velocity_to_gain_m_s: float | None = None
    propellant_margin_kg: float | None = None
    predicted_orbit: OrbitReport | None = None

"""The instants at which something is to happen: ids of events, and when an instant counts as met."""

from __future__ import annotations

from guidance_svc.constants import CLOCK_SLACK_S as CLOCK_SLACK_S
from guidance_svc.laws.memory import Flight
from guidance_svc.laws.navigation import Navigation

CONTACT_S = 0.5  # how long a script may stay silent while an engine burns
NEAR_CUTOFF_CONTACT_S = 0.1


def event_id(flight: Flight, name: str) -> str:
    """Stable id of an event: phase, stage, name."""
    return f"{flight.phase}-{flight.stage}-{name}"


def lit_by(ignite_at_s: float, now: Navigation) -> bool:
    """Whether ignition is past: by the clock, or by an engine that burns an instant before it.

    Without the engine's word the slack would take the event from the very reply that a script acts on.
    """
    return now.time_s >= ignite_at_s - (CLOCK_SLACK_S if now.engine_on else 0.0)

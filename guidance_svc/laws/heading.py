"""Where an ascent heads to."""

from __future__ import annotations

from guidance_svc.core.boost import launch_heading_rad
from guidance_svc.core.frames import Triad, pitch_and_heading
from guidance_svc.domain import Boost, FlightPlan, Vec


def ascent_heading_rad(phase: Boost, position_m: Vec, plan: FlightPlan, local: Triad) -> float:
    """Launch heading over ground from a place on the pad: the plan's, else into the target's plane, else east."""
    if phase.azimuth_rad is not None:
        return phase.azimuth_rad
    if plan.target is not None:
        return launch_heading_rad(position_m, plan.body, plan.target, local)
    _, heading = pitch_and_heading(local.east, local)
    return heading

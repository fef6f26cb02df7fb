"""What is remembered in a descent, and the landing frame that it is flown in."""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.landing_state import Guided
from guidance_svc.domain import FlightPlan, Vec
from guidance_svc.laws.descent_divert import Diverted
from guidance_svc.laws.descent_engines import NONE_MISSING, Missing
from guidance_svc.laws.descent_place import AS_PLANNED, NO_OFFSET, Burners, Frame, frame_of, moved_by
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.descent_reach import Around
from guidance_svc.laws.memory import Memory


class DescentMemory(NamedTuple):
    """What is remembered in a descent.

    Args:
        guided: the landing in numbers, in the frame of `spot` and `offset_m`.
        contact_s: vehicle time of contact; None before it.
        doubted_s: since when it has been found not to come out as asked for; None while it does.
        spot: where it lands, as `Landing.places` counts.
        offset_m: of the contact point from where the plan has it: east, north, up.
        around: what is known of the points around it.
        diverted: None while it has not.
        burners: engines that are asked for, where they are others than planned.
        missing: engines that were asked for and do not burn.
    """

    guided: Guided
    contact_s: float | None = None
    doubted_s: float | None = None
    spot: int = 0
    offset_m: Vec = NO_OFFSET
    around: Around = Around()
    diverted: Diverted | None = None
    burners: Burners = AS_PLANNED
    missing: Missing = NONE_MISSING


def frame_at(memory: Memory[DescentMemory], plan: FlightPlan, phase: Descent) -> Frame:
    """The landing frame that is flown in."""
    own = memory.own
    return moved_by(frame_of(plan, phase, memory.flight.stage, own.spot, own.burners), own.offset_m)

"""What a recorded session flew with: the flight plan, the frame of its script, the role of its vehicle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from guidance_svc.domain import FlightPlan, Frame, Role
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.playback.course import Session
from guidance_svc.wire.messages import FrameModel
from guidance_svc.wire.parse import parse_frame
from guidance_svc.wire.plans import parse_table

ROLES: dict[str, Role] = {role: role for role in get_args(Role)}


@dataclass(frozen=True, slots=True)
class Setting:
    """The flight plan of a session, the frame of its script, the role of its vehicle."""

    plan: FlightPlan
    frame: Frame
    role: Role


def setting_of(session: Session, library: Library | None = None) -> Setting:
    """The setting of a session whose `open` is known.

    Args:
        library: for names within a plan that came inline; None: none is known, for today's files may be others.

    Raises:
        ConfigError: the recording does not tell the plan, or it does not hold.
        MessageFault: nor does the frame.
    """
    opened = session.opened or {}
    if not session.plan:
        raise ConfigError("missing_field", "plan", "the flight plan as a table", opened.get("plan", "none"))
    role = ROLES.get(str(opened.get("role")), "upper_stage")
    plan = (library or Library()).plan(session.plan, role)
    return Setting(plan, parse_frame(parse_table(FrameModel, opened.get("frame") or {})), role)

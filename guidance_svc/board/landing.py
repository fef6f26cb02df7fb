"""What the board shows of a vehicle that lands: how its contact is predicted, what the tower said, how far it is."""

from __future__ import annotations

from math import hypot
from typing import Any, Final

from guidance_svc.core.frames import meridian_rad, state_to_bci, turn_z
from guidance_svc.core.vectors import sub
from guidance_svc.domain import Vec, VehicleState
from guidance_svc.laws.descent_place import level, place_of
from guidance_svc.laws.table import act_of
from guidance_svc.playback.setting import Setting
from guidance_svc.playback.ways import comes_down
from guidance_svc.report.way_down import told_height_m

CLEARANCES: Final = {"ready": "tower ready", "not_ready": "tower not ready", "no_answer": "tower does not answer"}
HELD_UP: Final = ("not_ready", "no_answer")


def landing_values(command: dict[str, Any], state: VehicleState, setting: Setting) -> dict[str, Any] | None:
    """The landing at this moment; None for a vehicle that does not land, or not yet.

    What the reply does not tell is None; what guidance predicts comes from `detail`, for scripts that ask for it.
    """
    detail, landing = command.get("detail") or {}, setting.plan.landing
    told, clearance, reach = detail.get("landing") or {}, command.get("clearance"), detail.get("reach") or {}
    if landing is None or not (told or clearance or comes_down(command["phase"])):
        return None
    if command["status"] == "complete":
        return None
    east, north, up = from_contact_point(state, setting)
    now_s, event, decide_s = float(command["time_s"]), command["event"], command.get("decide_at_s")
    lit_s = event["at_s"] if event is not None and act_of(event["name"]) == "ignite" else None
    return {
        "site": landing.site.name,
        "miss_m": told.get("miss_m"),
        "contact_speed_m_s": told.get("speed_m_s"),
        "asked_speed_m_s": landing.contact_speed_m_s,
        "contact_in_s": told.get("contact_in_s", command["time_to_cutoff_s"]),
        "ignition_in_s": None if lit_s is None or command["engine_on"] else lit_s - now_s,
        "throttle_needed": told.get("throttle"),
        "throttle_margin": told.get("margin"),
        "left_kg": told.get("propellant_left_kg"),
        "height_m": up,
        "level_m": hypot(east, north),
        "engines": command.get("engines"),
        "clearance": clearance,
        "clearance_word": CLEARANCES.get(str(clearance), str(clearance).replace("_", " ")) if clearance else "",
        "decide_in_s": None if decide_s is None else decide_s - now_s,
        "inside_reach_m": reach.get("inside_m"),
        "diverts": [divert_words(divert) for divert in detail.get("divert") or ()],
    }


def from_contact_point(state: VehicleState, setting: Setting) -> Vec:
    """East, north and up of the point at which the plan's landing ends, m."""
    plan, frame = setting.plan, setting.frame
    assert plan.landing is not None
    place = place_of(plan.body, plan.landing.site, told_height_m(plan, plan.landing))
    position, _ = state_to_bci(state, frame, plan.body)
    fixed = turn_z(position, -meridian_rad(plan.body, frame, state.time_s))
    return level(sub(fixed, place.position_m), place)


def divert_words(divert: dict[str, Any]) -> str:
    """What another site would cost."""
    if not divert["in_reach"]:
        return f"{divert['site']} out of reach"
    extra = divert["extra_kg"]
    return f"{divert['site']} {extra:+.0f} kg" if extra is not None else f"{divert['site']} in reach"

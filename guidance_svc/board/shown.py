"""What the board shows of one vehicle at one moment: the plain facts of its last exchange, in SI and degrees.

Apsides, velocity to gain and margin come from the reply's `detail` where the script asked for it, else they are
worked out here from the state and the flight plan; nothing is ever asked of the service.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, degrees, isfinite
from typing import Any, Final

from guidance_svc.board.burning import burn_ahead, stage_now
from guidance_svc.board.heard import TEXT_LIMIT, Heard
from guidance_svc.board.landing import HELD_UP, landing_values
from guidance_svc.core.frames import (
    altitude_m,
    direction_to_bci,
    meridian_rad,
    on_ellipsoid,
    pitch_and_heading,
    state_to_bci,
    triad,
    turn_z,
)
from guidance_svc.core.kepler import orbit_report, vis_viva_speed
from guidance_svc.core.vectors import cross, dot, norm, unit
from guidance_svc.domain import Aim, Body, FlightPlan, Site, Vec, VehicleState
from guidance_svc.laws.table import act_of, aim_of, is_powered, word_for
from guidance_svc.playback.arrivals import arrival_words
from guidance_svc.playback.course import Session
from guidance_svc.playback.setting import Setting
from guidance_svc.wire.parse import parse_state

WARNINGS_SHOWN: Final = 8
ARRIVALS_SHOWN: Final = 8
BELOW_RESERVE: Final = "margin below the reserve"
MARGIN_NOISE_KG: Final = 0.5  # a margin is shown in whole kilograms
LEAST_WAY_RAD: Final = 1e-6  # 6 m over ground; less adds up later, so that noise on the pad does not

IN_ORBIT: Final[tuple[Aim, ...]] = ("target", "circle")  # what is left then is left of the flight

# What the eye should find first: one word of five, then why.
VERDICTS: Final = {
    "ok": ("good", "going well"),
    "converging": ("settling", "converging"),
    "stale": ("look", "no fresh guidance"),
    "short_of_propellant": ("bad", "short of propellant"),
    "unreachable": ("bad", "target out of reach"),
    "complete": ("done", "complete"),
}


@dataclass(slots=True)
class Travel:
    """What has to be remembered from one moment to the next.

    Args:
        downrange_m: way over ground from the plan's site; where it names none from `origin`, else the first state.
        last_ground: unit vector to the last position, turning with the body.
        last_s: vehicle time of it.
        burn_since_s, burn_phase: when the present burn was first seen.
        origin: the first site that a plan of this recording names, so that the curves of a carrier and its load join.
        counted_from: where downrange counts from, in words.
    """

    downrange_m: float = 0.0
    last_ground: Vec | None = None
    last_s: float = 0.0
    burn_since_s: float | None = None
    burn_phase: str = ""
    origin: Site | None = None
    counted_from: str = "first state"


def moment_values(heard: Heard, setting: Setting | None, travel: Travel) -> dict[str, Any]:
    """The moment as a plain dict; units in the names, null where something does not apply or is not known.

    Raises:
        ValueError, KeyError, TypeError, MessageFault: the pair is not as the service writes it.
    """
    out = name_values(heard.session, heard.last_fault)
    if heard.command is not None:
        command = heard.command.message
        out |= orders_shown(command, travel)
        if "arrivals" in command:
            arrivals = command["arrivals"][:ARRIVALS_SHOWN]
            out["arrivals"] = [arrival_words(arrival, out["time_s"]) for arrival in arrivals]
        elif heard.state is not None and setting is not None:
            state = parse_state(heard.state.message)
            out |= flight_values(state, setting, travel)
            out |= outlook(command, state, setting, out)
            out["landing"] = landing_values(command, state, setting)
    out["verdict"], out["word"] = verdict(heard, out)
    return out


def name_values(session: Session, last_fault: str) -> dict[str, Any]:
    """Name, plan and link."""
    opened, answer = session.opened or {}, session.answer
    plan = opened.get("plan", "")
    return {
        "vehicle": session.vehicle,
        "role": str(opened.get("role", "")).replace("_", " "),
        "plan": answer.get("plan") or (plan if isinstance(plan, str) else ""),
        "body": answer.get("body", ""),
        "flights": session.begun,
        "closed": bool(session.ended),
        "link": {
            "states": session.states, "gaps": session.skipped, "repeats": session.repeats, "faults": session.faults,
            "last_fault": last_fault,
        },
        "warnings": [str(text)[:TEXT_LIMIT] for text in answer.get("warnings") or []][:WARNINGS_SHOWN],
    }  # fmt: skip


def orders_shown(command: dict[str, Any], travel: Travel) -> dict[str, Any]:
    """What the reply says."""
    now_s, cutoff, phase = float(command["time_s"]), command["cutoff_at_s"], str(command["phase"])
    if cutoff is None or not command["engine_on"]:
        travel.burn_since_s = None
    elif travel.burn_since_s is None or travel.burn_phase != phase or now_s < travel.burn_since_s:
        travel.burn_since_s, travel.burn_phase = now_s, phase
    event = command["event"]
    return {
        "time_s": now_s,
        "phase": phase,
        "status": command["status"],
        "pitch_deg": command["pitch_deg"],
        "heading_deg": command["heading_deg"],
        "throttle": command["throttle"],
        "engine_on": command["engine_on"],
        "to_cutoff_s": command["time_to_cutoff_s"] if command["engine_on"] else None,
        "burn_since_s": travel.burn_since_s,
        "cutoff_at_s": cutoff,
        "event": None if event is None else coming(event, now_s),
        "next_contact_s": command["next_contact_s"],
        "warnings": [str(text)[:TEXT_LIMIT] for text in command["warnings"]][:WARNINGS_SHOWN],
    }


def coming(event: dict[str, Any], now_s: float) -> dict[str, Any]:
    """An event of a reply: its name, the word for it, what a vehicle does at it, and how far ahead it is."""
    name = str(event["name"])
    return {"name": name, "word": word_for(name), "act": act_of(name), "in_s": event["at_s"] - now_s}


def flight_values(state: VehicleState, setting: Setting, travel: Travel) -> dict[str, Any]:
    """Where the vehicle is and how it flies."""
    plan, frame = setting.plan, setting.frame
    position, velocity = state_to_bci(state, frame, plan.body)
    orbit = orbit_report(position, velocity, plan.body)
    site = plan.site or travel.origin
    if travel.last_ground is None and site is not None:
        travel.last_ground, travel.last_s, travel.counted_from = above(site, plan.body), state.time_s, "site"
    ground = turn_z(unit(position), -meridian_rad(plan.body, frame, state.time_s))
    if travel.last_ground is not None and state.time_s >= travel.last_s:
        swept = atan2(norm(cross(travel.last_ground, ground)), dot(travel.last_ground, ground))
        if swept > LEAST_WAY_RAD:
            travel.downrange_m += swept * plan.body.radius_m
            travel.last_ground = ground
    else:
        travel.last_ground = ground
    travel.last_s = state.time_s
    pitch = None
    if state.pointing_script is not None:
        pointing = direction_to_bci(state.pointing_script, frame, plan.body, state.time_s)
        pitch = degrees(pitch_and_heading(pointing, triad(position, frame.up, plan.body))[0])
    return {
        "altitude_m": altitude_m(position, plan.body, "ellipsoid"),
        "downrange_m": travel.downrange_m,
        "downrange_from": travel.counted_from,
        "speed_m_s": norm(velocity),
        "mass_kg": state.mass_kg,
        "flown_pitch_deg": pitch,
        "perigee_m": orbit.perigee_altitude_m,
        "apogee_m": orbit.apogee_altitude_m if isfinite(orbit.apogee_altitude_m) else None,
        "inclination_deg": degrees(orbit.inclination_rad),
    }


def above(site: Site, body: Body) -> Vec:
    """Direction from the centre of a body to a site, turning with the body."""
    return unit(on_ellipsoid(site.latitude_rad, site.longitude_rad, 0.0, body.radius_m, body.flattening))


def outlook(command: dict[str, Any], state: VehicleState, setting: Setting, now: dict[str, Any]) -> dict[str, Any]:
    """At cutoff: apsides (predicted where the reply has them, else aimed at), velocity to gain, margin."""
    detail = command.get("detail") or {}
    aim, predicted = aimed_at(command["phase"], now, setting.plan), detail.get("predicted_orbit")
    if predicted:
        aim = {
            "perigee_m": predicted["perigee_altitude_m"],
            "apogee_m": predicted["apogee_altitude_m"],
            "from": "predicted",
        }
    gain, margin = detail.get("velocity_to_gain_m_s"), detail.get("propellant_margin_kg")
    to_go = command["time_to_cutoff_s"]
    if not detail and to_go is not None and command["engine_on"] and setting.plan.vehicle.stages:
        vehicle = setting.plan.vehicle
        stage = stage_now(vehicle, state.stage, state.mass_kg)
        ahead = burn_ahead(vehicle, stage, state.mass_kg, command["throttle"], to_go)
        gain, margin = ahead.gain_m_s, ahead.margin_kg if aim_of(command["phase"]) in IN_ORBIT else None
    elif gain is None and not is_powered(command["phase"]) and aim and aim["from"] == "circle":
        gain = to_circle_m_s(now["perigee_m"], now["apogee_m"], setting.plan.body)
    return {"at_cutoff": aim, "velocity_to_gain_m_s": gain, "margin_kg": margin}


def to_circle_m_s(perigee_m: float, apogee_m: float, body: Body) -> float:
    """What makes an orbit circular at its apogee, at an instant; apsides as altitudes.

    Source: vis-viva at the apogee.
    """
    top, low = apogee_m + body.radius_m, perigee_m + body.radius_m
    return vis_viva_speed(top, top, body.mu_m3_s2) - vis_viva_speed(top, 0.5 * (top + low), body.mu_m3_s2)


def aimed_at(phase: str, now: dict[str, Any], plan: FlightPlan) -> dict[str, Any] | None:
    """The apsides that a phase aims for; altitudes above the equatorial radius. None where it aims for no orbit."""
    target, radius_m, aim = plan.target, plan.body.radius_m, aim_of(phase)
    if aim == "target" and target is not None:
        low, high = target.perigee_radius_m - radius_m, target.apogee_radius_m - radius_m
        return {"perigee_m": low, "apogee_m": high, "from": "target"}
    if aim == "circle" and now["apogee_m"] is not None:
        return {"perigee_m": now["apogee_m"], "apogee_m": now["apogee_m"], "from": "circle"}
    return None


def verdict(heard: Heard, out: dict[str, Any]) -> tuple[str, str]:
    """Is it going well: a kind (good, settling, look, bad, done, idle) and a few words."""
    if heard.session.ended:
        kind, word = VERDICTS.get(str(out.get("status")), ("done", "closed"))
        how = "closed by its script" if heard.session.ended == "closed" else "given up by the service"
        return (kind, word) if kind in ("done", "bad") else ("done", how)
    if out["link"]["last_fault"]:
        return "look", "last message refused"
    if "status" not in out:
        return "idle", "no state yet"
    kind, word = VERDICTS.get(out["status"], ("look", str(out["status"]).replace("_", " ")))
    if out["warnings"] and kind in ("good", "settling"):
        return "look", "read its warning" if len(out["warnings"]) == 1 else "read its warnings"
    landing, margin_kg = out.get("landing"), out.get("margin_kg")
    if kind == "good" and landing is not None and landing["clearance"] in HELD_UP:
        return "look", landing["clearance_word"]
    if kind == "good" and margin_kg is not None and margin_kg < -MARGIN_NOISE_KG:
        return "look", f"{BELOW_RESERVE} by {-margin_kg:.0f} kg, as estimated"
    return kind, word

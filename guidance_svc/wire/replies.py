"""From what the session layer answers to plain dicts, ready for the codec; no models on this path."""

from __future__ import annotations

from math import degrees, isfinite, log
from typing import Any

from guidance_svc.constants import CAUTION, PROTOCOL_VERSION
from guidance_svc.core.burns import burn_arcs
from guidance_svc.domain import (
    Arrival,
    Command,
    Detail,
    DivertReport,
    Event,
    FlightPlan,
    LandingReport,
    OrbitReport,
    ReachReport,
    Stage,
    Target,
    ThrottleDown,
    Vehicle,
)
from guidance_svc.errors import GuidanceError


def command_message(command: Command) -> dict[str, Any]:
    """The `command` reply; the session has checked that its numbers are finite (`core.finite`)."""
    c = command
    x, y, z = c.pointing_script
    message = {
        "type": "command",
        "seq": c.seq,
        "time_s": c.time_s,
        "phase": c.phase,
        "pitch_deg": degrees(c.pitch_rad),
        "heading_deg": degrees(c.heading_rad),
        "pitch_rate_deg_s": degrees(c.pitch_rate_rad_s),
        "heading_rate_deg_s": degrees(c.heading_rate_rad_s),
        "pointing": [x, y, z],
        "throttle": c.throttle_frac,
        "engine_on": c.engine_on,
        "time_to_cutoff_s": c.time_to_cutoff_s,
        "cutoff_at_s": c.cutoff_at_s,
        "latest_off_at_s": c.latest_off_at_s,
        "throttle_down": None if c.throttle_down is None else _throttle_down(c.throttle_down),
        "event": None if c.event is None else _event(c.event),
        "next_contact_s": c.next_contact_s,
        "status": c.status,
        "warnings": list(c.warnings),
    }
    if c.engines is not None:
        message["engines"] = c.engines
    if c.cut_on_contact:
        message["cut_on_contact"] = True
    if c.clearance is not None:
        message["clearance"] = c.clearance
    if c.decide_at_s is not None:
        message["decide_at_s"] = c.decide_at_s
    if c.detail is not None:
        message["detail"] = _detail(c.detail)
    if c.arrivals is not None:
        message["arrivals"] = [_arrival(arrival) for arrival in c.arrivals]
    return message


def opened_message(
    vehicle: str, plan: FlightPlan, token: str, resumed: bool, phases: tuple[str, ...], warnings: tuple[str, ...] = ()
) -> dict[str, Any]:
    """The `opened` reply: everything as the service understood it.

    Args:
        phases: one sentence a phase.
    """
    body = plan.body
    return {
        "type": "opened",
        "protocol": PROTOCOL_VERSION,
        "vehicle": vehicle,
        "token": token,
        "resumed": resumed,
        "plan": plan.name,
        "body": body.name,
        "gravity": "sphere" if body.j2 == 0.0 else "j2",
        "target": None if plan.target is None else target_message(plan.target, body.radius_m),
        "stages": stage_echoes(plan.vehicle),
        "phases": list(phases),
        "warnings": list(warnings),
        "caution": CAUTION,
    }


def closed_message(vehicle: str) -> dict[str, Any]:
    """The reply to `close`, as a message."""
    return {"type": "closed", "vehicle": vehicle}


def fault_message(error: GuidanceError, seq: int | None = None) -> dict[str, Any]:
    """The `fault` reply; `seq` is that of the refused state where it could be read."""
    return {"type": "fault", **error.as_fields(), "message": error.sentence(), "seq": seq}


def target_message(target: Target, radius_m: float) -> dict[str, Any]:
    """A target as `opened` shows it; altitudes above the equatorial radius."""
    held, node = target.plane != "free", target.plane == "inclination_and_node"
    return {
        "cutoff_radius_m": target.cutoff_radius_m,
        "cutoff_altitude_m": target.cutoff_radius_m - radius_m,
        "cutoff_speed_m_s": target.cutoff_speed_m_s,
        "cutoff_flight_path_angle_deg": degrees(target.cutoff_flight_path_angle_rad),
        "perigee_altitude_m": target.perigee_radius_m - radius_m,
        "apogee_altitude_m": target.apogee_radius_m - radius_m,
        "plane": target.plane,
        "inclination_deg": degrees(target.inclination_rad) if held else None,
        "node_deg": degrees(target.node_rad) if node else None,
    }


def stage_echoes(vehicle: Vehicle) -> list[dict[str, Any]]:
    """Each stage with its burn time and its ideal speed gain (rocket equation, reserve left unburnt)."""
    return [_stage(stage, i, vehicle.mass_at_ignition_kg(i)) for i, stage in enumerate(vehicle.stages)]


def _stage(stage: Stage, index: int, ignition_mass_kg: float) -> dict[str, Any]:
    usable_kg = stage.propellant_kg - stage.reserve_kg
    burnout_kg = ignition_mass_kg - usable_kg
    gain_m_s = stage.exhaust_velocity_m_s * log(ignition_mass_kg / burnout_kg)
    burn_s = usable_kg / stage.mass_flow_kg_s
    if isfinite(stage.acceleration_limit_m_s2):
        burn_s = sum(arc.duration_s for arc in burn_arcs(stage, index, ignition_mass_kg, burnout_kg))
    return {
        "name": stage.name,
        "dry_mass_kg": stage.dry_mass_kg,
        "propellant_kg": stage.propellant_kg,
        "thrust_n": stage.thrust_n,
        "exhaust_velocity_m_s": stage.exhaust_velocity_m_s,
        "mass_flow_kg_s": stage.mass_flow_kg_s,
        "acceleration_limit_m_s2": _finite(stage.acceleration_limit_m_s2),
        "burn_time_s": burn_s,
        "ideal_speed_gain_m_s": gain_m_s,
    }


def _throttle_down(down: ThrottleDown) -> dict[str, Any]:
    return {"at_s": down.at_s, "throttle": down.throttle_frac}


def _event(event: Event) -> dict[str, Any]:
    return {"id": event.id, "name": event.name, "at_s": event.at_s}


def _detail(detail: Detail) -> dict[str, Any]:
    message: dict[str, Any] = {
        "velocity_to_gain_m_s": _finite(detail.velocity_to_gain_m_s),
        "present_orbit": _orbit(detail.present_orbit),
        "predicted_orbit": _orbit(detail.predicted_orbit),
        "radius_spread_m": _finite(detail.radius_spread_m),
        "height_spread_m": _finite(detail.height_spread_m),
        "propellant_margin_kg": _finite(detail.propellant_margin_kg),
        "exhaust_velocity_m_s": _finite(detail.exhaust_velocity_m_s),
        "mass_flow_kg_s": _finite(detail.mass_flow_kg_s),
        "solver_residual": _finite(detail.solver_residual),
    }
    if detail.landing is not None:
        message["landing"] = _landing(detail.landing)
    if detail.reach is not None:
        message["reach"] = _reach(detail.reach)
    if detail.divert:
        message["divert"] = [_divert(report) for report in detail.divert]
    return message


def _landing(landing: LandingReport) -> dict[str, Any]:
    return {
        "contact_in_s": landing.contact_in_s,
        "miss_m": landing.miss_m,
        "speed_m_s": landing.speed_m_s,
        "throttle": landing.throttle_frac,
        "margin": landing.margin_frac,
        "propellant_left_kg": landing.propellant_left_kg,
        "noise_m": landing.noise_m,
        "noise_m_s": landing.noise_m_s,
    }


def _arrival(a: Arrival) -> dict[str, Any]:
    return {
        "vehicle": a.vehicle,
        "site": a.site,
        "said_at_s": a.time_s,
        "at_s": a.at_s,
        "at_sigma_s": a.at_sigma_s,
        "position_m": list(a.position_script_m),
        "speed_m_s": a.speed_m_s,
        "miss_m": a.miss_m,
        "miss_sigma_m": a.miss_sigma_m,
        "decide_at_s": a.decide_at_s,
        "clearance": a.clearance,
        "status": a.status,
    }


def _reach(reach: ReachReport) -> dict[str, Any]:
    return {
        "centre_east_m": reach.centre_east_m,
        "centre_north_m": reach.centre_north_m,
        "half_along_m": reach.half_along_m,
        "half_across_m": reach.half_across_m,
        "along_heading_deg": degrees(reach.along_rad),
        "inside_m": reach.inside_m,
    }


def _divert(report: DivertReport) -> dict[str, Any]:
    return {
        "site": report.site,
        "in_reach": report.in_reach,
        "decide_at_s": report.decide_at_s,
        "extra_kg": report.extra_kg,
    }


def _finite(value: float | None) -> float | None:
    """The number, or null where there is none, such as the apogee of an escape path."""
    return value if value is not None and isfinite(value) else None


def _orbit(orbit: OrbitReport | None) -> dict[str, Any] | None:
    if orbit is None:
        return None
    return {
        "perigee_altitude_m": orbit.perigee_altitude_m,
        "apogee_altitude_m": _finite(orbit.apogee_altitude_m),
        "inclination_deg": degrees(orbit.inclination_rad),
        "node_deg": degrees(orbit.node_rad),
        "period_s": _finite(orbit.period_s),
        "time_to_apoapsis_s": _finite(orbit.time_to_apoapsis_s),
    }

"""The mean orbit that a flight plan ends in: from its target, or from the state at which an ascent was cut off."""

from __future__ import annotations

from math import cos, sin

from guidance_svc.core.coast import coast, time_to_apoapsis_s
from guidance_svc.core.roundness import circular_velocity, roundest
from guidance_svc.core.vectors import along, scale
from guidance_svc.domain import Circularize, FlightPlan, Target, Vec
from guidance_svc.errors import OrbitNotClosed
from guidance_svc.orbits.mean_elements import mean_of
from guidance_svc.orbits.values import Field, MeanOrbit, OrbitState

USUAL_ARC_RAD = 0.3  # from lift-off to cutoff, seen from the centre: 15 to 20 deg; common practice, no source


def orbit_at_the_end(cutoff: OrbitState, plan: FlightPlan, field: Field) -> MeanOrbit:
    """Mean elements of the orbit after the plan's last burn; that burn taken as impulsive, at the next apoapsis.

    Args:
        cutoff: of the insertion, osculating.

    Raises:
        OrbitNotClosed: an escape path.
        NotConverged: a body too flat for mean elements.

    Accuracy: 3 m of the mean height, 1e-4 deg of node in ten days, against the demo's tanker flown to the end of its
        burn (tests/closed_loop/test_orbit_at_the_end.py).
    """
    burn = next((phase for phase in plan.phases if isinstance(phase, Circularize)), None)
    if burn is None:
        return mean_of(cutoff, field)
    r, v, time_s = cutoff.position_m, cutoff.velocity_m_s, cutoff.time_s
    try:
        wait_s = time_to_apoapsis_s(r, v, plan.body)
    except OrbitNotClosed:
        wait_s = 0.0  # a circle already: the plan lights at once
    r, v = coast(r, v, wait_s, plan.body)
    speed = circular_velocity(r, v, plan.body, *roundest(r, v, plan.body, burn.roundness))
    return mean_of(OrbitState(time_s + wait_s, r, speed), field)


def cutoff_of(target: Target, plane: tuple[float, float], argument_rad: float, time_s: float) -> OrbitState:
    """The osculating state that a target asks for at cutoff, at an argument of latitude of a plane."""
    (tilt, node), u = plane, argument_rad
    toward, across = node_axes(tilt, node)
    up = along(scale(cos(u), toward), sin(u), across)
    ahead = along(scale(-sin(u), toward), cos(u), across)
    angle, speed = target.cutoff_flight_path_angle_rad, target.cutoff_speed_m_s
    velocity = along(scale(speed * cos(angle), ahead), speed * sin(angle), up)
    return OrbitState(time_s, scale(target.cutoff_radius_m, up), velocity)


def node_axes(inclination_rad: float, node_rad: float) -> tuple[Vec, Vec]:
    """Unit vectors in a plane: towards its ascending node, and a quarter turn further along the orbit."""
    c, s = cos(node_rad), sin(node_rad)
    return (c, s, 0.0), (-s * cos(inclination_rad), c * cos(inclination_rad), sin(inclination_rad))

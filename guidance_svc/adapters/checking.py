"""What `check` prints: a flight plan as the service understands it, and a test vector in a script's frame."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, radians, sqrt

from guidance_svc.core.frames import from_bci, local_from_bci, local_to_bci, to_bci
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Body, FlightPlan, Frame, LocalState, Vec
from guidance_svc.session.describe import phase_sentences
from guidance_svc.wire.replies import stage_echoes, target_message

TEST_TIME_S = 100.0
TEST_ALTITUDE_M = 200e3


def plan_lines(plan: FlightPlan, title: str) -> Iterator[str]:
    """The plan, line by line."""
    gravity = "sphere" if plan.body.j2 == 0.0 else "sphere + J2"
    yield f"flight plan {plan.name}{': ' + title if title else ''}"
    yield f"  body     {plan.body.name}, gravity {gravity}; guidance solved every {plan.major_cycle_s:g} s"
    if plan.site is not None:
        site = plan.site
        where = f"{degrees(site.latitude_rad):.4f} deg, {degrees(site.longitude_rad):.4f} deg, {site.altitude_m:g} m"
        yield f"  site     {site.name} ({where})"
    yield from _vehicle_lines(plan)
    yield from _target_lines(plan)
    for i, sentence in enumerate(phase_sentences(plan)):
        yield f"  phase {i}  {sentence}"


def _vehicle_lines(plan: FlightPlan) -> Iterator[str]:
    yield f"  vehicle  {plan.vehicle.name}, payload {plan.vehicle.payload_kg:g} kg"
    for i, stage in enumerate(stage_echoes(plan.vehicle)):
        mass_kg = plan.vehicle.mass_at_ignition_kg(i)
        ratio = plan.vehicle.stages[i].thrust_n * plan.body.radius_m**2 / (mass_kg * plan.body.mu_m3_s2)
        yield (
            f"  stage {i}  {stage['name']}: {mass_kg:.0f} kg at ignition, thrust over weight {ratio:.3f}, "
            f"burns {stage['burn_time_s']:.2f} s, ideal speed gain {stage['ideal_speed_gain_m_s']:.1f} m/s"
        )


def _target_lines(plan: FlightPlan) -> Iterator[str]:
    if plan.target is None:
        yield "  target   none"
        return
    target = target_message(plan.target, plan.body.radius_m)
    yield (
        f"  target   {target['perigee_altitude_m'] / 1e3:g} x {target['apogee_altitude_m'] / 1e3:g} km; cutoff at "
        f"{target['cutoff_altitude_m'] / 1e3:g} km, {target['cutoff_speed_m_s']:.3f} m/s, flight-path angle "
        f"{target['cutoff_flight_path_angle_deg']:.4f} deg"
    )
    node = "" if target["node_deg"] is None else f", node {target['node_deg']:.4f} deg"
    plane = "free" if target["inclination_deg"] is None else f"inclination {target['inclination_deg']:.4f} deg{node}"
    yield f"  plane    {plane}"


def frame_lines(body: Body, frame: Frame, latitude_deg: float, longitude_deg: float) -> Iterator[str]:
    """One state on a known place and course, in the script's vectors and in its local form, there and back.

    The state: over the given geocentric point at vehicle time 100 s, 200 km above the equatorial radius,
    moving due east at the circular speed (inertial), level.
    """
    plain = Frame(meridian_at_zero_rad=frame.meridian_at_zero_rad, local_velocity="inertial")
    speed_m_s = sqrt(body.mu_m3_s2 / (body.radius_m + TEST_ALTITUDE_M))
    place = LocalState(radians(latitude_deg), radians(longitude_deg), TEST_ALTITUDE_M, 0.0, 0.0, speed_m_s)
    position, velocity = local_to_bci(place, plain, body, TEST_TIME_S)
    script_position, script_velocity = from_bci(position, velocity, frame, body, TEST_TIME_S)
    local = local_from_bci(position, velocity, frame, body, TEST_TIME_S)
    yield (
        f"frame test vector ({body.name}): over latitude {latitude_deg:g} deg (geocentric), "
        f"longitude {longitude_deg:g} deg, {TEST_ALTITUDE_M / 1e3:g} km above the equatorial radius, "
        f"due east at {speed_m_s:.3f} m/s inertial, at time_s = {TEST_TIME_S:g}"
    )
    motion = "turning with the body" if frame.turning else "inertial"
    yield f"  a script with axes {' '.join(frame.axes)}, {motion}, must send"
    yield f"    position_m    {_vector(script_position, 3)}"
    yield f"    velocity_m_s  {_vector(script_velocity, 6)}"
    yield f"  or, heights above the {frame.height_above}, {frame.up} vertical, speeds {frame.local_velocity}"
    yield (
        f"    latitude_deg {degrees(local.latitude_rad):.9f}  longitude_deg {degrees(local.longitude_rad):.9f}  "
        f"altitude_m {local.altitude_m:.3f}"
    )
    yield (
        f"    vertical_speed_m_s {local.vertical_speed_m_s:.6f}  north_speed_m_s {local.north_speed_m_s:.6f}  "
        f"east_speed_m_s {local.east_speed_m_s:.6f}"
    )
    back = to_bci(script_position, script_velocity, frame, body, TEST_TIME_S)
    again = local_to_bci(local, frame, body, TEST_TIME_S)
    yield f"  and back: vectors {_error(back, position, velocity)}; local form {_error(again, position, velocity)}"


def _vector(vector: Vec, digits: int) -> str:
    return "[" + ", ".join(f"{value:.{digits}f}" for value in vector) + "]"


def _error(found: tuple[Vec, Vec], position: Vec, velocity: Vec) -> str:
    return f"{norm(sub(found[0], position)):.1e} m, {norm(sub(found[1], velocity)):.1e} m/s"

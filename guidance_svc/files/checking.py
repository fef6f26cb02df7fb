"""What `check` prints: a flight plan as the service understands it, and a test vector in a script's frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import degrees, pi, radians, sqrt
from typing import Any

from guidance_svc.core.frames import (
    direction_from_bci,
    direction_of,
    from_bci,
    handedness,
    local_from_bci,
    local_to_bci,
    to_bci,
    triad,
)
from guidance_svc.core.rocket import thrust_at_n
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Body, FlightPlan, Frame, LocalState, Role, Vec
from guidance_svc.errors import ConfigError
from guidance_svc.plan.checks import site_pressure_pa
from guidance_svc.session.describe import phase_sentences, plan_warnings
from guidance_svc.wire.messages import FrameModel
from guidance_svc.wire.parse import parse_frame
from guidance_svc.wire.plans import parse_table
from guidance_svc.wire.replies import stage_echoes, target_message

TEST_TIME_S = 100.0
TEST_ALTITUDE_M = 200e3
EQUATOR_ALTITUDE_M = 100e3
NORTH_SPEED_M_S = 1000.0
POINTING_DEG = (30.0, 90.0)  # pitch, heading
PLAIN = Frame()  # sphere, geocentric, over ground: what the words mean


def plan_lines(plan: FlightPlan, title: str) -> Iterator[str]:
    """The plan, line by line."""
    gravity = "sphere" if plan.body.j2 == 0.0 else "sphere + J2"
    yield f"flight plan {plan.name}{': ' + title if title else ''}"
    yield f"  body     {plan.body.name}, gravity {gravity}; guidance solved every {plan.major_cycle_s:g} s"
    if plan.site is not None:
        site = plan.site
        where = f"{degrees(site.latitude_rad):z.4f} deg, {degrees(site.longitude_rad):z.4f} deg, {site.altitude_m:g} m"
        yield f"  site     {site.name} ({where})"
    if plan.vehicle.stages:
        yield from _vehicle_lines(plan)
        yield from _target_lines(plan)
    for i, sentence in enumerate(phase_sentences(plan)):
        yield f"  phase {i}  {sentence}"
    for warning in plan_warnings(plan):
        yield f"  warning  {warning}"


def role_lines(plan: FlightPlan, role: Role, implied: bool, chosen: bool) -> Iterator[str]:
    """Where the phases come from, for a plan that has none.

    Args:
        implied: the plan has no phases of its own.
        chosen: the role was not asked for, but follows from site and stages.
    """
    if not implied:
        return
    count = len(plan.vehicle.stages)
    ground = "no site" if plan.site is None else f"a site and {count} stage{'s' if count > 1 else ''}"
    why = f", because the plan has {ground}" if chosen else ""
    yield f'  role     the phases are those of "{role}"{why}; your script must open with this role'
    if plan.site is not None and not any(phase.from_ground for phase in plan.phases):
        yield f'  warning  {plan.site.name} is not used: "{role}" begins in flight; from the pad it is "launch_vehicle"'


def _vehicle_lines(plan: FlightPlan) -> Iterator[str]:
    yield f"  vehicle  {plan.vehicle.name}, payload {plan.vehicle.payload_kg:g} kg"
    for i, stage in enumerate(stage_echoes(plan.vehicle)):
        mass_kg = plan.vehicle.mass_at_ignition_kg(i)
        ratio, where = _thrust_over_weight(plan, i)
        limit = stage["acceleration_limit_m_s2"]
        held = "" if limit is None else f", acceleration at most {limit:g} m/s2"
        yield (
            f"  stage {i}  {stage['name']}: {mass_kg:z.0f} kg at ignition, thrust over weight {ratio:z.3f}{where}, "
            f"burns {stage['burn_time_s']:z.2f} s, ideal speed gain {stage['ideal_speed_gain_m_s']:z.1f} m/s{held}"
        )


def _thrust_over_weight(plan: FlightPlan, index: int) -> tuple[float, str]:
    """Of a stage at its ignition, by the gravity of the surface, and a word where the site's air is in it.

    Only the stage that lifts off burns in the site's air: the first of a plan that begins there.
    """
    stage, mass_kg = plan.vehicle.stages[index], plan.vehicle.mass_at_ignition_kg(index)
    pressure_pa, where = 0.0, ""
    on_pad = plan.site is not None and any(phase.from_ground for phase in plan.phases)
    if index == 0 and on_pad and plan.body.atmosphere != "none":
        pressure_pa = site_pressure_pa(plan)
        where = f" in the site's air of {pressure_pa / 1e3:z.1f} kPa"
    thrust_n = thrust_at_n(stage.thrust_n, stage.exit_area_m2, pressure_pa)
    return thrust_n * plan.body.radius_m**2 / (mass_kg * plan.body.mu_m3_s2), where


def _target_lines(plan: FlightPlan) -> Iterator[str]:
    if plan.target is None:
        yield "  target   none"
        return
    target = target_message(plan.target, plan.body.radius_m)
    yield (
        f"  target   {target['perigee_altitude_m'] / 1e3:g} x {target['apogee_altitude_m'] / 1e3:g} km; cutoff at "
        f"{target['cutoff_altitude_m'] / 1e3:g} km, {target['cutoff_speed_m_s']:z.3f} m/s, flight-path angle "
        f"{target['cutoff_flight_path_angle_deg']:z.4f} deg"
    )
    node = "" if target["node_deg"] is None else f", node {target['node_deg']:z.4f} deg"
    plane = "free" if target["inclination_deg"] is None else f"inclination {target['inclination_deg']:z.4f} deg{node}"
    yield f"  plane    {plane}"


def frame_from(text: str) -> Frame:
    """The frame that "motion=turning,axes=x/z/y,handedness=left" and the like means; the keys are those of `open`.

    Raises:
        ConfigError: a part that is no key=value, an unknown key or a bad value.
        MessageFault: the axes repeat, or the handedness contradicts them.
    """
    table: dict[str, Any] = {}
    for part in filter(None, text.split(",")):
        key, equals, value = part.strip().partition("=")
        if not equals or not key or not value:
            raise ConfigError("bad_value", "--frame", "parts such as motion=turning or axes=x/z/y, with commas", part)
        table[key] = value.split("/") if key == "axes" else _number_or_text(value)
    return parse_frame(parse_table(FrameModel, table, prefix="frame"))


def _number_or_text(value: str) -> float | str:
    try:
        return float(value)
    except ValueError:
        return value


def frame_lines(body: Body, frame: Frame, latitude_deg: float, longitude_deg: float) -> Iterator[str]:
    """Two states on known places and courses as the script must send them, and what a pointing must come back as.

    The first can be checked in the head: over the equator at longitude 90 E at time 0, moving north over ground.
    The second is over the given geocentric point at time 100 s, 200 km above the equatorial radius, moving due
    east at the circular speed (inertial); off the equator it tells the kinds of height and vertical apart.
    """
    motion = "turning with the body" if frame.turning else "inertial"
    yield (
        f"frame test vectors ({body.name}): axes {' '.join(frame.axes)} ({handedness(frame.axes)}-handed), {motion}, "
        f"longitude 0 at {degrees(frame.meridian_at_zero_rad):g} deg at time_s = 0; heights above the "
        f"{frame.height_above}, {frame.up} vertical, local speeds {frame.local_velocity}"
    )
    ground = replace(PLAIN, meridian_at_zero_rad=frame.meridian_at_zero_rad)
    place = LocalState(0.0, 0.5 * pi, EQUATOR_ALTITUDE_M, 0.0, NORTH_SPEED_M_S, 0.0)
    yield (
        f"  {EQUATOR_ALTITUDE_M / 1e3:g} km above latitude 0, longitude 90 E, "
        f"moving north at {NORTH_SPEED_M_S / 1e3:g} km/s over ground, at time_s = 0:"
    )
    yield from _state_lines(local_to_bci(place, ground, body, 0.0), frame, body, 0.0)
    speed_m_s = sqrt(body.mu_m3_s2 / (body.radius_m + TEST_ALTITUDE_M))
    place = LocalState(radians(latitude_deg), radians(longitude_deg), TEST_ALTITUDE_M, 0.0, 0.0, speed_m_s)
    yield (
        f"  over latitude {latitude_deg:g} deg (geocentric), longitude {longitude_deg:g} deg, "
        f"{TEST_ALTITUDE_M / 1e3:g} km above the equatorial radius, due east at {speed_m_s:z.3f} m/s inertial, "
        f"at time_s = {TEST_TIME_S:g}:"
    )
    inertial = replace(ground, local_velocity="inertial")
    yield from _state_lines(local_to_bci(place, inertial, body, TEST_TIME_S), frame, body, TEST_TIME_S)


def _state_lines(state: tuple[Vec, Vec], frame: Frame, body: Body, time_s: float) -> Iterator[str]:
    """One BCI state as the script must send it, in both forms, there and back, and a direction in its frame."""
    script_position, script_velocity = from_bci(*state, frame, body, time_s)
    local = local_from_bci(*state, frame, body, time_s)
    yield "    your script must send"
    yield f"      position_m    {_vector(script_position, 3)}"
    yield f"      velocity_m_s  {_vector(script_velocity, 6)}"
    yield "    or"
    yield (
        f"      latitude_deg {degrees(local.latitude_rad):z.9f}  longitude_deg {degrees(local.longitude_rad):z.9f}  "
        f"altitude_m {local.altitude_m:z.3f}"
    )
    yield (
        f"      vertical_speed_m_s {local.vertical_speed_m_s:z.6f}  north_speed_m_s {local.north_speed_m_s:z.6f}  "
        f"east_speed_m_s {local.east_speed_m_s:z.6f}"
    )
    towards = direction_of(radians(POINTING_DEG[0]), radians(POINTING_DEG[1]), triad(state[0], frame.up, body))
    yield (
        f"    pitch_deg {POINTING_DEG[0]:g}, heading_deg {POINTING_DEG[1]:g} must come back as "
        f"pointing {_vector(direction_from_bci(towards, frame, body, time_s), 9)}"
    )
    back = to_bci(script_position, script_velocity, frame, body, time_s)
    again = local_to_bci(local, frame, body, time_s)
    yield f"    and back: vectors {_error(back, *state)}; local form {_error(again, *state)}"


def _vector(vector: Vec, digits: int) -> str:
    return "[" + ", ".join(f"{value:z.{digits}f}" for value in vector) + "]"


def _error(found: tuple[Vec, Vec], position: Vec, velocity: Vec) -> str:
    return f"{norm(sub(found[0], position)):.1e} m, {norm(sub(found[1], velocity)):.1e} m/s"

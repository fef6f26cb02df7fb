"""What a flight did, from the vehicle's own true states: orbits at insertion and after circularising, separation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, ceil, degrees, remainder
from typing import Literal

from guidance_svc.core.gravity import acceleration
from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.vectors import along, dot, norm, sub
from guidance_svc.domain import Act, Body, FlightPlan, OrbitReport, Target, Vec

Mark = Literal[""] | Act
REVOLUTION_STEP_S = 10.0  # RK4 drifts 3.4 mm over a low revolution at this step (tests/report)


@dataclass(frozen=True, slots=True)
class Moment:
    """A true state of the vehicle, BCI, and what had just happened there."""

    time_s: float
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    propellant_kg: float
    stage: int = 0
    mark: Mark = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the insertion table; `target` and `error` are None where nothing was asked for."""

    vehicle: str
    moment: str
    quantity: str
    target: float | None
    achieved: float
    error: float | None
    unit: str
    error_unit: str
    places: int = 3


def flight_rows(name: str, plan: FlightPlan, moments: Sequence[Moment]) -> list[Row]:
    """The table's rows for one vehicle; a moment that the flight never reached has none.

    Args:
        name: of the vehicle.
        plan: what it was asked to do.
        moments: in time order.
    """
    rows: list[Row] = []
    aims = {phase.aims for phase in plan.phases}
    if "separation" in aims:
        rows += [row for m in moments if m.mark == "separate" for row in separation_rows(name, plan, m)][:4]
    cutoffs = [m for m in moments if m.mark == "cutoff" and m.stage == len(plan.vehicle.stages) - 1]
    if "target" in aims and plan.target is not None and cutoffs:
        rows += insertion_rows(name, plan.body, plan.target, cutoffs[0])
        if "circle" in aims and len(cutoffs) > 1:
            rows += circular_rows(name, plan.body, cutoffs[0], cutoffs[-1])
        rows.append(left_row(name, cutoffs[-1]))
    return rows


def insertion_rows(name: str, body: Body, target: Target, moment: Moment) -> list[Row]:
    """Osculating orbit at the insertion's cutoff against the target."""
    got = orbit_report(moment.position_m, moment.velocity_m_s, body)
    at = "insertion"
    rows = [
        height_row(name, at, "perigee", target.perigee_radius_m - body.radius_m, got.perigee_altitude_m),
        height_row(name, at, "apogee", target.apogee_radius_m - body.radius_m, got.apogee_altitude_m),
    ]
    return rows + plane_rows(name, at, target, got)


def plane_rows(name: str, at: str, target: Target, got: OrbitReport) -> list[Row]:
    """Inclination and node, with an error where the plan holds them."""
    held = target.plane != "free"
    inclination = target.inclination_rad if held else None
    node = target.node_rad if target.plane == "inclination_and_node" else None
    return [
        angle_row(name, at, "inclination", inclination, got.inclination_rad),
        angle_row(name, at, "node", node, got.node_rad),
    ]


def circular_rows(name: str, body: Body, inserted: Moment, moment: Moment) -> list[Row]:
    """After circularising: osculating apsides, their difference, and the radius spread of the next revolution.

    The height aimed at is the highest point that the coast from insertion reaches in the body's own gravity; with
    J2 that is some kilometres off the osculating apogee at insertion.
    """
    got, at = orbit_report(moment.position_m, moment.velocity_m_s, body), "circular"
    top_m = radius_range(inserted.position_m, inserted.velocity_m_s, body)[1] - body.radius_m
    low, high = radius_range(moment.position_m, moment.velocity_m_s, body)
    apart_m = got.apogee_altitude_m - got.perigee_altitude_m
    return [
        height_row(name, at, "perigee", top_m, got.perigee_altitude_m),
        height_row(name, at, "apogee", top_m, got.apogee_altitude_m),
        Row(name, at, "apogee less perigee", 0.0, apart_m / 1000.0, apart_m, "km", "m"),
        Row(name, at, "radius spread, next turn", None, (high - low) / 1000.0, None, "km", "m"),
    ]


def separation_rows(name: str, plan: FlightPlan, moment: Moment) -> list[Row]:
    """Where the first stage let go: altitude, speed over ground, flight-path angle over ground, reserve."""
    body, first = plan.body, plan.vehicle.stages[0]
    spin = (-body.rotation_rad_s * moment.position_m[1], body.rotation_rad_s * moment.position_m[0], 0.0)
    ground = sub(moment.velocity_m_s, spin)
    radius, speed = norm(moment.position_m), norm(ground)
    climb = degrees(asin(dot(moment.position_m, ground) / (radius * speed)))
    left = moment.propellant_kg
    return [
        Row(name, "separation", "altitude", None, (radius - body.radius_m) / 1000.0, None, "km", "m"),
        Row(name, "separation", "speed over ground", None, speed, None, "m/s", "m/s", 1),
        Row(name, "separation", "flight-path angle", None, climb, None, "deg", "deg", 2),
        Row(name, "separation", "propellant kept", first.reserve_kg, left, left - first.reserve_kg, "kg", "kg", 1),
    ]


def left_row(name: str, moment: Moment) -> Row:
    """Propellant left in the last stage."""
    return Row(name, "end", "propellant left", None, moment.propellant_kg, None, "kg", "kg", 1)


def height_row(name: str, at: str, quantity: str, target_m: float, got_m: float) -> Row:
    """An altitude in km with its error in m."""
    return Row(name, at, quantity, target_m / 1000.0, got_m / 1000.0, got_m - target_m, "km", "m")


def angle_row(name: str, at: str, quantity: str, target_rad: float | None, got_rad: float) -> Row:
    """An angle in degrees with its error on the short way round."""
    if target_rad is None:
        return Row(name, at, quantity, None, degrees(got_rad), None, "deg", "deg", 4)
    error = remainder(degrees(got_rad - target_rad), 360.0)
    return Row(name, at, quantity, degrees(target_rad), degrees(got_rad), error, "deg", "deg", 4)


def radius_range(position_m: Vec, velocity_m_s: Vec, body: Body) -> tuple[float, float]:
    """Smallest and largest radius over the next revolution without thrust, in the body's gravity, m.

    Raises:
        TypeError: the path is not closed.
    """
    period = orbit_report(position_m, velocity_m_s, body).period_s
    if period is None:
        raise TypeError("radius_range needs a closed orbit")
    steps = ceil(period / REVOLUTION_STEP_S)
    r, v, low, high = position_m, velocity_m_s, norm(position_m), norm(position_m)
    for _ in range(steps):
        r, v = coast_step(r, v, period / steps, body)
        low, high = min(low, norm(r)), max(high, norm(r))
    return low, high


def coast_step(r: Vec, v: Vec, step_s: float, body: Body) -> tuple[Vec, Vec]:
    """One step of the classical fourth-order Runge-Kutta method without thrust."""

    def pull(position_m: Vec) -> Vec:
        return acceleration(position_m, body.mu_m3_s2, body.radius_m, body.j2)

    a1 = pull(r)
    v2 = along(v, step_s / 2, a1)
    a2 = pull(along(r, step_s / 2, v))
    v3 = along(v, step_s / 2, a2)
    a3 = pull(along(r, step_s / 2, v2))
    v4 = along(v, step_s, a3)
    a4 = pull(along(r, step_s, v3))
    r = along(along(along(along(r, step_s / 6, v), step_s / 3, v2), step_s / 3, v3), step_s / 6, v4)
    return r, along(along(along(along(v, step_s / 6, a1), step_s / 3, a2), step_s / 3, a3), step_s / 6, a4)

"""AS-506's third stage, from the published state at second-stage cutoff to the published parking orbit.

Data: tests/reference/data/saturn_v.json (Orloff, NASA SP-2000-4029; Mission Report MSC-00171). Seen there: event
times, heights, latitudes and longitudes, ground-ignition masses, the insertion state. From memory: speed, flight-path
angle and heading at second-stage cutoff, thrust in the first burn (about 203,000 lbf at a mixture ratio of 5.0),
exhaust velocity (424 s at 5.5, 427 s at 4.5: the middle is taken). Not modelled: the second stage's tail-off, ullage
rockets, the build-up of thrust after ignition, propellant boiled off before ignition.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians, sin, sqrt
from typing import Any

from guidance_svc.core.frames import triad
from guidance_svc.core.kepler import apsides, ellipse_speed_and_angle, inclination_rad, node_rad
from guidance_svc.core.vectors import add, norm, scale, unit
from guidance_svc.domain import Body, FlightPlan, Insertion, Orbit, Stage, Target, Vec, Vehicle
from guidance_svc.sim.state import SimState, World, full_tanks
from tests.closed_loop.flight import fly
from tests.reference.cases import load

G0_M_S2 = 9.80665
POUND_FORCE_N = 4.4482216152605
FIRST_BURN_THRUST_N = 203_000 * POUND_FORCE_N  # memory, "about"; SAT-ENG, S_IVB_first_burn_mixture
# Fischer 1960 ellipsoid, which the published heights are above; gravity as in WGS84/EGM96
EARTH = Body("earth", 3.986004418e14, 6378166.0, 1.0 / 298.3, 1.08262668e-3, 7.292115e-5)


def number(case: str, key: str) -> float:
    """One output of a case, in its unit."""
    return float(load("saturn_v")[case]["outputs"][key]["value"])


def row(event: str) -> dict[str, Any]:
    """One event of the ascent table."""
    return next(e for e in load("saturn_v")["SAT-ASC-AS-506"]["events"] if e["event"] == event)


def ellipsoid_radius_m(latitude_rad: float) -> float:
    """Distance of the ellipsoid's surface from the centre at a geocentric latitude."""
    a, b = EARTH.radius_m, EARTH.radius_m * (1.0 - EARTH.flattening)
    return a * b / sqrt((b * cos(latitude_rad)) ** 2 + (a * sin(latitude_rad)) ** 2)


def inertial_state(
    time_s: float, latitude_deg: float, longitude_deg: float, altitude_m: float, speed_m_s: float, fpa_deg: float,
    heading_deg: float,
) -> tuple[Vec, Vec]:  # fmt: skip
    """Space-fixed state; the meridian of Greenwich lies along x at range zero."""
    latitude = radians(latitude_deg)
    east_of_x = radians(longitude_deg) + EARTH.rotation_rad_s * time_s
    up = (cos(latitude) * cos(east_of_x), cos(latitude) * sin(east_of_x), sin(latitude))
    position = scale(ellipsoid_radius_m(latitude) + altitude_m, up)
    local = triad(position, "geocentric", EARTH)
    angle, heading = radians(fpa_deg), radians(heading_deg)
    level = add(scale(cos(heading), local.north), scale(sin(heading), local.east))
    return position, scale(speed_m_s, add(scale(cos(angle), level), scale(sin(angle), up)))


def second_stage_cutoff() -> SimState:
    """The state at 548.22 s with the third stage full and not lit."""
    e = row("S-II outboard engine cutoff")
    keys = ("lat_geocentric", "lon", "altitude", "v_inertial", "fpa_inertial", "heading_inertial")
    r, v = inertial_state(e["t"]["value"], *(e[key]["value"] for key in keys))
    return SimState(e["t"]["value"], r, v, unit(v), full_tanks(third_stage()))


def third_stage(thrust_scale: float = 1.0, mass_scale: float = 1.0) -> Vehicle:
    """The third stage under the instrument unit and the spacecraft, escape tower gone."""
    payload = number("SAT-MASS-AS-506", "IU") + number("SAT-MASS-AS-506", "spacecraft")
    payload -= number("SAT-MASS-AS-506", "launch_escape_system")
    propellant = number("SAT-MASS-AS-506", "SIVB_fuel") + number("SAT-MASS-AS-506", "SIVB_lox")
    dry = number("SAT-MASS-AS-506", "SIVB_total") - propellant
    exhaust = 0.5 * (number("SAT-ENG", "J2_isp_high") + number("SAT-ENG", "J2_isp_low")) * G0_M_S2
    spare = (mass_scale - 1.0) * (payload + propellant + dry)
    stage = Stage("third", dry, propellant, thrust_scale * FIRST_BURN_THRUST_N, exhaust)
    return Vehicle("third", (stage,), payload + spare)


def parking_orbit() -> Target:
    """The published orbit, cut off at the published height on its rising side, in the insertion state's plane."""
    t = {key: number("SAT-EOI-AS-506", key) for key in load("saturn_v")["SAT-EOI-AS-506"]["outputs"]}
    r, v = inertial_state(
        t["t"], t["lat_geocentric"], t["lon"], t["altitude"], t["v_inertial"], t["fpa_inertial"], t["heading_inertial"]
    )
    low, high = EARTH.radius_m + 1e3 * t["perigee_alt"], EARTH.radius_m + 1e3 * t["apogee_alt"]
    cut = row("S-IVB 1st burn cutoff")
    radius = ellipsoid_radius_m(radians(cut["lat_geocentric"]["value"])) + cut["altitude"]["value"]
    speed, angle = ellipse_speed_and_angle(radius, low, high, EARTH.mu_m3_s2)
    return Target(low, high, radius, speed, angle, "inclination_and_node", inclination_rad(r, v), node_rad(r, v))


@dataclass(frozen=True)
class ThirdStageFlight:
    """What was flown, beside what AS-506 flew."""

    burn_s: float
    cutoff_speed_m_s: float
    perigee_error_m: float
    apogee_error_m: float
    inclination_deg_error: float
    propellant_kg: float

    flown_burn_s: float = 147.13  # SAT-EVT-AS-506, derived: cutoff 699.33 less ignition 552.2
    flown_cutoff_speed_m_s: float = 7790.749  # memory; SAT-ASC-AS-506
    flown_insertion_speed_m_s: float = 7793.096  # seen; SAT-EOI-AS-506, ten seconds and the tail-off later


def fly_third_stage(
    thrust_scale: float = 1.0, mass_scale: float = 1.0, speed_offset_m_s: float = 0.0
) -> ThirdStageFlight:
    """Closed loop through the session at a 20 ms tick, 2 Hz major cycle.

    Args:
        thrust_scale, mass_scale: to see what an input's uncertainty does.
        speed_offset_m_s: added to the speed at second-stage cutoff.
    """
    vehicle, ignition = third_stage(thrust_scale, mass_scale), number("SAT-EVT-AS-506", "S-IVB_ignition")
    plan = FlightPlan("third", EARTH, vehicle, parking_orbit(), (Insertion(ignite_at_s=ignition), Orbit()),
                      major_cycle_s=0.5)  # fmt: skip
    start = second_stage_cutoff()
    faster = scale(1.0 + speed_offset_m_s / norm(start.velocity_m_s), start.velocity_m_s)
    flight = fly(plan, World(EARTH, vehicle), replace(start, velocity_m_s=faster))
    end, stage, target = flight.state, vehicle.stages[0], plan.target
    assert target is not None
    burnt = stage.propellant_kg - end.propellant_kg[0]
    low, high = apsides(end.position_m, end.velocity_m_s, EARTH.mu_m3_s2)
    return ThirdStageFlight(
        burnt / stage.mass_flow_kg_s,
        norm(end.velocity_m_s),
        low - target.perigee_radius_m,
        high - target.apogee_radius_m,
        abs(inclination_rad(end.position_m, end.velocity_m_s) - target.inclination_rad) * 57.29577951308232,
        burnt,
    )

"""AS-506 from lift-off to the parking orbit, flown by this service in the project's simulator.

Published (seen, tests/reference/data/saturn_v.json): event times, ten positions, ground-ignition masses, flight
azimuth, sea-level thrust of the F-1, thrust of the J-2. The file says for each value whether it was seen or recalled;
speeds, specific impulses, the first stage's centre-engine cutoff and the mixture shift are from memory there. From
memory here: drag coefficients (a blunt large launcher's), reference area (10.06 m across), the propellant that the
first stage burns before lift-off.

The pitch program is not known. It is taken as a power of time from upright at 13.2 s to the air-relative path angle at
first-stage cutoff (22.2 deg, by hand from the recalled speeds), and the one number left, the power, is fitted to the
height at that cutoff. A turn at zero angle of attack from 13.2 s on cannot have been flown: at a thrust over weight of
1.19 it is level before Mach 2. All else follows: positions on the way, then the explicit law from second-stage ignition
to the published orbit.
The second stage's centre-engine cutoff and mixture shift are three burns at published times; interstage and escape
tower, dropped 5.6 s apart, go together as the cover.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import asin, pi, radians

from guidance_svc.core.atmosphere import air
from guidance_svc.core.frames import turn_z
from guidance_svc.core.vectors import cross, dot, norm, scale, sub, unit
from guidance_svc.domain import Boost, FlightPlan, Hold, Insertion, Orbit, Site, Stage, Vec, Vehicle
from guidance_svc.planning.boost.ascent_trial import ascent_of, fly_boost_phase
from guidance_svc.rehearsal.closed_loop import AscentRow, fly_ascent
from guidance_svc.sim.state import World
from tests.closed_loop.as506 import (
    EARTH,
    G0_M_S2,
    ellipsoid_radius_m,
    inertial_state,
    number,
    parking_orbit,
    row,
    third_stage,
)
from tests.reference.cases import load

LIFT_OFF_S = 0.63
BEFORE_LIFT_OFF_KG = 39_000.0  # memory: first-stage propellant between ignition and lift-off, about 85,000 lb
DIAMETER_AREA_M2 = 79.5  # 10.06 m across; memory
DRAG = ((0.0, 0.30), (0.6, 0.27), (0.9, 0.38), (1.2, 0.52), (1.6, 0.48), (2.5, 0.32), (4.0, 0.23), (8.0, 0.20))
RISE_S = 13.2 - LIFT_OFF_S  # pitch and roll begin at 13.2 s, seen
PATH_AT_CUTOFF_RAD = radians(22.2)
COVER_HEIGHT_M = 92e3  # where the published times of interstage and tower, 192 to 198 s, fall in this flight
BODY = replace(EARTH, atmosphere="us1976")


def first_stage() -> Stage:
    """Five engines; vacuum thrust by the ratio of the two specific impulses, exit area by the difference."""
    sea_level, isp = number("SAT-ENG", "F1_thrust_sea_level"), number("SAT-ENG", "F1_isp_vac")
    vacuum = sea_level * isp / number("SAT-ENG", "F1_isp_sl")
    dry = number("SAT-MASS-AS-506", "SIC_dry") + number("SAT-MASS-AS-506", "SIC_other")
    loaded = number("SAT-MASS-AS-506", "SIC_fuel") + number("SAT-MASS-AS-506", "SIC_lox")
    return Stage("first", dry, loaded - BEFORE_LIFT_OFF_KG, 5.0 * vacuum, isp * G0_M_S2,
                 5.0 * (vacuum - sea_level) / 101325.0, 0.8)  # fmt: skip


def second_stage() -> tuple[Stage, Stage, Stage]:
    """Five engines, then four, then four at the lower mixture, each until its published time."""
    events = ("ignition", "center_engine_cutoff", "mixture_ratio_shift", "outboard_engine_cutoff")
    times = [number("SAT-EVT-AS-506", f"S-II_{event}") for event in events]
    thrusts = (number("SAT-ENG", "S_II_thrust_high"), 0.8 * number("SAT-ENG", "S_II_thrust_high"),
               4.0 * number("SAT-ENG", "J2_thrust_low"))  # fmt: skip
    speeds = [G0_M_S2 * number("SAT-ENG", key) for key in ("J2_isp_high", "J2_isp_high", "J2_isp_low")]
    burnt = [f / v * (b - a) for f, v, a, b in zip(thrusts, speeds, times, times[1:], strict=False)]
    loaded = number("SAT-MASS-AS-506", "SII_prop_a") + number("SAT-MASS-AS-506", "SII_prop_b")
    left = loaded - sum(burnt)
    dry = sum(number("SAT-MASS-AS-506", key) for key in ("SII_dry", "SII_other", "interstage_SII_SIVB"))
    wait = number("SAT-EVT-AS-506", "S-IVB_ignition") - times[3]
    return (
        Stage("second, five", 1.0, burnt[0], thrusts[0], speeds[0]),
        Stage("second, four", 1.0, burnt[1], thrusts[1], speeds[1]),
        Stage("second, lean", dry, burnt[2] + left, thrusts[2], speeds[2], reserve_kg=left, drop_pause_s=wait),
    )


def whole_vehicle() -> Vehicle:
    """Three stages as five burns, instrument unit and spacecraft; interstage and tower as the cover."""
    third = third_stage()
    cover = number("SAT-MASS-AS-506", "interstage_SIC_SII") + number("SAT-MASS-AS-506", "launch_escape_system")
    return Vehicle("whole", (first_stage(), *second_stage(), *third.stages), third.payload_kg, DIAMETER_AREA_M2, DRAG,
                   cover_mass_kg=cover, drop_cover_above_m=COVER_HEIGHT_M)  # fmt: skip


def program(power: float) -> tuple[tuple[float, float], ...]:
    """Pitch over time since lift-off, falling from upright by a power of time, with a point each tenth."""
    end_s = number("SAT-EVT-AS-506", "S-IC_outboard_engine_cutoff") - LIFT_OFF_S
    fall = 0.5 * pi - PATH_AT_CUTOFF_RAD
    return tuple((RISE_S + 0.1 * k * (end_s - RISE_S), 0.5 * pi - fall * (0.1 * k) ** power) for k in range(11))


def flight_plan(power: float) -> FlightPlan:
    """Lift-off and first-stage cutoff at the published times, on the published azimuth."""
    pad = row("Liftoff")
    centre_off = number("SAT-EVT-AS-506", "S-IC_center_engine_cutoff") - LIFT_OFF_S
    azimuth = load("saturn_v")["SAT-AZ-1"]["outputs"]["AS_506"]["flight_azimuth"]["value"]
    boost = Boost(
        RISE_S, 0.0, radians(1.0), radians(azimuth), separate_at_reserve=False, pitch=program(power),
        separate_at_s=number("SAT-EVT-AS-506", "S-IC_outboard_engine_cutoff") - LIFT_OFF_S,
        throttle=((centre_off, 1.0), (centre_off + 0.1, 0.8)),
    )  # fmt: skip
    latitude, longitude = radians(pad["lat_geodetic_wgs84"]["value"]), radians(pad["lon"]["value"])
    site = Site("pad", latitude, longitude, pad["altitude"]["value"])
    insertion = Insertion(first_stage=1, ignite_at_s=number("SAT-EVT-AS-506", "S-II_ignition"))
    phases = (Hold(LIFT_OFF_S, 0.1), boost, insertion, Orbit())
    return FlightPlan("whole", BODY, whole_vehicle(), parking_orbit(), phases, site, major_cycle_s=0.5)


def height_m(position_m: Vec) -> float:
    """Above the ellipsoid along the radius, as the published heights are compared."""
    return norm(position_m) - ellipsoid_radius_m(asin(position_m[2] / norm(position_m)))


@cache
def fitted_power() -> float:
    """The program's power that leads to the published height at first-stage cutoff, by bisection."""
    wanted = row("S-IC outboard engine cutoff")["altitude"]["value"]
    low, high = 0.4, 1.6
    for _ in range(24):
        middle = 0.5 * (low + high)
        plan = flight_plan(middle)
        ascent = ascent_of(plan, World(BODY, plan.vehicle))
        reached = fly_boost_phase(ascent, ascent.boost, 0.25)
        if reached.mass_kg > 0.0 and height_m(reached.position_m) > wanted:
            high = middle
        else:
            low = middle
    return low


@cache
def flown() -> tuple[tuple[AscentRow, ...], float]:
    """A row each 0.1 s, and the first stage's propellant at its cutoff in kg."""
    plan = flight_plan(fitted_power())
    rows: list[AscentRow] = []
    flight = fly_ascent(plan, World(BODY, plan.vehicle), 0.1, rows.append, row_every_s=0.0)
    return tuple(rows), flight.state.propellant_kg[0]


@dataclass(frozen=True)
class Difference:
    """Ours less published, at one event."""

    event: str
    time_s: float
    height_m: float
    along_m: float
    across_m: float
    speed_m_s: float | None


def at_time(time_s: float) -> AscentRow:
    """The row nearest a time."""
    return min(flown()[0], key=lambda r: abs(r.time_s - time_s))


def differences() -> tuple[Difference, ...]:
    """All events from Mach 1 to the third stage's cutoff, each at its published time."""
    out = []
    start = row("Liftoff")
    where = (start["lat_geocentric"]["value"], start["lon"]["value"])
    pad = unit(inertial_state(LIFT_OFF_S, *where, 0.0, 1.0, 0.0, 0.0)[0])
    for event in load("saturn_v")["SAT-ASC-AS-506"]["events"][1:-1]:
        t = event["t"]["value"]
        keys = ("lat_geocentric", "lon", "altitude")
        theirs, _ = inertial_state(t, *(event[key]["value"] for key in keys), 1.0, 0.0, 0.0)
        ours = at_time(t)
        drift = sub(ours.position_m, scale(ours.time_s - t, ours.velocity_m_s))
        ahead = unit(cross(cross(pad_now(pad, t), theirs), theirs))  # level, away from the pad
        side = unit(cross(theirs, ahead))
        gap = scale(norm(theirs) / norm(drift), drift)
        speed = event["v_inertial"]["value"] if "v_inertial" in event else None
        out.append(Difference(
            event["event"], t, height_m(drift) - event["altitude"]["value"], dot(sub(gap, theirs), ahead),
            dot(sub(gap, theirs), side), None if speed is None else norm(ours.velocity_m_s) - speed,
        ))  # fmt: skip
    return tuple(out)


def pad_now(pad: Vec, time_s: float) -> Vec:
    """The pad's direction at a later time: the ground has carried it on."""
    return turn_z(pad, EARTH.rotation_rad_s * (time_s - LIFT_OFF_S))


def mach_one_s() -> float:
    """When the speed against the air reached that of sound."""
    return next(r.time_s for r in flown()[0] if r.air_speed_m_s >= air(r.height_m)[2])


def greatest_pressure() -> AscentRow:
    """The row of greatest dynamic pressure in the boost."""
    return max((r for r in flown()[0] if r.phase == "boost"), key=lambda r: r.dynamic_pressure_pa)

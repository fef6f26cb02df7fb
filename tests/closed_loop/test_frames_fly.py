"""The same insertion flown by scripts that count in different ways ends in the same orbit; other bodies insert too.

What a script makes of `pointing`, and of pitch and heading, is done here with numpy and scipy's Rotation, not with
the project's frames. The vehicle is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import degrees, radians, sqrt
from typing import Literal

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from guidance_svc.core.kepler import apsides, inclination_rad
from guidance_svc.domain import (
    Body,
    Command,
    FlightPlan,
    Frame,
    Insertion,
    Orbit,
    Stage,
    Target,
    Vec,
    Vehicle,
    VehicleState,
)
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal import loop
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World, full_tanks, on_pad
from tests.closed_loop.flight import fly

# WGS-84 and EGM96, as in configs/bodies/earth.toml
EARTH = Body("Earth", 3.986004418e14, 6378137.0, 3.3528106647474805e-3, 1.0826266835531513e-3, 7.292115e-5)
STAGE = Stage("kite", 1500.0, 9000.0, 1.6e5, 3400.0)
MERIDIAN = 0.9
TICK_S = 0.1


@dataclass(frozen=True)
class Arrival:
    """The orbit at the end of the tick of the cutoff."""

    perigee_m: float
    apogee_m: float
    inclination_deg: float
    node_deg: float
    at_s: float


def scenario() -> tuple[FlightPlan, World, SimState]:
    """Sixty seconds of burn from 190 km, out of the plane by some tenths of a degree."""
    vehicle = Vehicle("kite", (STAGE,))
    r, a = EARTH.radius_m + 200e3, EARTH.radius_m + 330e3
    speed = sqrt(EARTH.mu_m3_s2 * (2.0 / r - 1.0 / a))
    target = Target(r, 2.0 * a - r, r, speed, 0.0, "inclination_and_node", radians(51.0), radians(20.0))
    plan = FlightPlan("frames", EARTH, vehicle, target, (Insertion(), Orbit()), major_cycle_s=0.5)
    normal = Rotation.from_euler("ZX", [radians(20.3), radians(51.2)])
    place = normal.apply([r * np.cos(0.7), r * np.sin(0.7), 0.0]) * (1.0 - 8e3 / r)
    along = normal.apply([-np.sin(0.7), np.cos(0.7), 0.0])
    out = place / np.linalg.norm(place)
    speed_m_s = vec(7000.0 * along + 130.0 * out)
    state = SimState(50.0, vec(place), speed_m_s, vec(along), full_tanks(vehicle), engine_on=True)
    return plan, World(EARTH, vehicle, step_s=TICK_S), state


def vec(array: np.ndarray) -> Vec:
    return (float(array[0]), float(array[1]), float(array[2]))


def pointing_bci(command: Command, frame: Frame, time_s: float) -> np.ndarray:
    """The script's own `pointing` in the inertial frame."""
    rows = [(-1.0 if name[0] == "-" else 1.0) * np.eye(3)["xyz".index(name[-1])] for name in frame.axes]
    canonical = np.array(rows).T @ np.array(command.pointing_script)
    angle = MERIDIAN + EARTH.rotation_rad_s * time_s if frame.turning else 0.0
    return np.asarray(Rotation.from_euler("z", angle).apply(canonical))


def by_pitch_and_heading(command: Command, frame: Frame, position: np.ndarray) -> np.ndarray:
    """Pitch and heading as a vector, with the vertical that the frame speaks of."""
    up = position / np.linalg.norm(position)
    if frame.up == "geodetic":  # the ellipsoid through the vehicle's foot: iterate latitude (Vallado, algorithm 12)
        e2 = EARTH.flattening * (2.0 - EARTH.flattening)
        plane, latitude = np.hypot(position[0], position[1]), np.arcsin(up[2])
        for _ in range(50):
            n = EARTH.radius_m / np.sqrt(1.0 - e2 * np.sin(latitude) ** 2)
            latitude = np.arctan2(position[2] + n * e2 * np.sin(latitude), plane)
        up = np.array([*(np.cos(latitude) * position[:2] / plane), np.sin(latitude)])
    east = np.cross([0.0, 0.0, 1.0], up)
    east /= np.linalg.norm(east)
    level = np.cos(command.heading_rad) * np.cross(up, east) + np.sin(command.heading_rad) * east
    return np.asarray(np.sin(command.pitch_rad) * up + np.cos(command.pitch_rad) * level)


def flown(frame: Frame, form: Literal["cartesian", "local"]) -> Arrival:
    """The burn, steered by the script's own pointing; every command is checked on the way."""
    plan, world, state = scenario()
    guide, craft = loop.in_process(Session(plan, frame)), Craft("framed", world, state)

    def steered(message: VehicleState) -> Command:
        command, now = guide(message), craft.state
        wanted = pointing_bci(command, frame, now.time_s)
        # 1e-9 rad: rounding of three turns; a wrong vertical would show with 3e-3
        assert np.linalg.norm(by_pitch_and_heading(command, frame, np.array(now.position_m)) - wanted) < 1e-9
        return command._replace(direction=vec(wanted))

    log = loop.fly(craft, steered, loop.burnt_out, frame=frame, form=form, tick_s=TICK_S, most_s=3000 * TICK_S)
    assert log.refused is None, log.refused
    assert log.at_cutoff
    end = log.state
    low, high = apsides(end.position_m, end.velocity_m_s, EARTH.mu_m3_s2)
    normal = np.cross(end.position_m, end.velocity_m_s)
    node = degrees(np.arctan2(normal[0], -normal[1]))
    return Arrival(low, high, degrees(inclination_rad(end.position_m, end.velocity_m_s)), node, end.time_s)


@cache
def canonical() -> Arrival:
    return flown(Frame(meridian_at_zero_rad=MERIDIAN), "cartesian")


def test_the_reference_flight_reaches_its_target() -> None:
    """200 x 460 km at 51 deg and node 20 deg; the orbit is read at the end of the cutoff's tick, up to 0.1 s late,
    in which J2 moves the apsides by metres and the plane by 1e-4 deg."""
    got = canonical()
    assert got.perigee_m - EARTH.radius_m == pytest.approx(200e3, abs=60.0)
    assert got.apogee_m - EARTH.radius_m == pytest.approx(460e3, abs=60.0)
    assert (got.inclination_deg, got.node_deg) == pytest.approx((51.0, 20.0), abs=1e-3)


CARTESIAN = [
    Frame(turning=True, meridian_at_zero_rad=MERIDIAN),
    Frame(axes=("x", "z", "y"), meridian_at_zero_rad=MERIDIAN),
    Frame(axes=("x", "z", "y"), turning=True, meridian_at_zero_rad=MERIDIAN),
    Frame(axes=("-y", "z", "-x"), turning=True, meridian_at_zero_rad=MERIDIAN, up="geodetic"),
    Frame(axes=("-z", "-x", "y"), meridian_at_zero_rad=MERIDIAN, up="geodetic"),
]
LOCAL = [
    Frame(meridian_at_zero_rad=MERIDIAN),
    Frame(meridian_at_zero_rad=MERIDIAN, local_velocity="inertial"),
    Frame(meridian_at_zero_rad=MERIDIAN, up="geodetic", height_above="ellipsoid"),
    Frame(meridian_at_zero_rad=MERIDIAN, up="geodetic", local_velocity="inertial"),
    Frame(meridian_at_zero_rad=MERIDIAN, height_above="ellipsoid", turning=True, axes=("x", "z", "y")),
]


OFTEN = (CARTESIAN[2], CARTESIAN[3], LOCAL[1], LOCAL[2], LOCAL[4])  # between them each way at least once


@pytest.mark.parametrize(
    ("frame", "form"),
    [pytest.param(f, form, marks=[] if f in OFTEN else [pytest.mark.slow])
     for form, frames in (("cartesian", CARTESIAN), ("local", LOCAL)) for f in frames],
    ids=lambda value: value if isinstance(value, str) else "".join(value.axes) + ("-turning" if value.turning else "")
    + f"-{value.up}-{value.height_above}-{value.local_velocity}",
)  # fmt: skip
def test_every_way_of_counting_flies_to_the_same_orbit(frame: Frame, form: Literal["cartesian", "local"]) -> None:
    """1 m and 1e-6 deg: what 1e-9 of rounding may grow to over a burn; a slip in a frame costs kilometres."""
    want, got = canonical(), flown(frame, form)
    assert got.perigee_m == pytest.approx(want.perigee_m, abs=1.0)
    assert got.apogee_m == pytest.approx(want.apogee_m, abs=1.0)
    assert got.inclination_deg == pytest.approx(want.inclination_deg, abs=1e-6)
    assert got.node_deg == pytest.approx(want.node_deg, abs=1e-6)
    assert got.at_s == want.at_s


# --- other bodies ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "height_m", "speed_m_s", "thrust_n"), [("moon", 20e3, 1500.0, 3e4), ("mars", 120e3, 3000.0, 6e4),
                                                    ("tarnmoor", 45e3, 2700.0, 6e4)]
)  # fmt: skip
def test_other_bodies_from_their_files_insert_in_their_own_gravity(
    name: str, height_m: float, speed_m_s: float, thrust_n: float
) -> None:
    """20 m of apsides, the issue's limit for a clean flight, on what the files of bodies say; with J2."""
    body = load_library(default_folder()).bodies[name].to_domain("j2", name)
    assert body.j2 > 0.0
    vehicle = Vehicle("kite", (replace(STAGE, thrust_n=thrust_n),))
    r = body.radius_m + 1.2 * height_m
    a = r + 30e3
    target = Target(
        r, 2.0 * a - r, r, sqrt(body.mu_m3_s2 * (2.0 / r - 1.0 / a)), 0.0, "inclination", radians(25.0)
    )  # fmt: skip
    plan = FlightPlan("other body", body, vehicle, target, (Insertion(), Orbit()), major_cycle_s=0.5)
    place = (body.radius_m + height_m, 0.0, 0.0)
    speed = (60.0, speed_m_s * np.cos(radians(24.0)), speed_m_s * np.sin(radians(24.0)))
    state = SimState(0.0, place, speed, (0.0, 1.0, 0.0), full_tanks(vehicle), engine_on=True)
    flight = fly(plan, World(body, vehicle), state, tick_s=TICK_S, frame=Frame(turning=True, axes=("x", "z", "y")))
    low, high = apsides(flight.state.position_m, flight.state.velocity_m_s, body.mu_m3_s2)
    assert low == pytest.approx(target.perigee_radius_m, abs=20.0)
    assert high == pytest.approx(target.apogee_radius_m, abs=20.0)
    plane = degrees(inclination_rad(flight.state.position_m, flight.state.velocity_m_s))
    assert plane == pytest.approx(25.0, abs=1e-3)


@pytest.mark.slow
def test_a_tanker_goes_from_the_pad_of_an_invented_planet_to_a_circular_orbit() -> None:
    """The example of a body of the user's own, whole: 50 m of osculating spread, as on Earth."""
    plan = load_library(default_folder()).plan("bargeman_on_tarnmoor", "tanker")
    assert plan.site is not None
    world = World(plan.body, plan.vehicle, step_s=TICK_S)
    flight = fly(plan, world, on_pad(plan.site, world), tick_s=TICK_S)
    end, _ = flight.at_cutoff[-1]
    low, high = apsides(end.position_m, end.velocity_m_s, plan.body.mu_m3_s2)
    assert high - low < 50.0
    # the apogee of the target, 110 km, less what a flattened body takes from it until then
    assert (low - plan.body.radius_m) / 1e3 == pytest.approx(105.0, abs=6.0)
    assert degrees(inclination_rad(end.position_m, end.velocity_m_s)) == pytest.approx(20.0, abs=0.01)

"""First states of scripts that mix something up, and what is to be said of each; the kit's tests use them too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians
from typing import Final

from guidance_svc.core.frames import from_bci, ground_velocity, local_from_bci, site_state, to_canonical
from guidance_svc.domain import Body, FlightPlan, Frame, LocalState, Site, Vec, VehicleState

FOOT_M: Final = 0.3048  # exact: international yard and pound agreement of 1959 (memory)
POUND_KG: Final = 0.45359237  # likewise
Change = Callable[[VehicleState], VehicleState]


def seen_in(
    position_m: Vec, velocity_m_s: Vec, plan: FlightPlan, meant: Frame, local: bool, time_s: float = 0.0
) -> VehicleState:
    """A BCI state as a script sends it whose numbers are in the frame that it means."""
    stack = plan.vehicle.mass_at_ignition_kg(0)
    if local:
        form = local_from_bci(position_m, velocity_m_s, meant, plan.body, time_s)
        return VehicleState(1, time_s, stack, local=form)
    place, speed = from_bci(position_m, velocity_m_s, meant, plan.body, time_s)
    return VehicleState(1, time_s, stack, place, speed)


def on_pad(plan: FlightPlan, site: Site, meant: Frame, local: bool, time_s: float = 0.0) -> VehicleState:
    """Standing at a site."""
    place, speed = site_state(site, plan.body, meant.meridian_at_zero_rad, time_s)
    return seen_in(place, speed, plan, meant, local, time_s)


def times(vector: Vec | None, factor: float) -> Vec | None:
    return None if vector is None else (factor * vector[0], factor * vector[1], factor * vector[2])


def pair_times(far: float, fast: float) -> Change:
    def change(state: VehicleState) -> VehicleState:
        return state._replace(
            position_script_m=times(state.position_script_m, far),
            velocity_script_m_s=times(state.velocity_script_m_s, fast),
        )  # fmt: skip

    return change


def local_change(make: Callable[[LocalState], LocalState]) -> Change:
    def change(state: VehicleState) -> VehicleState:
        return state if state.local is None else state._replace(local=make(state.local))

    return change


def spun(sign: float, body: Body) -> Change:
    """The ground's speed added or taken away, in the canonical axes."""

    def change(state: VehicleState) -> VehicleState:
        assert state.position_script_m is not None
        assert state.velocity_script_m_s is not None
        place = to_canonical(state.position_script_m, ("x", "y", "z"))
        ground = ground_velocity(place, sign * body.rotation_rad_s)
        a, b, c = state.velocity_script_m_s
        return state._replace(velocity_script_m_s=(a + ground[0], b + ground[1], c + ground[2]))

    return change


LEFT: Final = Frame(axes=("x", "z", "y"))
TURNING: Final = Frame(turning=True)
IN_RADIANS: Final = local_change(
    lambda s: s._replace(latitude_rad=radians(s.latitude_rad), longitude_rad=radians(s.longitude_rad))
)
"""The numbers of radians in fields that are read as degrees: the state has radians(radians)."""


def wrong_scripts(body: Body) -> dict[str, tuple[Frame, Frame, bool, Change | None, str]]:
    """Meant frame, declared frame, local form, what else is done to the numbers, words of the first cause."""
    geodetic = Frame(up="geodetic", height_above="ellipsoid")
    return {
        "y up, left-handed, undeclared": (LEFT, Frame(), False, None, "the axes are taken as x, z, y (left-handed)"),
        "y up, left-handed, turning, undeclared": (
            replace(LEFT, turning=True), TURNING, False, None, "the axes are taken as x, z, y (left-handed)"),
        "y up, right-handed, undeclared": (
            Frame(turning=True, axes=("x", "z", "-y")), TURNING, False, None,
            "the axes are taken as x, z, -y (right-handed)"),
        "z up, declared y up": (TURNING, replace(LEFT, turning=True), False, None, "the axes are taken as x, y, z"),
        "x and y swapped": (
            Frame(turning=True, axes=("y", "x", "z")), TURNING, False, None, "the axes are taken as y, x, z"),
        "z first": (Frame(turning=True, axes=("z", "x", "y")), TURNING, False, None, "the axes are taken as z, x, y"),
        "turning, declared inertial": (
            TURNING, Frame(), False, None, "positions and velocities are taken in turning axes"),
        "inertial, declared turning": (
            Frame(), TURNING, False, None, "positions and velocities are taken in inertial axes"),
        "over-ground speeds in inertial axes": (
            Frame(meridian_at_zero_rad=1.0), Frame(meridian_at_zero_rad=1.0), False, spun(-1.0, body),
            "velocities are taken as over ground"),
        "inertial speeds in turning axes": (
            replace(TURNING, meridian_at_zero_rad=1.0), replace(TURNING, meridian_at_zero_rad=1.0), False,
            spun(1.0, body), "velocities are taken as inertial"),
        "feet": (
            Frame(), Frame(), False, pair_times(1 / FOOT_M, 1 / FOOT_M), "positions and velocities are taken as feet"),
        "feet a second": (
            Frame(), Frame(), False, pair_times(1.0, 1 / FOOT_M), "velocities are taken as feet a second"),
        "kilometres a second": (Frame(), Frame(), False, pair_times(1.0, 1e-3), "velocities are taken as kilometres"),
        "radians": (Frame(), Frame(), True, IN_RADIANS, "latitude and longitude are taken as radians"),
        "inertial local speeds": (
            Frame(local_velocity="inertial"), Frame(), True, None, "the three local speeds are taken as inertial"),
        "over-ground local speeds": (
            Frame(), Frame(local_velocity="inertial"), True, None, "the three local speeds are taken as over ground"),
        "geodetic, undeclared": (
            geodetic, Frame(), True, None, "latitudes are taken as geodetic and altitudes as above the ellipsoid"),
        "geocentric, declared geodetic": (
            Frame(), geodetic, True, None, "latitudes are taken as geocentric and altitudes as above the sphere"),
        "height above the ellipsoid, undeclared": (
            Frame(height_above="ellipsoid"), Frame(), True, None,
            "latitudes are taken as geocentric and altitudes as above the ellipsoid"),
    }  # fmt: skip


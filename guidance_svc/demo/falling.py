"""A simulated vehicle that begins above the site where its flight plan lands."""

from __future__ import annotations

from typing import Final

from guidance_svc.core.frames import from_local, ground_velocity, on_ellipsoid, triad
from guidance_svc.core.vectors import add
from guidance_svc.domain import FlightPlan, Landing
from guidance_svc.errors import GuidanceError
from guidance_svc.rehearsal.craft import Craft, Log
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.state import SimState, World

NAMES: Final = ("east_m", "north_m", "up_m", "east_m_s", "north_m_s", "up_m_s", "propellant_kg")
"""Of a start, in this order: place from the site, speed over ground, propellant of the last stage."""


def read_start(text: str) -> tuple[float, ...]:
    """The numbers of NAMES from "-105,20,1900,14,-3,-190,6500".

    Raises:
        GuidanceError: other than seven numbers.
    """
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != len(NAMES):
        raise GuidanceError("bad_value", "start", f"numbers for {', '.join(NAMES)}", text)
    return numbers


def craft_above(plan: FlightPlan, start: tuple[float, ...], log: Log) -> Craft:
    """The last stage of a plan's vehicle above its landing site, upright, engine off, at time 0.

    Args:
        start: NAMES.

    Raises:
        GuidanceError: the plan does not land.
    """
    if plan.landing is None:
        raise GuidanceError("missing_field", "landing", f"a landing site in flight plan {plan.name}", "none")
    body, vehicle, site = plan.body, plan.vehicle, plan.landing.site
    ground = on_ellipsoid(site.latitude_rad, site.longitude_rad, site.altitude_m, body.radius_m, body.flattening)
    axes = triad(ground, "geodetic", body)
    east, north, up, east_m_s, north_m_s, up_m_s, propellant_kg = start
    position = add(ground, from_local(up, north, east, axes))
    velocity = add(from_local(up_m_s, north_m_s, east_m_s, axes), ground_velocity(position, body.rotation_rad_s))
    stage = len(vehicle.stages) - 1
    state = SimState(0.0, position, velocity, axes.up, (0.0,) * stage + (propellant_kg,), stage=stage)
    return Craft(vehicle.name, World(body, vehicle, pad=pad_of(plan.landing)), state, log)


def pad_of(landing: Landing) -> Pad:
    """Where a landing comes down: on the ground, or in arms at their height over it."""
    return Pad(landing.site, landing.catch_height_m) if landing.bears == "arms" else Pad(landing.site)

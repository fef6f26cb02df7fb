"""The instant at which legs or arms begin to bear: a foot is down, or the catch point has come down to the arms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import acos, hypot
from typing import Final, Literal

from guidance_svc.core.frames import altitude_m, ground_velocity, site_state, triad
from guidance_svc.core.vectors import along, dot, norm, sub
from guidance_svc.domain import Bears, Vec
from guidance_svc.sim.jumps import cut_off
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.pad import Contact, Pad
from guidance_svc.sim.state import SimState, World

LOOK_S: Final = 0.25  # near the ground it is looked for at least so often
NEAR_M: Final = 50.0  # beyond what a vehicle's length and the arms reach
WITHIN_S: Final = 1e-10  # the contact is found to this: at 500 m/s 50 nm
MOST_TRIES: Final = 100


def pad_near(state: SimState, world: World) -> Pad | None:
    """The pad that a vehicle comes down on: the only one, or the one nearest to it now; None where there is none."""
    if world.pad is None or not world.other_pads:
        return world.pad

    def distance_m(pad: Pad) -> float:
        place, _ = site_state(pad.site, world.body, world.meridian_at_zero_rad, state.time_s)
        return norm(sub(place, state.position_m))

    return min((world.pad, *world.other_pads), key=distance_m)


def height_over_pad_m(state: SimState, world: World, pad: Pad) -> float:
    """Of the point whose position is told, above the ground about a pad."""
    body = world.body
    return height_above_ellipsoid_m(state.position_m, body.radius_m, body.flattening) - pad.site.altitude_m


def near_m(world: World, pad: Pad) -> float:
    """Height over the pad below which something of the vehicle may be at the ground or at the arms."""
    vehicle = world.vehicle
    length_m = vehicle.legs_below_m + vehicle.legs_radius_m + abs(vehicle.catch_point_m or 0.0)
    return NEAR_M + length_m + max(0.0, pad.catch_height_m or 0.0)


def sink_m_s(state: SimState) -> float:
    """Speed towards the body's centre; 0 for a vehicle that rises."""
    return max(0.0, -dot(state.position_m, state.velocity_m_s) / norm(state.position_m))


def bearing_point_m(state: SimState, world: World, bears: Bears) -> Vec:
    """The lowest foot, or the catch point."""
    vehicle, pointing = world.vehicle, state.pointing
    if bears == "arms":
        return along(state.position_m, vehicle.catch_point_m or 0.0, pointing)
    foot = along(state.position_m, -vehicle.legs_below_m, pointing)
    up = triad(state.position_m, "geodetic", world.body).up
    level = along(up, -dot(up, pointing), pointing)
    size = norm(level)
    return foot if size < 1e-12 else along(foot, -vehicle.legs_radius_m / size, level)


def clearance_m(state: SimState, world: World, pad: Pad, bears: Bears) -> float:
    """How far the bearing point is above what it comes down on."""
    floor = pad.site.altitude_m + ((pad.catch_height_m or 0.0) if bears == "arms" else 0.0)
    return altitude_m(bearing_point_m(state, world, bears), world.body, "ellipsoid") - floor


def stop_by_contact(
    before: SimState, until_s: float, reach: Callable[[float], SimState], world: World, pad: Pad
) -> SimState:
    """The state at the end of a stretch, or the one in which a contact has ended it earlier.

    Args:
        reach: the state at a time of the stretch, were there no contact.
    """
    after = reach(until_s)
    if min(height_over_pad_m(before, world, pad), height_over_pad_m(after, world, pad)) > near_m(world, pad):
        return after
    caught = pad.catch_height_m is not None and world.vehicle.catch_point_m is not None
    if caught and passes(before, after, world, pad, "arms"):
        held = at_contact(before, after, reach, world, pad, "arms")
        if hypot(*miss_m(held, world, pad, "arms")) <= pad.reach_m:
            return hold_vehicle(held, world, pad, "arms")
    if passes(before, after, world, pad, "legs"):
        return hold_vehicle(at_contact(before, after, reach, world, pad, "legs"), world, pad, "legs")
    return after


def passes(before: SimState, after: SimState, world: World, pad: Pad, bears: Bears) -> bool:
    """Whether the bearing point comes down between the two: one that begins below has to rise first."""
    return clearance_m(before, world, pad, bears) > 0.0 >= clearance_m(after, world, pad, bears)


def at_contact(
    before: SimState, late: SimState, reach: Callable[[float], SimState], world: World, pad: Pad, bears: Bears
) -> SimState:
    """The first state at which the clearance is gone, by the false position method with the Illinois rule."""
    early_s, late_s = before.time_s, late.time_s
    above, below = clearance_m(before, world, pad, bears), clearance_m(late, world, pad, bears)
    for _ in range(MOST_TRIES):
        if late_s - early_s <= WITHIN_S + 1e-15 * abs(late_s) or below == 0.0:
            break
        at_s = early_s + (late_s - early_s) * above / (above - below)
        at_s = min(max(at_s, early_s + 0.1 * WITHIN_S), late_s - 0.1 * WITHIN_S)
        tried = reach(at_s)
        clear = clearance_m(tried, world, pad, bears)
        if clear > 0.0:
            early_s, above, below = at_s, clear, 0.5 * below
        else:
            late_s, late, below, above = at_s, tried, clear, 0.5 * above
    return late


def miss_m(state: SimState, world: World, pad: Pad, bears: Bears) -> tuple[float, float]:
    """How far the middle of the feet, or the catch point, is to the north and to the east of where it should be."""
    place, _ = site_state(pad.site, world.body, world.meridian_at_zero_rad, state.time_s)
    local = triad(place, "geodetic", world.body)
    if bears == "arms":
        off = sub(bearing_point_m(state, world, bears), place)
        return dot(off, local.north) - pad.arms_north_m, dot(off, local.east) - pad.arms_east_m
    off = sub(along(state.position_m, -world.vehicle.legs_below_m, state.pointing), place)
    return dot(off, local.north), dot(off, local.east)


def hold_vehicle(state: SimState, world: World, pad: Pad, bears: Bears) -> SimState:
    """The vehicle held from now on, turning with the body, with a record of the contact; engines cut if so ordered."""
    ground = ground_velocity(state.position_m, world.body.rotation_rad_s)
    local = triad(state.position_m, "geodetic", world.body)
    speed = sub(state.velocity_m_s, ground)
    down = -dot(speed, local.up)
    north, east = miss_m(state, world, pad, bears)
    vehicle = world.vehicle
    on: Literal["legs", "arms", "ground"] = bears
    if bears == "legs" and vehicle.legs_below_m == vehicle.legs_radius_m == 0.0:
        on = "ground"
    contact = Contact(
        state.time_s, pad.site.name, on, down, norm(along(speed, down, local.up)),
        acos(max(-1.0, min(1.0, dot(state.pointing, local.up)))), norm(state.turn_rad_s), north, east,
    )  # fmt: skip
    state = cut_off(state, world) if state.cut_on_contact and state.engine_on else state
    return replace(state, held_down=True, velocity_m_s=ground, turn_rad_s=(0.0, 0.0, 0.0), contact=contact)

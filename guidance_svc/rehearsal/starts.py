"""Where a flight in process begins."""

from __future__ import annotations

from dataclasses import replace
from math import asin, atan2, copysign, cos, radians, sin, sqrt

from guidance_svc.core.frames import from_local, site_state, triad
from guidance_svc.core.vectors import add, cross, norm, scale, unit
from guidance_svc.domain import FlightPlan, Hold, Landing, Site, Start, Vec, Vehicle
from guidance_svc.errors import ConfigError
from guidance_svc.rehearsal.craft import Craft, Log, craft_on_pad
from guidance_svc.sim.pad import pads_of
from guidance_svc.sim.state import SimState, World, full_tanks, on_pad

BEFORE_IGNITION_S = 10.0
STANDING_M_S = 1.0  # slower than that no direction of motion is taken for the attitude
# Where an upper stage is let go, about as the demo's booster does it: invented.
START_S = 152.0
START_ALTITUDE_M = 76e3
START_SPEED_FRAC = 0.335  # of the circular speed
START_PATH_ANGLE_RAD = radians(24.0)
START_ARGUMENT_RAD = radians(69.0)  # along the target's plane from its node


def at_separation(plan: FlightPlan) -> SimState:
    """The state in which a vehicle without a site of its own begins: in the target's plane, rising, engine off.

    Raises:
        ConfigError: the plan has neither site nor target nor start.
    """
    target, body = plan.target, plan.body
    if target is None and plan.landing is not None:
        expected = f"a [start] table in flight plan {plan.name}, because it only lands"
        raise ConfigError("missing_field", "start", expected, "none")
    if target is None:
        raise ConfigError("missing_field", "site", f"a launch site or a target in flight plan {plan.name}", "neither")
    i, node = target.inclination_rad, target.node_rad
    along_node: Vec = (cos(node), sin(node), 0.0)
    normal: Vec = (sin(i) * sin(node), -sin(i) * cos(node), cos(i))
    ahead = cross(normal, along_node)
    c, s = cos(START_ARGUMENT_RAD), sin(START_ARGUMENT_RAD)
    out = mix_vectors(along_node, c, ahead, s)
    forward = mix_vectors(along_node, -s, ahead, c)
    radius = body.radius_m + START_ALTITUDE_M
    speed = START_SPEED_FRAC * sqrt(body.mu_m3_s2 / radius)
    velocity = mix_vectors(out, speed * sin(START_PATH_ANGLE_RAD), forward, speed * cos(START_PATH_ANGLE_RAD))
    position: Vec = (radius * out[0], radius * out[1], radius * out[2])
    return SimState(START_S, position, velocity, unit(velocity), full_tanks(plan.vehicle))


def at_start(plan: FlightPlan, landing: Landing, start: Start, world: World) -> SimState:
    """Where a landing begins: above or beside its site, engine off; standing along its motion over ground, and
    against it where it falls. All stages but the last are gone."""
    body, site = plan.body, landing.site
    latitude, longitude = from_bearing(site, start.bearing_rad, start.distance_m / body.radius_m)
    place = replace(site, latitude_rad=latitude, longitude_rad=longitude, altitude_m=site.altitude_m + start.height_m)
    position, turning = site_state(place, body, world.meridian_at_zero_rad, start.time_s)
    local = triad(position, "geodetic", body)
    speed = from_local(start.vertical_m_s, start.north_m_s, start.east_m_s, local)
    size, last = norm(speed), len(plan.vehicle.stages) - 1
    ahead = local.up if size < STANDING_M_S else scale(copysign(1.0 / size, start.vertical_m_s), speed)
    tanks = [*full_tanks(plan.vehicle)]
    tanks[last] = tanks[last] if start.propellant_kg is None else start.propellant_kg
    return SimState(start.time_s, position, add(speed, turning), ahead, tuple(tanks), stage=last)


def craft_of_plan(name: str, plan: FlightPlan, carried: FlightPlan | None, log: Log) -> Craft:
    """A plan's vehicle where its flight begins: at its [start], on its pad with another plan's vehicle on top of it if
    any, or where a booster lets it go. Where it lands, and where it may land instead, are there.

    Raises:
        GuidanceError: there is no such place, or its payload is not what the carried vehicle weighs.
    """
    pads = () if plan.landing is None else pads_of(plan.landing)
    world = World(plan.body, vehicle_at_start(plan), pad=pads[0] if pads else None, other_pads=pads[1:])
    if plan.landing is not None and plan.start is not None and carried is None:
        return Craft(name, world, at_start(plan, plan.landing, plan.start, world), log)
    if plan.site is None and carried is None:
        return Craft(name, replace(world, vehicle=plan.vehicle), at_separation(plan), log)
    craft = craft_on_pad(name, plan, carried, log)
    craft.world = replace(world, vehicle=craft.world.vehicle)
    craft.state = on_its_pad(plan, craft.world)
    craft.wanted = craft.state.pointing
    return craft


def vehicle_at_start(plan: FlightPlan) -> Vehicle:
    """The vehicle as it begins a landing: without what it carried, where the plan says that this is gone by then."""
    alone = any(phase.alone for phase in plan.phases)
    return replace(plan.vehicle, payload_kg=0.0, cover_mass_kg=0.0) if alone else plan.vehicle


def from_bearing(site: Site, bearing_rad: float, angle_rad: float) -> tuple[float, float]:
    """Latitude and longitude of a point on a sphere, from another one by bearing and arc.

    >>> latitude, longitude = from_bearing(Site("equator", 0.0, 1.0), radians(90.0), 0.25)
    >>> round(latitude, 9), round(longitude, 9)
    (0.0, 1.25)
    """
    sine, cosine = sin(site.latitude_rad), cos(site.latitude_rad)
    rise = sine * cos(angle_rad) + cosine * sin(angle_rad) * cos(bearing_rad)
    latitude = asin(max(-1.0, min(1.0, rise)))
    east = atan2(sin(bearing_rad) * sin(angle_rad) * cosine, cos(angle_rad) - sine * sin(latitude))
    return latitude, site.longitude_rad + east


def mix_vectors(a: Vec, x: float, b: Vec, y: float) -> Vec:
    """x a + y b."""
    return (x * a[0] + y * b[0], x * a[1] + y * b[1], x * a[2] + y * b[2])


def on_its_pad(plan: FlightPlan, world: World) -> SimState:
    """Held down, ten seconds before the engines are lit but not before time 0; a plan without a hold begins lit and
    let go at time 0.

    Raises:
        ConfigError: the plan has no site.
    """
    if plan.site is None:
        raise ConfigError("missing_field", "site", f"a launch site in flight plan {plan.name}", "none")
    hold = plan.phases[0] if isinstance(plan.phases[0], Hold) else None
    if hold is None:
        return replace(on_pad(plan.site, world), held_down=False, engine_on=True)
    return on_pad(plan.site, world, max(0.0, hold.release_at_s - hold.ignition_lead_s - BEFORE_IGNITION_S))

"""Where a flight in process begins."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sin, sqrt

from guidance_svc.core.vectors import cross, unit
from guidance_svc.domain import FlightPlan, Hold, Vec
from guidance_svc.errors import ConfigError
from guidance_svc.sim.state import SimState, World, full_tanks, on_pad

BEFORE_IGNITION_S = 10.0
# Where an upper stage is let go, about as the demo's booster does it: invented.
START_S = 152.0
START_ALTITUDE_M = 76e3
START_SPEED_FRAC = 0.335  # of the circular speed
START_PATH_ANGLE_RAD = radians(24.0)
START_ARGUMENT_RAD = radians(69.0)  # along the target's plane from its node


def at_separation(plan: FlightPlan) -> SimState:
    """The state in which a vehicle without a site of its own begins: in the target's plane, rising, engine off.

    Raises:
        ConfigError: the plan has neither site nor target, or lands.
    """
    target, body = plan.target, plan.body
    if target is None and plan.landing is not None:
        raise ConfigError("not_supported", "phases", f"a flight plan that goes up: {plan.name} only lands", "a landing")
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

"""A tanker's flight from figures in the campaign's file instead of a simulation: impulsive geometry."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import asin, pi, sqrt

from guidance_svc.core.frames import site_state
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.core.vectors import norm
from guidance_svc.domain import FlightPlan, Site
from guidance_svc.errors import ConfigError
from guidance_svc.orbits.drift import circular
from guidance_svc.orbits.values import Field
from guidance_svc.planning.campaign.ledger import Tanks
from guidance_svc.planning.campaign.reference import (
    Reference,
    aim_plan,
    northbound,
    release_s,
    site_longitude_rad,
    template_node_rad,
)
from guidance_svc.planning.windows.opportunities import branches

ASCENT_ARC_FRAC = 0.4  # of the arc that orbital speed would cover from release to insertion; common practice, no source

APOGEE_TOLERANCE_M = 15e3  # an osculating apogee at insertion lies up to 10 km off the mean circle under J2


@dataclass(frozen=True, slots=True)
class Figures:
    """What the file says of one flight."""

    used_to_orbit_kg: float
    left_below_kg: float
    inserted_after_s: float


def reference_from_figures(
    plan: FlightPlan, site: Site, inclination_rad: float, gravity: Field, figures: Figures, altitude_m: float
) -> Reference:
    """The flight as the figures have it, ending in a mean circle at an altitude.

    Mean and osculating planes are taken for one, and the arc of the ascent for a part of what orbital speed covers:
    the plane is good to 0.03 deg, the phase to some degrees.

    Raises:
        ConfigError: more used than loaded, a plan without target, or a site out of reach.
    """
    target, vehicle, body = plan.target, plan.vehicle, plan.body
    loaded = sum(stage.propellant_kg for stage in vehicle.stages)
    aboard = loaded - figures.used_to_orbit_kg - figures.left_below_kg
    if aboard < 0.0:
        expected = f"at most {loaded - figures.left_below_kg:g} kg, what {vehicle.name} loads less left_below_kg"
        raise ConfigError("short_of_propellant", "tankers.figures.used_to_orbit_kg", expected, figures.used_to_orbit_kg)
    node = template_node_rad(plan, site, inclination_rad)
    release = release_s(plan)
    set_plan = aim_plan(plan, site, inclination_rad, node + site_longitude_rad(site, body, 0.0, release), release)
    if target is None:
        raise AssertionError("aimed refuses a plan without target")
    axis = 0.5 * (target.perigee_radius_m + target.apogee_radius_m)
    coast_s = pi * sqrt(axis**3 / body.mu_m3_s2)
    end_s = figures.inserted_after_s + coast_s
    r, _ = site_state(site, body, 0.0, 0.0)
    passes = branches(asin(max(-1.0, min(1.0, r[2] / norm(r)))), inclination_rad)
    arc = ASCENT_ARC_FRAC * figures.inserted_after_s * sqrt(body.mu_m3_s2 / target.perigee_radius_m**3)
    argument = wrap_angle((passes[0] if northbound(node) else passes[-1]) + arc + pi)
    apogee_m = target.apogee_radius_m - body.radius_m
    if abs(apogee_m - altitude_m) > APOGEE_TOLERANCE_M:
        expected = f"{apogee_m / 1e3:g} km, the apogee of flight plan {plan.name}, to {APOGEE_TOLERANCE_M / 1e3:g} km"
        raise ConfigError("wrong_altitude", "depot.altitude_km", expected, f"{altitude_m / 1e3:g} km")
    there = circular(end_s, altitude_m, inclination_rad, node, gravity, argument)
    last = vehicle.stages[-1]
    tanks = Tanks(
        loaded, figures.used_to_orbit_kg, figures.left_below_kg, aboard, vehicle.payload_kg, last.dry_mass_kg,
        last.exhaust_velocity_m_s,
    )  # fmt: skip
    return Reference(
        set_plan, node, node, inclination_rad, figures.inserted_after_s, end_s, replace(there, node_rad=node), tanks,
        flown=False,
    )  # fmt: skip

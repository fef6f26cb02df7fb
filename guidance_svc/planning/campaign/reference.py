"""One flight of a plan as seen from its site, and the same flight set to another release time.

Body, site and gravity are the same at every hour; only the stars have turned. So a flight that is released when the
plane lies alike over the site is the same flight, turned about the pole by what the body has turned.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import asin, atan2, cos, degrees, pi, remainder, sin

from guidance_svc.core.frames import site_state
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, FlightPlan, Hold, Site
from guidance_svc.errors import ConfigError
from guidance_svc.orbits.values import MeanOrbit
from guidance_svc.planning.campaign.ledger import Tanks
from guidance_svc.planning.windows.opportunities import PlaneTarget, branches, why_none


@dataclass(frozen=True, slots=True)
class Reference:
    """What one flight of a plan came to; nodes count eastward from the site's own inertial longitude at release.

    Args:
        plan: as flown, its target's inclination tuned so that the mean plane at insertion has the one wanted.
        target_node_rad: osculating node asked for at cutoff.
        inserted_node_rad: mean node at insertion.
        inserted_after_s, arrived_after_s: insertion's cutoff and the end of the last burn, from release.
        arrived: mean orbit then, its node counted as said above and its epoch from release.
        tanks: propellant.
        inserted_inclination_rad: mean.
        azimuth_rad: heading that the flight was commanded when it had begun to pitch over, clockwise from north; None
            where it is not flown.
        flown: by simulation; False: from the figures in the campaign's file, impulsive geometry.
    """

    plan: FlightPlan
    target_node_rad: float
    inserted_node_rad: float
    inserted_inclination_rad: float
    inserted_after_s: float
    arrived_after_s: float
    arrived: MeanOrbit
    tanks: Tanks
    azimuth_rad: float | None = None
    flown: bool = True

    @property
    def ascending(self) -> bool:
        """Whether the flight leaves northbound."""
        return northbound(self.target_node_rad)


def site_longitude_rad(site: Site, body: Body, meridian_at_zero_rad: float, time_s: float) -> float:
    """Inertial longitude of a site; not wrapped."""
    return site.longitude_rad + meridian_at_zero_rad + body.rotation_rad_s * time_s


def in_plane_node_rad(site: Site, body: Body, inclination_rad: float, ascending: bool) -> float:
    """Node of the plane that passes over a site, counted from the site's own longitude eastward, [-pi, pi].

    Raises:
        ConfigError: the plane never passes over the site.
    """
    reason = why_none(site, body, PlaneTarget(inclination_rad, 0.0))
    if reason is not None:
        raise ConfigError("out_of_reach", "depot.inclination_deg", reason, f"{degrees(inclination_rad):.4f} deg")
    r, _ = site_state(site, body, 0.0, 0.0)
    passes = branches(asin(r[2] / norm(r)), inclination_rad)
    u = passes[0] if ascending else passes[-1]
    return remainder(-atan2(cos(inclination_rad) * sin(u), cos(u)), 2.0 * pi)


def northbound(node_rad: float) -> bool:
    """Whether a launch goes north into a plane whose node lies so far east of the site."""
    return cos(node_rad) > 0.0


def release_s(plan: FlightPlan) -> float:
    """When the plan lets go of the vehicle; 0 without a hold."""
    first = plan.phases[0]
    return first.release_at_s if isinstance(first, Hold) else 0.0


def template_node_rad(plan: FlightPlan, site: Site, inclination_rad: float) -> float:
    """Node to ask for from a site at release, from its longitude: that of the plan, moved with the inclination.

    A plan whose node was tuned to its release keeps its lead over the plane's passage. A plan without a node flies to
    the northbound passage, without lead.
    """
    target, home = plan.target, plan.site
    if target is None or home is None or target.plane != "inclination_and_node":
        return in_plane_node_rad(site, plan.body, inclination_rad, True)
    longitude = site_longitude_rad(home, plan.body, 0.0, release_s(plan))
    told = remainder(target.node_rad - longitude, 2.0 * pi)
    ascending = northbound(told)
    lead = told - in_plane_node_rad(home, plan.body, target.inclination_rad, ascending)
    return remainder(in_plane_node_rad(site, plan.body, inclination_rad, ascending) + lead, 2.0 * pi)


def aim_plan(plan: FlightPlan, site: Site, inclination_rad: float, node_rad: float, release_at_s: float) -> FlightPlan:
    """The plan from a site into a plane, released at a time; a plan without a hold gets one.

    Raises:
        ConfigError: the plan has no target.
    """
    if plan.target is None:
        raise ConfigError("missing_field", "target", f"a [target] table in flight plan {plan.name}", "none")
    target = replace(plan.target, plane="inclination_and_node", inclination_rad=inclination_rad, node_rad=node_rad)
    first, rest = plan.phases[0], plan.phases[1:]
    hold = replace(first, release_at_s=release_at_s) if isinstance(first, Hold) else Hold(release_at_s)
    phases = (hold, *rest) if isinstance(first, Hold) else (hold, *plan.phases)
    return replace(plan, site=site, target=target, phases=phases)


def set_to(reference: Reference, site: Site, meridian_at_zero_rad: float, release_at_s: float) -> FlightPlan:
    """The reference flight released at another time, on a clock that counts from the campaign's epoch.

    The node is that of `release_at_s`, the release the whole second nearest to it: a script samples its clock, and what
    a plan counts from release in whole seconds must fall on the same samples in every flight, or tanks differ by kg.
    Half a second is 0.002 deg of node, which the flight steers out.
    """
    longitude = site_longitude_rad(site, reference.plan.body, meridian_at_zero_rad, release_at_s)
    target = reference.plan.target
    assert target is not None  # as `aim_plan` made it
    return aim_plan(
        reference.plan, site, target.inclination_rad, wrap_angle(reference.target_node_rad + longitude),
        float(round(release_at_s)),
    )


def arrival(reference: Reference, site: Site, meridian_at_zero_rad: float, release_at_s: float) -> MeanOrbit:
    """Mean orbit at the end of the last burn of the reference flight released at a time."""
    longitude = site_longitude_rad(site, reference.plan.body, meridian_at_zero_rad, release_at_s)
    node = wrap_angle(reference.arrived.node_rad + longitude)
    return replace(reference.arrived, epoch_s=release_at_s + reference.arrived_after_s, node_rad=node)

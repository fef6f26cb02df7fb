"""A campaign's reference flight: a plan flown once from pad to round orbit, session against simulated vehicle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi, radians, remainder
from typing import Any

from guidance_svc.domain import Boost, Command, FlightPlan, Frame, Hold, Site, VehicleState
from guidance_svc.errors import ConfigError, GuidanceError
from guidance_svc.orbits.mean_elements import mean_of
from guidance_svc.orbits.values import Field, OrbitState
from guidance_svc.planning.campaign.ledger import Tanks
from guidance_svc.planning.campaign.reference import (
    Reference,
    aim_plan,
    release_s,
    site_longitude_rad,
    template_node_rad,
)
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, fly, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World, on_pad

STEP_S = 0.1  # between states under power, as the example scripts send them
LONGEST_S = 1e6  # of vehicle time
INCLINATION_RAD = 1e-5  # of the mean plane at insertion: 0.0006 deg, a thirtieth of what a campaign is judged by
MOST_FLIGHTS = 3
PITCHED_RAD = radians(88.0)  # above the horizon: the heading means something


@dataclass
class Flown:
    """What a flight came to.

    Args:
        end: when the plan is complete.
        inserted, arrived: at the first and the last cutoff of the last stage.
        azimuth_rad: heading commanded when the vehicle had begun to pitch over; None without a boost.
    """

    plan: FlightPlan
    world: World
    end: SimState
    inserted: OrbitState
    arrived: OrbitState
    azimuth_rad: float | None = None

    @property
    def tanks(self) -> Tanks:
        """Propellant as the simulator's tanks have it at the end."""
        vehicle, state = self.world.vehicle, self.end
        last = vehicle.stages[state.stage]
        below, aboard = sum(state.propellant_kg[: state.stage]), sum(state.propellant_kg[state.stage :])
        loaded = sum(stage.propellant_kg for stage in vehicle.stages)
        dry = sum(stage.dry_mass_kg for stage in vehicle.stages[state.stage :])
        return Tanks(
            loaded, loaded - below - aboard, below, aboard, vehicle.payload_kg, dry, last.exhaust_velocity_m_s
        )  # fmt: skip


def fly_plan(plan: FlightPlan, meridian_at_zero_rad: float) -> Flown:
    """Fly a plan from its pad, taken up a second before ignition, until the session says complete.

    Raises:
        GuidanceError: the plan has no site, or the flight does not end in orbit.
    """
    if plan.site is None:
        raise ConfigError("missing_field", "site", f"a launch site in flight plan {plan.name}", "none")
    lead = plan.phases[0].ignition_lead_s if isinstance(plan.phases[0], Hold) else 0.0
    world = World(plan.body, plan.vehicle, meridian_at_zero_rad)
    cutoffs: list[OrbitState] = []

    def log(line: Mapping[str, Any]) -> None:
        if line["mark"] == "cutoff" and line["stage"] == len(plan.vehicle.stages) - 1:
            cutoffs.append(OrbitState(line["time_s"], tuple(line["position_m"]), tuple(line["velocity_m_s"])))

    start = on_pad(plan.site, world, release_s(plan) - lead - 1.0)
    craft, frame = Craft(plan.vehicle.name, world, start, log), Frame(meridian_at_zero_rad=meridian_at_zero_rad)
    headings: list[float] = []

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        if not headings and command.phase == Boost.law and command.pitch_rad < PITCHED_RAD:
            headings.append(command.heading_rad)

    def over(log: FlightLog) -> bool:
        return log.last is not None and log.last.status == "complete" and bool(cutoffs)

    guide = in_process(Session(plan, frame))
    flight = fly(craft, guide, over, frame=frame, tick_s=STEP_S, most_s=LONGEST_S, watch=watch)
    if flight.refused is not None:
        raise flight.refused
    if not over(flight):
        phase = flight.last.phase if flight.last else "none"
        raise GuidanceError("no_orbit", plan.name, f"an orbit within {LONGEST_S:g} s", phase)
    return Flown(plan, world, craft.state, cutoffs[0], cutoffs[-1], headings[0] if headings else None)


def reference_flight(
    plan: FlightPlan, site: Site, inclination_rad: float, gravity: Field, about_s: float = 0.0
) -> Reference:
    """Fly a plan from a site until the mean plane at insertion has the inclination wanted.

    Args:
        about_s: earliest release. A clock that shows days rounds otherwise than one that shows seconds; where a stage
            is spent just when the script samples its clock, that is worth some kg.

    The inclination asked for at cutoff is osculating; the mean one differs by up to 0.02 deg in low orbits of the
    Earth (J2), so the first flight is corrected by the next.

    Raises:
        GuidanceError: no orbit, or an inclination out of the site's reach.
    """
    asked = inclination_rad
    for _ in range(MOST_FLIGHTS):
        release = float(round(max(release_s(plan), about_s)))
        node = template_node_rad(plan, site, asked)
        longitude = site_longitude_rad(site, plan.body, 0.0, release)
        flown = fly_plan(aim_plan(plan, site, asked, node + longitude, release), 0.0)
        found = reference_of(flown, node, longitude, release, gravity)
        miss = found.inserted_inclination_rad - inclination_rad
        if abs(miss) <= INCLINATION_RAD:
            break
        asked -= miss
    return found


def reference_of(flown: Flown, node_rad: float, longitude_rad: float, release_at_s: float, gravity: Field) -> Reference:
    """The flight with everything counted from its release and its site."""
    inserted, arrived = mean_of(flown.inserted, gravity), mean_of(flown.arrived, gravity)
    end_s = arrived.epoch_s - release_at_s
    return Reference(
        plan=flown.plan,
        target_node_rad=node_rad,
        inserted_node_rad=remainder(inserted.node_rad - longitude_rad, 2.0 * pi),
        inserted_inclination_rad=inserted.inclination_rad,
        inserted_after_s=inserted.epoch_s - release_at_s,
        arrived_after_s=end_s,
        arrived=replace(arrived, epoch_s=end_s, node_rad=remainder(arrived.node_rad - longitude_rad, 2.0 * pi)),
        tanks=flown.tanks,
        azimuth_rad=flown.azimuth_rad,
    )

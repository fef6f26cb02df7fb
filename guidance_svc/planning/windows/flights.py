"""Ascents flown in the simulator to find the azimuth and release time that lead into a plane."""

from __future__ import annotations

from dataclasses import replace

from guidance_svc.domain import Boost, FlightPlan, Hold, Insertion, Orbit
from guidance_svc.orbits.drift import Field, MeanOrbit, OrbitState, mean_of, plane_angle_rad
from guidance_svc.planning.windows.azimuth import corrected_azimuth
from guidance_svc.planning.windows.launches import Ascent, osculating_plane
from guidance_svc.planning.windows.opportunities import Opportunity, PlaneTarget
from guidance_svc.rehearsal.closed_loop import AscentFlight, fly_ascent
from guidance_svc.sim.state import World, mass_kg

SEARCH_TICK_S = 0.2  # of the flights that find the azimuth: their plane within 0.02 deg of one at 20 ms (measured)
TICK_S = 0.05  # of the last one
SEARCHED_RAD = 5e-4  # what is left, 4 m/s, the steered flight makes up


def can_fly(plan: FlightPlan) -> bool:
    """Whether the plan goes from the pad to orbit by itself."""
    laws = {phase.law for phase in plan.phases}
    return plan.site is not None and plan.target is not None and {Boost.law, Insertion.law} <= laws


def aim_release(
    plan: FlightPlan, azimuth_rad: float, release_s: float, plane: tuple[float, float] | None
) -> FlightPlan:
    """The plan released at a time on an azimuth, into an osculating plane or steered to none."""
    assert plan.target is not None  # checked by `can_fly`
    hold = next((p for p in plan.phases if isinstance(p, Hold)), Hold())
    rest = [replace(p, azimuth_rad=azimuth_rad) if isinstance(p, Boost) else p
            for p in plan.phases if isinstance(p, Boost | Insertion)]  # fmt: skip
    target = replace(plan.target, plane="free")
    if plane is not None:
        target = replace(target, plane="inclination_and_node", inclination_rad=plane[0], node_rad=plane[1])
    return replace(plan, target=target, phases=(replace(hold, release_at_s=release_s), *rest, Orbit()))


def fly_direction(
    plan: FlightPlan, one: Opportunity, plane: PlaneTarget, meridian_at_zero_rad: float, field: Field
) -> Ascent:
    """Correct one direction's azimuth and release by flights, then fly it steered into the plane.

    Raises:
        NotConverged: the inclination is out of the ascent's reach.
        GuidanceError: an ascent does not end in an orbit.
    """
    world = World(plan.body, plan.vehicle, meridian_at_zero_rad)

    def fly(
        azimuth_rad: float, release_s: float, into: tuple[float, float] | None, tick_s: float = TICK_S
    ) -> tuple[AscentFlight, MeanOrbit]:
        goes = aim_release(plan, azimuth_rad, release_s, into)
        flight = fly_ascent(goes, replace(world, step_s=tick_s), tick_s, row_every_s=1e9)
        state = flight.state
        return flight, mean_of(OrbitState(state.time_s, state.position_m, state.velocity_m_s), field)

    cutoff = None

    def fly_azimuth(azimuth_rad: float) -> tuple[float, float]:
        nonlocal cutoff
        _, mean = fly(azimuth_rad, one.time_s, None, SEARCH_TICK_S)
        cutoff = mean
        drift = plane.node_rate_rad_s * (mean.epoch_s - one.time_s)
        return mean.inclination_rad, mean.node_rad - drift

    found = corrected_azimuth(fly_azimuth, one, SEARCHED_RAD)
    release = one.time_s + found.release_shift_s
    assert cutoff is not None  # the last flight of the search, which is the one that converged
    there = plane.at(cutoff.epoch_s + found.release_shift_s)
    flight, cutoff = fly(found.azimuth_rad, release, osculating_plane(cutoff, there, field))
    wanted = plane.at(flight.state.time_s)
    angle = plane_angle_rad(cutoff.inclination_rad, cutoff.node_rad, *wanted)
    last = plan.vehicle.stages[-1]
    return Ascent(
        one.ascending, found.azimuth_rad, found.release_shift_s, flight.state.time_s - release, cutoff,
        mass_kg(flight.state, world), last.exhaust_velocity_m_s, flight.margin_kg, angle, found.flights + 1,
    )  # fmt: skip

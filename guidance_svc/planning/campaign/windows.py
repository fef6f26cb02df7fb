"""The launches that a campaign can choose from: the depot's own, and every window into its plane."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, degrees, inf, pi

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.domain import Body, Site
from guidance_svc.errors import ConfigError
from guidance_svc.orbits.mean_elements import advance_orbit, rates
from guidance_svc.orbits.values import MeanOrbit
from guidance_svc.planning.campaign.ledger import entry
from guidance_svc.planning.campaign.model import Campaign, Launch
from guidance_svc.planning.campaign.phasing import phasing
from guidance_svc.planning.campaign.reference import Reference, arrival, set_to, site_longitude_rad
from guidance_svc.planning.windows.opportunities import (
    Opportunity,
    PlaneTarget,
    open_close,
    opportunities,
    phase_angle_rad,
    plane_of,
)


def release_into(
    node_rad: float, rate_rad_s: float, site: Site, body: Body, meridian_at_zero_rad: float, earliest_s: float
) -> float:
    """First time at which a site's inertial longitude plus `node_rad` equals a node that runs on evenly.

    Args:
        node_rad: the running node at time 0 less what the flight adds to the site's longitude.

    Raises:
        ConfigError: site and node turn alike.
    """
    turn = body.rotation_rad_s - rate_rad_s
    if turn == 0.0:
        raise ConfigError("no_windows", "body", "a body that turns against the plane", body.name)
    first = (node_rad - site_longitude_rad(site, body, meridian_at_zero_rad, 0.0)) / turn
    period = 2.0 * pi / abs(turn)
    return first + ceil((earliest_s - first) / period) * period


def depot_launch(campaign: Campaign) -> Launch:
    """The depot's first launch that puts its plane right at departure.

    Raises:
        ConfigError: nothing to launch, a site out of reach, or a launch after the departure.
    """
    depot, departure, body = campaign.depot, campaign.departure, campaign.body
    flight, site = depot.launch, depot.site
    if flight is None or site is None:
        raise ConfigError("missing_field", "depot.flight", "a flight that launches the depot", "none")
    rate = rates(flight.arrived, campaign.gravity)[0]
    at_zero = departure.node_rad - rate * (departure.time_s - flight.arrived_after_s) - flight.arrived.node_rad
    release = release_into(at_zero, rate, site, body, campaign.meridian_at_zero_rad, depot.earliest_s)
    ready = release + flight.arrived_after_s
    if ready > departure.time_s:
        expected = f"day {ready / SECONDS_PER_DAY:.2f} or later, when {depot.name} is in orbit"
        raise ConfigError("departure_too_early", "departure.at", expected, day_text(departure.time_s))
    plane = plane_of(arrival(flight, site, campaign.meridian_at_zero_rad, release), campaign.gravity)
    return launch(campaign, depot.name, flight, site, plane, release, ready)


def depot_orbit(campaign: Campaign, first: Launch | None) -> MeanOrbit:
    """The depot's mean orbit, at the end of its launch or where the campaign says it is."""
    depot = campaign.depot
    if first is not None and depot.launch is not None and depot.site is not None:
        return arrival(depot.launch, depot.site, campaign.meridian_at_zero_rad, first.release_s)
    if depot.orbit is None:
        raise ConfigError("missing_field", "depot.orbit", "where the depot is", "nothing")
    return depot.orbit


def launch(
    campaign: Campaign, name: str, flight: Reference, site: Site, plane: PlaneTarget, release_s: float, ready_s: float
) -> Launch:
    """A launch at a time: its window is that of the plane's passage, moved by the flight's own lead over it."""
    passed = passage_near(campaign, flight, site, plane, release_s)
    opens, closes = open_close(passed, margin_m_s=campaign.fleet.window_cost_m_s)
    lead = release_s - passed.time_s
    longitude = site_longitude_rad(site, campaign.body, campaign.meridian_at_zero_rad, release_s)
    return Launch(
        name, float(round(release_s)), opens + lead, closes + lead,
        passed.azimuth_inertial_rad, passed.azimuth_ground_rad,
        wrap_angle(flight.inserted_node_rad + longitude),
        set_to(flight, site, campaign.meridian_at_zero_rad, release_s), ready_s, flight.azimuth_rad,
    )  # fmt: skip


def passage_near(
    campaign: Campaign, flight: Reference, site: Site, plane: PlaneTarget, release_s: float
) -> Opportunity:
    """The passage of the site through the plane, on the flight's branch, that lies nearest to a release."""
    half = pi / abs(campaign.body.rotation_rad_s - plane.node_rate_rad_s)
    found = opportunities(
        site, campaign.body, campaign.meridian_at_zero_rad, plane, release_s - half, 2.0 * half
    )  # fmt: skip
    same = [one for one in found if one.ascending == flight.ascending] or found
    if not same:
        raise ConfigError(
            "out_of_reach", "depot.inclination_deg", f"a plane that passes over {site.name}",
            f"{degrees(plane.inclination_rad):.4f} deg",
        )  # fmt: skip
    return min(same, key=lambda one: abs(one.time_s - release_s))


def windows(campaign: Campaign, orbit: MeanOrbit, ready_s: float) -> list[Launch]:
    """Every tanker launch into the depot's plane that hands over by the departure, in order of time.

    Args:
        orbit: the depot's.
        ready_s: from when it takes tankers.

    Raises:
        ConfigError: no window leads to the depot, or a tanker's propellant does not suffice.
    """
    found, shortest = available(campaign, orbit, ready_s)
    if not found:
        refuse_no_window(campaign, shortest, max(campaign.fleet.earliest_s, ready_s))
    return found


def available(campaign: Campaign, orbit: MeanOrbit, ready_s: float) -> tuple[list[Launch], float]:
    """The windows, and when the first tanker of all would have handed over, be it after the departure."""
    fleet, plane = campaign.fleet, plane_of(orbit, campaign.gravity)
    flight, rate = fleet.flight, plane.node_rate_rad_s
    at_zero = plane.node_rad + rate * (flight.inserted_after_s - plane.epoch_s) - flight.inserted_node_rad
    turn_s = 2.0 * pi / abs(campaign.body.rotation_rad_s - rate)
    earliest = max(fleet.earliest_s, ready_s)
    release = release_into(at_zero, rate, fleet.site, campaign.body, campaign.meridian_at_zero_rad, earliest)
    found: list[Launch] = []
    shortest = inf
    while release < campaign.departure.time_s:
        one = tanker_launch(campaign, orbit, plane, release)
        if one is not None and floor_day(release) not in fleet.closed_days:
            shortest = min(shortest, one.ready_s)
            if one.ready_s <= campaign.departure.time_s:
                found.append(one)
        release += turn_s
    return found, shortest


def refuse_no_window(campaign: Campaign, first_ready_s: float, earliest_s: float) -> None:
    """Say why no tanker arrives.

    Raises:
        ConfigError: always.
    """
    got = day_text(campaign.departure.time_s)
    if first_ready_s < inf:
        expected = f"{day_text(first_ready_s)} or later, when the first tanker has handed over"
        raise ConfigError("departure_too_early", "departure.at", expected, got)
    if campaign.departure.time_s > earliest_s + 2.0 * SECONDS_PER_DAY:
        got = f"{campaign.fleet.phasing_s / SECONDS_PER_DAY:g} days"
        raise ConfigError("no_windows", "tankers.phasing_days", phasing_that_works(campaign), got)
    expected = f"{day_text(earliest_s + 2.0 * SECONDS_PER_DAY)} or later: no window before"
    raise ConfigError("departure_too_early", "departure.at", expected, got)


def phasing_that_works(campaign: Campaign) -> str:
    """The shortest time for phasing, in steps of a tenth of a day, with which a tanker arrives; as text."""
    fleet = campaign.fleet
    for tenths in range(1, 10 * int(campaign.departure.time_s / SECONDS_PER_DAY)):
        more = replace(fleet, phasing_s=0.1 * tenths * SECONDS_PER_DAY)
        if more.phasing_s <= fleet.phasing_s:
            continue
        then = replace(campaign, fleet=more)
        orbit = depot_orbit(then, depot_launch(then) if then.depot.launch is not None else None)
        if available(then, orbit, orbit.epoch_s)[0]:
            return f"at least {0.1 * tenths:.1f} days to reach the depot"
    return "time to reach the depot on some open day: tankers.closed_days leave none"


def tanker_launch(campaign: Campaign, orbit: MeanOrbit, plane: PlaneTarget, release_s: float) -> Launch | None:
    """A tanker released at a time; None where the phasing does not fit."""
    fleet, gravity = campaign.fleet, campaign.gravity
    arrived = arrival(fleet.flight, fleet.site, campaign.meridian_at_zero_rad, release_s)
    ahead = phase_angle_rad(orbit, gravity, arrived.epoch_s, arrived.perigee_rad + arrived.mean_anomaly_rad)
    there = advance_orbit(orbit, arrived.epoch_s, gravity)
    way = phasing(
        ahead, there.semi_major_m, there.inclination_rad, campaign.body, fleet.phasing_s, fleet.lowest_m
    )  # fmt: skip
    if way is None:
        return None
    ready = arrived.epoch_s + way.time_s + fleet.hand_over_s
    line = entry("", ready, fleet.flight.tanks, way.total_m_s, fleet.return_reserve_kg, fleet.hand_over)
    one = launch(campaign, "", fleet.flight, fleet.site, plane, release_s, ready)
    return replace(one, phasing=way, entry=line)


def floor_day(time_s: float) -> int:
    """Day from the epoch, 0 the first."""
    return int(time_s // SECONDS_PER_DAY)


def day_text(time_s: float) -> str:
    """A time for messages."""
    return f"day {time_s / SECONDS_PER_DAY:.2f}"

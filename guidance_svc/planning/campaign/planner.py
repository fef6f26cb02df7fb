"""The whole plan of a campaign, or the reason why there is none and the nearest one that works."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import degrees

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.errors import ConfigError, GuidanceError
from guidance_svc.orbits.drift import plane_angle_rad
from guidance_svc.orbits.values import MeanOrbit
from guidance_svc.planning.campaign.answers import DAY_LATE_S, one_lost, one_slips
from guidance_svc.planning.campaign.model import Campaign, CampaignPlan, Launch, WhatIf
from guidance_svc.planning.campaign.schedule import choose_windows, count_needed, latest_releases, outcome
from guidance_svc.planning.campaign.windows import day_text, depot_launch, depot_orbit, windows
from guidance_svc.planning.windows.opportunities import PlaneTarget, plane_of

ALTITUDE_TOLERANCE_M = 10e3  # osculating, mean and round differ by some kilometres under J2
SEARCH_STEP_S = 0.5 * SECONDS_PER_DAY
SEARCH_DAYS = 60
DAYS_AFTER = 3  # of plane angles beyond the departure
MOST_TANKERS = 100
FINE_S = 600.0  # step of the search for the days that suit


@dataclass(frozen=True, slots=True)
class Ground:
    """What stands before any tanker is chosen."""

    first: Launch | None
    orbit: MeanOrbit
    line: PlaneTarget
    windows: tuple[Launch, ...]
    angle_rad: float
    start_s: float


def ground_of(campaign: Campaign) -> Ground:
    """The depot's launch and orbit, the windows into its plane, the angle at departure.

    Raises:
        ConfigError: no depot by the departure, no window, planes too far apart.
    """
    first = depot_launch(campaign) if campaign.depot.launch is not None else None
    orbit = depot_orbit(campaign, first)
    start_s = orbit.epoch_s
    line = plane_of(orbit, campaign.gravity)
    angle = angle_at(campaign, line, campaign.departure.time_s)
    if angle > campaign.departure.most_angle_rad:
        refuse_plane(campaign, line, angle)
    return Ground(first, orbit, line, tuple(windows(campaign, orbit, start_s)), angle, start_s)


def angle_at(campaign: Campaign, line: PlaneTarget, time_s: float) -> float:
    """Angle between the depot's plane at a time and the plane that the departure needs."""
    departure = campaign.departure
    return plane_angle_rad(*line.at(time_s), departure.inclination_rad, departure.node_rad)


def refuse_plane(campaign: Campaign, line: PlaneTarget, angle_rad: float) -> None:
    """Say that the planes do not meet, and when or with which inclination they do.

    Raises:
        ConfigError: always.
    """
    departure = campaign.departure
    limit = degrees(departure.most_angle_rad)
    got = f"{degrees(angle_rad):.3f} deg on {day_text(departure.time_s)}"
    if abs(line.inclination_rad - departure.inclination_rad) > departure.most_angle_rad:
        expected = f"{degrees(line.inclination_rad):.3f} deg, the depot's, to {limit:g} deg"
        raise ConfigError("planes_apart", "departure.inclination_deg", expected, got)
    start = max(line.epoch_s, departure.time_s - SEARCH_DAYS * SECONDS_PER_DAY)
    times = [start + k * 3600.0 for k in range(2 * SEARCH_DAYS * 24)]
    best = min(times, key=lambda t: (angle_at(campaign, line, t) > departure.most_angle_rad,
                                     abs(t - departure.time_s)))  # fmt: skip
    if angle_at(campaign, line, best) > departure.most_angle_rad:
        best = min(times, key=lambda t: angle_at(campaign, line, t))
    expected = f"{day_text(best)}, when the planes are {degrees(angle_at(campaign, line, best)):.3f} deg apart"
    raise ConfigError("planes_apart", "departure.at", f"at most {limit:g} deg between the planes: {expected}", got)


def plan_campaign(campaign: Campaign) -> CampaignPlan:
    """The plan.

    Raises:
        ConfigError: with the key, the reason and the nearest plan that works.
    """
    if campaign.departure.propellant_kg > campaign.depot.capacity_kg:
        expected = f"at most {campaign.depot.capacity_kg:g} kg, the depot's capacity"
        raise ConfigError("over_capacity", "departure.propellant_kg", expected, campaign.departure.propellant_kg)
    ground = ground_of(campaign)
    launches = launches_for(campaign, ground)
    main = outcome(campaign, launches, ground.start_s)
    numbers = (
        count_needed(campaign, ground.windows, campaign.due_s, ground.start_s, 0.0),
        count_needed(campaign, ground.windows, campaign.due_s, ground.start_s, campaign.fleet.sigmas),
    )
    return CampaignPlan(
        campaign=campaign,
        depot_launch=ground.first,
        depot_orbit=ground.orbit,
        line=ground.line,
        windows=ground.windows,
        outcome=main,
        angle_rad=ground.angle_rad,
        angles=tuple(daily(campaign, ground)),
        good_days_s=good_days(campaign, ground.line),
        needed=numbers,
        latest_s=tuple(latest_releases(campaign, ground.windows, len(launches))),
        lost=tuple(one_lost(campaign, main, ground.windows, ground.start_s)),
        slipped=(
            *depot_slips(campaign, ground, launches),
            *one_slips(campaign, main, ground.windows, ground.start_s),
        ),
    )


def launches_for(campaign: Campaign, ground: Ground) -> list[Launch]:
    """The tankers to launch.

    Raises:
        ConfigError: they cannot fill the depot by then.
    """
    fleet, due_s = campaign.fleet, campaign.due_s
    least = count_needed(campaign, ground.windows, due_s, ground.start_s, fleet.sigmas)
    count = least if fleet.count is None else fleet.count
    if count is None:
        refuse_fill(campaign, ground, "departure.at")
        raise AssertionError("unreachable")
    launches = choose_windows(campaign, ground.windows, count, due_s)
    if len(launches) < count:
        refuse_count(campaign, ground, count)
    if not outcome(campaign, launches, ground.start_s).holds:
        refuse_fill(campaign, ground, "tankers.count")
    return launches


def depot_slips(campaign: Campaign, ground: Ground, launches: Sequence[Launch]) -> list[WhatIf]:
    """The depot's launch a day late; none for a depot that is in orbit."""
    if ground.first is None:
        return []
    depot = replace(campaign.depot, earliest_s=ground.first.release_s + DAY_LATE_S)
    late = replace(campaign, depot=depot)
    try:
        then = ground_of(late)
        moved = choose_windows(late, then.windows, len(launches), late.departure.time_s)
    except ConfigError:
        moved = []
    whole = len(moved) == len(launches)
    cure = outcome(late, moved, then.start_s) if whole else None
    others = sum(abs(a.release_s - b.release_s) > 0.5 * DAY_LATE_S for a, b in zip(moved, launches, strict=False))
    return [WhatIf(f"{campaign.depot.name} a day late", None, cure, others)]


def refuse_count(campaign: Campaign, ground: Ground, count: int) -> None:
    """Say when the last of so many tankers has handed over.

    Raises:
        ConfigError: always.
    """
    fit = len(choose_windows(campaign, ground.windows, count, campaign.due_s))
    later = later_departure(campaign, count)
    when = f"{day_text(later)} or later for all {count}" if later is not None else f"no day within {SEARCH_DAYS}"
    scrub = f" and {campaign.fleet.scrub_s / SECONDS_PER_DAY:g} scrub days" if campaign.fleet.scrub_s else ""
    expected = f"after the last tanker's hand-over{scrub}: {when}, or tankers.count = {fit}"
    raise ConfigError("departure_too_early", "departure.at", expected, day_text(campaign.departure.time_s))


def refuse_fill(campaign: Campaign, ground: Ground, key: str) -> None:
    """Say that the depot cannot be full by then, and what comes nearest.

    Raises:
        ConfigError: always.
    """
    fleet, wanted = campaign.fleet, campaign.departure.propellant_kg
    most = choose_windows(campaign, ground.windows, fleet.count or MOST_TANKERS, campaign.due_s)
    last = outcome(campaign, most, ground.start_s).levels[-1]
    sure = max(0.0, last.level_kg - fleet.sigmas * last.sigma_kg)
    by_then = f"at most {sure:.0f} kg with {len(most)} tankers by {day_text(campaign.departure.time_s)}"
    least = count_needed(campaign, ground.windows, campaign.due_s, ground.start_s, fleet.sigmas)
    if fleet.count is not None and least is not None:
        expected, got = f"{least} tankers; or {by_then}", f"{fleet.count} tankers for {wanted:g} kg"
        raise ConfigError("cannot_fill", key, expected, got)
    later = later_departure(replace(campaign, fleet=replace(fleet, count=None)), None)
    when = f"{day_text(later)} or later" if later is not None else f"another fleet: no day within {SEARCH_DAYS} does"
    got = f"{wanted:g} kg by {day_text(campaign.departure.time_s)}"
    raise ConfigError("cannot_fill", "departure.at", f"{when}; or {by_then}", got)


def later_departure(campaign: Campaign, count: int | None) -> float | None:
    """The first later departure, in steps of half a day, for which so many tankers (None: as needed) fit."""
    for k in range(1, 2 * SEARCH_DAYS + 1):
        time_s = campaign.departure.time_s + k * SEARCH_STEP_S
        then = replace(campaign, departure=replace(campaign.departure, time_s=time_s))
        try:
            ground = ground_of(then)
        except GuidanceError:
            continue
        if count is None:
            fits = count_needed(then, ground.windows, then.due_s, ground.start_s, then.fleet.sigmas) is not None
        else:
            fits = len(choose_windows(then, ground.windows, count, then.due_s)) == count
        if fits:
            return time_s
    return None


def daily(campaign: Campaign, ground: Ground) -> Sequence[tuple[float, float]]:
    """(time, angle between the planes) from the depot's first day to some days after the departure."""
    last = int(campaign.departure.time_s // SECONDS_PER_DAY) + DAYS_AFTER
    first = int(ground.start_s // SECONDS_PER_DAY) + 1
    times = sorted({*(day * SECONDS_PER_DAY for day in range(first, last + 1)), campaign.departure.time_s})
    return [(t, angle_at(campaign, ground.line, t)) for t in times]


def good_days(campaign: Campaign, line: PlaneTarget) -> tuple[float, float]:
    """Span around the departure in which the planes stay within the limit; at most `SEARCH_DAYS` each way."""
    departure = campaign.departure
    ends = []
    for side in (-1.0, 1.0):
        time_s = departure.time_s
        for _ in range(int(SEARCH_DAYS * SECONDS_PER_DAY / FINE_S)):
            step = time_s + side * FINE_S
            if angle_at(campaign, line, step) > departure.most_angle_rad or step < line.epoch_s:
                break
            time_s = step
        ends.append(time_s)
    return ends[0], ends[1]


def altitude_agrees(campaign: Campaign) -> None:
    """Refuse a depot altitude that its flight does not reach.

    Raises:
        ConfigError: the two differ by more than `ALTITUDE_TOLERANCE_M`.
    """
    depot = campaign.depot
    for key, flight in (("depot.altitude_km", depot.launch), ("tankers.flight", campaign.fleet.flight)):
        if flight is None:
            continue
        reached = flight.arrived.semi_major_m - campaign.body.radius_m
        if abs(reached - depot.altitude_m) > ALTITUDE_TOLERANCE_M:
            expected = f"{reached / 1e3:.1f} km, what flight plan {flight.plan.name} reaches, to 10 km"
            raise ConfigError("wrong_altitude", key, expected, f"{depot.altitude_m / 1e3:g} km")

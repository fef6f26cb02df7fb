"""Which windows a campaign uses, and what the depot holds then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from guidance_svc.planning.campaign.ledger import Level, fit_capacity, levels
from guidance_svc.planning.campaign.model import Campaign, Launch, Outcome


def choose_windows(campaign: Campaign, windows: Sequence[Launch], count: int, by_s: float) -> list[Launch]:
    """The earliest windows that keep the cadence and hand over by a time; fewer than `count` where no more are left."""
    fleet, found = campaign.fleet, list[Launch]()
    for one in windows:
        if len(found) == count:
            break
        free = not found or one.release_s >= found[-1].release_s + fleet.cadence_s + fleet.slack_s
        if free and one.ready_s <= by_s:
            found.append(one)
    return name_launches(campaign, found)


def name_launches(campaign: Campaign, launches: Sequence[Launch]) -> list[Launch]:
    """The launches numbered in order."""
    vehicle, found = campaign.fleet.flight.plan.vehicle.name, []
    for number, one in enumerate(launches, start=1):
        name = f"{vehicle} {number}"
        found.append(replace(one, name=name, entry=None if one.entry is None else replace(one.entry, name=name)))
    return found


def outcome(campaign: Campaign, launches: Sequence[Launch], start_s: float) -> Outcome:
    """The ledger of some launches into a depot that is there from `start_s` on."""
    depot, fleet, departure = campaign.depot, campaign.fleet, campaign.departure
    start = Level(depot.name, start_s, 0.0, 0.0, depot.level_kg, 0.0, 0.0)
    lines = [one.entry for one in launches if one.entry is not None]
    entries = fit_capacity(lines, start, depot.capacity_kg, depot.boil_off_frac_per_day)
    rows = levels(entries, start, departure.time_s, depot.boil_off_frac_per_day, fleet.dispersion)
    enough = rows[-1].level_kg - fleet.sigmas * rows[-1].sigma_kg >= departure.propellant_kg
    in_time = all(one.ready_s <= departure.time_s for one in launches)
    return Outcome(tuple(launches), tuple(entries), tuple(rows), enough and in_time)


def count_needed(
    campaign: Campaign, windows: Sequence[Launch], by_s: float, start_s: float, sigmas: float
) -> int | None:
    """The least number of tankers that fill the depot with some sigmas to spare; None where no number does."""
    wanted, before = campaign.departure.propellant_kg, -1
    for count in range(len(windows) + 1):
        launches = choose_windows(campaign, windows, count, by_s)
        if len(launches) == before:
            return None
        before = len(launches)
        last = outcome(campaign, launches, start_s).levels[-1]
        if last.level_kg - sigmas * last.sigma_kg >= wanted:
            return count
    return None


def latest_releases(campaign: Campaign, windows: Sequence[Launch], count: int) -> list[float]:
    """For each of `count` launches the latest release from which all later ones still hand over by the departure.

    Slack and scrub days are used up; the cadence is kept.
    """
    found: list[float] = []
    for one in sorted(windows, key=lambda w: -w.release_s):
        if len(found) == count:
            break
        if one.ready_s <= campaign.departure.time_s and (
            not found or one.release_s <= found[-1] - campaign.fleet.cadence_s
        ):
            found.append(one.release_s)
    return found[::-1]

"""A campaign from its TOML file and the folder's flight plans; its launches as flight plans that `serve` reads."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC
from math import degrees, pi, radians
from pathlib import Path
from typing import Any

import tomlkit

from guidance_svc.constants import CAUTION, SECONDS_PER_DAY
from guidance_svc.core.kepler import wrap_angle
from guidance_svc.domain import Boost, Circularize, FlightPlan, Hold, Insertion, Site
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library, read_toml
from guidance_svc.laws.plan_model import DEFAULT_PHASES
from guidance_svc.orbits.drift import circular
from guidance_svc.orbits.timescale import Epoch, gmst_rad
from guidance_svc.orbits.values import Field, MeanOrbit, field_of
from guidance_svc.planning.campaign.figures import Figures, reference_from_figures
from guidance_svc.planning.campaign.file_model import CampaignModel, parse_campaign
from guidance_svc.planning.campaign.ledger import Dispersion
from guidance_svc.planning.campaign.model import Campaign, Departure, Depot, Fleet, Launch
from guidance_svc.planning.campaign.planner import altitude_agrees
from guidance_svc.planning.campaign.reference import Reference
from guidance_svc.planning.plan_files import default_phases, finite, slug, write_text

Fly = Callable[[FlightPlan, Site, float, Field, float], Reference]


def load_campaign(path: Path) -> CampaignModel:
    """The file, checked for itself.

    Raises:
        ConfigError: naming file and key.
    """
    return parse_campaign(read_toml(path), str(path))


def campaign_of(model: CampaignModel, library: Library, fly: Fly) -> Campaign:
    """The campaign with its flights flown.

    Args:
        library: bodies, vehicles, and the flight plans that the campaign names.
        fly: flies a plan from a site, at a time or later, until its mean plane has an inclination.

    Raises:
        ConfigError: naming the key.
    """
    departure = departure_of(model)
    if model.body not in library.bodies:
        known = ", ".join(sorted(library.bodies)) or "none"
        raise ConfigError("unknown_name", "body", f"one of {known}", model.body)
    body = library.bodies[model.body].to_domain(model.gravity, model.body)
    gravity = field_of(body)
    inclination = radians(model.depot.inclination_deg)
    earliest_s = model.time_s(model.tankers.earliest, "tankers.earliest")
    flown: dict[tuple[str, str], Reference] = {}

    def plan_and_site(flight: str, site_name: str, key: str) -> tuple[FlightPlan, Site]:
        plan = tanker_plan(library, flight, f"{key}.flight")
        if plan.body != body:
            expected = f'body = "{model.body}" and gravity = "{model.gravity}", as the campaign has'
            raise ConfigError("other_body", f"{key}.flight", expected, f"{flight}: {plan.body.name}, other numbers")
        return plan, model.site(site_name, f"{key}.site")

    def reference(flight: str, site_name: str, key: str, by_figures: bool) -> Reference:
        plan, site = plan_and_site(flight, site_name, key)
        figures = model.tankers.figures
        if by_figures and figures is not None:
            told = Figures(figures.used_to_orbit_kg, figures.left_below_kg, figures.inserted_after_s)
            return reference_from_figures(plan, site, inclination, gravity, told, 1e3 * model.depot.altitude_km)
        if (flight, site_name) not in flown:
            flown[flight, site_name] = fly(plan, site, inclination, gravity, earliest_s)
        return flown[flight, site_name]

    depot = depot_of(model, gravity)
    meridian = meridian_rad(model)
    plan_and_site(model.tankers.flight, model.tankers.site, "tankers")  # all that can be refused comes before flights
    if model.depot.flight is not None and model.depot.site is not None:
        plan_and_site(model.depot.flight, model.depot.site, "depot")
    fleet = fleet_of(model, reference(model.tankers.flight, model.tankers.site, "tankers", True), body.radius_m)
    if model.depot.flight is not None and model.depot.site is not None:
        # a campaign by figures flies nothing, its depot included
        launch = reference(model.depot.flight, model.depot.site, "depot", True)
        depot = replace(depot, launch=launch, site=model.site(model.depot.site, "depot.site"))
    campaign = Campaign(model.name, body, gravity, meridian, depot, fleet, departure)
    altitude_agrees(campaign)
    return campaign


def meridian_rad(model: CampaignModel) -> float:
    """Inertial angle of longitude 0 at the epoch: as given; else 0, or with a date the Earth's sidereal time.

    Raises:
        ConfigError: a date as epoch on another body, whose meridian then nobody knows.
    """
    if model.meridian_at_epoch_deg is not None:
        return radians(model.meridian_at_epoch_deg)
    if model.epoch is None:
        return 0.0
    if model.body != "earth":
        expected = f"the inertial angle of longitude 0 at the epoch, because body is {model.body}"
        raise ConfigError("missing_field", "meridian_at_epoch_deg", expected, "nothing")
    return gmst_rad(Epoch(model.epoch.astimezone(UTC)))


def tanker_plan(library: Library, flight: str, key: str) -> FlightPlan:
    """A flight plan of the folder that goes from pad to orbit.

    Raises:
        ConfigError: unknown, or a plan that does not.
    """
    if flight not in library.flights:
        known = ", ".join(sorted(library.flights)) or "none"
        raise ConfigError("unknown_name", key, f"a flight plan among {known}", flight)
    try:
        plan = library.plan(flight, "launch_vehicle")
    except ConfigError as error:
        if error.code != "inclination_out_of_reach":
            raise
        plan = library.plan(flight, "launch_vehicle", own_plane=False)  # the campaign's site and depot decide
    laws = [phase.law for phase in plan.phases]
    if plan.site is None or plan.target is None or not {Boost.law, Insertion.law, Circularize.law} <= set(laws):
        expected = "a flight plan from a site through boost, insertion and circularize"
        raise ConfigError("not_from_the_pad", key, expected, f"{flight}: {', '.join(laws)}")
    return plan


def departure_of(model: CampaignModel) -> Departure:
    """What the depot is for; refuses a departure before anything else can have happened."""
    d, f = model.departure, model.tankers
    time_s = model.time_s(d.at, "departure.at")
    first = model.time_s(f.earliest, "tankers.earliest")
    if time_s <= first:
        expected = f"after the first tanker, day {first / SECONDS_PER_DAY:g}"
        raise ConfigError("departure_too_early", "departure.at", expected, f"day {time_s / SECONDS_PER_DAY:g}")
    return Departure(
        time_s, radians(d.inclination_deg), wrap_angle(radians(d.node_deg)), d.propellant_kg,
        radians(d.most_plane_angle_deg),
    )  # fmt: skip


def depot_of(model: CampaignModel, gravity: Field) -> Depot:
    """The depot, its orbit if it has one; its launch is still to come."""
    d = model.depot
    orbit: MeanOrbit | None = None
    if d.orbit is not None:
        orbit = circular(
            model.time_s(d.orbit.at, "depot.orbit.at"), 1e3 * d.altitude_km, radians(d.inclination_deg),
            radians(d.orbit.node_deg), gravity, wrap_angle(radians(d.orbit.argument_of_latitude_deg)),
        )  # fmt: skip
    return Depot(
        d.name, radians(d.inclination_deg), 1e3 * d.altitude_km, d.capacity_kg, d.level_kg, d.boil_off_frac_per_day,
        earliest_s=model.time_s(d.earliest, "depot.earliest"), orbit=orbit,
    )  # fmt: skip


def fleet_of(model: CampaignModel, flight: Reference, radius_m: float) -> Fleet:
    """The tankers of the file, in SI, with the flight that each of them repeats."""
    t, day = model.tankers, SECONDS_PER_DAY
    scatter = t.dispersion
    return Fleet(
        flight=flight,
        site=model.site(t.site, "tankers.site"),
        count=t.count if isinstance(t.count, int) else None,
        earliest_s=model.time_s(t.earliest, "tankers.earliest"),
        cadence_s=t.cadence_days * day,
        slack_s=t.slack_days * day,
        scrub_s=t.scrub_days * day,
        closed_days=frozenset(t.closed_days),
        hand_over=t.hand_over,
        hand_over_s=t.hand_over_days * day,
        return_reserve_kg=t.return_reserve_kg,
        phasing_s=t.phasing_days * day,
        lowest_m=radius_m + 1e3 * t.lowest_phasing_km,
        window_cost_m_s=t.window_cost_m_s,
        dispersion=Dispersion() if scatter is None else Dispersion(
            scatter.own_kg, scatter.common_kg, scatter.source, scatter.sigmas
        ),
        sigmas=0.0 if scatter is None else scatter.sigmas,
    )


def flight_table(library: Library, flight: str, launch: Launch) -> dict[str, Any]:
    """A launch as a whole flight plan without references: the named plan with site, plane and release of the launch."""
    table, plan = library.inlined(flight), launch.plan
    target, hold = plan.target, plan.phases[0]
    assert target is not None  # campaigns aim every plan
    assert plan.site is not None
    assert isinstance(hold, Hold)
    table["title"] = f"{launch.name}, released on day {launch.release_s / SECONDS_PER_DAY:.4f}"
    table["site"] = {
        "name": plan.site.name, "latitude_deg": degrees(plan.site.latitude_rad),
        "longitude_deg": degrees(plan.site.longitude_rad), "altitude_m": plan.site.altitude_m,
    }  # fmt: skip
    table["target"] |= {
        "plane": "inclination_and_node", "inclination_deg": degrees(target.inclination_rad),
        "node_deg": degrees(target.node_rad),
    }  # fmt: skip
    phases = [dict(phase) for phase in table.get("phases") or default_phases(DEFAULT_PHASES["tanker"])]
    first = {"law": Hold.law, "release_at_s": hold.release_at_s, "ignition_lead_s": hold.ignition_lead_s}
    table["phases"] = [first, *(phases[1:] if phases[0]["law"] == Hold.law else phases)]
    return table


def write_flights(
    folder: Path, stem: str, launches: Sequence[tuple[str, Launch]], library: Library, meridian_rad: float
) -> list[Path]:
    """One flight plan a launch under flights/ of a folder, which `serve --configs FOLDER` reads as it stands.

    Args:
        launches: name of the plan that each one flies, and the launch.

    Raises:
        ConfigError: a file cannot be written.
    """
    paths = []
    for number, (flight, launch) in enumerate(launches):
        window = f"window {launch.opens_s:.0f} to {launch.closes_s:.0f} s"
        name = f"{slug(stem)[:30]}-{number:02d}-{slug(launch.name)[:28]}"  # at most 64 characters
        table = flight_table(library, flight, launch) | {"name": name}
        head = [
            f"# {CAUTION}",
            f"# {launch.name}: release at {launch.release_s:.3f} s, {window}.",
            "# The vehicle's clock counts seconds from the campaign's epoch; open the session with",
            f'#   frame = {{"motion": "inertial", "meridian_at_zero_deg": {degrees(meridian_rad % (2.0 * pi)):.9g}}}',
        ]
        path = folder / "flights" / f"{name}.toml"
        write_text(path, "\n".join([*head, tomlkit.dumps(finite(table))]))
        paths.append(path)
    return paths


def left_over(folder: Path, stem: str, written: Sequence[Path]) -> list[Path]:
    """Flight plans of an earlier plan of the same campaign that are still in the folder."""
    there = sorted((folder / "flights").glob(f"{slug(stem)[:30]}-[0-9][0-9]-*.toml"))
    return [path for path in there if path not in written]

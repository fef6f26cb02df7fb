"""What a campaign is asked to do, and what its plan says: plain values."""

from __future__ import annotations

from dataclasses import dataclass, field

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.domain import Body, FlightPlan, Site
from guidance_svc.orbits.values import Field, MeanOrbit
from guidance_svc.planning.campaign.ledger import Dispersion, Entry, HandOver, Level
from guidance_svc.planning.campaign.phasing import Phasing
from guidance_svc.planning.campaign.reference import Reference
from guidance_svc.planning.windows.opportunities import PlaneTarget


@dataclass(frozen=True, slots=True)
class Depot:
    """The depot.

    Args:
        inclination_rad: of its mean plane.
        altitude_m: of its circle, above the equatorial radius.
        launch: its flight, from `site` at `earliest_s` or later; None when it is in `orbit`.
        level_kg: propellant in it at the start.
        boil_off_frac_per_day: part of what is there that a day takes.
    """

    name: str
    inclination_rad: float
    altitude_m: float
    capacity_kg: float
    level_kg: float = 0.0
    boil_off_frac_per_day: float = 0.0
    launch: Reference | None = None
    site: Site | None = None
    earliest_s: float = 0.0
    orbit: MeanOrbit | None = None


@dataclass(frozen=True, slots=True)
class Fleet:
    """The tankers, all alike.

    Args:
        flight: what one of them does.
        count: None for as many as needed.
        cadence_s, slack_s: least time between releases, and what is planned on top of it.
        scrub_s: kept free between the last hand-over and the departure.
        closed_days: days from the epoch without a launch.
        hand_over_s: from the end of the phasing to the depot's tanks.
        phasing_s: longest time for the phasing; `lowest_m`: radius under which it must not dip.
        window_cost_m_s: what steering into the plane may cost at the edges of a window.
        sigmas: the plan must hold with the level this many sigmas below its expected value.
    """

    flight: Reference
    site: Site
    count: int | None
    earliest_s: float
    cadence_s: float
    slack_s: float = 0.0
    scrub_s: float = 0.0
    closed_days: frozenset[int] = frozenset()
    hand_over: HandOver = "all_but_reserve"
    hand_over_s: float = 0.0
    return_reserve_kg: float = 0.0
    phasing_s: float = SECONDS_PER_DAY
    lowest_m: float = 0.0
    window_cost_m_s: float = 50.0
    dispersion: Dispersion = field(default_factory=Dispersion)
    sigmas: float = 0.0


@dataclass(frozen=True, slots=True)
class Departure:
    """What the depot is for: propellant on a date in a plane."""

    time_s: float
    inclination_rad: float
    node_rad: float
    propellant_kg: float
    most_angle_rad: float


@dataclass(frozen=True, slots=True)
class Campaign:
    """All that is asked; times in seconds from the epoch, which is the vehicles' clock too."""

    name: str
    body: Body
    gravity: Field
    meridian_at_zero_rad: float
    depot: Depot
    fleet: Fleet
    departure: Departure

    @property
    def due_s(self) -> float:
        """When the last hand-over must be over."""
        return self.departure.time_s - self.fleet.scrub_s


@dataclass(frozen=True, slots=True)
class Launch:
    """One launch into the depot's plane.

    Args:
        release_s: vehicle time; `opens_s`, `closes_s`: window around it.
        azimuth_inertial_rad, azimuth_ground_rad: launch azimuth without and with the body's rotation, impulsive.
        azimuth_flown_rad: heading at which the flight leaves the vertical; None where it is not flown.
        node_rad: mean, at insertion.
        plan: as `serve` flies it.
        phasing: None for the depot itself.
        ready_s: for a tanker when it has handed over, for the depot when its orbit is round.
    """

    name: str
    release_s: float
    opens_s: float
    closes_s: float
    azimuth_inertial_rad: float
    azimuth_ground_rad: float
    node_rad: float
    plan: FlightPlan
    ready_s: float
    azimuth_flown_rad: float | None = None
    phasing: Phasing | None = None
    entry: Entry | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What some launches come to.

    Args:
        entries: with what a full depot cannot take kept on board.
        level_kg, sigma_kg: at departure.
        holds: the wanted propellant is there with the wanted certainty, all of it handed over by the departure.
    """

    launches: tuple[Launch, ...]
    entries: tuple[Entry, ...]
    levels: tuple[Level, ...]
    holds: bool

    @property
    def level_kg(self) -> float:
        """Propellant in the depot that is expected at the departure."""
        return self.levels[-1].level_kg

    @property
    def sigma_kg(self) -> float:
        """1 sigma at departure."""
        return self.levels[-1].sigma_kg


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One thing gone wrong.

    Args:
        without: what is left of the plan when nothing is done about it; None for a slip.
        cure: the plan with a replacement or the slip worked in; None where there is none by the departure.
        moved: how many other launches the cure moves.
    """

    name: str
    without: Outcome | None
    cure: Outcome | None
    moved: int = 0


@dataclass(frozen=True, slots=True)
class CampaignPlan:
    """The answer.

    Args:
        depot_launch: None for a depot in orbit.
        depot_orbit: mean.
        line: the depot's plane over time.
        windows: every window of the span, used or not.
        angle_rad: between the depot's plane and the wanted one at departure.
        angles: (time s, angle rad) day by day.
        good_days_s: span around the departure in which the angle stays within its limit.
        needed: tankers for the expected level, and with the wanted certainty; None where the time does not suffice.
        latest_s: for each launch, the latest release from which all later ones still fit before the departure.
        lost, slipped: what breaks.
    """

    campaign: Campaign
    depot_launch: Launch | None
    depot_orbit: MeanOrbit
    line: PlaneTarget
    windows: tuple[Launch, ...]
    outcome: Outcome
    angle_rad: float
    angles: tuple[tuple[float, float], ...]
    good_days_s: tuple[float, float]
    needed: tuple[int | None, int | None]
    latest_s: tuple[float, ...]
    lost: tuple[WhatIf, ...]
    slipped: tuple[WhatIf, ...]

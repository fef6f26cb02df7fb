"""A campaign as it stands in a TOML file: sites, depot, tankers, departure.

Times are days of 86400 s from the epoch, or TOML dates with a time and an offset when `epoch` is one.
"""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, model_validator

from guidance_svc import domain
from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.errors import ConfigError
from guidance_svc.wire.plans import MODEL, Name, NotNegative, Positive, SiteModel, Title, parse_table

MOST_DAYS = 3660.0
When = float | datetime
Days = Annotated[float, Field(ge=0.0, le=MOST_DAYS)]
Inclination = Annotated[float, Field(gt=0.0, lt=180.0)]
Angle = Annotated[float, Field(ge=-360.0, le=360.0)]


class OrbitModel(BaseModel):
    """Where a depot that is in orbit already was at a time: a mean circle."""

    model_config = MODEL

    at: When
    node_deg: Angle
    """Mean right ascension of the ascending node."""
    argument_of_latitude_deg: Angle
    """Angle from the ascending node, mean."""


class DepotModel(BaseModel):
    """The depot: to be launched, or in orbit."""

    model_config = MODEL

    name: Annotated[str, Field(min_length=1, max_length=64)]
    altitude_km: Positive
    """Of its circle, above the equatorial radius."""
    inclination_deg: Inclination
    """Mean."""
    flight: Name | None = None
    """Flight plan that launches it; without one it is in `orbit`."""
    site: str | None = None
    earliest: When = 0.0
    """First release."""
    orbit: OrbitModel | None = None
    level_kg: NotNegative = 0.0
    """Propellant in it when it is in orbit."""
    capacity_kg: Positive
    boil_off_frac_per_day: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.0

    @model_validator(mode="after")
    def _is_somewhere(self) -> DepotModel:
        if (self.flight is None) == (self.orbit is None):
            raise ValueError("either flight, to launch it, or orbit, where it is")
        if self.flight is not None and self.site is None:
            raise ValueError("site with flight")
        if self.level_kg > self.capacity_kg:
            raise ValueError(f"level_kg of at most capacity_kg, {self.capacity_kg:g} kg")
        return self


class FiguresModel(BaseModel):
    """What a tanker's flight comes to, where it shall not be simulated."""

    model_config = MODEL

    used_to_orbit_kg: NotNegative
    left_below_kg: NotNegative = 0.0
    """In stages that are dropped."""
    inserted_after_s: Positive = 540.0
    """From release to the insertion's cutoff."""
    source: Annotated[str, Field(min_length=1, max_length=200)]


class DispersionModel(BaseModel):
    """Scatter of the propellant that one flight has left in orbit, 1 sigma."""

    model_config = MODEL

    own_kg: NotNegative
    """Different on each flight."""
    common_kg: NotNegative = 0.0
    """The same on all flights."""
    sigmas: Annotated[float, Field(ge=0.0, le=6.0)] = 2.0
    """The plan must hold with the level this much below its expected value."""
    source: Annotated[str, Field(min_length=1, max_length=300)]
    """Where the numbers come from."""


class TankersModel(BaseModel):
    """The tankers, all alike."""

    model_config = MODEL

    flight: Name
    site: str
    count: Annotated[int, Field(ge=1, le=100)] | Literal["as many as needed"]
    earliest: When = 0.0
    """First release."""
    cadence_days: Annotated[float, Field(gt=0.0, le=366.0)]
    """Least time between two releases."""
    slack_days: Days = 0.0
    """Planned on top of the cadence; a slip of up to this moves no other launch."""
    scrub_days: Days = 0.0
    """Kept free between the last hand-over and the departure."""
    closed_days: list[Annotated[int, Field(ge=0, le=3660)]] = []
    """Days (0: from the epoch on) without a launch."""
    hand_over: Literal["all_but_reserve", "cargo"] = "all_but_reserve"
    hand_over_days: Days = 0.2
    """From the end of the phasing to the depot's tanks."""
    return_reserve_kg: NotNegative
    phasing_days: Annotated[float, Field(gt=0.0, le=60.0)] = 1.0
    """Longest time to reach the depot after the orbit is round."""
    lowest_phasing_km: Positive = 180.0
    """Perigee below which no phasing orbit may dip."""
    window_cost_m_s: Positive = 50.0
    """Speed that steering into the plane may cost at the edges of a window."""
    figures: FiguresModel | None = None
    """None: the flight plan is flown once by the simulator."""
    dispersion: DispersionModel | None = None


class DepartureModel(BaseModel):
    """What the depot is for."""

    model_config = MODEL

    at: When
    inclination_deg: Inclination
    node_deg: Angle
    """Of the plane that the departure needs, at its time."""
    propellant_kg: NotNegative
    most_plane_angle_deg: Annotated[float, Field(gt=0.0, le=180.0)] = 0.5


class CampaignModel(BaseModel):
    """The whole file of a campaign."""

    model_config = MODEL

    name: Title = ""
    body: Name
    gravity: Literal["sphere", "j2"] = "j2"
    epoch: datetime | None = None
    """The instant from which days count; None: the simulator's own time 0."""
    meridian_at_epoch_deg: Angle | None = None
    """Inertial angle of longitude 0 at the epoch; None: 0, or with an epoch the Earth's mean sidereal time."""
    sites: Annotated[list[SiteModel], Field(min_length=1, max_length=20)]
    depot: DepotModel
    tankers: TankersModel
    departure: DepartureModel

    def site(self, name: str, key: str) -> domain.Site:
        """The site of that name.

        Raises:
            ConfigError: there is none.
        """
        for site in self.sites:
            if site.name == name:
                return site.to_domain()
        known = ", ".join(site.name for site in self.sites)
        raise ConfigError("unknown_name", key, f"one of {known}", name)

    def time_s(self, when: When, key: str) -> float:
        """Seconds from the epoch; a date counts 86400 s a day, as UTC has them between leap seconds.

        Raises:
            ConfigError: before the epoch, or a date where the epoch has none or without its offset.
        """
        if isinstance(when, datetime):
            if self.epoch is None:
                raise ConfigError("no_epoch", key, "days from the epoch, or a date with `epoch` given", _text_of(when))
            _require_offset(when, key)
            time_s = (when - self.epoch).total_seconds()
        else:
            time_s = when * SECONDS_PER_DAY
        if time_s < 0.0:
            first = "0 days" if self.epoch is None else self.epoch.isoformat()
            raise ConfigError("before_epoch", key, f"the epoch, {first}, or later", _text_of(when))
        if not time_s <= MOST_DAYS * SECONDS_PER_DAY:
            raise ConfigError("bad_value", key, f"at most {MOST_DAYS:g} days from the epoch", _text_of(when))
        return time_s


def _require_offset(when: datetime, key: str) -> None:
    if when.tzinfo is None:
        expected = "a date with its offset from UTC, such as 2027-03-01T00:00:00Z"
        raise ConfigError("no_offset", key, expected, _text_of(when))


def _text_of(when: When) -> str:
    return when.isoformat() if isinstance(when, datetime) else f"{when:g} days"


def parse_campaign(table: dict[str, Any], file: str = "") -> CampaignModel:
    """A checked campaign.

    Raises:
        ConfigError: naming file and key.
    """
    model = parse_table(CampaignModel, table, file)
    if model.epoch is not None:
        _require_offset(model.epoch, "epoch")
    names = sorted(site.name for site in model.sites)
    for one, other in pairwise(names):
        if one == other:
            at = [i for i, site in enumerate(model.sites) if site.name == one][1]
            raise ConfigError("two_of_one_name", f"sites.{at}.name", "a name that no other site has", one, file)
    return model

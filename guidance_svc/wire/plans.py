"""Bodies, vehicles and flight plans as they stand in TOML files and in the inline plan of an `open`.

The unit is in every name; degrees and kilometres are allowed here and converted on the way to the domain.
References between files (a body or a vehicle by name) are resolved by whoever holds the files.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from math import inf, radians
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import BaseModel, Discriminator, Field, Tag, TypeAdapter, ValidationError, model_validator

from guidance_svc import domain
from guidance_svc.errors import ConfigError
from guidance_svc.wire.explain import explain
from guidance_svc.wire.quantities import MODEL as MODEL
from guidance_svc.wire.quantities import Fraction
from guidance_svc.wire.quantities import Name as Name
from guidance_svc.wire.quantities import NotNegative as NotNegative
from guidance_svc.wire.quantities import Positive as Positive
from guidance_svc.wire.quantities import Title as Title

LEAST_DRY_FRAC: Final = 1e-6
AIR_HEIGHTS_M: Final = (-1e4, 1e6)
AIR_LIMITS: Final = (1e-30, 1e12)  # of density, pressure and speed of sound
FLOW_LIMITS_KG_S: Final = (1e-9, 1e9)
Speed = Annotated[float, Field(ge=-1e6, le=1e6)]
Curve = Annotated[
    list[Annotated[list[NotNegative], Field(min_length=2, max_length=2)]], Field(min_length=1, max_length=100)
]


class BodyModel(BaseModel):
    """A central body: gravity, shape, rotation, atmosphere."""

    model_config = MODEL

    name: Title = ""
    """As shown; empty: the name of its file. Files are referred to by the name of the file."""
    mu_m3_s2: Annotated[float, Field(ge=1e-3, le=1e24)]
    """Gravitational parameter."""
    radius_m: Annotated[float, Field(ge=1.0, le=1e15)]
    """Equatorial; altitudes of targets count from this sphere."""
    flattening: Annotated[float, Field(ge=0.0, lt=0.5)] = 0.0
    j2: Annotated[float, Field(ge=0.0, lt=0.1)] = 0.0
    """Second zonal harmonic, unnormalised, for gravity_radius_m."""
    gravity_radius_m: Annotated[float, Field(ge=1.0, le=1e15)] | None = None
    """Reference radius that the source of j2 states; None: radius_m. Only the product of j2 and its square counts."""
    rotation_rad_s: Annotated[float, Field(ge=-0.01, le=0.01)] = 0.0
    """Sidereal, eastward positive."""
    atmosphere: Literal["none", "us1976", "table"] = "none"
    air: Annotated[
        list[Annotated[list[float], Field(min_length=4, max_length=4)]], Field(min_length=2, max_length=200)
    ] | None = None
    """For "table": [height m above the ellipsoid, density kg/m3, pressure Pa, speed of sound m/s], heights rising."""
    source: str = ""
    """Where the numbers come from."""

    @model_validator(mode="after")
    def _air_is_whole(self) -> BodyModel:
        if (self.air is not None) != (self.atmosphere == "table"):
            raise ValueError('air with atmosphere = "table", and only then')
        rows = self.air or []
        for below, row in pairwise(rows):
            if not below[0] < row[0]:
                raise ValueError(f"air with rising heights; after {below[0]:g} m comes {row[0]:g} m")
        for row in rows:
            if not (AIR_HEIGHTS_M[0] <= row[0] <= AIR_HEIGHTS_M[1] and AIR_LIMITS[0] <= min(row[1:])):
                raise ValueError(f"air with heights from -10 to 1000 km and positive numbers after them; it has {row}")
            if max(row[1:]) > AIR_LIMITS[1]:
                raise ValueError(f"air with numbers up to {AIR_LIMITS[1]:g}; it has {row}")
        return self

    @model_validator(mode="after")
    def _gravity_radius_is_near(self) -> BodyModel:
        radius_m = self.gravity_radius_m or self.radius_m
        if not 0.5 * self.radius_m <= radius_m <= 2.0 * self.radius_m:
            raise ValueError(f"gravity_radius_m from half of radius_m to twice of it; it is {radius_m:g} m")
        return self

    def to_domain(self, gravity: Literal["sphere", "j2"], name: str = "inline") -> domain.Body:
        """The body, with j2 = 0 for gravity "sphere"; `name` where the table has none of its own.

        The body's j2 refers to `radius_m`: it is scaled from `gravity_radius_m`, which changes no acceleration.
        """
        fields = self.model_dump(exclude={"gravity_radius_m", "air"})
        fields["air"] = tuple((row[0], row[1], row[2], row[3]) for row in self.air or [])
        fields["name"] = self.name or name
        scale = (self.gravity_radius_m or self.radius_m) / self.radius_m
        fields["j2"] = self.j2 * scale * scale if gravity == "j2" else 0.0
        return domain.Body(**fields)


class StageModel(BaseModel):
    """One stage; stages stand in the order in which they burn."""

    model_config = MODEL

    name: Annotated[str, Field(min_length=1, max_length=64)]
    dry_mass_kg: Positive
    """Dropped at the stage's end, without propellant."""
    propellant_kg: Positive
    thrust_n: Positive
    """In vacuum, full throttle."""
    exhaust_velocity_m_s: Positive
    """In vacuum: thrust over mass flow."""
    exit_area_m2: NotNegative = 0.0
    """Of all nozzles; thrust falls by ambient pressure times this."""
    throttle_min_frac: Fraction = 1.0
    reserve_kg: NotNegative = 0.0
    """Propellant that must not be spent."""
    drop_pause_s: NotNegative = 0.0
    """From this stage's end to the next one's ignition."""
    tail_off_impulse_n_s: NotNegative = 0.0
    """Delivered after the cutoff command."""
    acceleration_limit_m_s2: Positive | None = None
    """Of the thrust, kept by throttling back; None: no limit."""
    engine_count: Annotated[int, Field(ge=1, le=100)] = 1
    """Equal engines that make up thrust_n, exit_area_m2 and the mass flow."""
    groups: Annotated[list[Annotated[int, Field(ge=1, le=100)]], Field(max_length=20)] = []
    """How many engines may burn together, rising; empty: all of them only."""
    engine_lag_s: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0
    """Time constant with which the thrust follows ignition, throttle and engine count."""
    ignition_delay_s: Annotated[float, Field(ge=0.0, le=60.0)] = 0.0
    """From the command until an engine begins to give thrust."""
    ignitions: Annotated[int, Field(ge=1, le=1000)] | None = None
    """How many times engines can be lit, the first included; None: no limit."""

    @model_validator(mode="after")
    def _groups_fit(self) -> StageModel:
        if any(b <= a for a, b in pairwise(self.groups)):
            raise ValueError("groups with rising counts")
        if self.groups and self.groups[-1] > self.engine_count:
            raise ValueError(f"groups of at most engine_count, {self.engine_count}; the last is {self.groups[-1]}")
        return self

    @model_validator(mode="after")
    def _reserve_fits(self) -> StageModel:
        if self.reserve_kg >= self.propellant_kg:
            raise ValueError(f"reserve_kg below propellant_kg, {self.propellant_kg:g} kg; it is {self.reserve_kg:g} kg")
        return self

    @model_validator(mode="after")
    def _figures_fit(self) -> StageModel:
        """Far outside of what was ever built, and inside of what numbers of 16 digits can tell apart."""
        low, high = FLOW_LIMITS_KG_S
        if self.dry_mass_kg < LEAST_DRY_FRAC * self.propellant_kg:
            raise ValueError(f"dry_mass_kg at least {LEAST_DRY_FRAC:g} of propellant_kg, {self.propellant_kg:g} kg")
        if not low * self.exhaust_velocity_m_s <= self.thrust_n <= high * self.exhaust_velocity_m_s:
            raise ValueError(f"thrust_n / exhaust_velocity_m_s, the mass flow, from {low:g} to {high:g} kg/s")
        return self

    def to_domain(self) -> domain.Stage:
        """The stage; infinity where it has no acceleration limit."""
        fields = self.model_dump()
        fields["groups"] = tuple(self.groups)
        if self.acceleration_limit_m_s2 is None:
            fields["acceleration_limit_m_s2"] = inf
        return domain.Stage(**fields)


class VehicleModel(BaseModel):
    """A stack of stages under a payload."""

    model_config = MODEL

    name: Title = ""
    """As shown; empty: the name of its file. Files are referred to by the name of the file."""
    stages: Annotated[list[StageModel], Field(min_length=1, max_length=20)]
    payload_kg: NotNegative = 0.0
    drag_area_m2: NotNegative = 0.0
    drag_curve: Curve = [[0.0, 0.3]]
    """[Mach number, drag coefficient] pairs, Mach rising; linear between, flat outside."""
    turn_rate_limit_deg_s: Positive | None = None
    """None: no limit."""
    cutoff_tick_s: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    """The simulator cuts the engine on its ticks only, this far apart; 0: at any instant."""
    cover_mass_kg: NotNegative = 0.0
    """Of the cover over the payload, on top of payload_kg."""
    drop_cover_above_km: Positive | None = None
    """Height above the ellipsoid from which on the cover may go."""
    drop_cover_below_w_m2: Positive | None = None
    """Heating rate 0.5 rho v^3 below which the cover may go; with a height as well, both must hold."""
    attitude_rate_limit_deg_s: Positive | None = None
    """How fast the attitude control can turn the vehicle; None: as turn_rate_limit_deg_s."""
    attitude_acceleration_limit_deg_s2: Positive | None = None
    """How fast its turning rate can change; None: at once."""
    percussion_m: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0
    """How far above the centre of mass the centre of percussion lies: inertia over mass times arm of the engines."""
    fall_drag_curve: Curve | None = None
    """As drag_curve, flying engines first; None: the same."""
    fall_lift_curve: Curve | None = None
    """[Mach number, lift coefficient per radian of angle of attack], flying engines first; None: no lift."""
    legs_below_m: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0
    """How far the feet stand below the point whose position is told."""
    legs_radius_m: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0
    """Of the circle on which they stand."""
    catch_point_m: Annotated[float, Field(ge=-1000.0, le=1000.0)] | None = None
    """How far above that point the arms hold it; None: it cannot be caught."""
    source: str = ""

    @model_validator(mode="after")
    def _side_force_is_finite(self) -> VehicleModel:
        if self.percussion_m > 0.0 and self.attitude_acceleration_limit_deg_s2 is None:
            raise ValueError("attitude_acceleration_limit_deg_s2 with percussion_m: the side force comes from it")
        return self

    @model_validator(mode="after")
    def _cover_goes(self) -> VehicleModel:
        if self.cover_mass_kg > 0.0 and self.drop_cover_above_km is None and self.drop_cover_below_w_m2 is None:
            raise ValueError("drop_cover_above_km or drop_cover_below_w_m2 (usual: 1135) with cover_mass_kg")
        return self

    @model_validator(mode="after")
    def _mach_rises(self) -> VehicleModel:
        for key in ("drag_curve", "fall_drag_curve", "fall_lift_curve"):
            machs = [mach for mach, _ in getattr(self, key) or []]
            if any(b <= a for a, b in pairwise(machs)):
                raise ValueError(f"{key} with rising Mach numbers")
        return self

    def to_domain(self, name: str = "inline") -> domain.Vehicle:
        """The vehicle in SI and radians; `name` where the table has none of its own."""
        return domain.Vehicle(
            name=self.name or name,
            stages=tuple(stage.to_domain() for stage in self.stages),
            payload_kg=self.payload_kg,
            drag_area_m2=self.drag_area_m2,
            drag_curve=_pairs(self.drag_curve),
            turn_rate_limit_rad_s=_limit_rad(self.turn_rate_limit_deg_s),
            cutoff_tick_s=self.cutoff_tick_s,
            cover_mass_kg=self.cover_mass_kg,
            drop_cover_above_m=inf if self.drop_cover_above_km is None else 1e3 * self.drop_cover_above_km,
            drop_cover_below_w_m2=self.drop_cover_below_w_m2 or 0.0,
            attitude_rate_limit_rad_s=_limit_rad(self.attitude_rate_limit_deg_s),
            attitude_acceleration_limit_rad_s2=_limit_rad(self.attitude_acceleration_limit_deg_s2),
            percussion_m=self.percussion_m,
            fall_drag_curve=_pairs(self.fall_drag_curve),
            fall_lift_curve=_pairs(self.fall_lift_curve),
            legs_below_m=self.legs_below_m,
            legs_radius_m=self.legs_radius_m,
            catch_point_m=self.catch_point_m,
        )


def _pairs(curve: list[list[float]] | None) -> tuple[tuple[float, float], ...]:
    return tuple((mach, coefficient) for mach, coefficient in curve or [])


def _limit_rad(limit_deg: float | None) -> float:
    """A limit in radians; none where none is given."""
    return inf if limit_deg is None else radians(limit_deg)


class SiteModel(BaseModel):
    """A launch site on the body's ellipsoid."""

    model_config = MODEL

    name: Annotated[str, Field(min_length=1, max_length=64)]
    latitude_deg: Annotated[float, Field(ge=-90.0, le=90.0)]
    """Geodetic."""
    longitude_deg: Annotated[float, Field(ge=-360.0, le=360.0)]
    """East."""
    altitude_m: Annotated[float, Field(ge=-1e4, le=1e5)] = 0.0
    """Above the ellipsoid."""

    def to_domain(self) -> domain.Site:
        """The site in radians."""
        return domain.Site(self.name, radians(self.latitude_deg), radians(self.longitude_deg), self.altitude_m)


class AlternateModel(SiteModel):
    """Another place to land."""

    bears: domain.Bears | None = None
    """What bears the vehicle there; None: as at the site."""
    catch_height_m: NotNegative | None = None
    """Of the arms above the ground there; None: as at the site, 0 with legs."""

    def alternate(self, landing: LandingModel) -> domain.Alternate:
        """The place in SI and radians."""
        bears = self.bears or landing.bears
        height_m = self.catch_height_m
        if height_m is None:
            height_m = landing.catch_height_m if bears == landing.bears else 0.0
        return domain.Alternate(self.to_domain(), bears, height_m)


class LandingModel(SiteModel):
    """Where the vehicle lands, and how."""

    bears: domain.Bears = "legs"
    """What bears the vehicle there."""
    catch_height_m: NotNegative = 0.0
    """Of the arms above the ground at the site; 0 with legs."""
    contact_speed_m_s: Annotated[float, Field(ge=0.05, le=20.0)] = 0.3
    """Downward speed to aim for at contact."""
    alternates: Annotated[list[AlternateModel], Field(max_length=8)] = Field([])
    """Where else it may land."""
    without_answer: domain.WithoutAnswer | None = None
    """What follows where a tower is not ready, or silent, when it must be decided; None: "divert" where there are
    alternates, else "land"."""

    def landing(self) -> domain.Landing:
        """The landing in SI and radians."""
        return domain.Landing(
            self.to_domain(), self.bears, self.catch_height_m, self.contact_speed_m_s,
            tuple(alternate.alternate(self) for alternate in self.alternates),
            self.without_answer or ("divert" if self.alternates else "land"),
        )  # fmt: skip


class StartModel(BaseModel):
    """Where a rehearsal of a landing begins; a service goes by the states that come."""

    model_config = MODEL

    height_m: Annotated[float, Field(gt=0.0, le=1e9)]
    """Above the ground at the landing site."""
    distance_m: Annotated[float, Field(ge=0.0, le=1e9)] = 0.0
    """From the landing site, along the great circle."""
    bearing_deg: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    """Of the vehicle from the landing site, clockwise from north."""
    vertical_speed_m_s: Speed = 0.0
    """Upward; this and the next two over ground."""
    north_speed_m_s: Speed = 0.0
    east_speed_m_s: Speed = 0.0
    propellant_kg: NotNegative | None = None
    """Of the last stage, which flies alone; None: all that it holds."""
    time_s: Annotated[float, Field(ge=-1e9, le=1e9)] = 0.0
    """On the vehicle's clock."""

    def to_domain(self) -> domain.Start:
        """The start in radians."""
        return domain.Start(
            self.distance_m, radians(self.bearing_deg), self.height_m, self.vertical_speed_m_s, self.north_speed_m_s,
            self.east_speed_m_s, self.propellant_kg, self.time_s,
        )  # fmt: skip


class TargetModel(BaseModel):
    """The orbit to reach, osculating at cutoff; altitudes above the body's equatorial radius."""

    model_config = MODEL

    perigee_altitude_km: Annotated[float, Field(ge=-1e9, le=1e9)]
    apogee_altitude_km: Annotated[float, Field(ge=-1e9, le=1e9)]
    cutoff_altitude_km: Annotated[float, Field(ge=-1e9, le=1e9)] | None = None
    """Where on the ellipse the engine stops; None: at perigee."""
    cutoff_side: Literal["ascending", "descending"] = "ascending"
    """On the way up from perigee, or down from apogee."""
    plane: Literal["inclination_and_node", "inclination", "free"] = "free"
    inclination_deg: Annotated[float, Field(ge=0.0, le=180.0)] | None = None
    node_deg: Annotated[float, Field(ge=-360.0, le=360.0)] | None = None
    """Right ascension of the ascending node."""

    @model_validator(mode="after")
    def _plane_is_whole(self) -> TargetModel:
        wanted = {"inclination_and_node": (True, True), "inclination": (True, False), "free": (False, False)}[
            self.plane
        ]
        given = (self.inclination_deg is not None, self.node_deg is not None)
        if given != wanted:
            need = {(True, True): "inclination_deg and node_deg", (True, False): "inclination_deg alone"}
            raise ValueError(f'{need.get(wanted, "neither inclination_deg nor node_deg")} with plane = "{self.plane}"')
        return self


class PhaseModel(BaseModel):
    """The keys of one phase; each law has a model of its own made of this."""

    model_config = MODEL

    law: str

    def to_domain(self) -> domain.Phase:
        """The checked keys as a phase of the plan."""
        raise NotImplementedError


def _name_or_table(value: Any) -> str:
    return "name" if isinstance(value, str) else "table"


BodyReference = Annotated[
    Annotated[Name, Tag("name")] | Annotated[BodyModel, Tag("table")], Discriminator(_name_or_table)
]
VehicleReference = Annotated[
    Annotated[Name, Tag("name")] | Annotated[VehicleModel, Tag("table")], Discriminator(_name_or_table)
]


Model = TypeVar("Model", bound=BaseModel)


@cache
def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """Made once: it takes 10 ms, in which every other script waits."""
    return TypeAdapter(model).json_schema()


def parse_table(model: type[Model], table: Any, file: str = "", prefix: str = "") -> Model:
    """A checked model of one table.

    Args:
        table: as a TOML parser or a message gives it.
        file: named in the error.
        prefix: path of the table in its file or message, named in the error.

    Raises:
        ConfigError: naming file and key, what was expected and what came.
    """
    try:
        return model.model_validate(table)
    except ValidationError as error:
        problem = explain(error, _schema_of(model))
    key = ".".join(part for part in (prefix, problem.field) if part)
    raise ConfigError(problem.code, key, problem.expected, problem.got, file)

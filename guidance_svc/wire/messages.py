"""The messages of the wire: every field with its unit, frame and range.

A script sends `open`, `state`, `close`; the service answers `opened`, `command`, `closed` or `fault`.
SI units, the unit in the name; angles in degrees. Strict: no text for numbers, no NaN, no infinity,
no unknown fields. `open` comes once and is a pydantic model; `state` comes fifty times a second and is a
TypedDict behind one compiled adapter.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter
from typing_extensions import TypedDict

STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)

VehicleName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]{0,63}$")]
AxisName = Literal["x", "y", "z", "-x", "-y", "-z"]
Length = Annotated[float, Field(ge=-1e13, le=1e13)]
Speed = Annotated[float, Field(ge=-1e7, le=1e7)]
Vector = Annotated[list[float], Field(min_length=3, max_length=3)]
Position = Annotated[list[Length], Field(min_length=3, max_length=3)]
Velocity = Annotated[list[Speed], Field(min_length=3, max_length=3)]


class FrameModel(BaseModel):
    """How the vectors and local coordinates of this script are to be read."""

    model_config = STRICT

    motion: Literal["inertial", "turning"] = "inertial"
    """Axes fixed among the stars, or turning with the body."""
    axes: Annotated[list[AxisName], Field(min_length=3, max_length=3)] = ["x", "y", "z"]
    """What the script's first, second, third number run along in the right-handed frame with z north and,
    at meridian angle 0, x towards longitude 0. Left-handed with y up: ["x", "z", "y"]."""
    handedness: Literal["right", "left"] = "right"
    """Of the script's axes; must agree with `axes`, so that a slip is found at `open`."""
    meridian_at_zero_deg: Annotated[float, Field(ge=-360.0, le=360.0)] = 0.0
    """Inertial angle of longitude 0 when time_s = 0, eastward."""
    height_above: Literal["sphere", "ellipsoid"] = "sphere"
    """What altitude_m is counted from."""
    up: Literal["geocentric", "geodetic"] = "geocentric"
    """The vertical of pitch, heading and the local speeds; also the kind of latitude_deg."""
    local_velocity: Literal["over_ground", "inertial"] = "over_ground"
    """How vertical, north and east speed are counted."""


class OpenMessage(BaseModel):
    """First message of a script: who I am, what I fly, how I count."""

    model_config = STRICT

    type: Literal["open"]
    protocol: Literal[1]
    vehicle: VehicleName
    role: Literal["booster", "upper_stage", "tanker"]
    plan: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_\-]{0,63}$")] | dict[str, Any]
    """Name of a flight plan that the service has, or the plan itself (the same keys as the TOML file)."""
    frame: FrameModel = FrameModel()
    resume: Annotated[str, Field(max_length=128)] | None = None
    """Token of an earlier `opened`, to go on with that session."""
    detail: bool = False
    """Whether each command carries the numbers behind it."""


class StateMessage(TypedDict):
    """What the vehicle is doing now. Cartesian (`position_m` and `velocity_m_s`) or local form, not both."""

    __pydantic_config__ = STRICT  # type: ignore[misc]

    type: Literal["state"]
    seq: Annotated[int, Field(ge=0, le=2**53)]
    time_s: Annotated[float, Field(ge=-1e12, le=1e12)]
    mass_kg: Annotated[float, Field(gt=0.0, le=1e12)]
    position_m: NotRequired[Position]
    velocity_m_s: NotRequired[Velocity]
    latitude_deg: NotRequired[Annotated[float, Field(ge=-90.0, le=90.0)]]
    longitude_deg: NotRequired[Annotated[float, Field(ge=-360.0, le=360.0)]]
    altitude_m: NotRequired[Length]
    vertical_speed_m_s: NotRequired[Speed]
    north_speed_m_s: NotRequired[Speed]
    east_speed_m_s: NotRequired[Speed]
    thrust_n: NotRequired[Annotated[float, Field(ge=0.0, le=1e12)]]
    throttle: NotRequired[Annotated[float, Field(ge=0.0, le=1.0)]]
    pointing: NotRequired[Vector]
    stage: NotRequired[Annotated[int, Field(ge=0, le=100)]]
    engine_on: NotRequired[bool]
    propellant_kg: NotRequired[Annotated[float, Field(ge=0.0, le=1e12)]]
    seen_event: NotRequired[Annotated[str, Field(max_length=64)]]


class CloseMessage(BaseModel):
    """The script is done with its session."""

    model_config = STRICT

    type: Literal["close"]


STATE_ADAPTER: TypeAdapter[StateMessage] = TypeAdapter(StateMessage)

CARTESIAN_FIELDS = ("position_m", "velocity_m_s")
LOCAL_FIELDS = (
    "latitude_deg", "longitude_deg", "altitude_m", "vertical_speed_m_s", "north_speed_m_s", "east_speed_m_s",
)  # fmt: skip


class EventMessage(TypedDict):
    """Something the script must do at a stated vehicle time; repeated until a state carries its `id`."""

    id: str
    name: Literal["release", "ignite", "cutoff", "separate", "drop_cover", "coast", "circularize", "orbit"]
    at_s: float


class OrbitMessage(TypedDict):
    """An osculating orbit; altitudes above the body's equatorial radius."""

    perigee_altitude_m: float
    apogee_altitude_m: float
    inclination_deg: float
    node_deg: float
    period_s: float | None
    time_to_apoapsis_s: float | None


class DetailMessage(TypedDict):
    """The numbers behind a command; null where they do not apply."""

    velocity_to_gain_m_s: float | None
    present_orbit: OrbitMessage | None
    predicted_orbit: OrbitMessage | None
    radius_spread_m: float | None
    height_spread_m: float | None
    propellant_margin_kg: float | None
    exhaust_velocity_m_s: float | None
    mass_flow_kg_s: float | None
    solver_residual: float | None


class CommandMessage(TypedDict):
    """The reply to one state."""

    type: Literal["command"]
    seq: int
    time_s: float
    phase: Literal["hold", "boost", "insertion", "coast", "raise", "circularize", "orbit"]
    pitch_deg: float
    """Above the local horizontal."""
    heading_deg: float
    """Clockwise from north, 0 to 360."""
    pitch_rate_deg_s: float
    heading_rate_deg_s: float
    pointing: list[float]
    """The same direction as a unit vector in the script's own frame."""
    throttle: float
    engine_on: bool
    time_to_cutoff_s: float | None
    cutoff_at_s: float | None
    event: EventMessage | None
    next_contact_s: float
    status: Literal["ok", "converging", "stale", "short_of_propellant", "unreachable", "complete"]
    warnings: list[str]
    detail: NotRequired[DetailMessage]


class TargetMessage(TypedDict):
    """The cutoff that insertion aims for, as the service understood it."""

    cutoff_radius_m: float
    cutoff_altitude_m: float
    cutoff_speed_m_s: float
    cutoff_flight_path_angle_deg: float
    perigee_altitude_m: float
    apogee_altitude_m: float
    plane: Literal["inclination_and_node", "inclination", "free"]
    inclination_deg: float | None
    node_deg: float | None


class StageEcho(TypedDict):
    """One stage as the service understood it."""

    name: str
    dry_mass_kg: float
    propellant_kg: float
    thrust_n: float
    exhaust_velocity_m_s: float
    mass_flow_kg_s: float
    burn_time_s: float
    ideal_speed_gain_m_s: float


class OpenedMessage(TypedDict):
    """Reply to `open`: the token, and everything as the service understood it."""

    type: Literal["opened"]
    protocol: Literal[1]
    vehicle: str
    token: str
    resumed: bool
    plan: str
    body: str
    gravity: Literal["sphere", "j2"]
    target: TargetMessage | None
    stages: list[StageEcho]
    phases: list[str]
    """One sentence a phase: what the service will do."""
    caution: str


class ClosedMessage(TypedDict):
    """Reply to `close`."""

    type: Literal["closed"]
    vehicle: str


class FaultMessage(TypedDict):
    """A refusal; the session is as it was."""

    type: Literal["fault"]
    code: str
    field: str
    expected: str
    got: str
    message: str
    seq: int | None

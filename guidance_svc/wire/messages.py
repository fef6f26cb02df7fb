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

from guidance_svc.domain import ArrivalStatus, Clearance, PlaneMode, Role, Status

STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)

VehicleName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]{0,63}$")]
AxisName = Literal["x", "y", "z", "-x", "-y", "-z"]
Length = Annotated[float, Field(ge=-1e13, le=1e13)]
Speed = Annotated[float, Field(ge=-1e7, le=1e7)]
Vector = Annotated[list[float], Field(min_length=3, max_length=3)]
Position = Annotated[list[Length], Field(min_length=3, max_length=3)]
Velocity = Annotated[list[Speed], Field(min_length=3, max_length=3)]
Turning = Annotated[list[Annotated[float, Field(ge=-3.6e5, le=3.6e5)]], Field(min_length=3, max_length=3)]


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
    """The kind of message."""
    protocol: Literal[1]
    """Version of the protocol that the script speaks."""
    vehicle: VehicleName
    """The session's key: letters, digits, _, . and -; at most 64."""
    role: Role
    """Which default list of phases applies."""
    plan: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_\-]{0,63}$")] | dict[str, Any]
    """Name of a flight plan that the service has, or the plan itself (the same keys as the TOML file)."""
    frame: FrameModel = FrameModel()
    """How this script's numbers are to be read."""
    resume: Annotated[str, Field(max_length=128)] | None = None
    """Token of an earlier `opened`, to go on with that session."""
    detail: bool = False
    """Whether each command carries the numbers behind it."""
    clock: VehicleName | None = None
    """Name of a clock that other sessions share: their time_s is this one's. On it a vehicle and its tower meet."""


class StateMessage(TypedDict):
    """What the vehicle is doing now. Cartesian (`position_m` and `velocity_m_s`) or local form, not both."""

    __pydantic_config__ = STRICT  # type: ignore[misc]

    type: Literal["state"]
    """The kind of message."""
    seq: Annotated[int, Field(ge=0, le=2**53)]
    """Number of this state; rises with each new one. The same again gets the same reply."""
    time_s: Annotated[float, Field(ge=-1e12, le=1e12)]
    """Vehicle's clock, s: the only clock that guidance sees."""
    mass_kg: Annotated[float, Field(gt=0.0, le=1e12)]
    """All that the engine pushes, kg."""
    position_m: NotRequired[Position]
    """From the body's centre, m, script's frame."""
    velocity_m_s: NotRequired[Velocity]
    """m/s, script's frame; relative to it where it turns."""
    latitude_deg: NotRequired[Annotated[float, Field(ge=-90.0, le=90.0)]]
    """deg north, geocentric or geodetic as frame.up says."""
    longitude_deg: NotRequired[Annotated[float, Field(ge=-360.0, le=360.0)]]
    """deg east of the prime meridian."""
    altitude_m: NotRequired[Length]
    """m above what frame.height_above says."""
    vertical_speed_m_s: NotRequired[Speed]
    """m/s upward, along the vertical of frame.up."""
    north_speed_m_s: NotRequired[Speed]
    """m/s northward, counted as frame.local_velocity says."""
    east_speed_m_s: NotRequired[Speed]
    """m/s eastward, counted as frame.local_velocity says."""
    thrust_n: NotRequired[Annotated[float, Field(ge=0.0, le=1e12)]]
    """What the engines give now, N."""
    throttle: NotRequired[Annotated[float, Field(ge=0.0, le=1.0)]]
    """What they are set to, 0 to 1."""
    pointing: NotRequired[Vector]
    """Where the thrust axis points now: unit vector, script's frame, length 1 within 0.001."""
    stage: NotRequired[Annotated[int, Field(ge=0, le=100)]]
    """Which of the plan's stages burns or burns next, counted from 0."""
    engine_on: NotRequired[bool]
    """Whether it burns now."""
    propellant_kg: NotRequired[Annotated[float, Field(ge=0.0, le=1e12)]]
    """Left in that stage, kg; recorded, guidance goes by mass_kg."""
    seen_event: NotRequired[Annotated[str, Field(max_length=64)]]
    """id of the last event that was carried out."""
    contact: NotRequired[bool]
    """Whether the legs or the catch arms bear."""
    engines_lit: NotRequired[Annotated[int, Field(ge=0, le=100)]]
    """How many engines of the stage burn now."""
    attitude_rate_deg_s: NotRequired[Turning]
    """Inertial turning rate, deg/s, script's frame: its cross product with `pointing` is the rate of `pointing`."""
    angle_of_attack_deg: NotRequired[Annotated[float, Field(ge=0.0, le=180.0)]]
    """deg between the thrust axis and the motion against the air; 180 flying engines first."""
    wind_m_s: NotRequired[Velocity]
    """Of the air over ground, where the vehicle is, m/s, script's frame."""


class TowerStateMessage(TypedDict):
    """What a tower tells of itself: it stands at its plan's site and has no position, velocity or mass."""

    __pydantic_config__ = STRICT  # type: ignore[misc]

    type: Literal["state"]
    """The kind of message."""
    seq: Annotated[int, Field(ge=0, le=2**53)]
    """Number of this state; rises with each new one. The same again gets the same reply."""
    time_s: Annotated[float, Field(ge=-1e12, le=1e12)]
    """The clock that it shares with its vehicles, s."""
    ready: bool
    """Whether it could hold a vehicle now. false is the answer to every vehicle that is not in `answers`."""
    ready_at_s: NotRequired[Annotated[float, Field(ge=-1e12, le=1e12)]]
    """From when on it will be ready, s."""
    answers: NotRequired[
        Annotated[dict[VehicleName, Literal["ready", "not_ready"]], Field(max_length=100)]
    ]
    """By vehicle: "ready" or "not_ready"; no vehicle is let in without its own "ready"."""
    wind_m_s: NotRequired[Velocity]
    """Of the air over ground, at the tower, m/s, script's frame."""
    catch_offset_m: NotRequired[Position]
    """Where the arms really are: m east, north and up of where the plan has them."""
    seen_event: NotRequired[Annotated[str, Field(max_length=64)]]
    """id of the last event that was carried out."""


class CloseMessage(BaseModel):
    """The script is done with its session."""

    model_config = STRICT

    type: Literal["close"]
    """The kind of message."""


class HealthRequest(BaseModel):
    """How is the service? Needs no session."""

    model_config = STRICT

    type: Literal["health"]
    """The kind of message."""


STATE_ADAPTER: TypeAdapter[StateMessage] = TypeAdapter(StateMessage)
TOWER_ADAPTER: TypeAdapter[TowerStateMessage] = TypeAdapter(TowerStateMessage)

CARTESIAN_FIELDS = ("position_m", "velocity_m_s")
LOCAL_FIELDS = (
    "latitude_deg", "longitude_deg", "altitude_m", "vertical_speed_m_s", "north_speed_m_s", "east_speed_m_s",
)  # fmt: skip


class EventMessage(TypedDict):
    """Something the script must do at a stated vehicle time; repeated until a state carries its `id`."""

    id: str
    """Send it back as seen_event when it is done."""
    name: str
    """What is to be done, or what begins (coast, orbit)."""
    at_s: float
    """When, s, vehicle's clock."""


class OrbitMessage(TypedDict):
    """An osculating orbit; altitudes above the body's equatorial radius."""

    perigee_altitude_m: float
    """m above the equatorial radius."""
    apogee_altitude_m: float | None
    """m above the equatorial radius; null on an escape path, which has none."""
    inclination_deg: float
    """deg, 0 to 180."""
    node_deg: float
    """Right ascension of the ascending node, deg from the inertial x axis."""
    period_s: float | None
    """s; null on an escape path."""
    time_to_apoapsis_s: float | None
    """s; null on an escape path."""


class LandingMessage(TypedDict):
    """A landing as it is predicted."""

    contact_in_s: float
    """s from this state to contact."""
    miss_m: float
    """Level distance from the contact point, there, m."""
    speed_m_s: float
    """m/s over ground, there."""
    throttle: float
    """That the burn needs; beyond the engine's bounds where those do not suffice."""
    margin: float
    """From that to the nearer of the bounds; negative beyond them."""
    propellant_left_kg: float
    """kg above the reserve, there."""
    noise_m: float
    """Of each number of a position, one sigma, as measured, m."""
    noise_m_s: float
    """Of each number of a velocity, one sigma, as measured, m/s."""


class ReachMessage(TypedDict):
    """The contact points that can still be reached with the propellant above the reserve: an ellipse."""

    centre_east_m: float
    """Of its centre, from the contact point that is flown to, m."""
    centre_north_m: float
    """Likewise."""
    half_along_m: float
    """Half axis, m."""
    half_across_m: float
    """The other one, m."""
    along_heading_deg: float
    """Of the first axis, deg clockwise from north, 0 to 360."""
    inside_m: float
    """From the contact point that is flown to, to the edge, m; negative outside."""


class DivertMessage(TypedDict):
    """What a divert to one of the plan's alternates would be."""

    site: str
    """The alternate's name."""
    in_reach: bool
    """From now."""
    decide_at_s: float | None
    """Until then it is, as predicted, s, vehicle's clock; null where it is not, or not known yet."""
    extra_kg: float | None
    """Propellant over the landing that is flown, kg; null where it is not in reach."""


class DetailMessage(TypedDict):
    """The numbers behind a command; null where they do not apply."""

    velocity_to_gain_m_s: float | None
    """m/s left in this burn."""
    present_orbit: OrbitMessage | None
    """Osculating orbit now."""
    predicted_orbit: OrbitMessage | None
    """Osculating orbit at the cutoff."""
    radius_spread_m: float | None
    """Largest minus smallest radius over the next revolution, m."""
    height_spread_m: float | None
    """Largest minus smallest height above the ellipsoid over the next revolution, m."""
    propellant_margin_kg: float | None
    """kg left above the reserve at the cutoff of this burn."""
    exhaust_velocity_m_s: float | None
    """m/s, as estimated."""
    mass_flow_kg_s: float | None
    """kg/s at full throttle, as estimated."""
    solver_residual: float | None
    """Of the guidance equations."""
    landing: NotRequired[LandingMessage]
    """Only while a landing is flown."""
    reach: NotRequired[ReachMessage]
    """Likewise, once a few major cycles have found it."""
    divert: NotRequired[list[DivertMessage]]
    """Likewise, one for each of the plan's alternates, in its order; left out after a divert."""


class ThrottleDownMessage(TypedDict):
    """Throttle for the end of the burn."""

    at_s: float
    """From then on, s, vehicle's clock."""
    throttle: float
    """0 to 1."""


class ArrivalMessage(TypedDict):
    """A vehicle that comes to a tower, as its own session has it."""

    vehicle: str
    """Its session's key; what `answers` names it by."""
    site: str
    """Where it goes now: the tower's site, or another."""
    said_at_s: float
    """Its time when this was so, s."""
    at_s: float
    """Contact, predicted or past, s."""
    at_sigma_s: float | None
    """One sigma of it, s; null before the landing is flown, where it is not known."""
    position_m: list[float]
    """From the body's centre, m, tower's script's frame."""
    speed_m_s: float
    """m/s over ground."""
    miss_m: float
    """Level distance from the contact point at contact, predicted, m."""
    miss_sigma_m: float | None
    """One sigma of it along each level axis, m; null likewise."""
    decide_at_s: float | None
    """Until then it can go elsewhere, s; null where it cannot."""
    clearance: Clearance
    """What the tower says to it."""
    status: ArrivalStatus
    """How it stands."""


class CommandMessage(TypedDict):
    """The reply to one state."""

    type: Literal["command"]
    """The kind of message."""
    seq: int
    """Of the state that it answers."""
    time_s: float
    """Of that state, s, vehicle's clock."""
    phase: str
    """Which stretch of the flight this is."""
    pitch_deg: float
    """Where to point the thrust: deg above the local horizontal, -90 to 90."""
    heading_deg: float
    """deg clockwise from north, 0 to 360."""
    pitch_rate_deg_s: float
    """deg/s: turn on with it until the next reply."""
    heading_rate_deg_s: float
    """deg/s, clockwise."""
    pointing: list[float]
    """The same direction as a unit vector in the script's own frame."""
    throttle: float
    """0 to 1."""
    engine_on: bool
    """Whether the engine should burn at time_s."""
    time_to_cutoff_s: float | None
    """s; null while no cutoff is planned."""
    cutoff_at_s: float | None
    """Cut at this instant, exactly, s, vehicle's clock; null while no cutoff is planned."""
    latest_off_at_s: float | None
    """The engine must not burn beyond it, whatever becomes of the link, s, vehicle's clock; null while it is off."""
    throttle_down: ThrottleDownMessage | None
    """The end of the burn that the cutoff reckons with, told ahead in case no reply comes by then; or null."""
    event: EventMessage | None
    """The next thing to do, or null."""
    next_contact_s: float
    """How long the script may stay silent, s, vehicle's clock."""
    status: Status
    """How well the flight stands."""
    warnings: list[str]
    """One sentence each."""
    engines: NotRequired[int]
    """How many of the stage's engines should burn, `throttle` being theirs; left out where all of them should."""
    cut_on_contact: NotRequired[bool]
    """true: cut the engines at your own contact, or at cutoff_at_s, whichever is first; left out where not."""
    clearance: NotRequired[Clearance]
    """What the tower has said; left out where no tower is on the vehicle's clock."""
    decide_at_s: NotRequired[float]
    """Until then the vehicle can still divert to the alternate that costs least, s, vehicle's clock; left out where it
    cannot, or has."""
    detail: NotRequired[DetailMessage]
    """The numbers behind it; only when asked for in open, never for a tower."""
    arrivals: NotRequired[list[ArrivalMessage]]
    """Of a tower: the vehicles that come, soonest first; left out for a vehicle."""


class TargetMessage(TypedDict):
    """The cutoff that insertion aims for, as the service understood it."""

    cutoff_radius_m: float
    """m from the body's centre."""
    cutoff_altitude_m: float
    """m above the equatorial radius."""
    cutoff_speed_m_s: float
    """m/s, inertial."""
    cutoff_flight_path_angle_deg: float
    """Inertial velocity above the local horizontal, deg, -90 to 90."""
    perigee_altitude_m: float
    """m above the equatorial radius."""
    apogee_altitude_m: float
    """m above the equatorial radius."""
    plane: PlaneMode
    """What of the plane is held."""
    inclination_deg: float | None
    """deg, 0 to 180; null where the plane is free."""
    node_deg: float | None
    """Right ascension of the ascending node, deg from the inertial x axis; null where it is not held."""


class StageEcho(TypedDict):
    """One stage as the service understood it."""

    name: str
    """As in the vehicle file."""
    dry_mass_kg: float
    """kg, without propellant."""
    propellant_kg: float
    """kg, loaded."""
    thrust_n: float
    """N in vacuum at full throttle."""
    exhaust_velocity_m_s: float
    """m/s in vacuum."""
    mass_flow_kg_s: float
    """kg/s at full throttle."""
    acceleration_limit_m_s2: float | None
    """m/s2, of the thrust, kept by throttling back; null where there is none."""
    burn_time_s: float
    """s to the reserve, at full throttle as far as the acceleration limit lets it."""
    ideal_speed_gain_m_s: float
    """m/s by the rocket equation, no losses, reserve left."""


class OpenedMessage(TypedDict):
    """Reply to `open`: the token, and everything as the service understood it."""

    type: Literal["opened"]
    """The kind of message."""
    protocol: Literal[1]
    """Version of the protocol that the service speaks."""
    vehicle: str
    """As in open."""
    token: str
    """Keep it: only its holder may command this vehicle, or take the session up again."""
    resumed: bool
    """True when an earlier session goes on."""
    plan: str
    """The flight plan's name."""
    body: str
    """The central body's name."""
    gravity: Literal["sphere", "j2"]
    """What guidance reckons with."""
    target: TargetMessage | None
    """The cutoff that insertion aims for, or null."""
    stages: list[StageEcho]
    """First to burn first."""
    phases: list[str]
    """One sentence a phase: what the service will do."""
    warnings: list[str]
    """What the script's author should know, in sentences."""
    caution: str
    """Read it once."""


class ClosedMessage(TypedDict):
    """The reply to `close`, the last one of a session."""

    type: Literal["closed"]
    """The kind of message."""
    vehicle: str
    """Whose session ended."""


class SessionHealth(TypedDict):
    """One session as the service last heard of it; null before its first command."""

    vehicle: str
    """The session's key."""
    phase: str | None
    """Of its last command."""
    seq: int | None
    """Of its last state."""
    time_s: float | None
    """On the vehicle's clock."""
    silent_s: float
    """Real time since its last message that was accepted, or since the service started."""


class HealthMessage(TypedDict):
    """Reply to `health`: counts since the start, reply times of the last few thousand messages."""

    type: Literal["health"]
    """The kind of message."""
    version: str
    """Of the service."""
    uptime_s: float
    """Real time since the start, s."""
    messages: int
    """That came."""
    replies: int
    """Faults included."""
    faults: dict[str, int]
    """By code."""
    dropped_replies: int
    """Over ZeroMQ, to scripts that were gone or did not read."""
    too_fast: int
    """Messages left without an answer; see `unanswered_per_second`."""
    refused_connections: int
    """Beyond the limit, or cut."""
    refused_handshakes: int
    """Over ZeroMQ, refused or never finished."""
    expired_sessions: int
    """Ended by the service for their silence."""
    zmq_connections: int
    """Open now."""
    tcp_connections: int
    """Open now."""
    reply_p50_us: float | None
    """From receipt to the reply being ready; null before the first message."""
    reply_p99_us: float | None
    """Likewise."""
    recording: str
    """"ok", "none" or "stopped: why"."""
    journal: str
    """Likewise."""
    sessions: list[SessionHealth]
    """All that there are."""


class FaultMessage(TypedDict):
    """A refusal; the session is as it was."""

    type: Literal["fault"]
    """The kind of message."""
    code: str
    """Stable; branch on it."""
    field: str
    """Path of the offending field, such as position_m.2; empty where there is none."""
    expected: str
    """What would have been right."""
    got: str
    """What came, shortened."""
    message: str
    """The whole as one sentence."""
    seq: int | None
    """Of the refused state where it could be read, else null."""

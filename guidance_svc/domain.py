"""The values the whole service speaks in: bodies, vehicles, plans, states and commands.

SI units and radians throughout; a vector without a frame in its name is body-centred inertial (BCI):
origin at the body's centre, z along the north pole, x towards the reference direction from which nodes
are measured, right-handed. Everything here is immutable and free of behaviour that needs I/O.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, radians
from typing import Literal

Vec = tuple[float, float, float]
AirRow = tuple[float, float, float, float]
"""Height (m), density (kg/m3), pressure (Pa), speed of sound (m/s)."""

Role = Literal["booster", "upper_stage", "tanker", "launch_vehicle"]
Law = Literal["hold", "boost", "insertion", "coast", "raise", "circularize", "orbit"]
SecondBurn = Literal["cutoff", "apogee"]
Roundness = Literal["osculating", "least_radius_spread", "least_height_spread"]
PlaneMode = Literal["inclination_and_node", "inclination", "free"]
Status = Literal["ok", "converging", "stale", "short_of_propellant", "unreachable", "complete"]
EventName = Literal["release", "ignite", "cutoff", "separate", "drop_cover", "coast", "circularize", "orbit"]


@dataclass(frozen=True, slots=True)
class Body:
    """A central body.

    Args:
        mu_m3_s2: gravitational parameter.
        radius_m: equatorial radius; altitudes of targets are above this sphere.
        flattening: of the ellipsoid; 0 for a sphere.
        j2: second zonal harmonic, with `radius_m` as its reference radius; 0 means spherical gravity.
        rotation_rad_s: spin about +z, eastward positive.
        atmosphere: the model that guidance and the simulator reckon with; "table" is the body's own, `air`.
        source: where the numbers come from.
        air: rows of that table, heights above the ellipsoid rising.
    """

    name: str
    mu_m3_s2: float
    radius_m: float
    flattening: float = 0.0
    j2: float = 0.0
    rotation_rad_s: float = 0.0
    atmosphere: Literal["none", "us1976", "table"] = "none"
    source: str = ""
    air: tuple[AirRow, ...] = ()


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage, in the order in which stages burn.

    Args:
        dry_mass_kg: dropped at the stage's end, without propellant.
        propellant_kg: loaded.
        thrust_n: in vacuum at full throttle.
        exhaust_velocity_m_s: in vacuum; thrust over mass flow.
        exit_area_m2: nozzle exit; thrust falls by ambient pressure times this.
        throttle_min_frac: lowest steady throttle; 1 for an engine that does not throttle.
        reserve_kg: propellant that must not be spent on the ascent (return, or margin).
        drop_pause_s: seconds without thrust between this stage's end and the next one's ignition.
        tail_off_impulse_n_s: impulse delivered after a cutoff command at full throttle; less in proportion below it.
        acceleration_limit_m_s2: thrust acceleration that must not be exceeded; held by throttling.
    """

    name: str
    dry_mass_kg: float
    propellant_kg: float
    thrust_n: float
    exhaust_velocity_m_s: float
    exit_area_m2: float = 0.0
    throttle_min_frac: float = 1.0
    reserve_kg: float = 0.0
    drop_pause_s: float = 0.0
    tail_off_impulse_n_s: float = 0.0
    acceleration_limit_m_s2: float = inf

    @property
    def mass_flow_kg_s(self) -> float:
        """Mass flow at full throttle."""
        return self.thrust_n / self.exhaust_velocity_m_s


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A stack of stages under a payload.

    Args:
        stages: first to burn first.
        payload_kg: carried above the last stage.
        drag_area_m2: reference area for the drag coefficient.
        drag_curve: (Mach number, drag coefficient) pairs, Mach rising; linear between, flat outside.
        turn_rate_limit_rad_s: how fast the vehicle can turn.
        cutoff_tick_s: the engine can be cut only on ticks of the vehicle's clock, so far apart and one at each
            state; 0 for an engine that is cut at any instant.
        cover_mass_kg: of the cover over the payload, dropped on the way up.
        drop_cover_above_m: height above the ellipsoid at which it is dropped; inf for none.
        drop_cover_below_w_m2: heating rate 0.5 rho v^3 below which it is dropped on the way up; 0 for none.
            Where both are given, both must hold.
    """

    name: str
    stages: tuple[Stage, ...]
    payload_kg: float = 0.0
    drag_area_m2: float = 0.0
    drag_curve: tuple[tuple[float, float], ...] = ((0.0, 0.3),)
    turn_rate_limit_rad_s: float = inf
    cutoff_tick_s: float = 0.0
    cover_mass_kg: float = 0.0
    drop_cover_above_m: float = inf
    drop_cover_below_w_m2: float = 0.0

    stack_kg: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Add the stack up once: mass at each stage's ignition, and what is left above the last one."""
        masses = [self.payload_kg + self.cover_mass_kg]
        for stage in reversed(self.stages):
            masses.append(masses[-1] + stage.dry_mass_kg + stage.propellant_kg)
        object.__setattr__(self, "stack_kg", tuple(reversed(masses)))

    def mass_at_ignition_kg(self, stage: int) -> float:
        """Mass of the stack when stage number `stage` (from 0) lights, all its propellant and the cover on board."""
        return self.stack_kg[stage]


@dataclass(frozen=True, slots=True)
class Site:
    """A launch site. Latitude is geodetic on the body's ellipsoid, altitude above it."""

    name: str
    latitude_rad: float
    longitude_rad: float
    altitude_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Target:
    """The cutoff that insertion aims for, resolved to a radius, a speed and an angle.

    Args:
        perigee_radius_m, apogee_radius_m: of the osculating orbit at cutoff.
        cutoff_radius_m, cutoff_speed_m_s, cutoff_flight_path_angle_rad: inertial state at cutoff.
        plane: which of inclination and node are held.
        inclination_rad: in [0, pi]; meaningless when plane is "free".
        node_rad: right ascension of the ascending node, from the BCI x axis; only for "inclination_and_node".
    """

    perigee_radius_m: float
    apogee_radius_m: float
    cutoff_radius_m: float
    cutoff_speed_m_s: float
    cutoff_flight_path_angle_rad: float
    plane: PlaneMode = "free"
    inclination_rad: float = 0.0
    node_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class Hold:
    """Hold-down on the pad until a vehicle time, engines lit `ignition_lead_s` before release."""

    release_at_s: float = 0.0
    ignition_lead_s: float = 0.0
    law: Law = "hold"


@dataclass(frozen=True, slots=True)
class Boost:
    """Through the air: rise, pitch over, near zero angle of attack, separate.

    Args:
        rise_s: seconds of vertical flight after release.
        pitch_over_rad: angle from the vertical to which the vehicle tips at the end of the rise.
        pitch_over_rate_rad_s: how fast it tips.
        azimuth_rad: heading of the ascent over ground, clockwise from north; None means from the target plane.
        separate_at_speed_m_s, separate_at_s, separate_at_reserve: whichever comes first ends the phase;
            speed is over ground, seconds count from release, reserve means the stage's `reserve_kg` is reached.
        bias: (seconds since release, angle of attack rad, nose up positive), times rising; linear between, flat beyond.
        pitch: (seconds since release, rad above the horizon), likewise, instead of `pitch_over_rad` and `bias`: the
            angle of attack is then what leads from the air flow to this pitch, as far as the limits let it.
        throttle: (seconds since release, throttle), likewise; none means full.
        max_yaw_rad: lean towards the target's plane once past the pitch-over.
        max_dynamic_pressure_pa, max_acceleration_m_s2: kept by throttling back; the acceleration is that of the thrust.
        max_q_alpha_pa_rad: dynamic pressure times angle of attack; holds in the insertion that follows as well.
        max_alpha_rad: angle of attack.
    """

    rise_s: float = 10.0
    pitch_over_rad: float = radians(3.0)
    pitch_over_rate_rad_s: float = radians(1.0)
    azimuth_rad: float | None = None
    separate_at_speed_m_s: float = inf
    separate_at_s: float = inf
    separate_at_reserve: bool = True
    bias: tuple[tuple[float, float], ...] = ()
    pitch: tuple[tuple[float, float], ...] = ()
    throttle: tuple[tuple[float, float], ...] = ()
    max_yaw_rad: float = 0.0
    max_dynamic_pressure_pa: float = inf
    max_q_alpha_pa_rad: float = inf
    max_acceleration_m_s2: float = inf
    max_alpha_rad: float = inf
    law: Law = "boost"


@dataclass(frozen=True, slots=True)
class Insertion:
    """Closed-loop burn to the target.

    Args:
        first_stage: index of the vehicle's stage that burns first in this phase.
        ignite_at_s: vehicle time of ignition; None means `pause_s` after the phase begins.
        pause_s: see above.
        may_coast: the engine can be lit again: insert low and coast to the target's height where that saves propellant.
        lowest_altitude_m: floor for that coast, and for the burn before it once it is reached, above the equatorial
            radius; None means the body's usual one.
        second_burn_at: where the burn after that coast is: at the target's cutoff, or at its apogee, half a revolution
            before the orbit comes by the cutoff's place.
    """

    first_stage: int = 0
    ignite_at_s: float | None = None
    pause_s: float = 0.0
    may_coast: bool = False
    lowest_altitude_m: float | None = None
    second_burn_at: SecondBurn = "cutoff"
    law: Law = "insertion"


@dataclass(frozen=True, slots=True)
class Coast:
    """Unpowered, to the next apoapsis; prograde attitude held."""

    law: Law = "coast"


@dataclass(frozen=True, slots=True)
class Raise:
    """Burn at apoapsis that makes the orbit the plan's target, after an insertion that coasts part of the way.

    It does not stand in plans: the session puts it, with the coast before it, behind an insertion that may coast.
    """

    law: Law = "raise"


@dataclass(frozen=True, slots=True)
class Circularize:
    """Finite burn centred on apoapsis that makes the orbit circular there, in the target plane."""

    roundness: Roundness = "osculating"
    law: Law = "circularize"


@dataclass(frozen=True, slots=True)
class Orbit:
    """The end: attitude held, orbit reported."""

    law: Law = "orbit"


Phase = Hold | Boost | Insertion | Coast | Raise | Circularize | Orbit


@dataclass(frozen=True, slots=True)
class FlightPlan:
    """One vehicle's flight.

    Args:
        body: with `j2` = 0 where the plan asks for spherical gravity.
        phases: in the order in which they are flown.
        major_cycle_s: vehicle time between solutions of the guidance equations.
    """

    name: str
    body: Body
    vehicle: Vehicle
    target: Target | None
    phases: tuple[Phase, ...]
    site: Site | None = None
    major_cycle_s: float = 0.5


@dataclass(frozen=True, slots=True)
class Frame:
    """How the script's vectors are to be read.

    Args:
        turning: True for axes that turn with the body, False for inertial ones.
        axes: what the script's first, second and third number run along, each one of
            "x", "y", "z", "-x", "-y", "-z" of the canonical right-handed frame (z north).
            ("x", "z", "y") is the usual left-handed frame with y up.
        meridian_at_zero_rad: inertial angle of the prime meridian at time_s = 0.
        height_above: surface that altitudes are counted from.
        up: which vertical pitch and heading refer to.
        local_velocity: how vertical, north and east speeds of the local form are counted.
    """

    turning: bool = False
    axes: tuple[str, str, str] = ("x", "y", "z")
    meridian_at_zero_rad: float = 0.0
    height_above: Literal["sphere", "ellipsoid"] = "sphere"
    up: Literal["geocentric", "geodetic"] = "geocentric"
    local_velocity: Literal["over_ground", "inertial"] = "over_ground"


@dataclass(frozen=True, slots=True)
class LocalState:
    """Position and velocity as a navigation display gives them; read according to the session's Frame."""

    latitude_rad: float
    longitude_rad: float
    altitude_m: float
    vertical_speed_m_s: float
    north_speed_m_s: float
    east_speed_m_s: float


@dataclass(frozen=True, slots=True)
class VehicleState:
    """One `state` message. Exactly one of (`position_script_m`, `velocity_script_m_s`) and `local` is given."""

    seq: int
    time_s: float
    mass_kg: float
    position_script_m: Vec | None = None
    velocity_script_m_s: Vec | None = None
    local: LocalState | None = None
    thrust_n: float | None = None
    throttle_frac: float | None = None
    pointing_script: Vec | None = None
    stage: int | None = None
    engine_on: bool | None = None
    propellant_kg: float | None = None
    seen_event: str | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something the script must do at a stated vehicle time."""

    id: str
    name: EventName
    at_s: float


@dataclass(frozen=True, slots=True)
class ThrottleDown:
    """The throttle that the end of a burn is flown at, and from when on; the cutoff reckons with it."""

    at_s: float
    throttle_frac: float


@dataclass(frozen=True, slots=True)
class OrbitReport:
    """An osculating orbit; altitudes above the body's equatorial radius."""

    perigee_altitude_m: float
    apogee_altitude_m: float
    inclination_rad: float
    node_rad: float
    period_s: float | None
    time_to_apoapsis_s: float | None


@dataclass(frozen=True, slots=True)
class Detail:
    """The numbers behind a command; None where they do not apply."""

    velocity_to_gain_m_s: float | None = None
    present_orbit: OrbitReport | None = None
    predicted_orbit: OrbitReport | None = None
    radius_spread_m: float | None = None
    height_spread_m: float | None = None
    propellant_margin_kg: float | None = None
    exhaust_velocity_m_s: float | None = None
    mass_flow_kg_s: float | None = None
    solver_residual: float | None = None


@dataclass(frozen=True, slots=True)
class Command:
    """The reply to one state.

    Args:
        direction: unit thrust direction, BCI.
        pointing_script: the same in the script's own frame.
        pitch_rad: above the local horizontal.
        heading_rad: clockwise from north, [0, 2 pi).
        cutoff_at_s: on the vehicle's clock; None while no cutoff is planned.
        latest_off_at_s: the engine must not burn beyond it, whatever becomes of the link; None while it is off.
        next_contact_s: how long the script may stay silent.
        throttle_down: told ahead, for a script that may not hear again before the cutoff.
    """

    seq: int
    time_s: float
    phase: Law
    direction: Vec
    pointing_script: Vec
    pitch_rad: float
    heading_rad: float
    pitch_rate_rad_s: float
    heading_rate_rad_s: float
    throttle_frac: float
    engine_on: bool
    cutoff_at_s: float | None
    time_to_cutoff_s: float | None
    event: Event | None
    next_contact_s: float
    status: Status
    warnings: tuple[str, ...] = ()
    detail: Detail | None = None
    throttle_down: ThrottleDown | None = None
    latest_off_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class OpenRequest:
    """One `open` message, its flight plan already resolved; `named` when it asked for the plan by name."""

    vehicle: str
    role: Role
    plan: FlightPlan
    frame: Frame = field(default_factory=Frame)
    resume: str | None = None
    detail: bool = False
    named: bool = False

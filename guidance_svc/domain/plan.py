"""Flight plans: what is aimed for, and the phases that lead there."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, radians
from typing import ClassVar, Literal

from guidance_svc.domain.body import Body, Site
from guidance_svc.domain.vehicle import Vehicle

Role = Literal["booster", "upper_stage", "tanker", "launch_vehicle", "tower"]
SecondBurn = Literal["cutoff", "apogee"]
Roundness = Literal["osculating", "least_radius_spread", "least_height_spread"]
PlaneMode = Literal["inclination_and_node", "inclination", "free"]
Aim = Literal["", "separation", "target", "circle", "landing"]
Bears = Literal["legs", "arms"]
WithoutAnswer = Literal["divert", "land", "hold"]


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
class Alternate:
    """Another place to land.

    Args:
        site, bears, catch_height_m: as in `Landing`.
    """

    site: Site
    bears: Bears = "legs"
    catch_height_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Landing:
    """Where and how the vehicle lands.

    Args:
        site: its altitude is that of the ground.
        bears: what bears the vehicle there.
        catch_height_m: of the arms above that ground; 0 with legs.
        contact_speed_m_s: downward speed to aim for at contact; never zero, which would be a stop above it.
        alternates: where else it may land.
        without_answer: what follows where the tower is not ready, or silent, when it must be decided.

    `places`, made from these: where it may land, the site first.
    """

    site: Site
    bears: Bears = "legs"
    catch_height_m: float = 0.0
    contact_speed_m_s: float = 0.3
    alternates: tuple[Alternate, ...] = ()
    without_answer: WithoutAnswer = "land"

    places: tuple[Alternate, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Put the site before the alternates."""
        places = (Alternate(self.site, self.bears, self.catch_height_m), *self.alternates)
        object.__setattr__(self, "places", places)


@dataclass(frozen=True, slots=True)
class Start:
    """Where a rehearsed landing begins; a service goes by the states that come.

    Args:
        distance_m, bearing_rad: of the vehicle from the landing site, along the great circle of a sphere of the
            body's radius; the bearing clockwise from north.
        height_m: above the ground at that site, counted from the ellipsoid.
        vertical_m_s, north_m_s, east_m_s: over ground.
        propellant_kg: of the last stage, which flies alone; None: all that it holds.
        time_s: on the vehicle's clock.
    """

    distance_m: float
    bearing_rad: float
    height_m: float
    vertical_m_s: float
    north_m_s: float
    east_m_s: float
    propellant_kg: float | None = None
    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase of a plan; each law has a value of its own made of this.

    What is the same for all phases of a law:
        law: its name, in plans and in replies.
        aims: what the burn that it flies or prepares ends in: a separation, the plan's target, a circle, or nothing.
        powered: it flies a burn.
        from_ground: it holds the vehicle on the pad or flies it up from there through the air.
        alone: from its end on, or with its begin, what the vehicle carried has been let go, and the reserve of its
            stage is there for its return.
        flies: false for what stands at the plan's site and has no vehicle.
    """

    law: ClassVar[str]
    aims: ClassVar[Aim] = ""
    powered: ClassVar[bool] = False
    from_ground: ClassVar[bool] = False
    alone: ClassVar[bool] = False
    flies: ClassVar[bool] = True


@dataclass(frozen=True, slots=True)
class Hold(Phase):
    """Hold-down on the pad until a vehicle time, engines lit `ignition_lead_s` before release."""

    law: ClassVar[str] = "hold"
    from_ground: ClassVar[bool] = True
    release_at_s: float = 0.0
    ignition_lead_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Boost(Phase):
    """Through the air: rise, pitch over, near zero angle of attack, separate.

    Args:
        rise_s: seconds of vertical flight after release.
        pitch_over_rad: angle from the vertical to which the vehicle tips at the end of the rise.
        pitch_over_rate_rad_s: how fast it tips.
        azimuth_rad: heading of the ascent over ground, clockwise from north; None means from the target plane.
        separate_at_speed_m_s, separate_at_s, separate_at_reserve: whichever comes first ends the phase;
            speed is over ground, seconds count from release, reserve means the stage's `reserve_kg` is reached.
        reserve_kg: what this flight's first stage keeps, instead of its vehicle's; None: the vehicle's. The plan's
            vehicle has it already.
        bias: (seconds since release, angle of attack rad, nose up positive), times rising; linear between, flat beyond.
        pitch: (seconds since release, rad above the horizon), likewise, instead of `pitch_over_rad` and `bias`: the
            angle of attack is then what leads from the air flow to this pitch, as far as the limits let it.
        throttle: (seconds since release, throttle), likewise; none means full.
        max_yaw_rad: lean towards the target's plane once past the pitch-over.
        max_dynamic_pressure_pa, max_acceleration_m_s2: kept by throttling back; the acceleration is that of the thrust.
        max_q_alpha_pa_rad: dynamic pressure times angle of attack; holds in the insertion that follows as well.
        max_alpha_rad: angle of attack.
    """

    law: ClassVar[str] = "boost"
    aims: ClassVar[Aim] = "separation"
    powered: ClassVar[bool] = True
    from_ground: ClassVar[bool] = True
    alone: ClassVar[bool] = True
    rise_s: float = 10.0
    pitch_over_rad: float = radians(3.0)
    pitch_over_rate_rad_s: float = radians(1.0)
    azimuth_rad: float | None = None
    separate_at_speed_m_s: float = inf
    separate_at_s: float = inf
    separate_at_reserve: bool = True
    reserve_kg: float | None = None
    bias: tuple[tuple[float, float], ...] = ()
    pitch: tuple[tuple[float, float], ...] = ()
    throttle: tuple[tuple[float, float], ...] = ()
    max_yaw_rad: float = 0.0
    max_dynamic_pressure_pa: float = inf
    max_q_alpha_pa_rad: float = inf
    max_acceleration_m_s2: float = inf
    max_alpha_rad: float = inf


@dataclass(frozen=True, slots=True)
class Insertion(Phase):
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

    law: ClassVar[str] = "insertion"
    aims: ClassVar[Aim] = "target"
    powered: ClassVar[bool] = True
    first_stage: int = 0
    ignite_at_s: float | None = None
    pause_s: float = 0.0
    may_coast: bool = False
    lowest_altitude_m: float | None = None
    second_burn_at: SecondBurn = "cutoff"


@dataclass(frozen=True, slots=True)
class Coast(Phase):
    """Unpowered, to the next apoapsis; prograde attitude held."""

    law: ClassVar[str] = "coast"
    aims: ClassVar[Aim] = "circle"


@dataclass(frozen=True, slots=True)
class Raise(Phase):
    """Burn at apoapsis that makes the orbit the plan's target, after an insertion that coasts part of the way.

    It does not stand in plans: the session puts it, with the coast before it, behind an insertion that may coast.
    """

    law: ClassVar[str] = "raise"
    aims: ClassVar[Aim] = "target"
    powered: ClassVar[bool] = True


@dataclass(frozen=True, slots=True)
class Circularize(Phase):
    """Finite burn centred on apoapsis that makes the orbit circular there, in the target plane."""

    law: ClassVar[str] = "circularize"
    aims: ClassVar[Aim] = "circle"
    powered: ClassVar[bool] = True
    roundness: Roundness = "osculating"


@dataclass(frozen=True, slots=True)
class Orbit(Phase):
    """The end: attitude held, orbit reported."""

    law: ClassVar[str] = "orbit"


@dataclass(frozen=True, slots=True)
class FlightPlan:
    """One vehicle's flight.

    Args:
        body: with `j2` = 0 where the plan asks for spherical gravity.
        phases: in the order in which they are flown.
        major_cycle_s: vehicle time between solutions of the guidance equations.
        vehicle: without any stage for a plan that does not fly.
        landing: None for a vehicle that does not come back.
        start: where a rehearsal begins; None: on the pad, or where a booster lets go.

    Made from these once: `boost`, the first phase of that law, and `uncovered`, the plan without the cover's mass, None
    where that is the plan itself: one that holds itself would wait for the garbage collector.
    """

    name: str
    body: Body
    vehicle: Vehicle
    target: Target | None
    phases: tuple[Phase, ...]
    site: Site | None = None
    major_cycle_s: float = 0.5
    landing: Landing | None = None
    start: Start | None = None

    boost: Boost | None = field(init=False, repr=False, compare=False)
    uncovered: FlightPlan | None = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Work out what every state asks for."""
        boost = next((phase for phase in self.phases if isinstance(phase, Boost)), None)
        object.__setattr__(self, "boost", boost)
        covered = self.vehicle.cover_mass_kg != 0.0
        bare = replace(self, vehicle=replace(self.vehicle, cover_mass_kg=0.0)) if covered else None
        object.__setattr__(self, "uncovered", bare)

    @property
    def bare(self) -> FlightPlan:
        """The plan without the cover's mass."""
        return self.uncovered or self

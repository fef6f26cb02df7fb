"""What a script asks for and what it is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from guidance_svc.domain.body import Vec
from guidance_svc.domain.plan import FlightPlan, Role
from guidance_svc.domain.state import Arrival, Clearance, Frame

Status = Literal["ok", "converging", "stale", "short_of_propellant", "unreachable", "complete"]
Act = Literal["release", "ignite", "cutoff", "separate", "drop_cover"]
"""What a vehicle can be asked to do at an instant."""


class Event(NamedTuple):
    """Something the script must do at a stated vehicle time."""

    id: str
    name: str
    at_s: float


class ThrottleDown(NamedTuple):
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


class LandingReport(NamedTuple):
    """A landing as it is predicted.

    Args:
        contact_in_s: from now.
        miss_m: level distance from the contact point, there.
        speed_m_s: there.
        throttle_frac: that the burn needs; beyond the engine's bounds where those do not suffice.
        margin_frac: from that to the nearer of the bounds; negative beyond them.
        propellant_left_kg: above the reserve, there.
        noise_m, noise_m_s: of the states, one sigma of each number, as measured.
    """

    contact_in_s: float
    miss_m: float
    speed_m_s: float
    throttle_frac: float
    margin_frac: float
    propellant_left_kg: float
    noise_m: float
    noise_m_s: float


class ReachReport(NamedTuple):
    """The contact points that can still be reached: an ellipse.

    Args:
        centre_east_m, centre_north_m: of its centre, from the contact point that is flown to.
        half_along_m, half_across_m: half axes.
        along_rad: heading of the first, clockwise from north.
        inside_m: from the contact point that is flown to, to the edge; negative outside.
    """

    centre_east_m: float
    centre_north_m: float
    half_along_m: float
    half_across_m: float
    along_rad: float
    inside_m: float


class DivertReport(NamedTuple):
    """What a divert to an alternate would be.

    Args:
        in_reach: from now.
        decide_at_s: vehicle time until which it is, as predicted; None where it is not, or not known yet.
        extra_kg: of propellant, over the landing that is flown; None where it is not in reach.
    """

    site: str
    in_reach: bool
    decide_at_s: float | None
    extra_kg: float | None


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
    landing: LandingReport | None = None
    reach: ReachReport | None = None
    divert: tuple[DivertReport, ...] = ()


class Command(NamedTuple):
    """The reply to one state; a named tuple, because one is made with every state.

    Args:
        direction: unit thrust direction, BCI.
        pointing_script: the same in the script's own frame.
        pitch_rad: above the local horizontal.
        heading_rad: clockwise from north, [0, 2 pi).
        cutoff_at_s: on the vehicle's clock; None while no cutoff is planned.
        latest_off_at_s: the engine must not burn beyond it, whatever becomes of the link; None while it is off.
        next_contact_s: how long the script may stay silent.
        throttle_down: told ahead, for a script that may not hear again before the cutoff.
        engines: how many of the stage's engines should burn, `throttle_frac` being theirs; None: all.
        cut_on_contact: the script cuts the engines itself when legs or arms bear.
        arrivals: of a tower, soonest first; None for a vehicle.
        clearance: what the tower had said; None where no tower is on the vehicle's clock.
        decide_at_s: vehicle time until which it can still divert to the alternate that costs least.
    """

    seq: int
    time_s: float
    phase: str
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
    engines: int | None = None
    cut_on_contact: bool = False
    arrivals: tuple[Arrival, ...] | None = None
    clearance: Clearance | None = None
    decide_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class OpenRequest:
    """One `open` message, its flight plan already resolved.

    Args:
        named: whether it asked for the plan by name.
        clock: name of the clock that it shares with other sessions; empty for its own.
    """

    vehicle: str
    role: Role
    plan: FlightPlan
    frame: Frame = field(default_factory=Frame)
    resume: str | None = None
    detail: bool = False
    named: bool = False
    clock: str = ""

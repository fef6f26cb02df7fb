"""Landings flown through a session by the simulator: an invented vehicle, its pad, its tower."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import radians

from guidance_svc.core.frames import ground_velocity, on_ellipsoid, triad
from guidance_svc.core.vectors import add, along
from guidance_svc.domain import (
    Body,
    Command,
    FlightPlan,
    Frame,
    Landing,
    Readings,
    Site,
    Stage,
    Vec,
    Vehicle,
    VehicleState,
)
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.disturbances import NONE, Disturbances
from guidance_svc.rehearsal.loop import FlightLog, Guide, fly, has_landed, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.pad import Contact, Pad
from guidance_svc.sim.state import SimState, World

EARTHLIKE = Body("earthlike", 3.986e14, 6.378e6, 1.0 / 298.0, 1.08e-3, 7.29e-5, "us1976")
MOONLIKE = Body("moonlike", 4.9028e12, 1.7374e6)
SITE = Site("Samphire", radians(28.5), radians(-80.5), 12.0)
STAGE = Stage(
    "booster", 27e3, 8e3, 880e3, 3050.0, exit_area_m2=0.74, throttle_min_frac=0.55, engine_lag_s=0.12,
    ignition_delay_s=0.2,
)  # fmt: skip
VEHICLE = Vehicle(
    "Sandpiper", (STAGE,), drag_area_m2=9.5, drag_curve=((0.0, 1.0),), attitude_rate_limit_rad_s=radians(15.0),
    attitude_acceleration_limit_rad_s2=radians(60.0), legs_below_m=12.0, catch_point_m=20.0,
)  # fmt: skip
SOFT = Descent(soft_speed_m_s=15.0, soft_frac=0.6)
LANDER = Vehicle(
    "Heron", (Stage("lander", 4e3, 5.2e3, 45e3, 3050.0, throttle_min_frac=0.1),), legs_below_m=3.0,
    attitude_rate_limit_rad_s=radians(30.0), attitude_acceleration_limit_rad_s2=radians(90.0),
)  # fmt: skip


@dataclass(frozen=True)
class Start:
    """From where a landing begins, against the site: east, north, up."""

    offset_m: Vec
    speed_m_s: Vec
    propellant_kg: float
    lean: Vec = (0.0, 0.0, 1.0)


FALL = Start((-140.0, 25.0, 1900.0), (14.0, -3.0, -190.0), 6500.0)
BELOW = Start((-105.0, 20.0, 1900.0), (14.0, -3.0, -190.0), 6500.0)
DIVERT = Start((-60.0, 80.0, 320.0), (6.0, -4.0, -12.0), 5200.0)


@dataclass
class Flown:
    """A landing and what was said in it."""

    log: FlightLog
    states: list[VehicleState] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)

    @property
    def contact(self) -> Contact:
        """How it touched."""
        contact = self.log.state.contact
        assert contact is not None, self.log.last
        return contact


def plan_of(phase: Descent, landing: Landing, vehicle: Vehicle = VEHICLE, body: Body = EARTHLIKE) -> FlightPlan:
    """One descent."""
    return FlightPlan("landing", body, vehicle, None, (phase,), landing=landing)


def craft_of(plan: FlightPlan, start: Start, pad: Pad, vehicle: Vehicle | None = None) -> Craft:
    """The vehicle above its site; `vehicle` where it is another than the plan's."""
    body, flown = plan.body, vehicle or plan.vehicle
    site = pad.site
    ground = on_ellipsoid(site.latitude_rad, site.longitude_rad, site.altitude_m, body.radius_m, body.flattening)
    local = triad(ground, "geodetic", body)

    def there(values: Vec) -> Vec:
        return along(along(along((0.0, 0.0, 0.0), values[0], local.east), values[1], local.north), values[2], local.up)

    position = add(ground, there(start.offset_m))
    velocity = add(there(start.speed_m_s), ground_velocity(position, body.rotation_rad_s))
    state = SimState(0.0, position, velocity, there(start.lean), (start.propellant_kg,))
    return Craft(flown.name, World(body, flown, pad=pad), state)


def flown(
    plan: FlightPlan, craft: Craft, guide: Callable[[Session], Guide] = in_process, tick_s: float = 0.05,
    disturbances: Disturbances = NONE,
) -> Flown:  # fmt: skip
    """Fly it to contact and three states further, so that the verdict is heard."""
    session, over = Session(plan, Frame(), detail=True), [0]
    out = Flown(FlightLog(craft))

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        out.states.append(message)
        out.commands.append(command)

    def done(log: FlightLog) -> bool:
        over[0] += has_landed(log)
        return over[0] > 6

    out.log = fly(craft, guide(session), done, tick_s=tick_s, most_s=120.0, watch=watch, disturbances=disturbances)
    return out


def without_readings(message: VehicleState) -> VehicleState:
    """The state of a script that tells nothing of legs, engines and turning."""
    return message._replace(readings=None)


def deaf(message: VehicleState) -> VehicleState:
    """The state of a script that tells no contact."""
    told = message.readings or Readings()
    return message._replace(readings=told._replace(contact=None))

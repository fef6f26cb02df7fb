"""A return on a turning, flattened body in wind; engines lag, the attitude cannot jump. All invented."""

from __future__ import annotations

from dataclasses import replace
from math import radians

from guidance_svc.core.frames import from_local, ground_velocity, on_ellipsoid, triad
from guidance_svc.core.vectors import add, unit
from guidance_svc.domain import FlightPlan, Landing, Phase, Site, Vec, Vehicle
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft, craft_on_pad
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.state import SimState, World
from guidance_svc.sim.weather import Weather
from tests.closed_loop.landing_flights import EARTHLIKE
from tests.closed_loop.return_flights import (
    CASES,
    CONTACT_M_S,
    ENGINES,
    GROUPS,
    Returned,
    landing_phases,
    returned,
    vehicle_of,
)

SITE = Site("Samphire", radians(28.5), radians(-80.5), 12.0)
BREEZE = Weather(wind=((0.0, 4.0, -3.0), (5e3, 10.0, 12.0), (12e3, 5.0, 25.0), (30e3, 0.0, 5.0)))
PROPELLANT_KG = 50e3


def vehicle() -> Vehicle:
    """The booster of B01 with engines that lag and an attitude that cannot jump."""
    plain = vehicle_of(CASES["B01"])
    stage = replace(
        plain.stages[0], engine_lag_s=0.12, ignition_delay_s=0.2, propellant_kg=PROPELLANT_KG, ignitions=4,
        tail_off_impulse_n_s=1e5,
    )  # fmt: skip
    return replace(
        plain, stages=(stage,), attitude_rate_limit_rad_s=radians(20.0),
        attitude_acceleration_limit_rad_s2=radians(20.0), legs_below_m=12.0,
    )  # fmt: skip


def lifting(coefficient: float) -> Vehicle:
    """The same with lift when it leans, engines first."""
    return replace(vehicle(), fall_lift_curve=((0.0, coefficient), (2.0, coefficient)))


def from_the_pad() -> tuple[Returned, list[SimState]]:
    """The demo's booster from its pad to one downrange, with the states of what it let go."""
    library = load_library(default_folder())
    plan, carried = library.plan("sandpiper_boost", "booster"), library.plan("curlew_to_lagoon", "upper_stage")
    stage = replace(plan.vehicle.stages[0], engine_count=ENGINES, groups=GROUPS)
    curve = ((0.0, 0.75), (0.8, 0.75), (1.2, 1.25))
    booster = replace(plan.vehicle, stages=(stage,), fall_drag_curve=curve, legs_below_m=12.0)
    site, upper = Site("Mudflat", radians(28.64), radians(-28.39)), list[SimState]()
    plan = replace(
        plan, vehicle=booster, phases=(*plan.phases, *landing_phases(41e3, 70e3)),
        landing=Landing(site, contact_speed_m_s=CONTACT_M_S),
    )  # fmt: skip
    craft = craft_on_pad("Sandpiper", plan, carried, lambda line: None)
    craft.world = replace(craft.world, pad=Pad(site))
    craft.on_separation = lambda world, state: upper.append(state)
    return returned(plan, craft, tick_s=0.2), upper


def plan_over(phases: tuple[Phase, ...], flown: Vehicle | None = None) -> FlightPlan:
    """Back to the site."""
    return FlightPlan(
        "home", EARTHLIKE, flown or vehicle(), None, phases, landing=Landing(SITE, contact_speed_m_s=CONTACT_M_S)
    )


def craft_over(plan: FlightPlan, weather: Weather | None = BREEZE, true: Vehicle | None = None) -> Craft:
    """62 km up and 61 km north-east of the site, going up and away."""
    body, place = plan.body, (SITE.latitude_rad + radians(0.3), SITE.longitude_rad + radians(0.52))
    position = on_ellipsoid(*place, 62e3, body.radius_m, body.flattening)
    local = triad(position, "geodetic", body)
    over: Vec = from_local(980.0, 700.0, 1150.0, local)
    velocity = add(over, ground_velocity(position, body.rotation_rad_s))
    flown = true or plan.vehicle
    world = World(body, flown, weather=weather, pad=Pad(SITE))
    tank = (plan.vehicle.stages[0].propellant_kg,)
    return Craft("Sandpiper", world, SimState(0.0, position, velocity, unit(over), tank))

"""Returns flown through a session by the simulator: the fuel-optimal references, and what was felt on the way."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from math import cos, exp, inf, radians, sin, tanh
from pathlib import Path
from typing import Any

from guidance_svc.core.atmosphere import air_of
from guidance_svc.core.frames import ground_velocity
from guidance_svc.core.vectors import add, norm, scale, sub
from guidance_svc.domain import (
    Body,
    Command,
    FlightPlan,
    Frame,
    Landing,
    Phase,
    Site,
    Stage,
    Vec,
    Vehicle,
    VehicleState,
)
from guidance_svc.laws.boostback_plan import Boostback
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.entry_plan import EntryBurn
from guidance_svc.laws.fall import Fall
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, Guide, fly, has_landed, in_process
from guidance_svc.session.packing import pack
from guidance_svc.session.session import Session
from guidance_svc.sim.full_motion import air_velocity
from guidance_svc.sim.motion import height_above_ellipsoid_m
from guidance_svc.sim.pad import Contact, Pad
from guidance_svc.sim.state import SimState, World, mass_kg

CASES: dict[str, dict[str, Any]] = json.loads(
    (Path(__file__).parent.parent / "reference" / "data" / "return_optimum.json").read_text()
)
"""Source: `reference/build_optimum.py`."""
ENGINES, GROUPS = 9, (1, 3, 9)
DRY_KG = 24e3
CONTACT_M_S = 0.3


def body_of(case: dict[str, Any]) -> Body:
    """The sphere and the exponential air of a reference, which a table of two rows is."""
    body, air = case["body"], case["air"]
    rows = tuple(
        (h, air["rho0_kg_m3"] * exp(-h / air["density_scale_height_m"]),
         air["p0_pa"] * exp(-h / air["pressure_scale_height_m"]), air["speed_of_sound_m_s"]) for h in (-1000.0, 200e3)
    )  # fmt: skip
    return Body("sphere", body["mu_m3_s2"], body["radius_m"], atmosphere="table", air=rows)


def vehicle_of(case: dict[str, Any]) -> Vehicle:
    """The reference's booster, alone."""
    engine, drag, start = case["engine"], case["drag"], case["start"]
    stage = Stage(
        "booster", DRY_KG, start["mass_kg"] - DRY_KG, ENGINES * engine["thrust_vac_n"],
        engine["exhaust_velocity_vac_m_s"], ENGINES * engine["exit_area_m2"], engine["throttle_min"],
        engine_count=ENGINES, groups=GROUPS,
    )  # fmt: skip
    machs = [0.05 * i for i in range(60)]
    curve = tuple(
        (m, drag["cd_sub"] + (drag["cd_sup"] - drag["cd_sub"]) * (1.0 + tanh((m - drag["mach"]) / drag["width"])) / 2.0)
        for m in machs
    )
    return Vehicle("Sandpiper", (stage,), drag_area_m2=drag["area_m2"], drag_curve=curve, fall_drag_curve=curve)


@dataclass
class Returned:
    """A return and what was said and felt in it.

    Args:
        most_pa: greatest dynamic pressure.
        entry_end_m: height at the end of the entry burn.
        used_kg: propellant.
        points: the session after each state, packed.
    """

    log: FlightLog
    states: list[VehicleState] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    most_pa: float = 0.0
    entry_end_m: float = inf
    used_kg: float = 0.0
    points: list[bytes] = field(default_factory=list)

    @property
    def contact(self) -> Contact:
        """How it touched."""
        contact = self.log.state.contact
        assert contact is not None, self.log.last
        return contact


def start_of(case: dict[str, Any], body: Body) -> tuple[Vec, Vec, Vec]:
    """Position, velocity and direction of flight at the start; downrange is towards east on the equator."""
    start = case["start"]
    angle = start["downrange_m"] / body.radius_m
    up, ahead = (cos(angle), sin(angle), 0.0), (-sin(angle), cos(angle), 0.0)
    velocity = add(scale(start["vertical_speed_m_s"], up), scale(start["along_speed_m_s"], ahead))
    return scale(body.radius_m + start["altitude_m"], up), velocity, scale(1.0 / norm(velocity), velocity)


def plan_home(
    case: dict[str, Any], phases: tuple[Phase, ...], body: Body | None = None, short_m: float = 0.0
) -> FlightPlan:
    """The return of a reference's booster to its pad.

    Args:
        short_m: how much nearer the pad is than the reference's.
    """
    body = body or body_of(case)
    downrange = case["target"]["downrange_m"]
    at_m = case["optimum"]["landed_at_downrange_m"] if downrange is None else downrange
    angle = (at_m - short_m) / body.radius_m
    site = Site("Mudflat", 0.0, angle)
    return FlightPlan(
        "home", body, vehicle_of(case), None, phases, landing=Landing(site, contact_speed_m_s=CONTACT_M_S)
    )


def craft_of(case: dict[str, Any], plan: FlightPlan, world: World | None = None) -> Craft:
    """The booster at the reference's start, pointing along its motion."""
    assert plan.landing is not None
    position, velocity, ahead = start_of(case, plan.body)
    velocity = add(velocity, ground_velocity(position, plan.body.rotation_rad_s))
    stage = plan.vehicle.stages[0]
    world = world or World(plan.body, plan.vehicle, pad=Pad(plan.landing.site))
    return Craft("Sandpiper", world, SimState(0.0, position, velocity, ahead, (stage.propellant_kg,)))


def pressure_pa(state: SimState, world: World) -> float:
    """True dynamic pressure."""
    height = height_above_ellipsoid_m(state.position_m, world.body.radius_m, world.body.flattening)
    air = air_velocity(state.position_m, height, state.time_s, world.body_numbers, world.figures.winds)
    speed = norm(sub(state.velocity_m_s, air))
    return 0.5 * air_of(world.body, height)[0] * speed * speed


def returned(
    plan: FlightPlan, craft: Craft, guide: Callable[[Session], Guide] = in_process, tick_s: float = 0.1
) -> Returned:
    """Fly it to contact and some states further, so that the verdict is heard."""
    session, over = Session(plan, Frame(), detail=True), [0]
    out = Returned(FlightLog(craft))
    full_kg = mass_kg(craft.state, craft.world)

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        out.states.append(message)
        out.commands.append(command)
        assert session.point is not None
        out.points.append(pack(session.point))
        out.most_pa = max(out.most_pa, pressure_pa(craft.state, craft.world))
        if command.phase == "entry_burn":
            out.entry_end_m = height_above_ellipsoid_m(
                craft.state.position_m, plan.body.radius_m, plan.body.flattening)  # fmt: skip

    def done(log: FlightLog) -> bool:
        over[0] += has_landed(log)
        return over[0] > 6

    out.log = fly(craft, guide(session), done, tick_s=tick_s, most_s=1000.0, watch=watch)
    out.used_kg = full_kg - mass_kg(craft.state, craft.world)
    return out


def landing_phases(start_altitude_m: float, most_pa: float, planned_frac: float = 0.97) -> tuple[Phase, ...]:
    """From a fall on: three engines against the flow, one to the ground."""
    return (
        Fall(), EntryBurn(start_altitude_m, None, 3, 1.0, most_pa), Fall(),
        Descent(planned_frac, engines=((1, 0.0),), tilt_per_root_m_rad=0.008),
    )  # fmt: skip


def return_phases(start_altitude_m: float, most_pa: float) -> tuple[Phase, ...]:
    """From the separation on: three engines back, then as `landing_phases`."""
    back = Boostback(coast_s=8.0, engines=3, flip_rate_rad_s=radians(30.0))
    return (back, *landing_phases(start_altitude_m, most_pa))

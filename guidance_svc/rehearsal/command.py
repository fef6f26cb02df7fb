"""The command `rehearse`: a flight plan flown in this process, with what is wrong, and the orbit that it comes to."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import inf
from pathlib import Path
from typing import Final

from guidance_svc.constants import CAUTION
from guidance_svc.domain import Command, FlightPlan, Role, VehicleState
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.files.out_paths import require_folder
from guidance_svc.laws.plan_rules import require_vehicle
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.disturbances import NONE, Disturbances, true_world
from guidance_svc.rehearsal.loop import FlightLog, Watch, fly
from guidance_svc.rehearsal.outcome import USUAL, Bounds, Leg, misses, rows_of, story
from guidance_svc.rehearsal.service import NearService
from guidance_svc.rehearsal.starts import craft_of_plan
from guidance_svc.report.tables import text_table
from guidance_svc.sim.state import FAIR, SimState, World
from guidance_svc.sim.weather import Weather

MISSED: Final = 1  # exit code
LONGEST_S: Final = 1e6  # of vehicle time for one vehicle
BAR_AFTER_S: Final = 1.0  # of real time
BAR_EVERY: Final = 20  # states


@dataclass(frozen=True, slots=True)
class Ask:
    """What is asked of a rehearsal.

    Args:
        flight, carries: names of flight plans.
        rate_hz: states a second under power.
        tick_s: of the clock on which the engine can be cut; None: at any instant.
        out: folder for the recording; None: no recording.
    """

    flight: str
    carries: str | None = None
    rate_hz: float = 10.0
    tick_s: float | None = None
    disturbances: Disturbances = NONE
    bounds: Bounds = USUAL
    out: Path | None = None

    @property
    def ticks(self) -> tuple[float, int]:
        """Length of a tick, s, and ticks from state to state."""
        state_s = 1.0 / self.rate_hz
        return (state_s, 1) if self.tick_s is None else (self.tick_s, max(1, round(state_s / self.tick_s)))


def run_rehearsal(library: Library, ask: Ask, say: Callable[[str], None]) -> int:
    """Fly; print what came of it. 0: as planned within the bounds; 1: not.

    Raises:
        ConfigError: a bad plan, or a folder that cannot be written to.
        MessageFault: the service refuses the plan.
        RecordingError: no recording can be made.
    """
    if ask.out is not None:
        require_folder(ask.out, "--out")
    service = NearService(library, ask.out)
    try:
        with progress() as watch:
            legs = fly_legs(library, ask, service, watch)
    finally:
        service.close()
    say(CAUTION)
    missed: list[str] = []
    for leg in legs:
        rows = rows_of(leg)
        missed += misses(leg, rows, ask.bounds)
        for line in flight_lines(leg, text_table(rows) if rows else ""):
            say(line)
    say("\n".join(["NOT AS PLANNED", *missed]) if missed else f"flown as planned, {ask.bounds.sentence(legs)}")
    if service.recording is not None:
        say(f"recording: {service.recording}")
    return MISSED if missed else 0


def flight_lines(leg: Leg, table: str) -> Iterator[str]:
    """One vehicle's flight in lines."""
    states = leg.log.commands if leg.log is not None else 0
    yield f"\n{leg.name}: flight plan {leg.plan.name}, {states} commands"
    yield from story(leg)
    if table:
        yield table


def fly_legs(library: Library, ask: Ask, service: NearService, watch: Watch) -> list[Leg]:
    """The vehicle, then what it carries.

    Raises:
        ConfigError: a bad plan.
        MessageFault: the service refuses it.
    """
    role: Role = library.role_for(ask.flight) if ask.carries is None else "booster"
    plan = library.plan(ask.flight, role)
    require_vehicle(plan, "flight")
    upper = None if ask.carries is None else library.plan(ask.carries, "upper_stage")
    legs = [Leg(plan.vehicle.name, plan)]
    craft = start_craft(plan, upper, legs[0], ask.disturbances)
    if upper is not None:
        legs.append(Leg(other_name(upper.vehicle.name, plan.vehicle.name), upper))
    let_go: list[Craft] = []

    def note_separation(world: World, state: SimState) -> None:
        leg = legs[1]
        own = true_world(replace(world, vehicle=leg.plan.vehicle), ask.disturbances)
        let_go.append(Craft(leg.name, own, state, leg.note))

    if upper is not None:
        craft.on_separation = note_separation
    fly_leg(legs[0], craft, role, ask.flight, ask, service, watch)
    if upper is not None and let_go and ask.carries is not None:
        fly_leg(legs[1], let_go[0], "upper_stage", ask.carries, ask, service, watch)
    return legs


def other_name(name: str, taken: str) -> str:
    """A name for a vehicle beside another."""
    return name if name != taken else f"{name}-2"


def start_craft(plan: FlightPlan, upper: FlightPlan | None, leg: Leg, d: Disturbances) -> Craft:
    """The true vehicle where its flight begins."""
    craft = craft_of_plan(leg.name, plan, upper, leg.note)
    craft.world = true_world(craft.world, d)
    return craft


def fly_leg(
    leg: Leg, craft: Craft, role: Role, plan: str, ask: Ask, service: NearService, watch: Watch
) -> None:
    """One vehicle from where it is to its plan's end."""
    guide, (tick_s, every) = service.open_session(leg.name, role, plan, leg.plan.body), ask.ticks

    def note_command(log: FlightLog, message: VehicleState, command: Command) -> None:
        leg.log = log
        watch(log, message, command)

    leg.log = fly(
        craft, guide, tick_s=tick_s, state_every=every, disturbances=ask.disturbances, most_s=LONGEST_S,
        watch=note_command,
    )
    service.ask(leg.name, {"type": "close"})


@contextmanager
def progress() -> Iterator[Watch]:
    """A bar on standard error for a flight that takes longer than a second; nothing where nobody looks."""
    if not sys.stderr.isatty():
        yield lambda log, message, command: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    began_s = time.monotonic()
    bar = Progress(BarColumn(20), TextColumn("{task.description}"), console=Console(stderr=True), transient=True)
    task = bar.add_task("", total=None)

    def watch(log: FlightLog, message: VehicleState, command: Command) -> None:
        if message.seq % BAR_EVERY == 0 and time.monotonic() - began_s > BAR_AFTER_S:
            bar.start()
            left_s = command.time_to_cutoff_s
            words = "" if left_s is None else f", {left_s:.0f} s to cutoff"
            bar.update(task, description=f"{log.craft.name}: {message.time_s:.0f} s, {command.phase}{words}")

    try:
        yield watch
    finally:
        bar.stop()


def weather_rules(w: Weather) -> tuple[tuple[str, object, bool, str], ...]:
    """For each option: its value, whether that can be, and what can."""
    speeds = [speed for _, north, east in w.wind for speed in (north, east)]
    return (
        ("--wind-north-m-s, --wind-east-m-s", tuple(speeds), all(-1000.0 <= speed <= 1000.0 for speed in speeds),
         "-1000 to 1000 (m/s)"),
        ("--gust-m-s", w.gust_m_s, 0.0 <= w.gust_m_s <= 1000.0, "0 to 1000 (m/s)"),
        ("--density-percent", 100.0 * (w.density_frac - 1.0), 0.0 <= w.density_frac <= 10.0, "-100 to 900 (%)"),
        ("--drag-percent", 100.0 * (w.drag_frac - 1.0), 0.0 <= w.drag_frac <= 10.0, "-100 to 900 (%)"),
    )  # fmt: skip


def ask_of(
    flight: str, carries: str | None, rate_hz: float, tick_s: float | None, disturbances: Disturbances,
    bounds: Bounds, out: Path | None,
) -> Ask:  # fmt: skip
    """What is asked, checked.

    Raises:
        ConfigError: a number that cannot be, or a loss of thrust without its time or the other way round.
    """
    d = disturbances
    rules = (
        ("--rate", rate_hz, 0.0 < rate_hz <= 1000.0, "above 0, at most 1000 (states a second)"),
        ("--tick-s", tick_s, tick_s is None or 0.0 < tick_s <= 10.0, "above 0, at most 10 (s)"),
        ("--noise-m", d.noise_m, 0.0 <= d.noise_m < inf, "0 or more (m)"),
        ("--noise-m-s", d.noise_m_s, 0.0 <= d.noise_m_s < inf, "0 or more (m/s)"),
        ("--noise-kg", d.noise_kg, 0.0 <= d.noise_kg < inf, "0 or more (kg)"),
        ("--delay-s", d.delay_s, 0.0 <= d.delay_s <= 60.0, "0 to 60 (s)"),
        ("--lost-percent", 100.0 * d.lost_frac, 0.0 <= d.lost_frac < 1.0, "0 or more, below 100 (%)"),
        ("--thrust-percent", 100.0 * (d.thrust_frac - 1.0), 0.1 <= d.thrust_frac <= 10.0, "-90 to 900 (%)"),
        ("--isp-percent", 100.0 * (d.exhaust_frac - 1.0), 0.1 <= d.exhaust_frac <= 10.0, "-90 to 900 (%)"),
        ("--dry-mass-percent", 100.0 * (d.dry_mass_frac - 1.0), 0.1 <= d.dry_mass_frac <= 10.0, "-90 to 900 (%)"),
        ("--tail-off-s", d.tail_off_s, d.tail_off_s is None or 0.0 <= d.tail_off_s <= 60.0, "0 to 60 (s)"),
        ("--engine-loss-percent", 100.0 * (1.0 - d.thrust_kept_frac), 0.0 < d.thrust_kept_frac <= 1.0,
         "0 or more, below 100 (%)"),
        ("--engine-loss-at-s", d.engine_loss_at_s, (d.engine_loss_at_s < inf) == (d.thrust_kept_frac < 1.0),
         "a time, and --engine-loss-percent with it"),
        ("--ignition-s", d.ignition_s, -60.0 <= d.ignition_s <= 60.0, "-60 to 60 (s)"),
        ("--lag-s", d.lag_s, d.lag_s is None or 0.0 <= d.lag_s <= 10.0, "0 to 10 (s)"),
        ("--within-m", bounds.apsides_m, bounds.apsides_m > 0.0, "above 0 (m)"),
        ("--within-deg", bounds.plane_deg, bounds.plane_deg > 0.0, "above 0 (deg)"),
        ("--miss-m", bounds.miss_m, bounds.miss_m > 0.0, "above 0 (m)"),
        ("--contact-m-s", bounds.contact_m_s, bounds.contact_m_s > 0.0, "above 0 (m/s)"),
        *weather_rules(d.weather or FAIR),
    )  # fmt: skip
    for option, value, holds, expected in rules:
        if not holds:
            raise ConfigError("bad_value", option, expected, value)
    return Ask(flight, carries, rate_hz, tick_s, replace(d, cut_on_tick=tick_s is not None), bounds, out)

"""The command `boost`: search a boost program, fly it closed loop to verify, write it into the flight plan."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import degrees, inf, radians
from pathlib import Path

from guidance_svc.constants import CAUTION
from guidance_svc.domain import Boost, FlightPlan, Hold, Insertion, Orbit, Phase, Role
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import Library
from guidance_svc.files.out_paths import require_file
from guidance_svc.planning.boost.ascent_trial import ascent_of, try_program
from guidance_svc.planning.boost.file import planned_text, write_plan
from guidance_svc.planning.boost.homeward import MARGIN_FRAC, Homeward, homeward_of, parts_at_reserve, plan_both
from guidance_svc.planning.boost.plot import Panel, ascent_page
from guidance_svc.planning.boost.return_words import Return, return_after, return_words, site_of
from guidance_svc.planning.boost.search import Planned, Progress, plan_boost, require_scipy
from guidance_svc.rehearsal.closed_loop import AscentFlight, fly_ascent
from guidance_svc.report.plots import HOW_TO_GET_PLOTS
from guidance_svc.sim.state import World

DEFAULT_ALPHA_RAD = radians(8.0)  # common practice, no source: where the plan has no limit and the body has air
DEFAULT_Q_ALPHA_PA_RAD = radians(150e3)  # likewise
DEFAULT_YAW_RAD = radians(1.5)  # lean towards the plane, where the plan has none


@dataclass(frozen=True, slots=True)
class Result:
    """What the command found."""

    plan: FlightPlan
    planned: Planned
    before_kg: float
    flight: AscentFlight
    searched_s: float
    flown_s: float
    back: Return | None = None


def whole_ascent(library: Library, flight: str, carries: str | None) -> FlightPlan:
    """The plan from the pad to the end of the insertion, limits filled in where the plan has none.

    Args:
        carries: plan of the vehicle on top, whose stages then follow.

    Raises:
        ConfigError: a bad plan, or a payload that is not what the carried vehicle weighs.
    """
    plan = library.plan(flight, boost_role(carries))
    if carries is not None:
        plan = stack_plans(plan, library.plan(carries, "upper_stage"))
    phases = tuple(p for p in plan.phases if isinstance(p, Hold | Boost | Insertion))
    return replace(plan, phases=(*(limit_boost(p, plan) if isinstance(p, Boost) else p for p in phases), Orbit()))


def boost_role(carries: str | None) -> Role:
    """What the vehicle is whose boost is planned."""
    return "booster" if carries else "launch_vehicle"


def stack_plans(below: FlightPlan, above: FlightPlan) -> FlightPlan:
    """A booster's plan and its carried vehicle's plan as the plan of one vehicle."""
    weighs = above.vehicle.mass_at_ignition_kg(0)
    if abs(weighs - below.vehicle.payload_kg) > 0.5:
        expected = f"{weighs:g}, what {above.vehicle.name} weighs"
        raise ConfigError("bad_value", "vehicle.payload_kg", expected, below.vehicle.payload_kg)
    upper = next((p for p in above.phases if isinstance(p, Insertion)), Insertion())
    count = len(below.vehicle.stages)
    vehicle = replace(
        below.vehicle, stages=below.vehicle.stages + above.vehicle.stages, payload_kg=above.vehicle.payload_kg,
        cover_mass_kg=above.vehicle.cover_mass_kg, drop_cover_above_m=above.vehicle.drop_cover_above_m,
        drop_cover_below_w_m2=above.vehicle.drop_cover_below_w_m2,
    )  # fmt: skip
    phases = tuple(p for p in below.phases if isinstance(p, Hold | Boost))
    insertion = replace(upper, first_stage=count + upper.first_stage, ignite_at_s=None)
    return replace(below, vehicle=vehicle, target=above.target, phases=(*phases, insertion))


def limit_boost(boost: Boost, plan: FlightPlan) -> Boost:
    """The phase with the planner's own limits where the plan has none and the body has air."""
    yaw = boost.max_yaw_rad or (0.0 if plan.target is None or plan.target.plane == "free" else DEFAULT_YAW_RAD)
    if plan.body.atmosphere == "none":
        return replace(boost, max_yaw_rad=min(yaw, boost.max_alpha_rad))
    alpha = boost.max_alpha_rad if boost.max_alpha_rad < inf else DEFAULT_ALPHA_RAD
    across = boost.max_q_alpha_pa_rad if boost.max_q_alpha_pa_rad < inf else DEFAULT_Q_ALPHA_PA_RAD
    return replace(boost, max_alpha_rad=alpha, max_q_alpha_pa_rad=across, max_yaw_rad=min(yaw, alpha))


def search(plan: FlightPlan, progress: Progress, home: Homeward | None = None) -> Result:
    """Search, then fly the winner closed loop at 20 ms.

    Args:
        home: the booster's return, for which it keeps a reserve.

    Raises:
        ConfigError: no program reaches the target.
        GuidanceError: the verifying flight does not end in an orbit, or there is no way home.
    """
    world = World(plan.body, plan.vehicle)
    ascent = ascent_of(plan, world)
    start = time.monotonic()
    before = try_program(ascent, ascent.boost).margin_kg
    both = home is not None and parts_at_reserve(ascent.boost)
    found = plan_both(ascent, home, progress) if home is not None and both else plan_boost(ascent, progress)
    searched = time.monotonic()
    phases = tuple(found.boost if isinstance(p, Boost) else p for p in plan.phases)
    planned = replace(plan, phases=phases, vehicle=plan.vehicle.keeping(found.boost.reserve_kg))
    flight = fly_ascent(planned, World(planned.body, planned.vehicle))
    back = None if home is None else return_after(flight, home, plan.vehicle.stages[0].reserve_kg, both)
    return Result(planned, found, before, flight, searched - start, time.monotonic() - searched, back)


def result_lines(result: Result) -> Iterator[str]:
    """Lines on what was planned: what is left, loads and limits, the orbit, the effort."""
    boost, flight, trial = result.planned.boost, result.flight, result.planned.trial
    points = ", ".join(f"{degrees(angle):z.2f} deg at {time_s:g} s" for time_s, angle in boost.pitch)
    was = f"{result.before_kg:z.1f} kg" if result.before_kg > -1e5 else "no orbit"
    stage = result.plan.vehicle.stages[0]
    yield f"pitch program: {points}"
    yield f"propellant left at orbit: {flight.margin_kg:.1f} kg flown at 20 ms, {trial.margin_kg:z.1f} kg in the search"
    if trial.margin_kg < 0.0:
        yield f"warning: {-trial.margin_kg:.0f} kg of propellant are missing for the target"
    yield f"with the plan's own program: {was} in the search's flight"
    yield limit_line("dynamic pressure", flight.most_q_pa, boost.max_dynamic_pressure_pa, "Pa")
    across = degrees(flight.most_q_alpha_pa), degrees(boost.max_q_alpha_pa_rad)
    yield limit_line("dynamic pressure times angle of attack", *across, "Pa deg")
    yield limit_line("angle of attack", flight.most_alpha_deg, degrees(boost.max_alpha_rad), "deg")
    acceleration = min(boost.max_acceleration_m_s2, stage.acceleration_limit_m_s2)
    yield limit_line("acceleration", flight.most_acceleration_m_s2, acceleration, "m/s2")
    yield from () if result.back is None else return_words(result.back)
    target = result.plan.target
    if target is not None:
        low, high = flight.perigee_m - target.perigee_radius_m, flight.apogee_m - target.apogee_radius_m
        yield f"orbit: perigee {low:+z.1f} m, apogee {high:+z.1f} m from the target"
    yield f"{result.planned.flights} boosts searched in {result.searched_s:z.1f} s; verified in {result.flown_s:z.1f} s"


def limit_line(name: str, reached: float, limit: float, unit: str) -> str:
    """One quantity beside its limit."""
    return f"{name}: {reached:z.1f} {unit}" + (f", limit {limit:z.1f}" if limit < inf else ", no limit")


def run_boost(
    library: Library, flight: str, carries: str | None, out: Path | None, plot: Path | None,
    say: Callable[[str], None] = print, margin_frac: float = MARGIN_FRAC,
) -> int:  # fmt: skip
    """Plan, verify, write, plot; the exit code.

    Args:
        margin_frac: what a booster that comes back keeps beyond what its return takes, of that.

    Raises:
        ConfigError: a bad plan, or a file that cannot be written.
    """
    source = library.files.get(f"flights/{flight}")
    if source is None:
        raise ConfigError("unknown_name", "FLIGHT", f"one of {', '.join(sorted(library.flights))}", flight)
    plan = whole_ascent(library, flight, carries)
    target = out or Path(f"{flight}.planned.toml")
    own = library.plan(flight, boost_role(carries))
    implied = own.phases if library.model(flight).phases is None else ()
    home = homeward_of(own, margin_frac)
    refuse_early(plan, Path(source), target, implied, plot)
    with shown_progress() as progress:
        result = search(plan, progress, home)
    say(CAUTION)
    lines = list(result_lines(result))
    for line in lines:
        say(line)
    notes = (f"planned by search: {result.flight.margin_kg:z.0f} kg left at orbit, flown closed loop",)
    write_plan(Path(source), target, result.planned.boost, notes, implied, site_of(result.back))
    say(f"written: {target}")
    if plot is not None:
        say(plot_result(plot, result, "\n".join(lines)))
    return 0


def refuse_early(plan: FlightPlan, source: Path, out: Path, implied: Sequence[Phase], plot: Path | None) -> None:
    """Everything that would be refused after the search, before it.

    Raises:
        ConfigError: the plan lacks something, its file cannot take a program, or a file cannot be written.
    """
    ascent = ascent_of(plan, World(plan.body, plan.vehicle))
    require_scipy()
    planned_text(source, ascent.boost, (), implied)
    require_file(out, "--out")
    if plot is not None:
        require_file(plot, "--plot")


def plot_result(path: Path, result: Result, table: str) -> str:
    """Write the page; what to tell of it."""
    rows, boost = result.flight.rows, result.planned.boost
    limits = [x if x < inf else None for x in (
        boost.max_dynamic_pressure_pa / 1e3, degrees(boost.max_alpha_rad), boost.max_acceleration_m_s2)]  # fmt: skip
    panels = (
        Panel("height, km", [r.height_m / 1e3 for r in rows]),
        Panel("speed over ground, m/s", [r.air_speed_m_s for r in rows]),
        Panel("commanded pitch, deg", [r.pitch_deg for r in rows]),
        Panel("dynamic pressure, kPa", [r.dynamic_pressure_pa / 1e3 for r in rows], limits[0]),
        Panel("angle of attack, deg (boost)", [r.alpha_deg if r.phase == Boost.law else float("nan") for r in rows],
              limits[1]),
        Panel("thrust acceleration, m/s2", [r.acceleration_m_s2 for r in rows], limits[2]),
        Panel("throttle", [r.throttle_frac for r in rows]),
        Panel("mass, t", [r.mass_kg / 1e3 for r in rows]),
    )  # fmt: skip
    try:
        page = ascent_page(f"Ascent of {result.plan.vehicle.name}", [r.time_s for r in rows], panels, table)
    except ImportError:
        return HOW_TO_GET_PLOTS
    path.write_text(page, encoding="utf-8")
    return f"plot: {path}"


@contextmanager
def shown_progress() -> Iterator[Callable[[int, int, float], None]]:
    """A bar on a terminal, else a line each 250 boosts, on standard error."""
    if not sys.stderr.isatty():

        def line(done: int, total: int, best_kg: float) -> None:
            if done % 250 == 0:
                print(f"{done} of about {total} boosts, best {best_kg:z.1f} kg", file=sys.stderr, flush=True)

        yield line
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    numbers = TextColumn("{task.completed} of about {task.total}, best {task.fields[best]}")
    columns = (TextColumn("boosts"), BarColumn(30), numbers)
    with Progress(*columns, console=Console(stderr=True)) as bars:
        task = bars.add_task("boosts", total=None, best="none yet")

        def bar(done: int, total: int, best_kg: float) -> None:
            bars.update(task, completed=done, total=max(done, total), best=f"{best_kg:z.1f} kg")

        yield bar

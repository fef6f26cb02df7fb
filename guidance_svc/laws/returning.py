"""What the laws of the return share: the way home that a plan has from a phase on, predicted from a state."""

from __future__ import annotations

from functools import lru_cache
from math import hypot, tan
from typing import NamedTuple

from guidance_svc.core.effort import spend, steps_left
from guidance_svc.core.fall_flight import (
    HEIGHT,
    NO_LOAD,
    NO_PUSH,
    PRESSURE,
    Falling,
    Field,
    Gate,
    Load,
    Push,
    Way,
    flow_m_s,
    thrust_direction,
)
from guidance_svc.core.frames import turn_z
from guidance_svc.core.lander import air_around
from guidance_svc.core.return_flight import Entry, Home, Homing, Landing, come_home
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Arrival, FlightPlan, LandingReport, Stage, Vec
from guidance_svc.errors import NotConverged
from guidance_svc.laws.descent_place import Place, frame_of, level
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.entry_plan import EntryBurn
from guidance_svc.laws.navigation import Navigation
from guidance_svc.laws.rows import Figures
from guidance_svc.laws.stack import burnout_alone_kg

LEAN_STEP = 0.02  # by which the lean is changed to see what that does
STEP_COST = 4  # a step of this prediction takes as long as so many of the counted ones
KEPT_FRAC = 0.998  # of a limit: the peak of a fall is predicted to a thousandth
SPARE_STEPS = 30  # that a prediction from another state may take more
NO_BURN = Entry(False, False, Gate(HEIGHT, 0.0), NO_PUSH, 0.0, 0.0, NO_LOAD, (0.0, 0.0))


Two = tuple[float, float]


class Leaning(NamedTuple):
    """A lean that takes the miss away.

    Args:
        lean: tangents off the way against the flow, upwards and to the right of the motion.
        columns: what a unit of each adds to the place of coming down, east and north, m; `known` of them hold.
        bounded: cycles in a row that found it at its bound.
    """

    lean: Two
    columns: tuple[Two, Two]
    known: int
    bounded: int


UPRIGHT = Leaning((0.0, 0.0), ((0.0, 0.0), (0.0, 0.0)), 0, 0)


class Route(NamedTuple):
    """The way home from a phase on.

    Args:
        homing: its prediction's constants.
        place: of the contact point.
        empty_kg: what the vehicle weighs without propellant.
    """

    homing: Homing
    place: Place
    empty_kg: float


@lru_cache(maxsize=64)
def route_of(plan: FlightPlan, first: int) -> Route:
    """The way home that a plan has from a phase on, with the entry burn that is still to come or is flown.

    Args:
        first: index of that phase.
    """
    vehicle, body, last = plan.vehicle, plan.body, len(plan.vehicle.stages) - 1
    later = plan.phases[first:]
    descent = next(p for p in later if isinstance(p, Descent))
    burn = next((p for p in later if isinstance(p, EntryBurn)), None)
    frame, stage = frame_of(plan, descent, last), vehicle.stages[last]
    curve = vehicle.fall_drag_curve or vehicle.drag_curve
    field = Field(
        body.mu_m3_s2, body.radius_m, body.j2, body.flattening, body.rotation_rad_s,
        air_around(body, 0.0, vehicle.drag_area_m2, curve, vehicle.fall_lift_curve), 1.0, (0.0, 0.0),
    )  # fmt: skip
    entry = NO_BURN if burn is None else entry_of(burn, stage)
    lander = frame.lander
    landing = Landing(lander.legs, lander.leg_count, frame.keys.planned_frac, frame.place.altitude_m)
    return Route(Homing(field, entry, landing, (0.0, 0.0)), frame.place, burnout_alone_kg(plan))


def entry_of(burn: EntryBurn, stage: Stage) -> Entry:
    """The entry burn as kernels take it."""
    gate = Gate(HEIGHT, burn.start_altitude_m) if burn.start_pressure_pa is None else (
        Gate(PRESSURE, burn.start_pressure_pa))  # fmt: skip
    push = push_of(stage, burn.engines, burn.throttle_frac)
    limit = Load(KEPT_FRAC * burn.most_pressure_pa, KEPT_FRAC * burn.most_heating_w_m2)
    most_s = stage.propellant_kg / push.flow_kg_s
    return Entry(True, False, gate, push, late_s(stage), most_s, limit, (0.0, 0.0))


def push_of(stage: Stage, engines: int | None, throttle_frac: float) -> Push:
    """So many of a stage's engines at a throttle; None: all."""
    part = 1.0 if engines is None else engines / stage.engine_count
    k = part * throttle_frac
    return Push(k * stage.thrust_n, k * stage.mass_flow_kg_s, part * stage.exit_area_m2)


def late_s(stage: Stage) -> float:
    """How much thrust an ignition costs: the delay, and the lag with which the thrust rises."""
    return stage.ignition_delay_s + stage.engine_lag_s


def soon_s(stage: Stage) -> float:
    """How much earlier an engine is cut for what it still gives afterwards."""
    return stage.tail_off_impulse_n_s / stage.thrust_n


def turning_with(now: Navigation) -> Falling:
    """A state in axes that turn with the body."""
    turn = -now.meridian_rad
    return Falling(0.0, turn_z(now.position_m, turn), turn_z(now.ground_velocity_m_s, turn), now.mass_kg, 0)


def predict(route: Route, homing: Homing, start: Falling, guess_s: float) -> Home:
    """The way home, counted.

    Raises:
        NotConverged: it does not come down to the contact point.
    """
    home = come_home(homing, start._replace(steps=0), guess_s)
    spend(STEP_COST * home.steps)
    if not home.reached:
        raise NotConverged("no_way_home", "", "a fall that ends at the contact point", "none")
    return home


def affordable(home: Home) -> bool:
    """Whether one more prediction like this one is within what the message may still compute."""
    return STEP_COST * (home.steps + SPARE_STEPS) <= steps_left()


def missed_m(home: Home, place: Place) -> Two:
    """Where it comes down, from the contact point, east and north."""
    east, north, _ = level(sub(home.position_m, place.position_m), place)
    return east, north


def report_home(home: Home, since_s: float, route: Route) -> LandingReport:
    """A way home as detail has it.

    Args:
        since_s: how long ago it was predicted.
    """
    frac, noise = route.homing.landing.throttle_frac, 0.0
    return LandingReport(
        home.time_s - since_s, hypot(*missed_m(home, route.place)), norm(home.velocity_m_s), frac, 1.0 - frac,
        home.mass_kg - route.empty_kg, noise, noise,
    )  # fmt: skip


def arrival_home(home: Home, solved_at_s: float, now: Navigation, plan: FlightPlan, first: int) -> Arrival | None:
    """What the tower that it comes to hears of a way home; how sure it is, is not known before the landing is flown.

    Args:
        solved_at_s: when it was predicted.
        first: index of the present phase.
    """
    if plan.landing is None:
        return None
    route, start = route_of(plan, first), turning_with(now)
    return Arrival(
        "", plan.landing.site.name, now.time_s, solved_at_s + home.time_s, None, start.position_m,
        norm(start.velocity_m_s), hypot(*missed_m(home, route.place)), None, "falling",
    )  # fmt: skip


def to_bci(direction: Vec, now: Navigation) -> Vec:
    """A direction that turns with the body, inertial."""
    return turn_z(direction, now.meridian_rad)


def short_words(home: Home, route: Route) -> tuple[str, ...]:
    """What is missing of the propellant, in words."""
    left_kg = home.mass_kg - route.empty_kg
    return (f"{-left_kg:.0f} kg of propellant are missing at contact",) if left_kg < 0.0 else ()


def figures_of(home: Home) -> Figures:
    """What of a prediction must be finite."""
    return (("home.time_s", home.time_s), ("home.mass_kg", home.mass_kg), ("home.position_m", home.position_m[0]))


def asked_lean(leaning: Leaning) -> Two:
    """The lean by which the next column is found."""
    x, y = leaning.lean
    return (x + LEAN_STEP, y) if leaning.known % 2 == 0 else (x, y + LEAN_STEP)


def leaning_after(leaning: Leaning, missed: Two, other: Two, most_rad: float) -> Leaning:
    """The lean that takes the miss away, or as much of it as the bound lets it, once both columns are known.

    Args:
        missed, other: place of coming down, from the contact point, with the present lean and with `asked_lean`.
    """
    new = ((other[0] - missed[0]) / LEAN_STEP, (other[1] - missed[1]) / LEAN_STEP)
    first, second = leaning.columns
    (a, b), (c, d) = columns = (new, second) if leaning.known % 2 == 0 else (first, new)
    leaning = leaning._replace(columns=columns, known=leaning.known + 1)
    det = a * d - b * c
    if leaning.known < 2 or det == 0.0:
        return leaning
    x = leaning.lean[0] - (d * missed[0] - c * missed[1]) / det
    y = leaning.lean[1] - (a * missed[1] - b * missed[0]) / det
    size, most = hypot(x, y), tan(most_rad)
    if size > most:
        x, y = x * most / size, y * most / size
    return leaning._replace(lean=(x, y), bounded=leaning.bounded + 1 if size > most else 0)


def leaning_bci(leaning: Leaning, now: Navigation, route: Route) -> Vec:
    """Thrust axis against the air flow with a lean, inertial."""
    field, start, null = route.homing.field, turning_with(now), (0.0, 0.0, 0.0)
    flow = flow_m_s(field, start.position_m, start.velocity_m_s)
    return to_bci(thrust_direction(field, Way(null, null, leaning.lean), 0.0, start.position_m, flow), now)

"""What is remembered between two states, as immutable values, and what a phase law orders.

`Flight` outlives a phase; `own` is the present law's, made when it begins and gone when it ends. Because the values are
immutable, going back in time is taking up earlier ones.
"""

from __future__ import annotations

from typing import Generic, NamedTuple, TypeVar

from guidance_svc.core.burn_state import UNTRACKED, Tracked
from guidance_svc.core.detour import Detour
from guidance_svc.core.estimator import EngineEstimate
from guidance_svc.core.steering import Steering
from guidance_svc.core.thrust_line import Known
from guidance_svc.domain import (
    Arrival,
    Clearance,
    DivertReport,
    Event,
    LandingReport,
    OrbitReport,
    ReachReport,
    Stage,
    Status,
    Target,
    ThrottleDown,
    Vec,
)
from guidance_svc.laws.last_seconds import Finish

Own = TypeVar("Own")
TURNING_KEPT_S = 0.25  # the rates of a steering law change by a hundredth of themselves in that time


class CutoffSeen(NamedTuple):
    """A cutoff whose tail-off is still to be seen.

    Args:
        at_s: vehicle time of it.
        energy_m2_s2, speed_m_s: orbital energy, flattening included, and inertial speed, without any tail-off.
        along_frac: part of the thrust direction along the velocity.
        throttle_frac: at it.
    """

    at_s: float
    energy_m2_s2: float
    speed_m_s: float
    along_frac: float
    throttle_frac: float


class Turning(NamedTuple):
    """How the ordered attitude turns, as sent.

    Args:
        pitch_rad_s, heading_rad_s: rates.
        at_s: vehicle time at which they were worked out.
        heading_rad: sent then; held while the thrust is vertical.
    """

    pitch_rad_s: float
    heading_rad_s: float
    at_s: float
    heading_rad: float


class Weighed(NamedTuple):
    """Vehicle time and mass of a state."""

    time_s: float
    mass_kg: float


def rates_kept(last: Turning | None, time_s: float) -> bool:
    """Whether the rates last worked out still stand at a vehicle time."""
    return last is not None and last.at_s <= time_s < last.at_s + TURNING_KEPT_S


class Steady(NamedTuple):
    """The engine as it was when its thrust was last found constant; see EngineEstimate and Engine.told_scale."""

    known: Known
    told_scale: float


class LimitLearnt(NamedTuple):
    """A thrust acceleration that the vehicle does not exceed, unknown to the plan, and since when it was seen."""

    acceleration_m_s2: float
    since_s: float


class Lean(NamedTuple):
    """A lean to the sides in the last seconds of a burn that is cut on a tick.

    Args:
        start_s, end_s: vehicle times; the end is the tick of the cutoff.
        angle_rad, rate_rad_s: off the law's direction, and how fast it is taken up.
        side: unit vector, BCI, towards which it leans first.
        planned_m_s: speed that it was planned to lose.
    """

    start_s: float
    end_s: float
    angle_rad: float
    rate_rad_s: float
    side: Vec
    planned_m_s: float


class Held(NamedTuple):
    """The attitude of a cutoff, held while the thrust dies away.

    Args:
        direction: of the thrust at it, BCI.
        cutoff_s, until_s: vehicle time of it, and of the end of the known tail-off.
    """

    direction: Vec
    cutoff_s: float
    until_s: float


class Engine(NamedTuple):
    """What is known of the engine of the stage that burns now or next.

    Args:
        estimate: from the telemetry.
        told_scale: thrust that the script tells over the vehicle file's; 1 where it tells none.
        flown: the present stage with thrust and exhaust velocity as flown; None while that is not known.
        steady: the engine as it was when its thrust was last constant; None before that.
        limit: an acceleration limit that the telemetry shows and the plan does not have.
        burning_since_s: when the engine was first seen on in this burn.
        tracked: filter of the states of this burn, once their noise is worth it.
    """

    estimate: EngineEstimate = EngineEstimate()
    told_scale: float = 1.0
    flown: Stage | None = None
    steady: Steady | None = None
    limit: LimitLearnt | None = None
    burning_since_s: float | None = None
    tracked: Tracked = UNTRACKED


class Cover(NamedTuple):
    """When the vehicle's cover is dropped; vehicle times.

    Args:
        drops_at_s: as announced, None while it is not.
        goes_s: at which the law's way will let it go, inf for never; None while not known.
        looked_at_s: at which that was worked out.
    """

    drops_at_s: float | None = None
    goes_s: float | None = None
    looked_at_s: float | None = None


class Flight(NamedTuple):
    """What outlives a phase.

    Args:
        begun: whether the first phase could begin with the state; until then each state tries again.
        phase: index into the plan's phases.
        since_s: vehicle time at which the phase began.
        stage: index of the vehicle's stage that burns now or next.
        throttle_frac: as last ordered.
        heading_rad: launch heading; as it will be while on the pad, chosen once at release.
        turning: rates of pitch and heading, when they were worked out, and the heading then.
        doubts: what does not fit between the first state and the plan, in words, until `doubts_until_s`.
        seen: ids of events that are done: acknowledged, or shown by a state.
        sent: events that went out and are not done, each as last said; only these can be acknowledged.
        weighed: vehicle time and mass of the last state.
        left_behind: what the last burn was expected to end in, until its tail-off has been seen.
        held: attitude of the last cutoff, while the thrust dies away.
        tail_off_n_s: impulse after a cutoff at full throttle as seen in this flight; None while the file's stands.
    """

    begun: bool = False
    phase: int = 0
    since_s: float = 0.0
    stage: int = 0
    throttle_frac: float = 1.0
    engine: Engine = Engine()
    cover: Cover = Cover()
    heading_rad: float | None = None
    turning: Turning | None = None
    doubts: tuple[str, ...] = ()
    doubts_until_s: float = 0.0
    seen: frozenset[str] = frozenset()
    sent: tuple[Event, ...] = ()
    weighed: Weighed | None = None
    left_behind: CutoffSeen | None = None
    held: Held | None = None
    tail_off_n_s: float | None = None


class Margin(NamedTuple):
    """Propellant left above the reserve at the end of a burn.

    Args:
        kg: as of the last major cycle.
        doubt_kg: a margin short by less than this may be none: the engine is not yet known so well.
        short_cycles: major cycles in a row that found the propellant short.
    """

    kg: float | None = None
    doubt_kg: float = 0.0
    short_cycles: int = 0


class Burn(NamedTuple):
    """A burn that is planned or flown; what one leaves is handed to the next phase.

    Args:
        law: the last steering law that converged.
        trial: the law being worked on; equals `law` when that is fresh.
        attempts: Newton calls since the law last converged.
        solved_at_s: vehicle time of the last major cycle.
        ignite_at_s: planned ignition, None once it is past or there is none.
        cutoff_at_s: planned end.
        finish: the last seconds, None before them.
        lean: to the sides in the last seconds, for an engine that does not throttle and is cut on ticks.
        detour: the insertion with a coast that is flown instead of the direct one; None for the direct one.
        lesser: the target flown instead of the plan's, when the propellant does not reach that.
        given_up: what was given up for it, in words; empty while the plan's own target is flown.
        margin: of its propellant.
        offset_m_s: radial and level speed over the osculating circle's that a circular burn ends with.
    """

    law: Steering | None = None
    trial: Steering | None = None
    attempts: int = 0
    solved_at_s: float | None = None
    ignite_at_s: float | None = None
    cutoff_at_s: float | None = None
    finish: Finish | None = None
    lean: Lean | None = None
    detour: Detour | None = None
    lesser: Target | None = None
    given_up: str = ""
    margin: Margin = Margin()
    offset_m_s: tuple[float, float] = (0.0, 0.0)


class Memory(NamedTuple, Generic[Own]):
    """Everything that changes while a session flies.

    Args:
        own: what the law of the present phase remembers.
    """

    flight: Flight
    own: Own


class Order(NamedTuple):
    """What a phase law wants now.

    Args:
        direction, direction_soon: unit thrust direction now and in one second, BCI; the second is None where it is
            the first, or not asked for because the rates last told still stand (`rates_kept`).
        events: in order; the first one that the script has not seen goes out.
        engines: how many of the stage's should burn; None: all.
        cut_on_contact: the script cuts at its own contact.
        arrivals: at a tower, soonest first; None for a vehicle.
        clearance, decide_at_s: as in `Command`.
    """

    direction: Vec
    direction_soon: Vec | None
    engine_on: bool
    throttle_frac: float = 1.0
    cutoff_at_s: float | None = None
    events: tuple[Event, ...] = ()
    throttle_down: ThrottleDown | None = None
    next_contact_s: float = 1.0
    status: Status = "ok"
    warnings: tuple[str, ...] = ()
    engines: int | None = None
    cut_on_contact: bool = False
    arrivals: tuple[Arrival, ...] | None = None
    clearance: Clearance | None = None
    decide_at_s: float | None = None


class Numbers(NamedTuple):
    """What stands behind an order; worked out only for scripts that ask for detail.

    Args:
        trial: the law being worked on.
        radius_spread_m, height_spread_m: of radius and height over the next revolution, once in orbit.
    """

    velocity_to_gain_m_s: float | None = None
    propellant_margin_kg: float | None = None
    predicted_orbit: OrbitReport | None = None
    trial: Steering | None = None
    radius_spread_m: float | None = None
    height_spread_m: float | None = None
    landing: LandingReport | None = None
    reach: ReachReport | None = None
    divert: tuple[DivertReport, ...] = ()

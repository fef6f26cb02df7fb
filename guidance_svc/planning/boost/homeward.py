"""The reserve that a booster's return needs, and the boost program that is best with it.

The reserve is that at which the return, as `check` predicts it, takes all that is kept but a margin. Program and
reserve are searched in turns: with the reserve held, a program is charged for what its separation makes the return take
(a linear function of position and velocity there, at the price of a kilogram of it in propellant at orbit), and then
the reserve is found anew. Where that comes to rest no change of both leaves more at orbit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf

from guidance_svc.core.vectors import along, dot, sub, unit
from guidance_svc.domain import Boost, FlightPlan, Vec
from guidance_svc.errors import ConfigError, GuidanceError
from guidance_svc.laws.boostback_plan import Boostback
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.planning.boost.ascent_trial import Ascent, Parted, Trial, try_program
from guidance_svc.planning.boost.program import search_for
from guidance_svc.planning.boost.search import Planned, Progress, plan_boost
from guidance_svc.rehearsal.reserve import WayBack, way_back
from guidance_svc.sim.state import SimState

MARGIN_FRAC = 0.05  # kept beyond what the return takes, of that
SETTLED_KG = 0.2  # between two cycles of the return's first law
MET_KG = 1.0  # of a reserve; a hundredth of what a return is predicted to
RESERVE_ROUNDS, TURNS = 12, 6
WAY_PARTS = (1.0, 0.5, 0.25, 0.1)  # of the way to what a turn's search found
STEP_KG, STEP_M, STEP_M_S = 200.0, 2e3, 10.0  # for differences
MOST_FRAC = 0.9  # of the first stage's propellant that may be kept


@dataclass(frozen=True, slots=True)
class Homeward:
    """The return of a booster.

    Args:
        plan: from the separation on, the vehicle alone.
        margin_frac: kept beyond what the return takes, of that.
    """

    plan: FlightPlan
    margin_frac: float = MARGIN_FRAC

    @property
    def site_follows(self) -> bool:
        """Whether nothing aims the fall, so that the landing site is where it leads."""
        return not any(isinstance(phase, Boostback) for phase in self.plan.phases)

    def way_from(self, parted: Parted, kept_kg: float, settled_kg: float = SETTLED_KG) -> WayBack:
        """The return from a separation with so much propellant.

        Args:
            settled_kg: as for `way_back`.

        Raises:
            GuidanceError: there is no way home from there.
        """
        time_s, r, v = parted
        found = way_back(self.plan, SimState(time_s, r, v, unit(v), (kept_kg,)), settled_kg)
        if found is None:
            expected = "a fall or a boostback after the boost"
            raise GuidanceError("no_way_home", "phases", expected, self.plan.phases[0].law)
        return found

    def wanted_kg(self, way: WayBack) -> float:
        """What should be kept for it."""
        return (1.0 + self.margin_frac) * way.takes_kg


@dataclass(frozen=True, slots=True)
class Settled:
    """A program with the reserve that its return needs.

    Args:
        kept_kg: the reserve.
        trial: the program's, with it.
        way: the return from there.
    """

    kept_kg: float
    trial: Trial
    way: WayBack


def homeward_of(plan: FlightPlan, margin_frac: float = MARGIN_FRAC) -> Homeward | None:
    """The return that a plan has after its boost; None for one that leaves the booster to its fall."""
    index = next((i for i, phase in enumerate(plan.phases) if isinstance(phase, Boost)), len(plan.phases))
    after = plan.phases[index + 1 :]
    if plan.landing is None or not any(isinstance(phase, Descent) for phase in after):
        return None
    alone = replace(plan.vehicle, payload_kg=0.0, cover_mass_kg=0.0)
    return Homeward(replace(plan, phases=after, vehicle=alone), margin_frac)


def parts_at_reserve(boost: Boost) -> bool:
    """Whether nothing but the reserve ends a boost, so that it can be planned."""
    return boost.separate_at_reserve and boost.separate_at_s == inf and boost.separate_at_speed_m_s == inf


def flown_with(ascent: Ascent, boost: Boost, kept_kg: float, back: Homeward) -> Settled:
    """A program and the return from its separation, with some reserve.

    Raises:
        GuidanceError: there is no way home from there.
        ConfigError: the program ends in the ground.
    """
    trial = try_program(ascent.keeping(kept_kg), boost)
    if trial.parted is None:
        raise ConfigError("no_program", "phases", "a program that climbs", f"the ground, with {kept_kg:.0f} kg kept")
    return Settled(kept_kg, trial, back.way_from(trial.parted, kept_kg))


def settle(ascent: Ascent, boost: Boost, back: Homeward) -> Settled:
    """The reserve at which the return takes all that is kept but the margin; secant steps from the ascent's own.

    Raises:
        GuidanceError: there is none, or no way home.
    """
    stage = ascent.plan.vehicle.stages[0]
    kept, slope, last = stage.reserve_kg, -1.0, (0.0, inf)
    for _ in range(RESERVE_ROUNDS):
        found = flown_with(ascent, boost, kept, back)
        off = back.wanted_kg(found.way) - kept
        if abs(off) < MET_KG:
            return found
        if last[1] < inf and kept != last[0]:
            slope = min((off - last[1]) / (kept - last[0]), -0.1)
        last = (kept, off)
        kept = min(max(kept - off / slope, 0.0), MOST_FRAC * stage.propellant_kg)
    expected = f"a reserve below {MOST_FRAC * stage.propellant_kg:.0f} kg that its return takes but the margin"
    raise GuidanceError("no_reserve", "phases", expected, f"{kept:.0f} kg, where {off:.0f} kg more would be needed")


def price_of(ascent: Ascent, boost: Boost, here: Settled, back: Homeward) -> float:
    """What a kilogram more that the return takes costs at orbit, kg: the reserve grows, and then takes more itself."""
    more = flown_with(ascent, boost, here.kept_kg + STEP_KG, back)
    lost = (here.trial.margin_kg - more.trial.margin_kg) / STEP_KG
    echo = (back.wanted_kg(more.way) - back.wanted_kg(here.way)) / STEP_KG
    return (1.0 + back.margin_frac) * lost / max(1.0 - echo, 0.1)


def toll_at(here: Settled, price: float, back: Homeward) -> Callable[[Trial], float]:
    """What a trial's separation costs at orbit by its return, against this one's, kg."""
    base = here.trial.parted
    if base is None:
        return lambda trial: 0.0

    def taken_kg(r: Vec, v: Vec) -> float:
        return back.way_from(Parted(base.time_s, r, v), here.kept_kg).takes_kg - here.way.takes_kg

    axes: tuple[Vec, ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    x, y, z = (taken_kg(along(base.position_m, STEP_M, axis), base.velocity_m_s) / STEP_M for axis in axes)
    a, b, c = (taken_kg(base.position_m, along(base.velocity_m_s, STEP_M_S, axis)) / STEP_M_S for axis in axes)

    def toll(trial: Trial) -> float:
        if trial.parted is None:
            return 0.0
        _, r, v = trial.parted
        taken = dot((x, y, z), sub(r, base.position_m)) + dot((a, b, c), sub(v, base.velocity_m_s))
        return price * taken

    return toll


def plan_both(ascent: Ascent, back: Homeward, progress: Progress) -> Planned:
    """Program and reserve with which the most propellant is left at orbit; the phase found has the reserve.

    Raises:
        ConfigError: no program reaches the target.
        GuidanceError: there is no way home, or no reserve for it.
    """
    first = begun(ascent, back)
    found = plan_boost(first, progress)
    best, boost, flights = settle(first, found.boost, back), found.boost, found.flights
    for _ in range(TURNS):
        turn = ascent.keeping(best.kept_kg)
        toll = toll_at(best, price_of(turn, boost, best, back), back)
        other = plan_boost(turn, progress, toll, boost.pitch)
        flights += other.flights
        before = best.trial.margin_kg
        boost, best = better(turn, (boost, best), other.boost, back)
        if best.trial.margin_kg - before < MET_KG:
            break
    return Planned(replace(boost, reserve_kg=best.kept_kg), best.trial, flights)


def begun(ascent: Ascent, back: Homeward) -> Ascent:
    """The ascent with the reserve that suits the plan's own program; with the plan's own where that leads nowhere."""
    try:
        return ascent.keeping(settle(ascent, ascent.boost, back).kept_kg)
    except GuidanceError:
        return ascent


def better(turn: Ascent, here: tuple[Boost, Settled], there: Boost, back: Homeward) -> tuple[Boost, Settled]:
    """Of the programs on the straight way to another one, from its end on, the first that leaves more with its reserve.

    What a return takes is linear for small steps only.
    """
    search = search_for(turn.plan, turn.boost)
    a, b = search.point_of(here[0].pitch), search.point_of(there.pitch)
    for part in WAY_PARTS:
        boost = search.phase([x + part * (y - x) for x, y in zip(a, b, strict=True)])
        try:
            found = settle(turn, boost, back)
        except GuidanceError:
            continue
        if found.trial.margin_kg > here[1].trial.margin_kg:
            return boost, found
    return here

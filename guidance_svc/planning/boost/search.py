"""The search for a boost program: a grid, then a few starts polished by optimisers without and with slopes.

Deterministic. A grid over two-parameter programs (pitch at the end, bend) finds the basins, quasi-Newton steps go down
into them, and a search line by line (Powell's) takes off what the limits' kinks have left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import inf

from guidance_svc.domain import Boost
from guidance_svc.errors import ConfigError
from guidance_svc.planning.boost.ascent_trial import FAILED_KG, Ascent, Trial, try_program
from guidance_svc.planning.boost.program import Search, search_for

ENDS = (0.02, 0.1, 0.18, 0.26, 0.34, 0.42, 0.5, 0.6)  # grid over the pitch at the end, of a right angle ...
BENDS = (0.25, 0.35, 0.5, 0.65, 0.8, 1.0, 1.25, 1.6)  # ... and the program's bend
STARTS = 3  # of the best grid points, no two with the same pitch at the end
LINE_FLIGHTS = 600  # for the best of them
SLOPE_STEPS = 20  # a start, at most
SLOPE_SPAN = 1e-4  # of the unit cube, for differences: 0.009 deg
AUTHORITY_FRAC = 0.75  # of the limits on the angle of attack is planned with; the rest is the flight's, against
# whatever comes: without it 3 % of missing thrust ends in the ground
SMOOTH_KG = 15.0  # price of a bend of the program of one right angle a knot, squared
TURNED_KG = 1000.0  # price of a wanted direction that the limits turn, for each rad2 s: it should not lie far off
SCALE_KG = 100.0  # costs are margins over this, so that a first step has a sensible length
EQUAL = 1e-4  # of the cost: gains below 0.01 kg end a search

Progress = Callable[[int, int, float], None]
Toll = Callable[[Trial], float]
Program = Sequence[tuple[float, float]]


@dataclass
class Hunt:
    """A search under way; the best is that of the least cost.

    Args:
        toll: what a trial costs at orbit besides, kg.
    """

    ascent: Ascent
    search: Search
    progress: Progress
    total: int
    toll: Toll
    flights: int = 0
    best: Trial = field(default_factory=lambda: Trial(FAILED_KG))
    best_x: tuple[float, ...] = ()
    least: float = inf

    def cost(self, x: Sequence[float]) -> float:
        """For a minimiser: the margin with its sign turned, a small price of bends, and a wall around the cube."""
        trial = try_program(self.ascent, self.search.phase(x), self.best.law)
        outside = sum(max(0.0, k - 1.0) ** 2 + max(0.0, -k) ** 2 for k in x)
        bends = sum((a - 2.0 * b + c) ** 2 for a, b, c in zip(x, x[1:], x[2:], strict=False))
        kg = SMOOTH_KG * bends + TURNED_KG * trial.turned_rad2_s + self.toll(trial) - trial.margin_kg
        cost = float(kg / SCALE_KG + 1e2 * outside)
        if cost < self.least:
            self.best, self.best_x, self.least = trial, tuple(float(k) for k in x), cost
        self.flights += 1
        self.progress(self.flights, self.total, self.best.margin_kg)
        return cost


@dataclass(frozen=True, slots=True)
class Planned:
    """The program found.

    Args:
        boost: the phase to fly.
        trial: what it came to in coarse steps.
        flights: boosts that the search flew.
    """

    boost: Boost
    trial: Trial
    flights: int


def require_scipy() -> None:
    """Raise a ConfigError where the optimisers are not installed."""
    try:
        import scipy.optimize  # noqa: F401
    except ImportError:
        expected = "scipy, whose optimisers the search uses: pip install '.[plan]' in the checkout"
        raise ConfigError("missing_package", "scipy", expected, "not installed") from None


def plan_boost(
    ascent: Ascent, progress: Progress = lambda done, total, best: None, toll: Toll = lambda trial: 0.0,
    near: Program = (),
) -> Planned:  # fmt: skip
    """The program that leaves the most propellant at orbit within the plan's limits.

    Args:
        progress: called after each trial with flights done, about how many there will be, best margin (kg).
        toll: what a trial costs at orbit besides, kg.
        near: a pitch program to begin with, instead of the grid.

    Raises:
        ConfigError: no program of the search reaches the target, or scipy is not installed.
    """
    require_scipy()
    from scipy.optimize import minimize

    search = search_for(ascent.plan, with_authority(ascent.boost))
    whole = len(ENDS) * len(BENDS) + (STARTS - 1) * SLOPE_STEPS * (search.count + 2)
    total = SLOPE_STEPS * (search.count + 2) + LINE_FLIGHTS + (0 if near else whole)
    hunt = Hunt(ascent, search, progress, total, toll)
    for start in [search.point_of(near)] if near else starts(hunt):
        minimize(
            hunt.cost, start, method="SLSQP", bounds=[(0.0, 1.0)] * search.count,
            options={"maxiter": SLOPE_STEPS, "eps": SLOPE_SPAN, "ftol": EQUAL},
        )  # fmt: skip
    minimize(
        hunt.cost, hunt.best_x, method="Powell", bounds=[(0.0, 1.0)] * search.count,
        options={"maxfev": LINE_FLIGHTS, "xtol": EQUAL, "ftol": EQUAL},
    )  # fmt: skip
    if hunt.best.margin_kg <= 0.5 * FAILED_KG:
        expected = "a vehicle and a target that some boost program connects; none of those tried did"
        raise ConfigError("no_program", "target", expected, ascent.plan.name)
    progress(hunt.flights, hunt.flights, hunt.best.margin_kg)
    boost = replace(ascent.boost, pitch_over_rad=0.0, bias=(), pitch=search.phase(hunt.best_x).pitch)
    return Planned(boost, try_program(ascent, boost, hunt.best.law), hunt.flights)


def with_authority(boost: Boost) -> Boost:
    """The phase with the limits that the search plans with."""
    return replace(
        boost, max_alpha_rad=AUTHORITY_FRAC * boost.max_alpha_rad,
        max_q_alpha_pa_rad=AUTHORITY_FRAC * boost.max_q_alpha_pa_rad,
    )  # fmt: skip


def starts(hunt: Hunt) -> list[tuple[float, ...]]:
    """The best points of the grid."""
    found: list[tuple[float, tuple[float, ...]]] = []
    for end in ENDS:
        points = [hunt.search.point(end, bend) for bend in BENDS]
        found.append(min((hunt.cost(x), x) for x in points))
    return [x for _, x in sorted(found)[:STARTS]]

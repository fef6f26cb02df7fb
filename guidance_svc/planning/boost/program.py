"""The few numbers that a boost program is searched over, and how they become a boost phase.

Unknowns: the pitch at a few times between the rise and the end of the boost, each over the range from level to
upright. Pitch and not angle of attack: a program of the latter alone doubles a small deviation every ten seconds.
Rise time, rates, limits and azimuth stay as the plan has them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi

from guidance_svc.core.boost import curve_of
from guidance_svc.core.curves import interpolate
from guidance_svc.domain import Boost, FlightPlan

KNOT_FRACS = (0.05, 0.15, 0.27, 0.40, 0.53, 0.67, 0.82, 1.0)  # of the time from the rise to the boost's end
MOST_PITCH_RAD = 0.5 * pi


@dataclass(frozen=True, slots=True)
class Search:
    """What is searched.

    Args:
        boost: the plan's phase, whose limits hold.
        times_s: of the points of the pitch program, seconds since release.
    """

    boost: Boost
    times_s: tuple[float, ...]

    @property
    def count(self) -> int:
        """How many unknowns the search has."""
        return len(self.times_s)

    def phase(self, x: Sequence[float]) -> Boost:
        """The boost phase of a point of the unit cube; a point outside is moved to its wall."""
        angles = [MOST_PITCH_RAD * min(1.0, max(0.0, float(k))) for k in x]
        program = tuple(zip(self.times_s, angles, strict=True))
        return replace(self.boost, pitch_over_rad=0.0, bias=(), pitch=program)

    def point_of(self, pitch: Sequence[tuple[float, float]]) -> tuple[float, ...]:
        """The point whose program is nearest to another one, which may have other times."""
        curve = curve_of(tuple(pitch), MOST_PITCH_RAD)
        return tuple(interpolate(t, curve.at, curve.value) / MOST_PITCH_RAD for t in self.times_s)

    def point(self, end_frac: float, bend: float) -> tuple[float, ...]:
        """The point of a plain program: from upright to `end_frac` of a right angle, the earlier the smaller `bend`."""
        span = self.times_s[-1] - self.boost.rise_s
        return tuple(1.0 - (1.0 - end_frac) * ((t - self.boost.rise_s) / span) ** bend for t in self.times_s)


def search_for(plan: FlightPlan, boost: Boost) -> Search:
    """The search that suits a plan; `boost` is its phase with the limits that must hold."""
    stage = plan.vehicle.stages[0]
    kept = stage.reserve_kg if boost.separate_at_reserve else 0.0
    whole = min((stage.propellant_kg - kept) / stage.mass_flow_kg_s, boost.separate_at_s)
    times = tuple(round(boost.rise_s + k * (whole - boost.rise_s), 1) for k in KNOT_FRACS)
    return Search(boost, times)

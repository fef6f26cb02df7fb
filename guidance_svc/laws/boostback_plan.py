"""A boostback as a plan has it: its keys, what it refuses, and its sentence."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, radians
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from guidance_svc.domain import FlightPlan, Phase
from guidance_svc.laws.entry_plan import Engines, check_engines, engines_in_words
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import Fraction


@dataclass(frozen=True, slots=True)
class Boostback(Phase):
    """Turn the vehicle, and burn until the fall that follows comes down at the contact point.

    Args:
        coast_s: from the begin of the phase to ignition, at least.
        engines: how many burn; None: all.
        flip_rate_rad_s: at which the vehicle is turned.
        flip_within_rad: no thrust before the attitude is so near.
        bias_m: how far up-range of the contact point the fall is aimed; negative: down-range.
    """

    law: ClassVar[str] = "boostback"
    powered: ClassVar[bool] = True
    alone: ClassVar[bool] = True
    coast_s: float = 0.0
    engines: int | None = None
    throttle_frac: float = 1.0
    flip_rate_rad_s: float = radians(15.0)
    flip_within_rad: float = radians(5.0)
    bias_m: float = 0.0


class BoostbackModel(PhaseModel):
    """Turn the vehicle, and burn until the fall that follows comes down at the contact point."""

    law: Literal["boostback"]
    coast_s: Annotated[float, Field(ge=0.0, le=600.0)] = 0.0
    """From the begin of the phase to ignition, at least."""
    engines: Engines | None = None
    """How many burn; None: all of the stage's."""
    throttle: Fraction = 1.0
    flip_rate_deg_s: Annotated[float, Field(gt=0.0, le=180.0)] = 15.0
    """At which the vehicle is turned."""
    flip_within_deg: Annotated[float, Field(gt=0.0, le=45.0)] = 5.0
    """No thrust before the attitude is so near."""
    bias_m: Annotated[float, Field(ge=-1e5, le=1e5)] = 0.0
    """How far up-range of the contact point the fall is aimed."""

    def to_domain(self) -> Boostback:
        """The checked keys as a phase of the plan."""
        return Boostback(
            self.coast_s, self.engines, self.throttle, radians(self.flip_rate_deg_s), radians(self.flip_within_deg),
            self.bias_m,
        )  # fmt: skip


def check(phase: Boostback, plan: FlightPlan, at: str) -> None:
    """Refuse engines that the stage has not.

    Raises:
        ConfigError: naming key and number.
    """
    check_engines(phase.engines, phase.throttle_frac, plan.vehicle.stages[-1], at)


def sentence(phase: Boostback, plan: FlightPlan) -> str:
    """What the phase does."""
    where = plan.landing.site.name if plan.landing is not None else "the contact point"
    bias = f" {phase.bias_m:g} m up-range of" if phase.bias_m else " at"
    burning = engines_in_words(phase.engines, plan.vehicle.stages[-1])
    return (
        f"turn at {degrees(phase.flip_rate_rad_s):g} deg/s, then, {phase.coast_s:g} s after the begin at the earliest "
        f"and within {degrees(phase.flip_within_rad):g} deg, burn{burning} at throttle {phase.throttle_frac:g}; cut "
        f"when the fall comes down{bias} {where}"
    )

"""An entry burn as a plan has it: its keys, what it refuses, and its sentence."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, inf, radians
from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from guidance_svc.domain import FlightPlan, Phase, Stage
from guidance_svc.errors import ConfigError
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import Fraction, Positive

Engines = Annotated[int, Field(ge=1, le=1000)]


@dataclass(frozen=True, slots=True)
class EntryBurn(Phase):
    """Burn against the air flow, as long as the loads of the fall after it are beyond their limits.

    Args:
        start_altitude_m: above the ellipsoid, where it begins on the way down.
        start_pressure_pa: dynamic pressure where it begins instead; None: by the altitude.
        engines: how many burn; None: all.
        most_pressure_pa, most_heating_w_m2: greatest dynamic pressure and 0.5 rho v^3 after it.
        most_lean_rad: off the way against the flow, towards the contact point.
    """

    law: ClassVar[str] = "entry_burn"
    powered: ClassVar[bool] = True
    alone: ClassVar[bool] = True
    start_altitude_m: float = 40e3
    start_pressure_pa: float | None = None
    engines: int | None = None
    throttle_frac: float = 1.0
    most_pressure_pa: float = 60e3
    most_heating_w_m2: float = inf
    most_lean_rad: float = radians(10.0)


class EntryBurnModel(PhaseModel):
    """Burn against the air flow, as long as the loads of the fall after it are beyond their limits."""

    law: Literal["entry_burn"]
    start_altitude_m: Annotated[float, Field(gt=0.0, le=1e6)] = 40e3
    """Above the ellipsoid, on the way down; the lower, the less propellant the burn takes."""
    start_dynamic_pressure_pa: Positive | None = None
    """On the way down, instead of start_altitude_m."""
    engines: Engines | None = None
    """How many burn; None: all of the stage's."""
    throttle: Fraction = 1.0
    max_dynamic_pressure_pa: Positive | None = 60e3
    """Of the fall after the burn."""
    max_heating_w_m2: Positive | None = None
    """0.5 rho v^3, likewise."""
    max_lean_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 10.0
    """Off the way against the flow, towards the contact point."""

    @model_validator(mode="after")
    def _keys_fit(self) -> EntryBurnModel:
        if self.start_dynamic_pressure_pa is not None and "start_altitude_m" in self.model_fields_set:
            raise ValueError("start_altitude_m or start_dynamic_pressure_pa, not both")
        if self.max_dynamic_pressure_pa is None and self.max_heating_w_m2 is None:
            raise ValueError("max_dynamic_pressure_pa or max_heating_w_m2, or both: the burn ends by them")
        return self

    def to_domain(self) -> EntryBurn:
        """The checked keys as a phase of the plan."""
        return EntryBurn(
            self.start_altitude_m, self.start_dynamic_pressure_pa, self.engines, self.throttle,
            inf if self.max_dynamic_pressure_pa is None else self.max_dynamic_pressure_pa,
            inf if self.max_heating_w_m2 is None else self.max_heating_w_m2, radians(self.max_lean_deg),
        )  # fmt: skip


def check_engines(engines: int | None, throttle_frac: float, stage: Stage, at: str) -> None:
    """Refuse a count of engines that the stage has not, and a throttle below its lowest.

    Raises:
        ConfigError: naming key and number.
    """
    groups = stage.groups or (stage.engine_count,)
    if engines is not None and engines not in groups:
        those = ", ".join(map(str, groups))
        expected = f"one of {those}, the groups of {stage.name}'s {stage.engine_count} engines"
        raise ConfigError("bad_value", f"{at}.engines", expected, engines)
    if throttle_frac < stage.throttle_min_frac:
        expected = f"at least {stage.name}'s lowest throttle, {stage.throttle_min_frac:g}"
        raise ConfigError("bad_value", f"{at}.throttle", expected, throttle_frac)


def check(phase: EntryBurn, plan: FlightPlan, at: str) -> None:
    """Refuse an entry burn on a body without air, or with engines that the stage has not.

    Raises:
        ConfigError: naming key and number.
    """
    check_engines(phase.engines, phase.throttle_frac, plan.vehicle.stages[-1], at)
    if plan.body.atmosphere == "none":
        raise ConfigError("limits_contradict", f"{at}.law", f"no entry_burn: {plan.body.name} has no air", "entry_burn")
    if phase.start_pressure_pa is not None and phase.start_pressure_pa >= phase.most_pressure_pa:
        expected = f"less than max_dynamic_pressure_pa, {phase.most_pressure_pa:g}"
        raise ConfigError("limits_contradict", f"{at}.start_dynamic_pressure_pa", expected, phase.start_pressure_pa)


def engines_in_words(engines: int | None, stage: Stage) -> str:
    """How many engines burn."""
    return "" if stage.engine_count == 1 else f" with {'all' if engines is None else engines} engines"


def sentence(phase: EntryBurn, plan: FlightPlan) -> str:
    """What the phase does."""
    start = f"{phase.start_altitude_m:g} m" if phase.start_pressure_pa is None else (
        f"a dynamic pressure of {phase.start_pressure_pa:g} Pa")  # fmt: skip
    limits = []
    if phase.most_pressure_pa < inf:
        limits.append(f"{phase.most_pressure_pa:g} Pa")
    if phase.most_heating_w_m2 < inf:
        limits.append(f"0.5 rho v^3 of {phase.most_heating_w_m2:g} W/m2")
    burning = engines_in_words(phase.engines, plan.vehicle.stages[-1])
    return (
        f"from {start} on the way down against the air flow{burning} at throttle {phase.throttle_frac:g}, "
        f"leaning at most {degrees(phase.most_lean_rad):.3g} deg towards the contact point; "
        f"ends when the fall after it stays within {' and '.join(limits)}"
    )

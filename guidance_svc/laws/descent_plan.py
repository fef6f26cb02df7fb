"""A descent as a plan has it: its keys, what it refuses, and its sentence."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import degrees, radians
from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from guidance_svc.core.lander import MOST_LEGS
from guidance_svc.domain import Aim, FlightPlan, Phase, Stage
from guidance_svc.errors import ConfigError
from guidance_svc.laws.landing_places import check_places, divert_words, landing_of, where
from guidance_svc.laws.stack import burnout_alone_kg
from guidance_svc.wire.plans import PhaseModel
from guidance_svc.wire.quantities import Fraction, NotNegative

Count = Annotated[float, Field(ge=0.0, le=1000.0)]
Angle = Annotated[float, Field(ge=0.0, le=80.0)]


@dataclass(frozen=True, slots=True)
class Descent(Phase):
    """Powered landing: one burn, lit so late that its planned throttle just stops at the contact point.

    Args:
        planned_frac: throttle that the ignition is timed for.
        engines: (how many burn, until which downward speed), one after the other; empty: all of the stage's.
        tilt_end_rad: how far the thrust may lean at contact, ...
        tilt_per_m_rad, tilt_per_root_m_rad: ... and how much more for each metre of height, and for its square root.
        soft_speed_m_s, soft_frac: from this downward speed on at this throttle; 0 for no soft end.
        idles: the engine burns already and must not go out: it runs at its lowest throttle until the burn.
        ignition_delay_s: from the command to thrust; None: the stage's.
        legs_out_s: so long before contact the legs are let down; None: they are out.
    """

    law: ClassVar[str] = "descent"
    aims: ClassVar[Aim] = "landing"
    powered: ClassVar[bool] = True
    planned_frac: float = 0.85
    engines: tuple[tuple[int, float], ...] = ()
    tilt_end_rad: float = radians(1.0)
    tilt_per_m_rad: float = radians(0.05)
    tilt_per_root_m_rad: float = 0.0
    soft_speed_m_s: float = 0.0
    soft_frac: float = 0.0
    idles: bool = False
    ignition_delay_s: float | None = None
    legs_out_s: float | None = None


class DescentModel(PhaseModel):
    """Powered landing: one burn, lit so late that its planned throttle just stops at the contact point."""

    law: Literal["descent"]
    planned_throttle: Fraction = 0.85
    """The ignition is timed for it; what is above it is the margin."""
    engines: Annotated[
        list[Annotated[list[Count], Field(min_length=2, max_length=2)]], Field(max_length=MOST_LEGS)
    ] = Field([])
    """[how many burn, until which downward speed in m/s], speeds falling, the last 0; empty: all of the stage's."""
    tilt_end_deg: Angle = 1.0
    """How far the thrust may lean at contact, ..."""
    tilt_per_m_deg: Angle = 0.05
    """... how much more for each metre of height, ..."""
    tilt_per_root_m_deg: Angle = 0.0
    """... and for its square root."""
    soft_speed_m_s: NotNegative = 0.0
    """From this downward speed on at `soft_throttle`; 0: no soft end."""
    soft_throttle: Fraction | None = None
    relights: bool = True
    """false: the engine burns already and must not go out; it runs at its lowest throttle until the burn."""
    ignition_delay_s: Annotated[float, Field(ge=0.0, le=10.0)] | None = None
    """From the command to thrust; None: the stage's."""
    legs_out_s: Annotated[float, Field(ge=0.0, le=600.0)] | None = None
    """So long before contact the legs are let down; None: they are out."""

    @model_validator(mode="after")
    def _keys_fit(self) -> DescentModel:
        if (self.soft_throttle is None) != (self.soft_speed_m_s == 0.0):
            raise ValueError("soft_speed_m_s and soft_throttle, both or neither")
        counts, speeds = [row[0] for row in self.engines], [row[1] for row in self.engines]
        if any(count < 1.0 or count != int(count) for count in counts):
            raise ValueError("engines with whole counts from 1 on")
        if any(later >= earlier for earlier, later in pairwise(speeds)) or (speeds and speeds[-1] != 0.0):
            raise ValueError("engines with falling speeds, the last of them 0")
        if not self.relights and self.ignition_delay_s is not None:
            raise ValueError("no ignition_delay_s with relights = false: nothing is lit")
        return self

    def to_domain(self) -> Descent:
        """The checked keys as a phase of the plan."""
        return Descent(
            self.planned_throttle, tuple((int(row[0]), row[1]) for row in self.engines), radians(self.tilt_end_deg),
            radians(self.tilt_per_m_deg), radians(self.tilt_per_root_m_deg), self.soft_speed_m_s,
            self.soft_throttle or 0.0, not self.relights, self.ignition_delay_s, self.legs_out_s,
        )  # fmt: skip


def check(phase: Descent, plan: FlightPlan, at: str) -> None:
    """Refuse a descent that cannot stop, or asks for engines that the stage has not.

    Raises:
        ConfigError: naming key and number.
    """
    stage = plan.vehicle.stages[-1]
    check_places(plan)
    if phase.planned_frac < stage.throttle_min_frac:
        expected = f"at least {stage.name}'s lowest throttle, {stage.throttle_min_frac:g}"
        raise ConfigError("bad_value", f"{at}.planned_throttle", expected, phase.planned_frac)
    if phase.soft_speed_m_s > 0.0 and phase.soft_frac < stage.throttle_min_frac:
        expected = f"at least {stage.name}'s lowest throttle, {stage.throttle_min_frac:g}"
        raise ConfigError("bad_value", f"{at}.soft_throttle", expected, phase.soft_frac)
    if len(phase.engines) + (phase.soft_speed_m_s > 0.0) > MOST_LEGS:
        expected = f"{MOST_LEGS} stretches at most, the soft end included"
        raise ConfigError("bad_value", f"{at}.engines", expected, len(phase.engines) + 1)
    _check_groups(phase, stage, at)
    _check_stops(phase, plan, stage, at)


def _check_groups(phase: Descent, stage: Stage, at: str) -> None:
    groups = stage.groups or (stage.engine_count,)
    for i, (count, _) in enumerate(phase.engines):
        if count not in groups:
            those = ", ".join(map(str, groups))
            expected = f"one of {those}, the groups of {stage.name}'s {stage.engine_count} engines"
            raise ConfigError("bad_value", f"{at}.engines.{i}", expected, count)


def _check_stops(phase: Descent, plan: FlightPlan, stage: Stage, at: str) -> None:
    """The last stretch must be able to stop the lightest vehicle that may land."""
    count = phase.engines[-1][0] if phase.engines else stage.engine_count
    frac = phase.soft_frac if phase.soft_speed_m_s > 0.0 else phase.planned_frac
    thrust_n = frac * stage.thrust_n * count / stage.engine_count
    weight_n = burnout_alone_kg(plan) * plan.body.mu_m3_s2 / plan.body.radius_m**2
    if thrust_n <= weight_n:
        key = f"{at}.soft_throttle" if phase.soft_speed_m_s > 0.0 else f"{at}.engines" if phase.engines else (
            f"{at}.planned_throttle")  # fmt: skip
        expected = f"more thrust than the weight of the empty vehicle, {weight_n:.0f} N"
        raise ConfigError("cannot_stop", key, expected, f"{thrust_n:.0f} N of {count} at throttle {frac:g}")


def sentence(phase: Descent, plan: FlightPlan) -> str:
    """What the phase does."""
    landing, stage = landing_of(plan), plan.vehicle.stages[-1]
    counts = ", then ".join(f"{count}" for count, _ in phase.engines)
    several = "engine" if counts == "1" else "engines"
    burn = f"one burn of {counts or 'all'} {several}" if stage.engine_count > 1 else "one burn"
    soft = f", from {phase.soft_speed_m_s:g} m/s on at {phase.soft_frac:g}" if phase.soft_speed_m_s else ""
    delay_s = stage.ignition_delay_s if phase.ignition_delay_s is None else phase.ignition_delay_s
    lit = "" if phase.idles or delay_s == 0.0 else f", lit {delay_s:g} s before its thrust"
    legs = "" if phase.legs_out_s is None else f", legs down {phase.legs_out_s:g} s before"
    return (
        f"{burn}, planned at throttle {phase.planned_frac:g}{soft}{lit}, to {where(landing.places[0])}: contact at "
        f"{landing.contact_speed_m_s:g} m/s, leaning at most {degrees(phase.tilt_end_rad):.3g} deg{legs}; cut at "
        f"contact{divert_words(plan)}"
    )

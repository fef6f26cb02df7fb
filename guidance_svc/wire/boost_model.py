"""The boost phase as it stands in a flight plan's file."""

from __future__ import annotations

from math import inf, radians
from typing import Annotated, Literal

from pydantic import BaseModel, Field, model_validator

from guidance_svc import domain
from guidance_svc.wire.quantities import MODEL, NotNegative, Positive, Program, require_rising


class BoostModel(BaseModel):
    """Through the air: rise, pitch over, near zero angle of attack, separate at whichever limit comes first."""

    model_config = MODEL

    law: Literal["boost"]
    rise_s: NotNegative = 10.0
    """Vertical flight after release."""
    pitch_over_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 3.0
    """From the vertical, at the end of the rise."""
    pitch_over_rate_deg_s: Annotated[float, Field(gt=0.0, le=90.0)] = 1.0
    azimuth_deg: Annotated[float, Field(ge=0.0, lt=360.0)] | None = None
    """Over ground, clockwise from north; None: from the target's plane."""
    separate_at_speed_m_s: Positive | None = None
    """Over ground."""
    separate_at_s: Positive | None = None
    """From release."""
    separate_at_reserve: bool = True
    """When the stage's reserve_kg is reached."""
    bias_deg: Program = []
    """[seconds since release, angle of attack, nose up positive] pairs; linear between, flat outside."""
    pitch_deg: Program = []
    """[seconds since release, deg above the horizon] pairs, instead of pitch_over_deg and bias_deg; the angle of attack
    that leads there is bounded by the limits."""
    throttle: Program = []
    """[seconds since release, throttle] pairs; none: full."""
    max_yaw_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 0.0
    """Lean towards the target's plane once past the pitch-over."""
    max_dynamic_pressure_pa: Positive | None = None
    """Kept by throttling back."""
    max_q_alpha_pa_deg: Positive | None = None
    """Dynamic pressure times angle of attack; holds in the insertion that follows as well."""
    max_acceleration_m_s2: Positive | None = None
    """Of the thrust; kept by throttling back."""
    max_alpha_deg: Annotated[float, Field(gt=0.0, le=90.0)] | None = None
    """Angle of attack."""

    @model_validator(mode="after")
    def _programs_hold(self) -> BoostModel:
        if self.bias_deg and self.pitch_deg:
            raise ValueError("bias_deg or pitch_deg, not both")
        require_rising("bias_deg", self.bias_deg, -90.0, 90.0, "angle")
        require_rising("pitch_deg", self.pitch_deg, 0.0, 90.0, "pitch")
        require_rising("throttle", self.throttle, 0.0, 1.0, "throttle")
        return self

    @model_validator(mode="after")
    def _ends(self) -> BoostModel:
        if not self.separate_at_reserve and self.separate_at_speed_m_s is None and self.separate_at_s is None:
            raise ValueError("at least one of separate_at_speed_m_s, separate_at_s, separate_at_reserve = true")
        return self

    def to_domain(self) -> domain.Boost:
        """The phase in radians."""
        return domain.Boost(
            rise_s=self.rise_s,
            pitch_over_rad=radians(self.pitch_over_deg),
            pitch_over_rate_rad_s=radians(self.pitch_over_rate_deg_s),
            azimuth_rad=None if self.azimuth_deg is None else radians(self.azimuth_deg),
            separate_at_speed_m_s=inf if self.separate_at_speed_m_s is None else self.separate_at_speed_m_s,
            separate_at_s=inf if self.separate_at_s is None else self.separate_at_s,
            separate_at_reserve=self.separate_at_reserve,
            bias=tuple((time, radians(angle)) for time, angle in self.bias_deg),
            pitch=tuple((time, radians(angle)) for time, angle in self.pitch_deg),
            throttle=tuple((time, frac) for time, frac in self.throttle),
            max_yaw_rad=radians(self.max_yaw_deg),
            max_dynamic_pressure_pa=inf if self.max_dynamic_pressure_pa is None else self.max_dynamic_pressure_pa,
            max_q_alpha_pa_rad=inf if self.max_q_alpha_pa_deg is None else radians(self.max_q_alpha_pa_deg),
            max_acceleration_m_s2=inf if self.max_acceleration_m_s2 is None else self.max_acceleration_m_s2,
            max_alpha_rad=inf if self.max_alpha_deg is None else radians(self.max_alpha_deg),
        )

"""What a vehicle tells of its return, as the keys of a `state`."""

from __future__ import annotations

from math import degrees
from typing import Any

from guidance_svc.domain import Readings


def readings_message(readings: Readings | None) -> dict[str, Any]:
    """The keys of a `state` that tell of a return; what is None is left out."""
    if readings is None:
        return {}
    rate, angle, wind = readings.attitude_rate_script_rad_s, readings.angle_of_attack_rad, readings.wind_script_m_s
    told = {
        "contact": readings.contact, "engines_lit": readings.engines_lit,
        "attitude_rate_deg_s": None if rate is None else [degrees(part) for part in rate],
        "angle_of_attack_deg": None if angle is None else degrees(angle),
        "wind_m_s": None if wind is None else list(wind),
    }  # fmt: skip
    return {key: value for key, value in told.items() if value is not None}

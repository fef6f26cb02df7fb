"""A landing for scripts: an invented booster of three engines, its site, and from where it falls."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from guidance_svc.files.config_files import Library, default_folder, load_library
from guidance_svc.laws.plan_model import flight_plan_model
from guidance_svc.wire.plans import parse_table

PLOVER_DOWN: dict[str, Any] = {
    "body": "earth",
    "vehicle": {
        "name": "Plover", "drag_area_m2": 9.5, "drag_curve": [[0.0, 1.0]], "legs_below_m": 12.0,
        "attitude_rate_limit_deg_s": 15.0, "attitude_acceleration_limit_deg_s2": 60.0,
        "stages": [{
            "name": "Plover", "dry_mass_kg": 27e3, "propellant_kg": 8e3, "thrust_n": 2640e3,
            "exhaust_velocity_m_s": 3050.0, "exit_area_m2": 2.2, "throttle_min_frac": 0.55, "engine_count": 3,
            "groups": [1, 3], "engine_lag_s": 0.12, "ignition_delay_s": 0.1,
        }],
    },
    "landing": {"name": "Samphire", "latitude_deg": 28.5, "longitude_deg": -80.5, "altitude_m": 12.0},
    "start": {
        "height_m": 1900.0, "distance_m": 107.0, "bearing_deg": 281.0, "vertical_speed_m_s": -190.0,
        "north_speed_m_s": -3.0, "east_speed_m_s": 14.0, "propellant_kg": 6500.0,
    },
    "phases": [{
        "law": "descent", "engines": [[3, 60.0], [1, 0.0]], "soft_speed_m_s": 15.0, "soft_throttle": 0.6,
        "legs_out_s": 4.0,
    }],
}  # fmt: skip


def library_with_plover() -> Library:
    """The library that comes along, and the plan `plover_down`."""
    found = load_library(default_folder())
    return replace(found, flights={**found.flights, "plover_down": parse_table(flight_plan_model(), PLOVER_DOWN)})

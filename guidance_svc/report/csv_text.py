"""A flight as comma-separated text, one line a state, the unit in every column's name."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from io import StringIO
from itertools import islice
from math import degrees, isfinite
from typing import Any

import numpy as np

from guidance_svc.report.flown import Flown
from guidance_svc.report.way_down import WayDown

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would take text that begins so for a formula
PIECE_ROWS = 500
Columns = dict[str, Sequence[Any] | np.ndarray]


def csv_pieces(flown: Flown, start: datetime) -> Iterator[str]:
    """The flight, vectors BCI, heights above the equatorial radius; a field is empty where a value is missing.

    In pieces, for 100,000 states are 50 MB of text.

    Args:
        start: wall time (UTC) of the recording's first message.
    """
    names, rows = columns(flown, start)
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    while some := [[cell(value) for value in row] for row in islice(rows, PIECE_ROWS)]:
        writer.writerows(some)
        yield out.getvalue()
        out.seek(0)
        out.truncate()


def columns(flown: Flown, start: datetime) -> tuple[Sequence[str], Iterator[Sequence[Any]]]:
    """Column names and rows."""
    table = {**state_columns(flown, start), **derived_columns(flown), **reply_columns(flown), **landing_columns(flown)}
    return tuple(table), zip(*table.values(), strict=True)


def state_columns(flown: Flown, start: datetime) -> Columns:
    """What the states told."""
    track, said = flown.track, flown.replies
    return {
        "wall_time_utc": [(start + timedelta(seconds=float(s))).isoformat() + "Z" for s in flown.wall_s],
        "time_s": track.times_s,
        "seq": flown.seqs,
        "phase": said.phase,
        "status": said.status,
        **{f"position_{axis}_m": track.positions_m[:, k] for k, axis in enumerate("xyz")},
        **{f"velocity_{axis}_m_s": track.velocities_m_s[:, k] for k, axis in enumerate("xyz")},
        "mass_kg": track.masses_kg,
        "propellant_kg": flown.propellant_kg,
        "stage": track.stage,
        "engine_on": track.engine_on.astype(int),
        "throttle_frac": track.throttle_frac,
        "thrust_n": track.thrust_n,
    }


def derived_columns(flown: Flown) -> Columns:
    """What follows from the states."""
    track = flown.track
    ground = [flown.ground_point_deg(float(t), p) for t, p in zip(track.times_s, track.positions_m, strict=True)]
    return {
        "altitude_m": flown.altitude_m,
        "height_above_ellipsoid_m": flown.height_m,
        "longitude_deg": [point[0] for point in ground],
        "latitude_geocentric_deg": [point[1] for point in ground],
        "speed_inertial_m_s": flown.speed_m_s,
        "speed_over_ground_m_s": flown.ground_speed_m_s,
        "dynamic_pressure_pa": flown.dynamic_pressure_pa,
        "mach": track.mach,
        "pitch_deg": flown.attitude_deg[:, 0],
        "heading_deg": flown.attitude_deg[:, 1],
        "perigee_altitude_m": flown.perigee_altitude_m,
        "apogee_altitude_m": flown.apogee_altitude_m,
        "inclination_deg": [degrees(o.inclination_rad) for o in flown.orbits],
        "node_deg": [degrees(o.node_rad) for o in flown.orbits],
    }


def reply_columns(flown: Flown) -> Columns:
    """What the replies said."""
    said = flown.replies
    return {
        "commanded_pitch_deg": said.pitch_deg,
        "commanded_heading_deg": said.heading_deg,
        "commanded_throttle_frac": said.throttle_frac,
        "time_to_cutoff_s": said.time_to_cutoff_s,
        "velocity_to_gain_m_s": said.velocity_to_gain_m_s,
        "predicted_perigee_altitude_m": said.perigee_altitude_m,
        "predicted_apogee_altitude_m": said.apogee_altitude_m,
        "propellant_margin_kg": said.margin_kg,
        "believed_exhaust_velocity_m_s": said.exhaust_velocity_m_s,
        "believed_mass_flow_kg_s": said.mass_flow_kg_s,
    }


def landing_columns(flown: Flown) -> Columns:
    """Of a flight that lands: where it is from its contact point, and what the replies said of the contact."""
    if flown.plan.landing is None:
        return {}
    way, said = WayDown(flown), flown.replies.landing
    return {
        **{f"from_contact_point_{name}_m": way.place_m[:, k] for k, name in enumerate(("east", "north", "up"))},
        **{f"speed_over_ground_{name}_m_s": way.speed_m_s[:, k] for k, name in enumerate(("east", "north", "up"))},
        "tilt_deg": way.tilt_deg,
        "impact_east_m": way.impacts_m[:, 0],
        "impact_north_m": way.impacts_m[:, 1],
        "commanded_engines": said.engines,
        "predicted_contact_in_s": said.contact_in_s,
        "predicted_miss_m": said.miss_m,
        "predicted_contact_speed_m_s": said.speed_m_s,
        "needed_throttle_frac": said.throttle_frac,
        "throttle_margin_frac": said.margin_frac,
        "predicted_propellant_left_kg": said.left_kg,
        "inside_reach_m": said.inside_m,
        "decide_at_s": said.decide_at_s,
        "clearance": said.clearance,
    }


def cell(value: Any) -> Any:
    """A value as in the file: floats with all their digits, nothing for a missing one, text never a formula."""
    if isinstance(value, float):
        return repr(float(value)) if isfinite(value) else ""
    if isinstance(value, str) and value.startswith(FORMULA_SIGNS):
        return "'" + value
    return value

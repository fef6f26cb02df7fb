"""From the vehicles' flight logs and the scripts' lines to what the report shows."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path
from typing import Any

from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, FlightPlan
from guidance_svc.rehearsal.outcome import contact_rows
from guidance_svc.report.flight import Moment, Row
from guidance_svc.report.plots import Sample
from guidance_svc.sim.pad import Contact

SAID_GAP_S = 3.0  # a script's line older than this says nothing about the present command


def read_log(path: Path) -> list[dict[str, Any]]:
    """A vehicle's true flight, as its simulator wrote it, line by line.

    Raises:
        OSError: no such file.
    """
    with path.open(encoding="utf-8") as file:
        return [json.loads(line) for line in file]


def landing_rows(name: str, plan: FlightPlan, log: Sequence[Mapping[str, Any]]) -> list[Row]:
    """How it touched down, for a vehicle that did."""
    line = next((line for line in log if line["mark"] == "contact"), None)
    if line is None or plan.landing is None:
        return []
    return contact_rows(name, Contact(**line["touched"]), plan.landing, float(line["propellant_kg"]))


def samples(moments: Sequence[Moment], said: Sequence[Mapping[str, Any]], body: Body) -> list[Sample]:
    """The true flight with the command that was in force at each moment."""
    times = [line["time_s"] for line in said]
    points = []
    for m in moments:
        k = bisect_right(times, m.time_s) - 1
        line = said[k] if k >= 0 and m.time_s - times[k] <= SAID_GAP_S else {}
        orbit = orbit_report(m.position_m, m.velocity_m_s, body)
        apogee = orbit.apogee_altitude_m / 1000.0 if isfinite(orbit.apogee_altitude_m) else None
        points.append(
            Sample(
                time_s=m.time_s,
                altitude_km=(norm(m.position_m) - body.radius_m) / 1000.0,
                speed_km_s=norm(m.velocity_m_s) / 1000.0,
                perigee_km=orbit.perigee_altitude_m / 1000.0,
                apogee_km=apogee,
                pitch_deg=line.get("pitch_deg"),
                time_to_cutoff_s=line.get("time_to_cutoff_s"),
            )
        )
    return points

"""Launches of a calendar as flight plans that `serve` reads."""

from __future__ import annotations

from collections.abc import Sequence
from math import degrees, pi
from pathlib import Path
from typing import Any

import tomlkit

from guidance_svc.constants import CAUTION
from guidance_svc.domain import Boost, FlightPlan, Hold
from guidance_svc.files.config_files import Library
from guidance_svc.planning.plan_files import default_phases, finite, write_text
from guidance_svc.planning.windows.launches import Launch


def launch_table(library: Library, plan: FlightPlan, launch: Launch, title: str) -> dict[str, Any]:
    """A flight plan as one table without references, with the launch's release, azimuth and plane."""
    table = library.inlined(plan.name)
    table["title"] = title
    table["target"] |= {
        "plane": "inclination_and_node", "inclination_deg": degrees(launch.inclination_rad),
        "node_deg": degrees(launch.node_rad),
    }  # fmt: skip
    phases = [dict(phase) for phase in table.get("phases") or default_phases(plan.phases)]
    if phases[0]["law"] != Hold.law and any(phase["law"] == Boost.law for phase in phases):
        phases.insert(0, {"law": Hold.law})
    for phase in phases:
        if phase["law"] == Hold.law:
            phase["release_at_s"] = launch.release_s
        if phase["law"] == Boost.law:
            phase["azimuth_deg"] = degrees(launch.azimuth_rad)
    table["phases"] = phases
    return table


def write_launches(
    folder: Path, plans: Sequence[FlightPlan], launches: Sequence[tuple[str, Launch]], library: Library,
    meridian_rad: float,
) -> list[Path]:  # fmt: skip
    """One file for each launch and plan under flights/ of a folder, which `serve --configs FOLDER` reads as it stands.

    Args:
        plans: the flight from the pad, and the one it carries if there is one.
        launches: when it is, in words, and the launch.
        meridian_rad: of longitude 0 at the clock's zero.

    Raises:
        ConfigError: a file cannot be written.
    """
    paths, meridian_deg = [], degrees(meridian_rad % (2.0 * pi))
    for number, (when, launch) in enumerate(launches, start=1):
        for plan in plans:
            name = f"{plan.name}-{number:02d}"
            table = launch_table(library, plan, launch, f"{plan.name}, release {when}") | {"name": name}
            head = [
                f"# {CAUTION}",
                f"# Release at {launch.release_s:.3f} s ({when}),",
                f"# window {launch.opens_s:.0f} to {launch.closes_s:.0f} s. Open the session with",
                f'#   frame = {{"motion": "inertial", "meridian_at_zero_deg": {meridian_deg:.9g}}}',
            ]
            path = folder / "flights" / f"{name}.toml"
            write_text(path, "\n".join([*head, tomlkit.dumps(finite(table))]))
            paths.append(path)
    return paths

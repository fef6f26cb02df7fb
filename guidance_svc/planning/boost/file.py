"""A flight plan's file with its boost program replaced; all else, comments included, stays as it was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import degrees, inf
from pathlib import Path

import tomlkit
from tomlkit.items import AoT, InlineTable, Item, Null, Table, Whitespace

from guidance_svc.domain import Boost, Phase, Site
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import read_toml
from guidance_svc.planning.plan_files import default_phases

REPLACED = (
    "reserve_kg", "pitch_over_deg", "bias_deg", "pitch_deg", "max_alpha_deg", "max_q_alpha_pa_deg", "max_yaw_deg",
)  # fmt: skip


def program_items(boost: Boost) -> dict[str, Item]:
    """The keys of a program as a file has them, each value rounded to what matters in flight."""
    pitch = tomlkit.item([[float(f"{time_s:g}"), round(degrees(angle), 3)] for time_s, angle in boost.pitch])
    items: dict[str, Item] = {"pitch_deg": pitch.comment("[s since release, deg above the horizon]")}
    if boost.reserve_kg is not None:
        items["reserve_kg"] = tomlkit.item(round(boost.reserve_kg, 1))
    if boost.max_alpha_rad < inf:
        items["max_alpha_deg"] = tomlkit.item(float(f"{degrees(boost.max_alpha_rad):.6g}"))
    if boost.max_q_alpha_pa_rad < inf:
        items["max_q_alpha_pa_deg"] = tomlkit.item(float(f"{degrees(boost.max_q_alpha_pa_rad):.8g}"))
    if boost.max_yaw_rad > 0.0:
        items["max_yaw_deg"] = tomlkit.item(float(f"{degrees(boost.max_yaw_rad):.6g}"))
    return items


def with_program(
    text: str, boost: Boost, notes: Sequence[str] = (), implied: Sequence[Phase] = (), site: Site | None = None
) -> str:
    """The text of a flight plan with the boost phase's program in place of the one it has.

    Args:
        text: TOML with one boost phase as a [[phases]] table, or without phases.
        notes: comment lines to stand above the program.
        implied: phases of the role, written into a plan that has none.
        site: where the landing site is from now on.

    Raises:
        ConfigError: the text has no such table.
    """
    if implied and "phases" not in tomlkit.parse(text):
        text = text.rstrip() + "\n\n" + tomlkit.dumps({"phases": default_phases(implied)})
    document = tomlkit.parse(text)
    phases = document.get("phases")
    written = phases if isinstance(phases, AoT) else []
    phase = next((phase for phase in written if phase.get("law") == Boost.law), None)
    if phase is None:
        raise ConfigError("missing_field", "phases", f'a [[phases]] table with law = "{Boost.law}"', "none")
    for key in REPLACED:
        phase.pop(key, None)
    drop_blank_end(phase)
    for note in notes:
        phase.add(tomlkit.comment(note))
    for key, item in program_items(boost).items():
        phase.add(key, item)
    if phase is not written[-1]:
        phase.add(tomlkit.nl())
    landing = document.get("landing")
    if site is not None and isinstance(landing, Table | InlineTable):
        landing["latitude_deg"] = round(degrees(site.latitude_rad), 5)
        landing["longitude_deg"] = round(degrees(site.longitude_rad), 5)
    return tomlkit.dumps(document)


def drop_blank_end(table: Table) -> None:
    """Take blank lines, and the places of keys that were removed, off the end of a table."""
    body = table.value.body
    while body and isinstance(body[-1][1], Whitespace | Null):
        body.pop()


def planned_text(
    source: Path, boost: Boost, notes: Sequence[str], implied: Sequence[Phase] = (), site: Site | None = None
) -> str:
    """The text of the plan with a program.

    Raises:
        ConfigError: the source cannot be read or has no [[phases]] table for it.
    """
    read_toml(source)
    return with_program(source.read_text(encoding="utf-8-sig"), boost, notes, implied, site)


def write_plan(
    source: Path, out: Path, boost: Boost, notes: Sequence[str], implied: Sequence[Phase] = (),
    site: Site | None = None,
) -> Mapping[str, object]:  # fmt: skip
    """Write the plan with the new program; the file as TOML reads it again.

    Raises:
        ConfigError: the source cannot be read or has no boost, or the file cannot be written.
    """
    text = planned_text(source, boost, notes, implied, site)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError("cannot_write", "", "a file that can be written", error.strerror or error, str(out)) from None
    return read_toml(out)

"""A flight plan's file with its boost program replaced; all else, comments included, stays as it was written."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import degrees, inf
from pathlib import Path

from guidance_svc.domain import Boost, Phase
from guidance_svc.errors import ConfigError
from guidance_svc.files.config_files import read_toml
from guidance_svc.files.toml_text import toml_lines
from guidance_svc.planning.plan_files import default_phases

REPLACED = ("pitch_over_deg", "bias_deg", "pitch_deg", "max_alpha_deg", "max_q_alpha_pa_deg", "max_yaw_deg")
_TABLE = re.compile(r"""^\s*\[\[?\s*[A-Za-z_"']""")  # a header, and no line of an array of numbers
_KEY = re.compile(r"^\s*([A-Za-z0-9_]+)\s*=")


def boost_lines(boost: Boost) -> list[str]:
    """The keys of a program as lines of TOML, each value rounded to what matters in flight."""
    points = ", ".join(f"[{time_s:g}, {degrees(angle):.3f}]" for time_s, angle in boost.pitch)
    lines = [f"pitch_deg = [{points}]  # [s since release, deg above the horizon]"]
    if boost.max_alpha_rad < inf:
        lines.append(f"max_alpha_deg = {degrees(boost.max_alpha_rad):.6g}")
    if boost.max_q_alpha_pa_rad < inf:
        lines.append(f"max_q_alpha_pa_deg = {degrees(boost.max_q_alpha_pa_rad):.8g}")
    if boost.max_yaw_rad > 0.0:
        lines.append(f"max_yaw_deg = {degrees(boost.max_yaw_rad):.6g}")
    return lines


def with_program(text: str, boost: Boost, notes: Sequence[str] = (), implied: Sequence[Phase] = ()) -> str:
    """The text of a flight plan with the boost phase's program in place of the one it has.

    Args:
        text: TOML with one boost phase as a [[phases]] table, or without phases.
        notes: comment lines to stand above the program.
        implied: phases of the role, written into a plan that has none.

    Raises:
        ConfigError: the text has no such table.
    """
    lines = text.splitlines()
    if implied and "phases" not in tomllib.loads(text):
        lines += phase_lines(implied)
    begins = [i for i, line in enumerate(lines) if _TABLE.match(line)] + [len(lines)]
    for begin, end in pairwise(begins):
        block = lines[begin:end]
        if any(re.match(r'^\s*law\s*=\s*["\']boost["\']', line) for line in block):
            kept = without_keys(block, REPLACED)
            while kept and not kept[-1].strip():
                kept.pop()
            new = [*kept, *(f"# {note}" for note in notes), *boost_lines(boost)]
            tail = ["", *lines[end:]] if end < len(lines) else []
            return "\n".join([*lines[:begin], *new, *tail]) + "\n"
    raise ConfigError("missing_field", "phases", 'a [[phases]] table with law = "boost"', "none")


def phase_lines(phases: Sequence[Phase]) -> list[str]:
    """Phases as TOML, without those keys of a boost that its program brings."""
    return [line for phase in default_phases(phases) for line in ("", "[[phases]]", *toml_lines(phase))]


def without_keys(block: Sequence[str], keys: Sequence[str]) -> list[str]:
    """The lines of a table without some keys; a value that goes on over several lines goes with its key."""
    kept: list[str] = []
    depth = 0
    for line in block:
        bare = line.split("#", 1)[0]
        found = _KEY.match(line)
        if depth > 0 or (found is not None and found.group(1) in keys):
            depth += bare.count("[") - bare.count("]")
            continue
        kept.append(line)
    return kept


def planned_text(source: Path, boost: Boost, notes: Sequence[str], implied: Sequence[Phase] = ()) -> str:
    """The text of the plan with a program.

    Raises:
        ConfigError: the source cannot be read, has no place for it, or the result is no TOML.
    """
    read_toml(source)
    text = with_program(source.read_text(encoding="utf-8-sig"), boost, notes, implied)
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        expected = "[[phases]] tables, each key on a line of its own, which a program can be written into"
        raise ConfigError("not_toml", "phases", expected, error, str(source)) from None
    return text


def write_plan(
    source: Path, out: Path, boost: Boost, notes: Sequence[str], implied: Sequence[Phase] = ()
) -> Mapping[str, object]:
    """Write the plan with the new program; the file as TOML reads it again.

    Raises:
        ConfigError: the source cannot be read or has no boost, or the file cannot be written.
    """
    read_toml(source)
    text = planned_text(source, boost, notes, implied)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError("cannot_write", "", "a file that can be written", error.strerror or error, str(out)) from None
    return read_toml(out)

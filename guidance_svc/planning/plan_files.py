"""What the planners share in writing flight plans as files."""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import inf
from pathlib import Path
from typing import Any

from guidance_svc.domain import Hold, Insertion, Phase
from guidance_svc.errors import ConfigError


def default_phases(phases: Sequence[Phase]) -> list[dict[str, Any]]:
    """The phases that the role brought into a plan without any, as a file has them."""
    found: list[dict[str, Any]] = []
    for phase in phases:
        found.append({"law": phase.law})
        if isinstance(phase, Hold):
            found[-1]["ignition_lead_s"] = phase.ignition_lead_s
        if isinstance(phase, Insertion):
            found[-1]["first_stage"] = phase.first_stage
    return found


def finite(table: Any) -> Any:
    """The table without values that TOML files of this project may not hold (null, infinite)."""
    if isinstance(table, dict):
        return {k: finite(v) for k, v in table.items() if v is not None and v != inf}
    return [finite(item) for item in table] if isinstance(table, list | tuple) else table


def slug(name: str) -> str:
    """A name as part of a file's name."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "launch"


def write_text(path: Path, text: str) -> None:
    """Write a file, its folder too.

    Raises:
        ConfigError: it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError("cannot_write", "--out", "a folder that can be written to", error.strerror or error,
                          str(path)) from None  # fmt: skip

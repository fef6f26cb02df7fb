"""Whether two replies say the same: the tolerances of a replay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

ANGLE_TOLERANCE_DEG: Final = 1e-9  # rounding of one machine; a changed command is 1e-4 deg and more
NUMBER_TOLERANCE: Final = 1e-9  # relative, or absolute below 1 in the field's own unit
TEXTS: Final = frozenset({"token", "caution", "phases", "message", "expected", "got"})  # wording may change


@dataclass(frozen=True, slots=True)
class Difference:
    """The first field in which a reply differs.

    Args:
        field: path in the reply, such as ``event.at_s``.
    """

    field: str
    recorded: Any
    replayed: Any


def first_difference(recorded: Any, replayed: Any, field: str = "") -> Difference | None:
    """Where two replies differ beyond the tolerances; None where they say the same.

    >>> first_difference({"pitch_deg": 10.0}, {"pitch_deg": 10.0 + 1e-10}) is None
    True
    >>> first_difference({"event": None}, {"event": {"id": "3-cutoff"}}).field
    'event'
    """
    if isinstance(recorded, dict) and isinstance(replayed, dict):
        return _in_tables(recorded, replayed, field)
    if isinstance(recorded, list) and isinstance(replayed, list) and len(recorded) == len(replayed):
        found = (
            first_difference(a, b, _path(field, i)) for i, (a, b) in enumerate(zip(recorded, replayed, strict=True))
        )
        return next(filter(None, found), None)
    if _is_number(recorded) and _is_number(replayed):
        same = _close(field.rsplit(".", 1)[-1], recorded, replayed)
    else:
        same = type(recorded) is type(replayed) and recorded == replayed
    return None if same else Difference(field, recorded, replayed)


def heading_difference_deg(a_deg: float, b_deg: float) -> float:
    """The smaller angle between two headings, [0, 180].

    >>> heading_difference_deg(359.0, 1.0)
    2.0
    """
    apart = abs(a_deg - b_deg) % 360.0
    return min(apart, 360.0 - apart)


def _in_tables(recorded: dict[str, Any], replayed: dict[str, Any], field: str) -> Difference | None:
    of_open = recorded.get("type") == "opened"
    for name in [*recorded, *(name for name in replayed if name not in recorded)]:
        if name in TEXTS or (of_open and name == "warnings"):  # these tell of other sessions, too
            continue
        found = first_difference(recorded.get(name), replayed.get(name), _path(field, name))
        if found is not None:
            return found
    return None


def _close(name: str, a: float, b: float) -> bool:
    if name == "heading_deg" or name == "node_deg":
        return heading_difference_deg(a, b) <= ANGLE_TOLERANCE_DEG
    if name.endswith(("_deg", "_deg_s")):
        return abs(a - b) <= ANGLE_TOLERANCE_DEG
    return abs(a - b) <= NUMBER_TOLERANCE * max(1.0, abs(a), abs(b))


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _path(field: str, step: object) -> str:
    return f"{field}.{step}" if field else str(step)

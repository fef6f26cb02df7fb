"""Plain tables as TOML text: what the standard library can read but not write."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any


def toml_lines(table: Mapping[str, Any], path: str = "") -> list[str]:
    """The lines of a table: its own values, then its tables and lists of tables. Floats are written exactly.

    Raises:
        TypeError: a value that has no TOML form here.

    >>> print("\\n".join(toml_lines({"a": 1.5, "b": {"c": [1, 2]}, "d": [{"e": True}]})))
    a = 1.5
    <BLANKLINE>
    [b]
    c = [1, 2]
    <BLANKLINE>
    [[d]]
    e = true
    """
    lines = [f"{key} = {value_text(value)}" for key, value in table.items() if not nested(value)]
    for key, value in table.items():
        name = f"{path}.{key}" if path else key
        if isinstance(value, Mapping):
            lines += ["", f"[{name}]", *toml_lines(value, name)]
        elif nested(value):
            for item in value:
                lines += ["", f"[[{name}]]", *toml_lines(item, name)]
    return lines


def nested(value: object) -> bool:
    """Whether a value is a table or a list of tables."""
    if isinstance(value, Mapping):
        return True
    return isinstance(value, list) and bool(value) and all(isinstance(item, Mapping) for item in value)


def value_text(value: object) -> str:
    """One value."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=True)
    if isinstance(value, Sequence):
        return "[" + ", ".join(value_text(item) for item in value) + "]"
    raise TypeError(f"no TOML for {type(value).__name__}")

"""The comparison that clients/conformance/README.md describes, for replies of a service."""

from __future__ import annotations

from typing import Any

Message = dict[str, Any]
STEEP_DEG = 85.0


def at(message: Message, path: str) -> Any:
    """The value at a path such as event.at_s; None where there is none."""
    value: Any = message
    for part in path.split("."):
        value = value.get(part) if isinstance(value, dict) else None
    return value


def differences(expected: Message, got: Message, compare: dict[str, Any]) -> list[str]:
    """Paths at which a reply is not what was expected."""
    wrong = [path for path in compare["exact"] if at(expected, path) != at(got, path)]
    wrong += [name for name in compare["present"] if (name in expected) != (name in got)]
    steep = abs(expected.get("pitch_deg", 0.0)) > STEEP_DEG
    for path, tolerance in compare["within"].items():
        if path == "heading_deg" and steep:
            continue
        one, other = at(expected, path), at(got, path)
        if (one is None) != (other is None) or (one is not None and apart(path, one, other) > tolerance):
            wrong.append(path)
    return wrong


def apart(path: str, one: Any, other: Any) -> float:
    """Largest difference of two numbers or lists; headings round the circle."""
    if isinstance(one, list):
        return max(abs(a - b) for a, b in zip(one, other, strict=True))
    if path == "heading_deg":
        return abs((one - other + 180.0) % 360.0 - 180.0)
    return abs(float(one) - float(other))

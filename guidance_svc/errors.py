"""Everything this project raises on purpose.

GuidanceError                 code, field, expected, got
├── MessageFault              a message that breaks the wire contract           -> `fault` reply
├── SessionFault              a message that is well formed but not allowed now -> `fault` reply
├── ConfigError               a file under configs/ or an inline plan           -> shown with file and key
├── RecordingError            a recording that cannot be read or written
├── OrbitNotClosed            an orbit question asked of an escape path
├── NotConverged              guidance has no solution for this state           -> the session's status
└── BudgetSpent               more computing than one message may cause          -> the session's status

A caller's own bug (wrong type, wrong shape inside the package) raises the built-in error instead.
"""

from __future__ import annotations


class GuidanceError(Exception):
    """Base of every error of this project.

    Args:
        code: stable, lower_snake_case; scripts may branch on it.
        field: path of the offending field, such as ``position_m.2`` or ``target.inclination_deg``.
        expected: what would have been right, with unit and limit.
        got: what came, as text, shortened.
        file: the file it stands in, for configuration errors.
    """

    def __init__(self, code: str, field: str = "", expected: str = "", got: object = "", file: str = "") -> None:
        self.code = code
        self.field = field
        self.expected = expected
        self.got = shorten(got)
        self.file = file
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The error as one sentence: where, what was expected, what came."""
        where = ": ".join(part for part in (self.file, self.field) if part)
        parts = [f"{where}: " if where else "", self.code.replace("_", " ")]
        if self.expected:
            parts.append(f"; expected {self.expected}")
        if self.got:
            parts.append(f"; got {self.got}")
        return "".join(parts)

    def as_fields(self) -> dict[str, str]:
        """The four fields that a `fault` reply carries."""
        return {"code": self.code, "field": self.field, "expected": self.expected, "got": self.got}


class MessageFault(GuidanceError):
    """A message that breaks the wire contract."""


class SessionFault(GuidanceError):
    """A well-formed message that is not allowed in the present session."""


class ConfigError(GuidanceError):
    """A flight plan, vehicle, body or service file that does not hold."""


class RecordingError(GuidanceError):
    """A recording that cannot be read or written."""


class OrbitNotClosed(GuidanceError):
    """An apsis or a period was asked of a parabolic or hyperbolic path."""


class NotConverged(GuidanceError):
    """Guidance found no solution from this state."""


class BudgetSpent(GuidanceError):
    """What was asked takes more computing than one message may cause."""


def shorten(value: object, limit: int = 80) -> str:
    """Text of a value for an error message, at most `limit` characters, control characters escaped."""
    text = value if isinstance(value, str) else repr(value)
    text = text.encode("unicode_escape").decode("ascii") if not text.isprintable() else text
    return text if len(text) <= limit else text[: limit - 1] + "…"

"""The kinds of number that configuration files are made of, and how their models are set."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

from pydantic import ConfigDict, Field

MODEL = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True)

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_\-]{0,63}$")]
Title = Annotated[str, Field(max_length=64)]
Positive = Annotated[float, Field(gt=0.0, le=1e15)]
NotNegative = Annotated[float, Field(ge=0.0, le=1e15)]
Fraction = Annotated[float, Field(gt=0.0, le=1.0)]
Time = Annotated[float, Field(ge=-1e12, le=1e12)]
Program = Annotated[list[Annotated[list[float], Field(min_length=2, max_length=2)]], Field(max_length=30)]


def require_rising(name: str, points: list[list[float]], low: float, high: float, what: str) -> None:
    """A program's times must not be negative and must rise, its values must lie in their range."""
    times = [point[0] for point in points]
    if any(b <= a for a, b in pairwise(times)) or any(time < 0.0 for time in times):
        raise ValueError(f"{name} with rising times, from 0 s on")
    if any(not low <= value <= high for _, value in points):
        raise ValueError(f"{name} with each {what} from {low:g} to {high:g}")

"""Reading of the published cases, and the tolerance that their printed digits allow."""

from __future__ import annotations

import json
from math import floor, log10
from pathlib import Path
from typing import Any

DATA = Path(__file__).parent / "data"


def load(name: str) -> dict[str, dict[str, Any]]:
    """The cases of one data file by id."""
    return {case["id"]: case for case in json.loads((DATA / f"{name}.json").read_text())["cases"]}


def value(case: dict[str, Any], side: str, key: str) -> Any:
    """The plain number or list of one input or output, in the unit it is printed in."""
    return case[side][key]["value"]


def last_digit(number: float, significant: int) -> float:
    """One unit of the last trustworthy digit of a printed number.

    >>> last_digit(153.2, 4)
    0.1
    """
    return 10.0 ** (floor(log10(abs(number))) - significant + 1)


def unit_of(case: dict[str, Any], key: str) -> float:
    """One unit of the last trustworthy digit of an output; of its largest component for a vector."""
    entry = case["outputs"][key]
    numbers = entry["value"] if isinstance(entry["value"], list) else [entry["value"]]
    return last_digit(max(numbers, key=abs), entry["sig"])

"""A tower's arrivals in words, for people: report, board, terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def arrival_words(arrival: Mapping[str, Any], now_s: float) -> str:
    """One arrival of a tower's reply.

    Args:
        now_s: the time of that reply.

    >>> arrival_words({"vehicle": "kite", "status": "burning", "at_s": 12.5, "at_sigma_s": 0.04, "miss_m": 0.31,
    ...                "miss_sigma_m": 0.1, "clearance": "ready", "site": "Saltmarsh"}, 10.0)
    'kite burning: contact in 2.5 s, miss 0.3 m (one sigma 0.0 s, 0.1 m), ready'
    """
    who, clearance = f"{arrival['vehicle']} {arrival['status']}", str(arrival["clearance"]).replace("_", " ")
    miss = f"miss {arrival['miss_m']:.1f} m"
    if arrival["status"] in ("caught", "missed"):
        return f"{who} at {arrival['at_s']:.1f} s, {miss}, {clearance}"
    if arrival["status"] == "diverted":
        return f"{who} to {arrival['site']}, there at {arrival['at_s']:.1f} s, {clearance}"
    when = f"contact in {arrival['at_s'] - now_s:.1f} s"
    if arrival["at_sigma_s"] is None:
        return f"{who}: {when}, {miss}, {clearance}"
    sigmas = f"one sigma {arrival['at_sigma_s']:.1f} s, {arrival['miss_sigma_m']:.1f} m"
    return f"{who}: {when}, {miss} ({sigmas}), {clearance}"

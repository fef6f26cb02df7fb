"""Which laws lead down and nowhere else, by what may follow them in a plan."""

from __future__ import annotations

from functools import cache

from guidance_svc.laws.plan_rules import may_follow
from guidance_svc.laws.table import LAWS, aim_of


@cache
def comes_down(phase: str) -> bool:
    """Whether every way on from a phase ends in a landing; false for one that no law has.

    >>> comes_down("descent"), comes_down("coast"), comes_down("orbit")
    (True, False, False)
    """
    seen, ahead = {phase}, [phase]
    while ahead:
        new = [name for name in may_follow(ahead.pop()) if name not in seen] if phase in LAWS else []
        seen.update(new)
        ahead += new
    ends = [name for name in seen if name in LAWS and not set(may_follow(name)) - {name}]
    return bool(ends) and all(aim_of(name) == "landing" for name in ends)

"""What the laws ask of a plan: which may follow which, and what each refuses, by what the phase table says of it."""

from __future__ import annotations

from itertools import pairwise

from guidance_svc.domain import FlightPlan
from guidance_svc.errors import ConfigError
from guidance_svc.laws.table import LAWS


def may_follow(law: str) -> tuple[str, ...]:
    """The laws that may come after one, those that no plan may name included."""
    row = LAWS[law]
    return tuple(name for name, other in LAWS.items() if name in row.successors or law in other.predecessors)


def may_precede(law: str) -> tuple[str, ...]:
    """The laws that may come before one."""
    return tuple(other for other in LAWS if law in may_follow(other))


def in_plans(laws: tuple[str, ...]) -> tuple[str, ...]:
    """Those that a plan may name."""
    return tuple(law for law in laws if LAWS[law].model is not None)


def check_order(plan: FlightPlan) -> None:
    """Refuse a plan whose phases stand in an order that no law allows.

    Raises:
        ConfigError: with the key, what would work, and what stands there.
    """
    laws = [phase.law for phase in plan.phases]
    if not LAWS[laws[0]].first:
        raise ConfigError("impossible_order", "phases.0.law", wanted_before(laws[0]), "nothing")
    for i, (law, after) in enumerate(pairwise(laws), start=1):
        if after not in may_follow(law):
            expected = wanted_after(law) if LAWS[after].first else wanted_before(after)
            raise ConfigError("impossible_order", f"phases.{i}.law", expected, after)
    if not LAWS[laws[-1]].last:
        raise ConfigError("impossible_order", f"phases.{len(laws) - 1}.law", wanted_after(laws[-1]), "nothing")


def check_phases(plan: FlightPlan) -> None:
    """Refuse a plan with a phase that its own law refuses.

    Raises:
        ConfigError: with the key, what would work, and what stands there.
    """
    for i, phase in enumerate(plan.phases):
        LAWS[phase.law].check(phase, plan, f"phases.{i}")


def require_vehicle(plan: FlightPlan, key: str) -> None:
    """Refuse a tower's plan where something is to be flown.

    Raises:
        ConfigError: under that key.
    """
    if not any(phase.flies for phase in plan.phases):
        raise ConfigError("nothing_flown", key, "the plan of a vehicle: a tower stands at its site", plan.name)


def wanted_before(law: str) -> str:
    """What may come before a law, in words."""
    return f"a {' or '.join(in_plans(may_precede(law)))} phase before {law}"


def wanted_after(law: str) -> str:
    """What may come after a law, in words."""
    later = in_plans(may_follow(law))
    return f"after {law} one of {', '.join(later)}" if later else f"nothing after {law}"

"""What all laws that solve a burn in major cycles have in common."""

from __future__ import annotations

from guidance_svc.domain import FlightPlan
from guidance_svc.laws.memory import Burn
from guidance_svc.laws.navigation import Navigation

FRESH_CYCLES = 2.0  # a law older than this many major cycles is solved anew before the reply, not after it


def burn_due(burn: Burn, now: Navigation, plan: FlightPlan) -> bool:
    """Whether the law should be solved from this state: there is none, the last attempt failed, or a cycle is over."""
    if burn.solved_at_s is None:
        return True
    if burn.solved_at_s == now.time_s:
        return False
    if burn.law is None or burn.attempts > 0:
        return True
    return now.time_s - burn.solved_at_s >= plan.major_cycle_s


def burn_overdue(burn: Burn, now: Navigation, plan: FlightPlan) -> bool:
    """Whether there is no law yet, or only one from long ago."""
    return burn.solved_at_s is None or now.time_s - burn.solved_at_s > FRESH_CYCLES * plan.major_cycle_s


def note_burn_failure(burn: Burn) -> Burn:
    """An attempt that came to nothing."""
    return burn._replace(attempts=burn.attempts + 1)


def burn_figures(burn: Burn) -> list[tuple[str, float | None]]:
    """The numbers of a burn that would spoil every reply if they were none, with their names."""
    figures: list[tuple[str, float | None]] = [("cutoff_at_s", burn.cutoff_at_s), ("ignite_at_s", burn.ignite_at_s)]
    for name, law in (("law", burn.law), ("trial", burn.trial)):
        if law is not None:
            figures += [(name, x) for x in (*law.steer, *law.steer_rate, law.burn_s, law.cutoff_s)]
    return figures

"""Engines that are lost in a landing burn: a larger group takes over where those that are left do not suffice."""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.landing_divert import Way
from guidance_svc.core.landing_state import BURNING, SCALES, Guided
from guidance_svc.domain import Stage
from guidance_svc.laws.descent_place import Burners, Frame, rows_of
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.navigation import Navigation

LIT_S = 0.5  # after thrust is due, or a change of the group: from then on all engines that were asked for should burn
LASTS_S = 0.3  # an engine that does not burn for so long is lost


class Missing(NamedTuple):
    """Engines that were asked for and do not burn.

    Args:
        since_s: vehicle time; None while none is missing.
        engines: how many.
    """

    since_s: float | None = None
    engines: int = 0


NONE_MISSING = Missing()


def missing_engines(g: Guided, frame: Frame, now: Navigation, before: Missing) -> Missing:
    """How many engines are missing, by the word of the script, and since when."""
    due_s = max(g.light_at_s + frame.keys.delay_s, g.changed_at_s) + LIT_S
    if g.stage != BURNING or now.engines_lit is None or (now.time_s < due_s and before.since_s is None):
        return NONE_MISSING
    count = frame.lander.legs[g.leg].engines - now.engines_lit
    if count <= 0:
        return NONE_MISSING
    return Missing(now.time_s if before.since_s is None else before.since_s, count)


def next_burners(
    g: Guided, frame: Frame, now: Navigation, missing: Missing, phase: Descent, stage: Stage, burners: Burners
) -> Burners | None:
    """The engines to ask for instead; None where those that burn suffice, or there is no larger group."""
    if missing.since_s is None or now.time_s - missing.since_s < LASTS_S:
        return None
    left = frame.lander.legs[g.leg].engines - missing.engines
    if left > 0 and g.stop.stops and g.stop.beyond_frac <= 0.0:
        return None
    rows = rows_of(phase, stage, burners)
    at = min(g.leg, len(rows) - 1)
    larger = [count for count in stage.groups if count > rows[at][0]]
    if not larger:
        return None
    out = missing.engines + burners.out
    return Burners((*rows[:at], (min(larger), rows[at][1]), *rows[at + 1 :]), out)


def with_burners(g: Guided, here: Frame, there: Frame, missing: Missing) -> tuple[Guided, Way]:
    """The landing with other engines, and a guess of it.

    Args:
        here, there: with the engines that were asked for, and with those that are now.
    """
    before, after = here.lander.legs[g.leg], there.lander.legs[g.leg]
    lit = before.engines - missing.engines
    scale = min(max(g.thrust_scale / g.lit_part, SCALES[0]), SCALES[1])
    part = before.thrust_n * lit / before.engines / after.thrust_n
    throttle = min(max(g.throttle_frac * part, there.lander.least_frac), there.lander.most_frac)
    g = g._replace(
        thrust_scale=scale, lit_part=1.0, given_frac=g.given_frac * part, changed_at_s=g.time_s, throttle_frac=throttle
    )
    x = g.unknowns
    return g, Way(g.time_s, (throttle, x[1], x[2], x[3], x[4]), False, g.stop.end_s, g.stop.mass_kg, True, 0)


def lost_words(burners: Burners) -> tuple[str, ...]:
    """What is asked for instead of the plan's engines."""
    if burners.out == 0:
        return ()
    lost = "1 engine is" if burners.out == 1 else f"{burners.out} engines are"
    asked = ", then ".join(dict.fromkeys(str(count) for count, _ in burners.rows))
    return (f"{lost} lost: {asked} are asked for instead",)

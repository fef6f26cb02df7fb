"""Where a descent lands: what a tower's answer changes, and the divert to an alternate."""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from guidance_svc.constants import CLOCK_SLACK_S
from guidance_svc.core.landing_state import Guided
from guidance_svc.core.vectors import add
from guidance_svc.domain import Answer, Landing, Vec
from guidance_svc.laws.descent_place import Place, between, seen_in
from guidance_svc.laws.descent_reach import Around, decide_at_s, least_costly
from guidance_svc.laws.navigation import Navigation

MOST_OFFSET_M = 5.0  # arms said to be farther aside than this are not believed
SAID = {"not_ready": "the tower is not ready", "no_answer": "the tower has not answered"}


class Diverted(NamedTuple):
    """A divert that was made.

    Args:
        at_s: vehicle time.
        why: in words.
    """

    at_s: float
    why: str


def refused_words(answer: Answer | None) -> str:
    """What a tower says against a landing; empty where it is ready, or where there is none."""
    return "" if answer is None else SAID.get(answer.clearance, "")


def must_divert(landing: Landing, around: Around, now: Navigation, since_s: float) -> bool:
    """Whether the tower's answer, or its silence, sends the vehicle to an alternate with this state.

    Args:
        since_s: between this state and the one before; the next one may come as late.
    """
    if landing.without_answer != "divert" or not refused_words(now.answer):
        return False
    at_s = decide_at_s(around)
    return at_s is not None and now.time_s + since_s >= at_s - CLOCK_SLACK_S


def best_alternate(around: Around) -> int | None:
    """The place to divert to, as `Landing.places` counts; None where none is in reach."""
    best = least_costly(around)
    return None if best is None else best + 1


def offset_to_follow(landing: Landing, answer: Answer | None, before: Vec) -> Vec:
    """Where the arms are, from where the plan has them: east, north, up; as before where that is not believed."""
    if answer is None or landing.bears != "arms":
        return before
    return answer.catch_offset_m if hypot(*answer.catch_offset_m) <= MOST_OFFSET_M else before


def clearance_warnings(landing: Landing, around: Around, now: Navigation) -> tuple[str, ...]:
    """What of a tower's answer is not followed, or what will come of it."""
    words: tuple[str, ...] = ()
    answer = now.answer
    if answer is not None and landing.bears == "arms" and hypot(*answer.catch_offset_m) > MOST_OFFSET_M:
        words = (
            f"the arms are said to be {hypot(*answer.catch_offset_m):.1f} m from where the plan has them: more than "
            f"{MOST_OFFSET_M:g} m is not followed",
        )  # fmt: skip
    refused = refused_words(answer)
    if not refused:
        return words
    where = landing.site.name
    if landing.without_answer == "land":
        return (*words, f"{refused}: it lands at {where} all the same, as the plan says")
    best, at_s = best_alternate(around), decide_at_s(around)
    if best is None:
        known = around.solved_at_s is not None
        return (*words, f"{refused}, and no alternate is in reach: it lands at {where}" if known else refused)
    when = "when it must be decided" if at_s is None else f"at {at_s:.1f} s"
    return (*words, f"{refused}: it diverts to {landing.places[best].site.name} {when}")


def to_frame(g: Guided, here: Place, there: Place) -> Guided:
    """The landing in numbers, in another contact point's frame."""
    back, f = between(there, here), g.filtered
    noise = f.noise
    filtered = f._replace(
        position_m=add(seen_in(f.position_m, here, there), back), velocity_m_s=seen_in(f.velocity_m_s, here, there),
        bias_m_s2=seen_in(f.bias_m_s2, here, there),
        heard_position_m=add(seen_in(f.heard_position_m, here, there), back),
        heard_velocity_m_s=seen_in(f.heard_velocity_m_s, here, there),
        noise=noise._replace(
            raw_position_m=seen_in(noise.raw_position_m, here, there),
            raw_velocity_m_s=seen_in(noise.raw_velocity_m_s, here, there),
        ),
    )  # fmt: skip
    return g._replace(
        filtered=filtered, direction=seen_in(g.direction, here, there), pointing=seen_in(g.pointing, here, there)
    )  # fmt: skip

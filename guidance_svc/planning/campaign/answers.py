"""What breaks when one tanker is lost or a launch slips by a day, and whether it can be mended in time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from guidance_svc.constants import SECONDS_PER_DAY
from guidance_svc.planning.campaign.model import Campaign, Launch, Outcome, WhatIf
from guidance_svc.planning.campaign.schedule import name_launches, outcome

DAY_LATE_S = 0.9 * SECONDS_PER_DAY  # a plane comes round in less than a day


def one_lost(campaign: Campaign, plan: Outcome, windows: Sequence[Launch], start_s: float) -> list[WhatIf]:
    """Each tanker lost on its way, in turn; the cure is one more at the first window after the last launch."""
    found = []
    for lost in plan.launches:
        left = [one for one in plan.launches if one is not lost]
        without = outcome(campaign, left, start_s)
        after = plan.launches[-1].release_s + campaign.fleet.cadence_s
        spare = next((w for w in windows if w.release_s >= after and w.ready_s <= campaign.departure.time_s), None)
        cure = None
        if spare is not None:
            name = f"replacement for {lost.name}"
            entry = None if spare.entry is None else replace(spare.entry, name=name)
            cure = outcome(campaign, [*left, replace(spare, name=name, entry=entry)], start_s)
        found.append(WhatIf(f"{lost.name} lost", without, cure))
    return found


def one_slips(campaign: Campaign, plan: Outcome, windows: Sequence[Launch], start_s: float) -> list[WhatIf]:
    """Each launch a day late, in turn: it takes the next day's window, later launches move as the cadence demands."""
    found = []
    for k, late in enumerate(plan.launches):
        moved = list(plan.launches[:k])
        earliest = late.release_s + DAY_LATE_S
        for planned in plan.launches[k:]:
            after = max(earliest, planned.release_s)
            if moved:
                after = max(after, moved[-1].release_s + campaign.fleet.cadence_s)
            one = next((w for w in windows if w.release_s >= after - 1.0), None)
            if one is None:
                break
            moved.append(one)
            earliest = 0.0
        others = sum(
            a.release_s != b.release_s for a, b in zip(moved[k + 1 :], plan.launches[k + 1 :], strict=False)
        )  # fmt: skip
        whole = len(moved) == len(plan.launches)
        cure = outcome(campaign, name_launches(campaign, moved), start_s) if whole else None
        found.append(WhatIf(f"{late.name} a day late", None, cure, others))
    return found

"""What a vehicle that lands tells the tower on its clock."""

from __future__ import annotations

from math import hypot, sqrt

from guidance_svc.core.frames import from_local
from guidance_svc.core.landing_state import BURNING, Guided
from guidance_svc.core.vectors import add, norm
from guidance_svc.domain import Arrival, ArrivalStatus, Command, Landing
from guidance_svc.laws.descent_memory import DescentMemory
from guidance_svc.laws.descent_place import Place

CAUGHT_WITHIN_M = 2.0  # of the contact point: farther off it came down beside the tower


def arrival_of(own: DescentMemory, place: Place, landing: Landing, command: Command) -> Arrival:
    """A landing as its tower hears of it.

    The predicted errors are those of the filter, carried along until the burn begins: from there on it is steered.

    Args:
        place: that it flies to.
        command: the reply after which it is said.
    """
    guided, contact_s = own.guided, own.contact_s
    stop, (x, y, up_m), spread = guided.stop, guided.filtered.position_m, guided.filtered.spread
    miss_m = hypot(stop.position_m[0], stop.position_m[1])
    ahead_s = max(guided.light_at_s - guided.time_s, 0.0) if guided.stage != BURNING else 0.0
    variance_m2 = spread.rr + 2.0 * ahead_s * spread.rv + ahead_s * ahead_s * spread.vv
    sigma_m, fall_m_s = sqrt(max(variance_m2, 0.0)), abs(guided.filtered.velocity_m_s[2])
    over = contact_s is not None
    return Arrival(
        vehicle="",
        site=landing.site.name,
        time_s=command.time_s,
        at_s=guided.time_s + stop.end_s if contact_s is None else contact_s,
        at_sigma_s=0.0 if over else min(sigma_m / max(fall_m_s, 1.0), stop.end_s),
        position_fixed_m=add(place.position_m, from_local(up_m, y, x, place.axes)),
        speed_m_s=0.0 if over else norm(guided.filtered.velocity_m_s),
        miss_m=miss_m,
        miss_sigma_m=0.0 if over else sigma_m,
        decide_at_s=command.decide_at_s,
        status="diverted" if own.spot > 0 else status_of(guided, over, miss_m),
    )


def status_of(guided: Guided, over: bool, miss_m: float) -> ArrivalStatus:
    """How the landing stands."""
    if over:
        return "caught" if miss_m <= CAUGHT_WITHIN_M else "missed"
    return "burning" if guided.stage == BURNING else "falling"

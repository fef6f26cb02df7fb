"""What a planned boost leaves its booster to come home with, from the separation as it was flown, in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import degrees, hypot

from guidance_svc.core.frames import geodetic, longitude_rad
from guidance_svc.domain import Site
from guidance_svc.laws.boostback_plan import Boostback
from guidance_svc.laws.descent_plan import Descent
from guidance_svc.laws.entry_plan import EntryBurn
from guidance_svc.laws.returning import missed_m, push_of, route_of
from guidance_svc.planning.boost.ascent_trial import Parted
from guidance_svc.planning.boost.homeward import Homeward
from guidance_svc.rehearsal.closed_loop import AscentFlight
from guidance_svc.rehearsal.reserve import WayBack


@dataclass(frozen=True, slots=True)
class Return:
    """The return after a planned boost.

    Args:
        home: its plan.
        way: from the separation as flown.
        before_kg: reserve of the plan before.
        planned: whether the reserve was planned; False where something else ends the boost.
    """

    home: Homeward
    way: WayBack
    before_kg: float
    planned: bool


def return_after(flight: AscentFlight, home: Homeward, before_kg: float, planned: bool) -> Return | None:
    """The return from a flown separation; None where nothing was let go.

    Raises:
        GuidanceError: there is no way home from there.
    """
    state = flight.parted
    if state is None:
        return None
    parted = Parted(state.time_s, state.position_m, state.velocity_m_s)
    return Return(home, home.way_from(parted, state.propellant_kg[0], 0.0), before_kg, planned)


def burns_of(way: WayBack, home: Homeward) -> dict[str, float]:
    """Propellant of a return by burn, kg."""
    stage = home.plan.vehicle.stages[-1]
    entry = next((phase for phase in home.plan.phases if isinstance(phase, EntryBurn)), None)
    burns = {} if home.site_follows else {Boostback.law: way.burn_kg}
    if entry is not None and way.home is not None:
        burns[EntryBurn.law] = way.home.entry_s * push_of(stage, entry.engines, entry.throttle_frac).flow_kg_s
    return burns | {Descent.law: way.takes_kg - sum(burns.values())}


def site_of(back: Return | None) -> Site | None:
    """Where the landing site should be because the fall leads there; None where the site stays."""
    if back is None or back.way.home is None or not back.home.site_follows:
        return None
    landing, body, there = back.home.plan.landing, back.home.plan.body, back.way.home.position_m
    if landing is None:
        return None
    latitude, _ = geodetic(there, body.radius_m, body.flattening)
    return Site(landing.site.name, latitude, longitude_rad(there, 0.0), landing.site.altitude_m)


def return_words(back: Return) -> Iterator[str]:
    """Lines on the reserve before and after, what takes it, and where the booster comes down."""
    way, home = back.way, back.home
    burns = ", ".join(f"{law} {kg:z.0f} kg" for law, kg in burns_of(way, home).items())
    yield f"return: takes {way.takes_kg:.0f} kg from the separation as flown: {burns}"
    left = f"{way.left_kg:z.0f} kg of {way.had_kg:.0f} kg are left at contact"
    if back.planned:
        share = f"{100.0 * home.margin_frac:g} % of what it takes are to be left"
        yield f"reserve: {back.before_kg:.0f} kg before, {way.had_kg:.0f} kg planned; {left}, {share}"
    else:
        yield f"reserve: not planned, because a time or a speed ends the boost; {left}"
    if way.left_kg < 0.0:
        yield f"warning: {-way.left_kg:.0f} kg of propellant are missing for the return"
    landing, site = home.plan.landing, site_of(back)
    if landing is None or way.home is None:
        return
    off_m = hypot(*missed_m(way.home, route_of(home.plan, 0).place))
    name = landing.site.name or "the plan's landing site"
    if site is None:
        yield f"comes down {off_m:.0f} m from {name}"
        return
    place = f"latitude {degrees(site.latitude_rad):.5f} deg, longitude {degrees(site.longitude_rad):.5f} deg"
    yield f"the fall leads to {place}, {off_m / 1e3:.1f} km from where {name} was; [landing] has it now"
    others = " and [[landing.alternates]]" if landing.alternates else ""
    yield f"warning: move what else stands there likewise: the plan of its tower, if it has one{others}"

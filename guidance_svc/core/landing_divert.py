"""A landing led to another contact point: from now, or from a later instant of its predicted way."""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.core.compiled import kernel, part
from guidance_svc.core.lander import Lander, Moment, TiltBound
from guidance_svc.core.landing_ahead import guided_at, instant_ahead
from guidance_svc.core.landing_aim import QUARTIC, TANGENTS
from guidance_svc.core.landing_guide import (
    FULL_UPRIGHT_S,
    Anew,
    by_guess,
    first_guess,
    leads_there,
    leaning_less,
    planned_frac,
    solve_anew,
    solve_landing,
)
from guidance_svc.core.landing_solution import Stop
from guidance_svc.core.landing_state import BURNING, FALLING, Guided, Keys
from guidance_svc.core.landing_tangents import (
    LEAST_END_S,
    NO_INVERSE,
    Ask,
    Five,
    is_found,
    later,
    solve_tangents,
)
from guidance_svc.core.vectors import sub
from guidance_svc.domain import Vec

CAREFUL_LEAN, CAREFUL_FRAC = 0.9, 0.97  # of the bound of the lean and of the greatest throttle, for what disturbs later
CAREFUL_SLANT = 1.0  # tangent of the lean; a steeper one is not turned over in time
WAY_ROUNDS, WAY_STEPS = 25, 500
REDIRECT_TIMES = 2  # that a landing elsewhere is solved for one state
LEAST_WAIT_FRAC = 1e-3  # of the time to contact: a burn that would have to begin earlier begins at once


class Way(NamedTuple):
    """A landing at another contact point.

    Args:
        at_s: the instant that it begins at, vehicle time.
        unknowns: of its tangents.
        waits: whether the first of them is the waiting time; else it is the throttle.
        end_s: to contact, from the instant.
        mass_kg: at contact.
        found: whether it comes to rest over the point, within the bounds of a careful lander.
        steps: integrator steps that it took.
    """

    at_s: float
    unknowns: Five
    waits: bool
    end_s: float
    mass_kg: float
    found: bool
    steps: int


NO_WAY = Way(0.0, (0.0, 0.0, 0.0, 0.0, 0.0), True, 0.0, 0.0, False, 0)


@part
def seen_from(start: Moment, offset_m: Vec) -> Moment:
    """An instant with another contact point as origin; the axes stay."""
    return Moment(
        sub(start.position_m, offset_m), start.velocity_m_s, start.mass_kg, start.given_frac, start.leg,
        start.thrust_scale, start.drag_scale, start.wind_m_s, start.side_m_s2,
    )  # fmt: skip


@part
def careful(lander: Lander) -> Lander:
    """The lander with less of the lean and of the throttle than it has."""
    less = leaning_less(lander, CAREFUL_LEAN)
    t = less.tilt
    return Lander(
        less.ground, less.air, less.legs, less.leg_count, less.lag_s, less.least_frac,
        max(CAREFUL_FRAC * less.most_frac, less.least_frac),
        TiltBound(t.end, t.per_m, t.per_root_m, min(t.most, CAREFUL_SLANT)),
    )  # fmt: skip


class Lead(NamedTuple):
    """A guess of a way: unknowns of tangents, whether they wait, seconds to contact; integrator steps it took."""

    unknowns: Five
    waits: bool
    end_s: float
    steps: int


@part
def lead_from(there: Lander, keys: Keys, g: Guided, start: Moment, known: Way) -> Lead:
    """The guess from a way that is known; from the quartic where none is."""
    falling = g.stage == FALLING
    if not known.found:
        stop = solve_landing(there, keys, by_guess(g, g.stop, QUARTIC, g.unknowns, False), start, 0.0, True).stop
        return Lead(first_guess(there, g, start, stop), falling, stop.end_s, stop.steps)
    since = g.time_s - known.at_s
    x = later(known.unknowns, since, known.end_s, known.waits)
    waits = known.waits and falling
    if known.waits and not waits:
        x = (planned_frac(there, keys), x[1], x[2], x[3], x[4])
    return Lead(x, waits, max(known.end_s - since, LEAST_END_S), 0)


@part
def solve_way(there: Lander, keys: Keys, g: Guided, start: Moment, lead: Lead) -> Way:
    """The landing at another contact point from a guess; where it is late for the planned throttle, at a higher one."""
    there, x, waits, end, steps = careful(there), lead.unknowns, lead.waits, lead.end_s, lead.steps
    delay = max(g.light_at_s + keys.delay_s - g.time_s, 0.0) if g.stage == BURNING else keys.delay_s
    planned = planned_frac(there, keys)
    found, mass_kg, height = False, start.mass_kg, start.position_m[2]
    for _ in range(2):
        ask = Ask(waits, end, keys.idle_frac, planned, 0.0 if waits else delay, FULL_UPRIGHT_S)
        s = solve_tangents(there, start, ask, x, NO_INVERSE, WAY_ROUNDS, WAY_STEPS, True)
        steps += s.steps
        x, mass_kg = s.unknowns, s.arrival.mass_kg
        bounded = waits or there.least_frac <= x[0] <= there.most_frac
        found = is_found(s.miss_m, height) and s.arrival.stops and bounded
        if found or not waits or x[0] > LEAST_WAIT_FRAC:
            end = s.arrival.time_s if found else end
            break
        x, waits = (planned, x[1], x[2], x[3], x[4]), False
    return Way(g.time_s, x, waits, end, mass_kg, found, steps)


@kernel
def way_ahead(
    lander: Lander, there: Lander, keys: Keys, g: Guided, start: Moment, offset_m: Vec, by_s: float, turn_s: float,
    known: Way,
) -> Way:  # fmt: skip
    """The landing at another contact point, decided at an instant of the predicted way.

    Args:
        lander, g, start: as flown now.
        there: the lander at the other point.
        offset_m: from the contact point that is flown to, its frame; the two frames are taken as parallel.
        by_s, turn_s: when it is decided, and how long the vehicle turns then: see `instant_ahead`.
        known: a way found before, for a guess; one that is not found for none.
    """
    then = instant_ahead(lander, keys, g, start, by_s, turn_s)
    at = seen_from(then.start, offset_m)
    return solve_way(there, keys, then.guided, at, lead_from(there, keys, then.guided, at, known))


@kernel
def redirect(lander: Lander, keys: Keys, g: Guided, start: Moment, known: Way) -> Anew:
    """A landing that goes on to another contact point.

    Args:
        lander: at that point.
        g, start: before, in that point's frame.
        known: the way there as it was last found; one that is not found for none.
    """
    if not known.found:
        return solve_anew(lander, keys, g, start)
    g = guided_at(g, start, 0.0)
    lead = lead_from(lander, keys, g, start, known)
    if g.stage == FALLING and not lead.waits:
        g = lit_now(g)
    g, steps = by_guess(g, ending(g.stop, lead.end_s), TANGENTS, lead.unknowns, True), 0
    for _ in range(REDIRECT_TIMES):
        g = solve_landing(lander, keys, g, start, 0.0, False)
        steps += g.stop.steps
        if leads_there(g.stop):
            break
    return Anew(g, steps)


@part
def ending(stop: Stop, end_s: float) -> Stop:
    """A landing with another time to contact."""
    return Stop(
        stop.wait_s, stop.throttle_frac, stop.beyond_frac, 0.0, end_s, stop.position_m, stop.velocity_m_s,
        stop.mass_kg, stop.rise_m_s2, stop.stops, stop.steps,
    )  # fmt: skip


@part
def lit_now(g: Guided) -> Guided:
    """The landing with its burn begun."""
    return Guided(
        g.time_s, g.filtered, BURNING, g.time_s, g.leg, g.throttle_frac, g.direction, g.given_frac, g.time_s,
        g.thrust_scale, g.drag_scale, g.wind_m_s, g.lit_part, g.pointing, g.stop, g.law, g.unknowns, NO_INVERSE,
        g.anew_s, g.gentle, g.tangents_end_s,
    )  # fmt: skip

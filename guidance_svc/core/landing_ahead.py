"""The landing that is flown, at an instant of its predicted way."""

from __future__ import annotations

from typing import NamedTuple

from guidance_svc.constants import CLOCK_SLACK_S
from guidance_svc.core.compiled import part
from guidance_svc.core.lander import Lander, Moment
from guidance_svc.core.landing_aim import QUARTIC, TANGENTS, Aim
from guidance_svc.core.landing_flight import moment_ahead
from guidance_svc.core.landing_guide import FULL_UPRIGHT_S, room_for, upright_for_s
from guidance_svc.core.landing_solution import Stop
from guidance_svc.core.landing_state import BURNING, FALLING, Guided, Keys
from guidance_svc.core.landing_tangents import LEAST_END_S, NO_INVERSE


class Instant(NamedTuple):
    """An instant of the predicted way: what is remembered there, and where the vehicle is."""

    guided: Guided
    start: Moment


@part
def aim_of(g: Guided) -> Aim:
    """How the landing that is flown leans, from now on."""
    if g.law != TANGENTS:
        return Aim(QUARTIC, g.stop.end_s, (0.0, 0.0), (0.0, 0.0), FULL_UPRIGHT_S)
    x, end = g.unknowns, max(g.tangents_end_s, LEAST_END_S)
    return Aim(TANGENTS, end, (x[1], x[2]), ((x[3] - x[1]) / end, (x[4] - x[2]) / end), upright_for_s(g.gentle))


@part
def guided_at(g: Guided, start: Moment, by_s: float) -> Guided:
    """What is remembered at an instant of the predicted way.

    Args:
        by_s: from now.
    """
    time, s = g.time_s + by_s, g.stop
    stage = BURNING if g.stage == BURNING or time >= g.light_at_s - CLOCK_SLACK_S else FALLING
    stop = Stop(
        max(s.wait_s - by_s, 0.0), s.throttle_frac, s.beyond_frac, 0.0, max(s.end_s - by_s, 0.0), s.position_m,
        s.velocity_m_s, s.mass_kg, s.rise_m_s2, s.stops, 0,
    )  # fmt: skip
    return Guided(
        time, g.filtered, stage, g.light_at_s, start.leg, g.throttle_frac, g.direction, start.given_frac,
        g.changed_at_s, start.thrust_scale, start.drag_scale, start.wind_m_s, g.lit_part, g.pointing, stop, g.law,
        g.unknowns, NO_INVERSE, g.anew_s, g.gentle, g.tangents_end_s,
    )  # fmt: skip


@part
def instant_ahead(lander: Lander, keys: Keys, g: Guided, start: Moment, by_s: float, turn_s: float) -> Instant:
    """The instant at which a change of the landing acts, that is decided at an instant of the predicted way.

    Args:
        by_s: from now.
        turn_s: that the vehicle takes to turn to another lean; what falls before the burn costs nothing.
    """
    by_s += max(turn_s - max(g.light_at_s + keys.delay_s - g.time_s - by_s, 0.0), 0.0)
    if by_s > 0.0:
        way = room_for(lander, g.gentle) if g.law == TANGENTS else lander
        start = moment_ahead(way, start, g.stop.wait_s, keys.idle_frac, g.stop.throttle_frac, aim_of(g), by_s)
    return Instant(guided_at(g, start, by_s), start)

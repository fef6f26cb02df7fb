"""Landings that are sent to an alternate, flown through a session by the simulator with errors and noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import NamedTuple

from guidance_svc.domain import Alternate, Answer, Command, FlightPlan, Landing, Site, VehicleState
from guidance_svc.rehearsal.disturbances import Disturbances
from guidance_svc.rehearsal.loop import Guide, in_process
from guidance_svc.session.session import Session
from guidance_svc.sim.pad import Pad
from guidance_svc.sim.weather import Weather
from tests.closed_loop.landing_flights import (
    EARTHLIKE,
    FALL,
    SITE,
    SOFT,
    STAGE,
    VEHICLE,
    Flown,
    Start,
    craft_of,
    flown,
    plan_of,
)

SOUTH_M = 50.0
MUDFLAT = Site("Mudflat", SITE.latitude_rad - SOUTH_M / EARTHLIKE.radius_m, SITE.longitude_rad, SITE.altitude_m)
TO_GROUND = Landing(SITE, "arms", 60.0, alternates=(Alternate(MUDFLAT),), without_answer="divert")
DEEP = replace(VEHICLE, stages=(replace(STAGE, throttle_min_frac=0.4),))  # room to make up for errors in the end
PLAN = plan_of(SOFT, TO_GROUND, DEEP)
SPREAD_M, SPREAD_M_S = 10.0, 1.0
FIRST_S = 1.5  # by then the reach has been looked at


class Told(NamedTuple):
    """What the tower says: not a word until `ready_at_s`, and from then on that it is ready.

    Args:
        ready_at_s: vehicle time; None for never.
    """

    ready_at_s: float | None = None

    def __call__(self, message: VehicleState) -> VehicleState:
        """The state with the tower's answer."""
        ready = self.ready_at_s is not None and message.time_s >= self.ready_at_s
        return message._replace(answer=Answer("ready" if ready else "no_answer"))


def answered(told: Callable[[VehicleState], VehicleState]) -> Callable[[Session], Guide]:
    """A session whose states carry a tower's answer."""

    def guide(session: Session) -> Guide:
        ask = in_process(session)

        def answer(message: VehicleState) -> Command:
            return ask(told(message))

        return answer

    return guide


def errors(random: Random) -> Disturbances:
    """All errors at once, with a sign of their own each, and the noise that arms are good for."""
    def either(by: float) -> float:
        return random.choice((-1.0, 1.0)) * by

    weather = Weather(((0.0, either(4.0), either(4.0)),), 1.0, seed=random.randrange(1000), drag_frac=1.0 + either(0.1))
    return Disturbances(
        seed=random.randrange(1 << 30), noise_m=0.1, noise_m_s=0.02, delay_s=0.04, thrust_frac=1.0 + either(0.02),
        weather=weather, ignition_s=0.05,
    )  # fmt: skip


def start_of(random: Random, onto: Site, plan: FlightPlan) -> Start:
    """The fall towards the site, with a spread, as seen from where the pad really is."""
    north_m = (SITE.latitude_rad - onto.latitude_rad) * plan.body.radius_m
    (x, y, z), (u, v, w) = FALL.offset_m, FALL.speed_m_s
    return replace(
        FALL,
        offset_m=(x + random.gauss(0.0, SPREAD_M), y + north_m + random.gauss(0.0, SPREAD_M), z),
        speed_m_s=(u + random.gauss(0.0, SPREAD_M_S), v + random.gauss(0.0, SPREAD_M_S), w),
    )  # fmt: skip


def diverted_flight(seed: int, tick_s: float = 0.1) -> Flown:
    """A landing that the tower leaves without an answer, onto the alternate's ground."""
    random = Random(seed)
    craft = craft_of(PLAN, start_of(random, MUDFLAT, PLAN), Pad(MUDFLAT))
    return flown(PLAN, craft, answered(Told()), tick_s=tick_s, disturbances=errors(random))

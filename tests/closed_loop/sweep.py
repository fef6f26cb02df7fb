"""Random ignition states, flown closed loop: `python -m tests.closed_loop.sweep [COUNT] [SEED]` prints the tally.

The states: thrust over weight 0.55 to 1.3, 60 to 110 km, 150 to 1100 m/s up, plane off by up to 2 deg, start
pitch 0 to 45 deg, 1.8 to 4.5 km/s along. The vehicle and its propellant are invented.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import cos, degrees, pi, radians, sin
from random import Random

from rich.progress import track

from guidance_svc.constants import STANDARD_GRAVITY_M_S2
from guidance_svc.core.kepler import apsides, inclination_rad
from guidance_svc.domain import Body, FlightPlan, Insertion, Orbit, Stage, Target, Vehicle
from guidance_svc.sim.state import SimState, World, full_tanks
from tests.closed_loop.flight import fly

EARTH = Body("earth-sized", 3.986004418e14, 6378137.0, j2=1.08262668e-3)
IGNITION_KG = 20000.0
BURNT_FRAC = 0.93
TARGET = Target(
    EARTH.radius_m + 200e3, EARTH.radius_m + 500e3, EARTH.radius_m + 200e3, 7870.556279190217, 0.0,
    "inclination_and_node", pi / 2, 0.0,
)  # fmt: skip
"""A polar plane: nothing in it is special to the planar mathematics."""


@dataclass(frozen=True)
class Outcome:
    """How one flight ended: errors of perigee and apogee, m, and of inclination, deg; what it said on the way."""

    perigee_m: float
    apogee_m: float
    inclination_deg: float
    statuses: frozenset[str]

    @property
    def inserted(self) -> bool:
        """In the wanted orbit: 1 km of apsides and 0.01 deg, far beyond what a converged flight misses by."""
        return max(abs(self.perigee_m), abs(self.apogee_m)) < 1e3 and abs(self.inclination_deg) < 0.01

    @property
    def kind(self) -> str:
        """inserted, reported (not inserted, but said so) or lost (not inserted, and silent)."""
        if self.inserted:
            return "inserted"
        return "reported" if self.statuses & {"short_of_propellant", "unreachable"} else "lost"


def random_start(draw: Random) -> tuple[FlightPlan, World, SimState]:
    """One case."""
    weight_n = IGNITION_KG * STANDARD_GRAVITY_M_S2
    burnt = IGNITION_KG * BURNT_FRAC
    stage = Stage("only", IGNITION_KG - burnt, burnt, draw.uniform(0.55, 1.3) * weight_n, draw.uniform(3000.0, 4500.0))
    vehicle = Vehicle("swept", (stage,))
    radius, off = EARTH.radius_m + draw.uniform(60e3, 110e3), radians(draw.uniform(-2.0, 2.0))
    along, up = draw.uniform(1800.0, 4500.0), draw.uniform(150.0, 1100.0)
    angle, pitch = draw.uniform(0.0, 2.0 * pi), radians(draw.uniform(0.0, 45.0))
    c, s = cos(angle), sin(angle)
    place = (radius * c, 0.0, radius * s)
    ahead = (-s, 0.0, c)
    speed = (
        up * c + along * cos(off) * ahead[0], along * sin(off), up * s + along * cos(off) * ahead[2],
    )  # fmt: skip
    pointing = (cos(pitch) * ahead[0] + sin(pitch) * c, 0.0, cos(pitch) * ahead[2] + sin(pitch) * s)
    state = SimState(0.0, place, speed, pointing, full_tanks(vehicle), engine_on=True)
    plan = FlightPlan("swept", EARTH, vehicle, TARGET, (Insertion(), Orbit()), major_cycle_s=0.5)
    return plan, World(EARTH, vehicle, step_s=0.1), state


def flown(seed: int, tick_s: float = 0.1) -> Outcome:
    """Fly one case."""
    plan, world, state = random_start(Random(seed))
    flight = fly(plan, world, state, tick_s, most_s=1500.0)
    place, speed = flight.state.position_m, flight.state.velocity_m_s
    low, high = apsides(place, speed, EARTH.mu_m3_s2)
    return Outcome(
        low - TARGET.perigee_radius_m, high - TARGET.apogee_radius_m,
        degrees(inclination_rad(place, speed) - TARGET.inclination_rad), frozenset(flight.statuses),
    )  # fmt: skip


def main(count: int, first: int) -> None:
    """Fly and tally, on all cores."""
    tally: Counter[str] = Counter()
    seeds = range(first, first + count)
    with ProcessPoolExecutor() as pool:
        outcomes = list(track(pool.map(flown, seeds, chunksize=5), "flights", count))
    for seed, outcome in zip(seeds, outcomes, strict=True):
        tally[outcome.kind] += 1
        if outcome.kind != "inserted":
            print(seed, outcome.kind, outcome)
    print(dict(tally), f"of {count}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, int(sys.argv[2]) if len(sys.argv) > 2 else 0)

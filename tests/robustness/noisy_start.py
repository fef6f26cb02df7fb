"""Upper-stage burns with noisy, delayed and lost states on a plant of its own: who is turned away, who is told wrongly.

    python -m tests.robustness.noisy_start [--seeds N] [--first N] [--vehicle V] [--seconds S] [--engine-loss]

Noise of one sigma on every state: 50 m, 0.3 m/s per axis, 1e-4 of the mass. A tenth of the states and of the replies is
lost, the rest acts 0.1 to 0.4 s late. The plan's figures are wrong by one sigma of 1.5 % (thrust), 0.7 % (exhaust
velocity), 0.3 % (dry mass). The noise-free flight that all are held against knows the true figures and loses nothing.

`--seconds` cuts each flight; nothing is said of its orbit then. `--engine-loss` takes a third of the thrust at 20 s.
"""

from __future__ import annotations

import argparse
from collections import deque
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from math import acos, degrees, inf, pi, radians, sqrt
from random import Random
from typing import Final

from rich.console import Console
from rich.progress import track
from rich.table import Table

from guidance_svc.domain import (
    Body,
    Command,
    FlightPlan,
    Frame,
    Insertion,
    Orbit,
    PlaneMode,
    Stage,
    Target,
    Vehicle,
    VehicleState,
)  # fmt: skip
from guidance_svc.session.session import Session
from tests.robustness.plant import J2, MU, RADIUS_M, Engine, Plant, Vec, start

TURNED_DEG: Final = 25.0
LOST_BELOW_M: Final = 100e3
LONGEST_S: Final = 900.0
ALARMS: Final = ("short_of_propellant", "stale", "unreachable")
LOSS_AT_S, LOSS_KEEPS = 20.0, 2.0 / 3.0


@dataclass(frozen=True)
class Case:
    """A vehicle, where it starts, where it goes, and how its script sends.

    Args:
        begins: latitude rad, height m, speed up and along m/s, azimuth rad, pitch rad of the nose.
        pointing_told: the state tells the attitude (0.3 deg of noise).
    """

    stages: tuple[Engine, ...]
    payload_kg: float
    begins: tuple[float, float, float, float, float, float]
    perigee_m: float
    apogee_m: float
    plane: PlaneMode
    state_every_s: float
    pointing_told: bool = False
    throttle_min_frac: float = 1.0
    drop_pause_s: float = 0.0


CASES: Final = {
    "brisk": Case(
        (Engine(2000.0, 21100.0, 282.4e3, 2844.0),), 900.0,
        (radians(12.0), 64e3, 820.0, 2500.0, radians(85.0), radians(30.0)), 200e3, 300e3, "inclination_and_node", 0.2,
    ),
    "gentle": Case(
        (Engine(3700.0, 12700.0, 0.55 * 20e3 * 9.80665, 4400.0),), 3600.0,
        (radians(28.0), 105e3, 700.0, 4200.0, radians(95.0), radians(25.0)), 220e3, 450e3, "inclination", 0.1, True,
    ),
    "double": Case(
        (Engine(2600.0, 26000.0, 480e3, 3050.0), Engine(1800.0, 6400.0, 98e3, 3350.0)), 2400.0,
        (radians(-5.0), 58e3, 750.0, 1900.0, radians(60.0), radians(35.0)), 190e3, 190e3, "free", 0.1,
        throttle_min_frac=0.5, drop_pause_s=2.0,
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Trouble:
    """What is wrong with a flight; nothing by default."""

    noise_m: float = 0.0
    noise_m_s: float = 0.0
    mass_frac: float = 0.0
    lost_frac: float = 0.0
    delay_s: tuple[float, float] = (0.0, 0.0)
    thrust_frac: float = 0.0
    exhaust_frac: float = 0.0
    dry_frac: float = 0.0


NOISY: Final = Trouble(50.0, 0.3, 1e-4, 0.1, (0.1, 0.4), 0.015, 0.007, 0.003)


@dataclass(frozen=True)
class Flown:
    """How a flight went; apsides as altitudes, None of a flight cut short."""

    trace: tuple[Vec, ...]
    statuses: frozenset[str]
    warnings: frozenset[str]
    burnt_kg: float
    lost: bool
    perigee_m: float | None
    apogee_m: float | None
    alarm_s: float | None
    cutoff_at_s: float | None


def body() -> Body:
    """The plant's body as a plan has it."""
    return Body("round", MU, RADIUS_M, j2=J2)


def plan_of(case: Case, trouble: Trouble, draw: Random) -> FlightPlan:
    """The flight plan, its figures wrong as far as the trouble says."""
    stages = tuple(
        Stage(
            f"stage {k}", e.dry_kg * (1.0 + draw.gauss(0.0, trouble.dry_frac)), e.propellant_kg,
            e.thrust_n * (1.0 + draw.gauss(0.0, trouble.thrust_frac)),
            e.exhaust_m_s * (1.0 + draw.gauss(0.0, trouble.exhaust_frac)),
            throttle_min_frac=case.throttle_min_frac, drop_pause_s=case.drop_pause_s,
        )
        for k, e in enumerate(case.stages)
    )  # fmt: skip
    low, high = RADIUS_M + case.perigee_m, RADIUS_M + case.apogee_m
    speed = sqrt(2.0 * MU * high / (low * (low + high)))
    place, motion, _ = start(*case.begins)
    hx, hy, hz = (place[1] * motion[2] - place[2] * motion[1], place[2] * motion[0] - place[0] * motion[2],
                  place[0] * motion[1] - place[1] * motion[0])  # fmt: skip
    inclination = acos(hz / sqrt(hx * hx + hy * hy + hz * hz)) + radians(0.2)
    node = 2.0 * pi - acos(-hy / sqrt(hx * hx + hy * hy)) if hx < 0.0 else acos(-hy / sqrt(hx * hx + hy * hy))
    target = Target(low, high, low, speed, 0.0, case.plane, inclination, node)
    phases = (Insertion(), Orbit())
    vehicle = Vehicle("own plant", stages, case.payload_kg)
    return FlightPlan("noisy start", body(), vehicle, target, phases, major_cycle_s=0.5)


def told(plant: Plant, case: Case, trouble: Trouble, draw: Random, seq: int, seen: str | None) -> VehicleState:
    """One state as the script sends it."""

    def shaken(v: Vec, sigma: float) -> Vec:
        return (v[0] + draw.gauss(0.0, sigma), v[1] + draw.gauss(0.0, sigma), v[2] + draw.gauss(0.0, sigma))

    nose = None
    if case.pointing_told:
        x, y, z = shaken(plant.nose, radians(0.3) if trouble.noise_m else 0.0)
        k = 1.0 / sqrt(x * x + y * y + z * z)
        nose = (k * x, k * y, k * z)
    return VehicleState(
        seq=seq, time_s=plant.time_s, mass_kg=plant.mass_kg * (1.0 + draw.gauss(0.0, trouble.mass_frac)),
        position_script_m=shaken(plant.position_m, trouble.noise_m),
        velocity_script_m_s=shaken(plant.velocity_m_s, trouble.noise_m_s),
        pointing_script=nose, stage=plant.stage, engine_on=plant.engine_on, seen_event=seen,
        throttle_frac=plant.throttle_frac if case.pointing_told else None,
    )  # fmt: skip


class Script:
    """A flight script on the plant: the last reply that came, acted on by the vehicle's own clock."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.active: Command | None = None
        self.seen: str | None = None
        self.over = False

    def act(self, until_s: float) -> None:
        """Fly to a time by the command in force; cutoff, separation and ignition at their instants."""
        plant, c = self.plant, self.active
        if c is None:
            plant.advance(plant.nose, until_s)
            return
        plant.throttle_frac = c.throttle_frac
        if c.engine_on and not plant.engine_on and (c.cutoff_at_s is None or plant.time_s < c.cutoff_at_s):
            plant.light()
        event = c.event if c.event is not None and c.event.id != self.seen else None
        instants = [until_s]
        if c.cutoff_at_s is not None and plant.engine_on:
            instants.append(c.cutoff_at_s)
        if event is not None:
            instants.append(event.at_s)
        for at_s in sorted(max(i, plant.time_s) for i in instants if i <= until_s):
            plant.advance(c.direction, at_s)
            if c.cutoff_at_s is not None and at_s >= c.cutoff_at_s and plant.engine_on:
                plant.engine_on, self.over = False, plant.stage + 1 == len(plant.stages)
            if event is not None and at_s >= event.at_s and event.id != self.seen:
                self.carry_out(event.name)
                self.seen = event.id

    def carry_out(self, name: str) -> None:
        """Do what an event asks for."""
        if name == "separate" and self.plant.stage + 1 < len(self.plant.stages):
            self.plant.drop()
        if name == "ignite":
            self.plant.light()


def fly(case: Case, trouble: Trouble, seed: int, seconds: float, loss: bool = False) -> Flown:
    """One flight to its cutoff, or so many seconds of it."""
    draw = Random(f"noisy start {seed}")
    plan = plan_of(case, trouble, draw)
    session, plant = Session(plan, Frame()), Plant(case.stages, case.payload_kg, *start(*case.begins))
    script, coming = Script(plant), deque[tuple[float, Command]]()
    trace: list[Vec] = []
    statuses: set[str] = set()
    warnings: set[str] = set()
    alarm_s, cutoff_at_s, seq = None, None, 0
    while plant.time_s < min(seconds, LONGEST_S) and not script.over:
        seq += 1
        plant.thrust_kept = LOSS_KEEPS if loss and plant.time_s >= LOSS_AT_S else 1.0
        if draw.random() >= trouble.lost_frac:
            c = session.state(told(plant, case, trouble, draw, seq, script.seen))
            session.work()
            if c.phase == "orbit":
                break
            statuses.add(c.status)
            cutoff_at_s = c.cutoff_at_s
            warnings.update(c.warnings)
            trace.append((plant.time_s, *c.direction))  # type: ignore[arg-type]
            if alarm_s is None and c.status in ALARMS:
                alarm_s = plant.time_s
            if draw.random() >= trouble.lost_frac:
                coming.append((plant.time_s + draw.uniform(*trouble.delay_s), c))
        end_s = seq * case.state_every_s
        while coming and coming[0][0] <= end_s:
            at_s, c = coming.popleft()
            script.act(max(at_s, plant.time_s))
            script.active = c
        script.act(end_s)
    low, high = apsides(plant) if plant.time_s < seconds else (None, None)
    whole = sum(e.dry_kg + e.propellant_kg for e in case.stages) + case.payload_kg
    lost = low is not None and low < LOST_BELOW_M
    return Flown(
        tuple(trace),
        frozenset(statuses),
        frozenset(warnings),
        whole - plant.mass_kg,
        lost,
        low,
        high,
        alarm_s,
        cutoff_at_s,
    )


def apsides(plant: Plant) -> tuple[float, float]:
    """Altitudes of perigee and apogee, osculating."""
    x, y, z = plant.position_m
    u, v, w = plant.velocity_m_s
    r, s2 = sqrt(x * x + y * y + z * z), u * u + v * v + w * w
    h2 = (y * w - z * v) ** 2 + (z * u - x * w) ** 2 + (x * v - y * u) ** 2
    energy = 0.5 * s2 - MU / r
    e = sqrt(max(0.0, 1.0 + 2.0 * energy * h2 / MU**2))
    half = -MU / (2.0 * energy)
    return half * (1.0 - e) - RADIUS_M, half * (1.0 + e) - RADIUS_M


@cache
def reference(name: str, seconds: float, loss: bool) -> Flown:
    """The noise-free flight with true figures."""
    return fly(CASES[name], Trouble(), 0, seconds, loss)


@dataclass(frozen=True)
class Row:
    """One flight against the noise-free one."""

    seed: int
    turned_deg: float
    turned_at_s: float
    lost: bool
    alarms: tuple[str, ...]
    alarm_s: float | None
    more_kg: float
    perigee_m: float | None
    apogee_m: float | None


def row(name: str, seconds: float, loss: bool, seed: int) -> Row:
    """Fly one seed."""
    case, true = CASES[name], reference(name, seconds, loss)
    flown = fly(case, NOISY, seed, seconds, loss)
    worst, at = 0.0, 0.0
    k = 0
    for t, x, y, z in flown.trace:  # type: ignore[misc]
        while k + 1 < len(true.trace) and true.trace[k + 1][0] <= t:
            k += 1
        _, a, b, c = true.trace[k]  # type: ignore[misc]
        off = degrees(acos(max(-1.0, min(1.0, x * a + y * b + z * c))))
        if off > worst:
            worst, at = off, t
    low = None if flown.perigee_m is None or true.perigee_m is None else flown.perigee_m - case.perigee_m
    high = None if flown.apogee_m is None or true.apogee_m is None else flown.apogee_m - case.apogee_m
    alarms = tuple(sorted(flown.statuses & set(ALARMS)))
    return Row(seed, worst, at, flown.lost, alarms, flown.alarm_s, flown.burnt_kg - true.burnt_kg, low, high)


def quantile(values: Sequence[float], frac: float) -> float:
    """Of the absolute values."""
    ordered = sorted(abs(v) for v in values)
    return ordered[min(len(ordered) - 1, int(frac * len(ordered)))]


def table_of(found: dict[str, list[Row]], seconds: float) -> Table:
    """One line a vehicle."""
    table = Table(title="whole flights" if seconds == inf else f"first {seconds:g} s")
    for head in ("vehicle", "flights", f"off > {TURNED_DEG:g} deg", "worst deg", "lost", "short, unreachable", "stale",
                 "propellant kg p50", "worst", "perigee m p50", "p95", "apogee m p50", "p95"):  # fmt: skip
        table.add_column(head, justify="right")
    for name, rows in found.items():
        whole = [r for r in rows if r.perigee_m is not None and r.apogee_m is not None and not r.lost]
        ends = ["-"] * 6
        if whole:
            more = [r.more_kg for r in whole]
            ends = [f"{sorted(more)[len(more) // 2]:+.1f}", f"{max(more):+.1f}"]
            for values in ([r.perigee_m or 0.0 for r in whole], [r.apogee_m or 0.0 for r in whole]):
                ends += [f"{quantile(values, 0.5):.0f}", f"{quantile(values, 0.95):.0f}"]
        table.add_row(
            name, str(len(rows)), str(sum(r.turned_deg > TURNED_DEG for r in rows)),
            f"{max(r.turned_deg for r in rows):.1f}", str(sum(r.lost for r in rows)),
            str(sum(bool({"short_of_propellant", "unreachable"} & set(r.alarms)) for r in rows)),
            str(sum("stale" in r.alarms for r in rows)), *ends,
        )  # fmt: skip
    return table


def main() -> None:
    """Fly and print."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("--seeds", type=int, default=30)
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--vehicle", choices=[*CASES, "all"], default="all")
    ask.add_argument("--seconds", type=float, default=inf)
    ask.add_argument("--workers", type=int, default=1)
    ask.add_argument("--engine-loss", action="store_true")
    said = ask.parse_args()
    console = Console(width=160)
    found: dict[str, list[Row]] = {}
    with ProcessPoolExecutor(said.workers) as pool:
        for name in CASES if said.vehicle == "all" else (said.vehicle,):
            seeds = range(said.first, said.first + said.seeds)
            flights = pool.map(partial(row, name, said.seconds, said.engine_loss), seeds)
            found[name] = list(track(flights, name, said.seeds, console=console))
            for r in found[name]:
                if r.turned_deg > TURNED_DEG or r.lost or r.alarms:
                    fate = "LOST, " if r.lost else ""
                    off = f"{r.turned_deg:.1f} deg off at {r.turned_at_s:.1f} s"
                    console.print(f"{name} {r.seed}: {off}, {fate}{r.alarms} from {r.alarm_s}, {r.more_kg:+.0f} kg")
    console.print(table_of(found, said.seconds))


if __name__ == "__main__":
    main()

"""Insertion by the clients' safety net over links that misbehave: errors a row over seeds.

    python -m tests.robustness.link [--seeds N] [--rows WORD]

The burn of `world.PLAN`, 136 s to 200 x 460 km, a state every 50 ms, thrust within 1 % and exhaust velocity within
0.5 % of the plan's. Errors at the engine's last cutoff, against the plan's target.
"""

from __future__ import annotations

import argparse
import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil
from random import Random
from typing import Any, Final

from guidance_svc.core.kepler import apsides
from guidance_svc.sim.state import Controls
from tests.closed_loop.outcome import plane_error_deg
from tests.robustness.virtual import DEAD_S, MID_BURN_S, OUTAGE_S, Rig, Trouble, client_on
from tests.robustness.world import PLAN, TICK_S, KeptService, flight_plan

LONGEST_S: Final = 220.0
AFTER_S: Final = 20.0  # after the cutoff, for the session to hear of it


@dataclass(frozen=True)
class Row:
    """One row of the table."""

    name: str
    trouble: Trouble


ALL: Final = Trouble(0.1, 0.1, 0.3, 1, outage_at_cutoff=True, half_open=True, dies=True)
ROWS: Final = (
    Row("undisturbed", Trouble()),
    Row("loss 5 % each way", Trouble(loss_frac=0.05)),
    Row("loss 10 % each way", Trouble(loss_frac=0.1)),
    Row("loss 30 % each way", Trouble(loss_frac=0.3)),
    Row("a third comes twice", Trouble(twice_frac=0.33, delay_s=0.02)),
    Row("delay to 0.2 s: reordered", Trouble(delay_s=0.2)),
    Row("delay to 0.5 s", Trouble(delay_s=0.5)),
    Row("5 s outage in mid-burn", Trouble(outages=1)),
    Row("5 s outage across cutoff", Trouble(outage_at_cutoff=True)),
    Row("half-open connection", Trouble(half_open=True)),
    Row("script dies, another takes over", Trouble(dies=True)),
    Row("service killed and restored", Trouble(killed=True)),
    Row("all together", ALL),
    Row("all together, service killed", replace(ALL, killed=True)),
    Row("noise 0.1 m/s, 10 m, good link", Trouble(noise=(0.1, 10.0))),
    Row("noise 0.1 m/s, 10 m, all together", replace(ALL, killed=True, noise=(0.1, 10.0))),
)


@dataclass(frozen=True)
class Miss:
    """Errors at cutoff, and what the flight was like."""

    perigee_m: float
    apogee_m: float
    plane_deg: float
    stale_frac: float
    connections: int
    phase: str
    """As last told: the session must have noticed the end."""


class Flight:
    """One flight by script and safety net over a bad link."""

    def __init__(self, row: Row, seed: int) -> None:
        self.rig = Rig(row.trouble, seed)
        self.draw = Random(f"{row.name} {seed}")
        self.client = client_on(self.rig)
        self.client.open("curlew", "upper_stage", PLAN)
        self.rig.faulty = True
        self.told: dict[str, Any] = {}
        self.stale = self.ticks = 0
        trouble = row.trouble
        begin, end = MID_BURN_S
        for _ in range(trouble.outages):
            at_s = self.draw.uniform(begin, end)
            self.rig.outages.append((at_s, at_s + OUTAGE_S))
        self.before_cutoff_s = self.draw.uniform(0.5, 4.5) if trouble.outage_at_cutoff else None
        self.silent_at_s = self.draw.uniform(begin, end) if trouble.half_open else None
        self.dies_at_s = self.draw.uniform(begin, end) if trouble.dies else None
        self.killed_at_s = self.draw.uniform(begin, end) if trouble.killed else None

    def run(self) -> Miss:
        """To the cutoff, and until the session knows of it.

        Raises:
            AssertionError: the engine was never cut, or the session never heard of it.
        """
        rig, off_since_s = self.rig, None
        while True:
            self._strike()
            self._script()
            rig.advance(rig.now_s + TICK_S)
            off_since_s = None if rig.state.engine_on else off_since_s or rig.now_s
            if off_since_s is not None and (self._phase() == "orbit" or rig.now_s > off_since_s + AFTER_S):
                return self._miss()
            if rig.now_s > LONGEST_S:
                raise AssertionError(f"the engine was never cut: {self.told.get('says')}")

    def _phase(self) -> str:
        command = self.told.get("command")
        return command["phase"] if command else ""

    def _strike(self) -> None:
        """What befalls the link now."""
        now_s, command = self.rig.now_s, self.told.get("command")
        if self.silent_at_s is not None and now_s >= self.silent_at_s:
            self.silent_at_s = None
            for sock in self.rig.sockets:
                sock.silent = True
        if self.killed_at_s is not None and now_s >= self.killed_at_s:
            self.killed_at_s = None
            self.rig.kill()
        cutoff_s = command["cutoff_at_s"] if command else None
        if self.before_cutoff_s is not None and cutoff_s is not None and now_s >= cutoff_s - self.before_cutoff_s:
            self.before_cutoff_s = None
            self.rig.outages.append((now_s, now_s + OUTAGE_S))
        if self.dies_at_s is not None and now_s >= self.dies_at_s:
            self.dies_at_s = None
            token, self.told = self.client.token, {}
            self.rig.advance(now_s + DEAD_S)
            self.client = client_on(self.rig)
            self.client.open("curlew", "upper_stage", PLAN, resume=token)
            assert self.client.resumed

    def _script(self) -> None:
        """One turn of a script's loop: read, steer, obey; the simulator cuts at the instant it is given."""
        state = self.rig.message()
        self.told = told = self.client.steer(state)
        command = told["command"]
        event = command["event"] if command else None
        if event is not None and event["at_s"] <= state["time_s"]:
            self.client.done(event)
        self.stale += told["stale"]
        self.ticks += 1
        if told["pointing"] is None:
            self.rig.controls = Controls(engine_on=told["engine_on"])
            return
        x, y, z = told["pointing"]
        cutoff_at_s = command["cutoff_at_s"] if told["engine_on"] else None
        self.rig.controls = Controls((x, y, z), told["throttle"], told["engine_on"], cutoff_at_s=cutoff_at_s)

    def _miss(self) -> Miss:
        target, state = flight_plan().target, self.rig.at_cutoff
        assert target is not None
        low, high = apsides(state.position_m, state.velocity_m_s, flight_plan().body.mu_m3_s2)
        plane = plane_error_deg(target, state.position_m, state.velocity_m_s)
        assert plane is not None
        return Miss(
            low - target.perigee_radius_m, high - target.apogee_radius_m, plane, self.stale / self.ticks,
            len(self.rig.sockets), self._phase(),
        )  # fmt: skip


def flown(row: Row, seed: int) -> Miss:
    """One flight of a row."""
    flight = Flight(row, seed)
    try:
        return flight.run()
    finally:
        if isinstance(flight.rig.service, KeptService):
            flight.rig.service.end()


def percentile(values: Sequence[float], frac: float) -> float:
    """Of the absolute values: the least that is not exceeded by this part of them."""
    ordered = sorted(abs(value) for value in values)
    return ordered[max(0, ceil(frac * len(ordered)) - 1)]


def main() -> None:
    """The table."""
    from rich.console import Console
    from rich.progress import track
    from rich.table import Table

    parser = argparse.ArgumentParser(prog="python -m tests.robustness.link")
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--rows", default="", help="only rows whose name holds this")
    args = parser.parse_args()
    logging.getLogger("guidance_svc").setLevel(logging.ERROR)  # late states are refused, and each is told
    console = Console(width=None if Console().is_terminal else 150)
    console.print("a row at a time, for long runs:", style="dim")
    table = Table(
        "link", "apogee p50, m", "p95", "perigee p50, m", "p95", "plane p50, mdeg", "p95", "stale", "connections"
    )
    for row in track([row for row in ROWS if args.rows in row.name], console=console):
        misses = [flown(row, seed) for seed in range(args.seeds)]
        cells = []
        for values in zip(*((m.apogee_m, m.perigee_m, 1e3 * m.plane_deg) for m in misses), strict=True):
            cells += [f"{percentile(values, 0.5):.1f}", f"{percentile(values, 0.95):.1f}"]
        stale = sum(m.stale_frac for m in misses) / len(misses)
        cells += [f"{stale:.1%}", f"{max(m.connections for m in misses)}"]
        table.add_row(row.name, *cells)
        console.print(f"{row.name}: {', '.join(cells)}", style="dim")
    console.print(table)


if __name__ == "__main__":
    main()

"""The burns of a flight: when, which stage, the orbit before and after, the losses, and the propellant by stage."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import isnan

import numpy as np

from guidance_svc.core.kepler import orbit_report
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, OrbitReport, Vec
from guidance_svc.report.flight import Moment, coast_step
from guidance_svc.report.flown import Flown
from guidance_svc.report.losses import NOTHING, Budget, Counted, Losses
from guidance_svc.report.track import vec

LONGEST_COAST_S = 1e5  # that is followed step by step; the clock of a script that jumps further is no coast
ALIGNED = 0.7  # mean cosine between thrust and way: a burn that takes speed off with less turns the way round
COAST_STEP_S = 10.0  # of a path without thrust; as report.flight.REVOLUTION_STEP_S


@dataclass(frozen=True, slots=True)
class Burn:
    """One burn of one stage.

    Args:
        first, last: indices of the states around it: the last one before thrust, the first one after.
        start_s, end_s: vehicle time of ignition and of the end, to the instant where the replies tell it.
        phase: of the replies in its middle.
        counted: how the speed of its losses is counted.
        before, after: osculating orbits at both ends.
        ended: Moment of its end, followed back from `last` where the instant is known.
        burnt_kg: propellant.
        engines: how many burnt, one after the other, where the replies said it; 0 stands for all.
        loss_m_s: of the ideal velocity, what did not become speed, gained or taken off; of a burn that turns the way
            round, what did not change the velocity.
    """

    first: int
    last: int
    stage: int
    start_s: float
    end_s: float
    phase: str
    counted: Counted
    losses: Losses
    before: OrbitReport
    after: OrbitReport
    ended: Moment
    burnt_kg: float
    engines: tuple[int, ...]
    loss_m_s: float

    @property
    def turns(self) -> bool:
        """Whether it ends in an orbit that closes in less than LONGEST_COAST_S."""
        return self.after.period_s is not None and self.after.period_s < LONGEST_COAST_S


@dataclass(frozen=True, slots=True)
class Tank:
    """Propellant of one stage, kg; `left_kg` at the stage's end or in the last state.

    Args:
        start_kg: at the first state with this stage.
        burnt_kg: by the fall of mass.
        reserve_kg: of the flight plan.
        told: whether start and left are what the states told (else mass less the plan's dry masses).
    """

    name: str
    start_kg: float
    burnt_kg: float
    left_kg: float
    reserve_kg: float
    told: bool

    @property
    def open_kg(self) -> float:
        """What does not add up: start less burnt less left."""
        return self.start_kg - self.burnt_kg - self.left_kg


@dataclass(frozen=True)
class Burns:
    """Everything that a report says about the burns of one flight."""

    flown: Flown

    @cached_property
    def budget(self) -> Budget:
        """The losses' integrands, with the instants at which the replies ended a burn."""
        track = self.flown.track
        first, last = track.times_s[:-1], track.times_s[1:]
        cutoffs = track.cutoff_at_s[:-1]
        ends = np.where((cutoffs > first) & (cutoffs <= last), cutoffs, np.nan)
        for event in self.flown.events:
            inside = (event.at_s > first) & (event.at_s <= last)
            if event.act == "separate":
                ends = np.where(np.isnan(ends) & inside, event.at_s, ends)
            elif event.name == "contact":  # it cuts the engines before the clock does
                ends = np.where(inside & (track.bears[1:] == 1.0), np.fmin(ends, event.at_s), ends)
        return Budget(track, self.flown.plan.vehicle, ends)

    @cached_property
    def list(self) -> tuple[Burn, ...]:
        """The burns in order."""
        burning, stage = self.budget.burning, self.flown.track.stage
        joined = burning[:-1] & burning[1:] & (stage[1:-1] == stage[:-2])
        starts = [i for i in np.flatnonzero(burning) if i == 0 or not joined[i - 1]]
        found = []
        for i in starts:
            last = int(i)
            while last < len(joined) and joined[last]:
                last += 1
            found.append(self.burn(int(i), last + 1))
        return tuple(b for b in found if b.losses.ideal_m_s > 0.0)

    def burn(self, first: int, last: int) -> Burn:
        """One burn between two states."""
        flown, body = self.flown, self.flown.plan.body
        track = flown.track
        before = orbit_report(vec(track.positions_m[first]), vec(track.velocities_m_s[first]), body)
        counted: Counted = "inertial"
        turned = False
        if before.perigee_altitude_m < 0.0:
            along = self.budget.along_way(first, last)
            counted, turned = "braking" if along < 0.0 else "over ground", -ALIGNED < along < 0.0
        ended = self.end_of(first, last)
        t0, t1 = (float(t) for t in track.times_s[first : first + 2])
        start = known_instant(t0, t1, track.ignite_at_s[: last + 1])
        on = bool(track.engine_on[first])
        losses = self.budget.losses(first, last, counted)
        useful_m_s = self.budget.pushed_m_s(first, last) if turned else losses.gained_m_s
        return Burn(
            first, last, int(track.stage[first]), t0 if on or start is None else start,
            ended.time_s, self.phase(first, last), counted, losses, before,
            orbit_report(ended.position_m, ended.velocity_m_s, body), ended,
            float(np.sum(self.budget.burnt_kg[first:last])), self.engines(first, last),
            losses.ideal_m_s - useful_m_s,
        )  # fmt: skip

    def engines(self, first: int, last: int) -> tuple[int, ...]:
        """How many engines the replies asked for from one state to another, one count after the other; 0: all."""
        on = self.flown.track.engine_on[first:last]
        asked = np.nan_to_num(self.flown.replies.landing.engines[first:last])[on]
        return tuple(int(count) for k, count in enumerate(asked) if k == 0 or count != asked[k - 1])

    def phase(self, first: int, last: int) -> str:
        """The phase of the replies in the middle of a stretch."""
        near = [p for p in self.flown.replies.phase[first : last + 1] if p]
        return near[len(near) // 2] if near else ""

    def end_of(self, first: int, last: int) -> Moment:
        """The end of a burn: its cutoff or separation where the replies told the instant, else the state after it."""
        track, flown = self.flown.track, self.flown
        position, velocity = vec(track.positions_m[last]), vec(track.velocities_m_s[last])
        time_s = float(track.times_s[last])
        gone = self.budget.dropped[last - 1]
        end = float(self.budget.off_at_s[last - 1])
        stage, mass_kg = int(track.stage[first]), float(track.masses_kg[last])
        left_kg = float(flown.propellant_kg[last])
        if not isnan(end) and not track.engine_on[last] and time_s - end < LONGEST_COAST_S:
            position, velocity = follow_orbit(position, velocity, end - time_s, flown.plan.body)
            time_s = end
        if gone:
            burnt = float(self.budget.burnt_kg[last - 1])
            left_kg, mass_kg = float(flown.propellant_kg[last - 1]) - burnt, float(track.masses_kg[last - 1]) - burnt
        if isnan(left_kg):
            left_kg = mass_kg - flown.plan.vehicle.stack_kg[stage + 1] - self.budget.stage(stage).dry_mass_kg
        mark = "separate" if gone else "cutoff"
        return Moment(time_s, position, velocity, mass_kg, left_kg, stage, mark)  # type: ignore[arg-type]

    @cached_property
    def ascent(self) -> Losses | None:
        """The sum over the first burns that begin below orbit, with the pauses between them; None without such."""
        rows = [b for b in self.list if b.counted == "over ground"]
        if not rows or self.list[0].counted != "over ground":
            return None
        pauses = (self.budget.losses(a.last, b.first, "over ground") for a, b in pairwise(rows))
        return sum(pauses, sum((b.losses for b in rows), NOTHING))

    @cached_property
    def turning_m_s(self) -> float:
        """Inertial speed less speed over ground at the end of the ascent."""
        last = [b for b in self.list if b.counted == "over ground"][-1].last
        return float(self.flown.speed_m_s[last] - self.flown.ground_speed_m_s[last])

    @cached_property
    def tanks(self) -> tuple[Tank, ...]:
        """The propellant ledger, in the order of the stages."""
        track, rows = self.flown.track, []
        for index in sorted({int(s) for s in track.stage}):
            if index >= len(self.flown.plan.vehicle.stages):
                continue
            here = np.flatnonzero(track.stage == index)
            burnt = float(np.sum(self.budget.burnt_kg[int(here[0]) : int(here[-1]) + 1]))
            start, left, told = self.tank_ends(index, int(here[0]), int(here[-1]))
            stage = self.budget.stage(index)
            rows.append(Tank(stage.name, start, burnt, left, stage.reserve_kg, told))
        return tuple(rows)

    def tank_ends(self, index: int, first: int, last: int) -> tuple[float, float, bool]:
        """Propellant of a stage at its first state and at its end, and whether the states told it."""
        flown = self.flown
        told = flown.propellant_kg[[first, last]]
        burnt_after = float(self.budget.burnt_kg[last]) if last < len(self.budget.burnt_kg) else 0.0
        if not np.isnan(told).any():
            return float(told[0]), float(told[1]) - burnt_after, True
        empty = flown.plan.vehicle.stack_kg[index + 1] + self.budget.stage(index).dry_mass_kg
        masses = flown.track.masses_kg
        return float(masses[first]) - empty, float(masses[last]) - empty - burnt_after, False


def known_instant(after_s: float, until_s: float, times_s: np.ndarray) -> float | None:
    """The last of some told times that lies in (after_s, until_s]; None without one."""
    inside = times_s[(times_s > after_s) & (times_s <= until_s + 1e-9)] if len(times_s) else times_s
    return min(float(inside[-1]), until_s) if len(inside) else None


def follow_orbit(position_m: Vec, velocity_m_s: Vec, span_s: float, body: Body) -> tuple[Vec, Vec]:
    """The state some seconds later (or earlier, where negative) without thrust, in the body's gravity."""
    steps = max(1, int(np.ceil(abs(span_s) / COAST_STEP_S)))
    if norm(position_m) < body.radius_m * 0.5 or span_s == 0.0:
        return position_m, velocity_m_s
    for _ in range(steps):
        position_m, velocity_m_s = coast_step(position_m, velocity_m_s, span_s / steps, body)
    return position_m, velocity_m_s

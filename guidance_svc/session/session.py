"""One vehicle's session: states in, commands out. No I/O and no clock but the vehicle's own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf

from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import Command, FlightPlan, Frame, Vec, VehicleState
from guidance_svc.errors import GuidanceError, SessionFault
from guidance_svc.session.air import cover_settled, cover_watched, uncovered, with_cover_event
from guidance_svc.session.events import acknowledged, noted, require_known, shown, to_the_instant
from guidance_svc.session.laws import LAWS, with_detours
from guidance_svc.session.memory import Memory, Order
from guidance_svc.session.navigation import Navigation, navigate
from guidance_svc.session.reply import command_for, turning

FRESH_CYCLES = 2.0  # a law older than this many major cycles is solved anew before the reply, not after it
MOST_POINTS = 6000  # of history; beyond it the older ones are thinned
THINNED_FRAC = 0.625  # of that is left at most after thinning, so that it does not come with every state
GAPS_S = ((30.0, 0.015), (3600.0, 1.0), (inf, 10.0))  # (age up to, least gap between the points kept)
PHYSICS_ERRORS = (GuidanceError, ArithmeticError, LookupError, ValueError)  # numpy's LinAlgError is a ValueError


@dataclass(frozen=True, slots=True)
class Point:
    """The session right after one state: 0.8 kB at 66 states a second, 2.5 kB at one (less is shared); measured.

    Args:
        due: the state from which a major cycle is still to be solved.
    """

    time_s: float
    memory: Memory
    due: Navigation | None


def thinned(history: list[Point], stretch: float) -> list[Point]:
    """The points that keep the least gap of their age, times `stretch`, and the first of every phase and stage."""
    kept = history[:1]
    newest_s = history[-1].time_s
    for before, point in pairwise(history):
        gap = next(gap for age, gap in GAPS_S if newest_s - point.time_s <= age)
        first = (before.memory.phase, before.memory.stage) != (point.memory.phase, point.memory.stage)
        if first or point.time_s - kept[-1].time_s >= gap * stretch:
            kept.append(point)
    return kept


class Session:
    """The only thing that changes between messages is `point`, an immutable value; history is a list of them."""

    def __init__(self, plan: FlightPlan, frame: Frame, detail: bool = False) -> None:
        self.plan = with_detours(plan)
        self.frame = frame
        self.detail = detail
        self.point: Point | None = None
        self.history: list[Point] = []
        self.last_seq: int | None = None
        self.last_command: Command | None = None

    def state(self, message: VehicleState) -> Command:
        """The command for one state.

        The same `seq` again gets the same reply; time going back takes the session back.

        Raises:
            SessionFault: `old_seq`, `unknown_event`; nothing changed.
            MessageFault: a physically impossible state; nothing changed.
        """
        if self.last_seq is not None and self.last_command is not None:
            if message.seq == self.last_seq:
                return self.last_command
            if message.seq < self.last_seq:
                raise SessionFault("old_seq", "seq", f"more than {self.last_seq}", message.seq)
        now = navigate(message, self.plan, self.frame)
        known = self.point.memory if self.point else Memory()
        require_known(message.seen_event, known, self.plan, self.last_command)
        self.work()
        self.go_back_to(message.time_s)
        memory = self.point.memory if self.point else replace(Memory(), since_s=now.time_s)
        memory = acknowledged(message.seen_event, memory, now, uncovered(self.plan, memory))
        after, command = self.fly(memory, now, message.seq)
        if after is not None:
            self.remember(after, now)
        self.last_seq, self.last_command = message.seq, command
        return command

    def fly(self, memory: Memory, now: Navigation, seq: int) -> tuple[Memory | None, Command]:
        """Phase table, order, command; a failure of the physics repeats the last good command as stale.

        Returns None for the memory when not even the first phase could begin.
        """
        before = memory if self.point else None
        try:
            memory = memory if self.point else self.entered(memory, now)
            memory = self.moved_on(cover_settled(memory, now), now)
            memory = self.kept_fresh(cover_watched(memory, now, self.plan), now)
            row, phase = LAWS[self.plan.phases[memory.phase].law], self.plan.phases[memory.phase]
            plan = uncovered(self.plan, memory)
            order = with_cover_event(row.fly(memory, now, plan, phase), memory)
            memory = shown(order, memory, now, self.plan)
            order = to_the_instant(order, memory, now)
            rates = turning(order, memory.turning, now, plan, self.frame)
            memory = memory if rates is memory.turning else replace(memory, turning=rates)
            numbers = row.numbers(memory, now, plan, phase) if self.detail else None
            command = command_for(seq, order, memory, now, plan, self.frame, numbers)
            return noted(memory, command.event, now), command
        except PHYSICS_ERRORS as problem:
            return before, self.stale(memory, now, seq, problem)

    def entered(self, memory: Memory, now: Navigation) -> Memory:
        """The phase begins with this state."""
        memory = replace(memory, since_s=now.time_s, turning=None)
        phase = self.plan.phases[memory.phase]
        return LAWS[phase.law].enter(memory, now, self.plan, phase)

    def moved_on(self, memory: Memory, now: Navigation) -> Memory:
        """Follow the state; begin later phases as long as the present one is done."""
        for _ in range(len(self.plan.phases)):
            phase = self.plan.phases[memory.phase]
            memory = LAWS[phase.law].follow(memory, now, uncovered(self.plan, memory), phase)
            if memory.phase + 1 == len(self.plan.phases) or not LAWS[phase.law].done(
                memory, now, uncovered(self.plan, memory), phase
            ):
                break
            memory = self.entered(replace(memory, phase=memory.phase + 1), now)
        return memory

    def kept_fresh(self, memory: Memory, now: Navigation) -> Memory:
        """Solve before replying when there is no law yet, or only one from long ago."""
        phase = self.plan.phases[memory.phase]
        row = LAWS[phase.law]
        age_s = now.time_s - memory.solved_at_s if memory.solved_at_s is not None else None
        old = age_s is None or age_s > FRESH_CYCLES * self.plan.major_cycle_s
        if old and row.due(memory, now, self.plan, phase):
            return row.solve(memory, now, uncovered(self.plan, memory), phase)
        return memory

    def remember(self, memory: Memory, now: Navigation) -> None:
        """Make this the present point; note whether a major cycle is due."""
        phase = self.plan.phases[memory.phase]
        due = memory.solved_at_s != now.time_s and LAWS[phase.law].due(memory, now, self.plan, phase)
        if self.point is not None:
            self.history.append(self.point)
            self.thin()
        self.point = Point(now.time_s, memory, now if due else None)

    def work(self) -> None:
        """Run the major cycle that is due; the replies to come see its result.

        It always runs before the next state is looked at, so that replies do not depend on when it runs.
        Whatever it raises, it is no longer due: an unexpected error reaches the caller once, and the session goes on.
        """
        point = self.point
        if point is None or point.due is None:
            return
        phase = self.plan.phases[point.memory.phase]
        memory = replace(point.memory, attempts=point.memory.attempts + 1)
        try:
            memory = LAWS[phase.law].solve(point.memory, point.due, uncovered(self.plan, point.memory), phase)
        except PHYSICS_ERRORS:
            pass  # the attempt is counted; the last law stays in force
        finally:
            self.point = Point(point.time_s, memory, None)

    def go_back_to(self, time_s: float) -> None:
        """When the vehicle's clock went back, take up the last point before that time; before the first, begin anew."""
        if self.point is None or time_s >= self.point.time_s:
            return
        while self.history and self.history[-1].time_s >= time_s:
            self.history.pop()
        self.point = self.history.pop() if self.history else None
        if self.point is None:
            self.last_command = None

    def thin(self) -> None:
        """Bound the history: all of the last half minute (to 66 states a second), one point a second of the last hour.

        One in ten seconds before that, and the first of every phase and stage; wider gaps if that is too much still.
        At most 6000 points: 7 MB after 20 minutes at 50 Hz, 11 MB after many hours (from the sizes in `Point`).
        """
        if len(self.history) <= MOST_POINTS:
            return
        stretch = 1.0
        while len(self.history) > THINNED_FRAC * MOST_POINTS:
            self.history = thinned(self.history, stretch)
            stretch *= 2.0

    def stale(self, memory: Memory, now: Navigation, seq: int, problem: Exception) -> Command:
        """The last good command for this state, marked stale, saying why."""
        last = self.last_command
        direction: Vec = last.direction if last else now.local.up
        if last is None and norm(now.velocity_m_s) > 0.0:
            direction = unit(now.velocity_m_s)
        order = Order(
            direction=direction,
            direction_soon=direction,
            engine_on=last.engine_on if last else False,
            throttle_frac=last.throttle_frac if last else 0.0,
            cutoff_at_s=last.cutoff_at_s if last else None,
            status="stale" if last else "converging",
            warnings=(f"guidance could not be computed: {problem}",),
        )
        return command_for(seq, order, memory, now, self.plan, self.frame, None)

    def forget_seq(self) -> None:
        """A script that resumed may count from anywhere."""
        self.last_seq = None

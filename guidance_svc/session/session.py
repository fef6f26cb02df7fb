"""One vehicle's session: states in, commands out. No I/O and no clock but the vehicle's own."""

from __future__ import annotations

from dataclasses import dataclass, replace

from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import Command, FlightPlan, Frame, Vec, VehicleState
from guidance_svc.errors import GuidanceError, SessionFault
from guidance_svc.session.air import cover_settled, cover_watched, uncovered, with_cover_event
from guidance_svc.session.laws import LAWS, with_detours
from guidance_svc.session.memory import Memory, Order
from guidance_svc.session.navigation import Navigation, navigate
from guidance_svc.session.reply import command_for, turning

FRESH_CYCLES = 2.0  # a law older than this many major cycles is solved anew before the reply, not after it
MOST_POINTS = 12000  # of history; beyond it every second one of the older half goes
PHYSICS_ERRORS = (GuidanceError, ArithmeticError, LookupError, ValueError)  # numpy's LinAlgError is a ValueError


@dataclass(frozen=True, slots=True)
class Point:
    """The session right after one state.

    Args:
        due: the state from which a major cycle is still to be solved.
    """

    time_s: float
    memory: Memory
    due: Navigation | None


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
            SessionFault: `old_seq`; nothing changed.
            MessageFault: a physically impossible state; nothing changed.
        """
        if self.last_seq is not None and self.last_command is not None:
            if message.seq == self.last_seq:
                return self.last_command
            if message.seq < self.last_seq:
                raise SessionFault("old_seq", "seq", f"more than {self.last_seq}", message.seq)
        now = navigate(message, self.plan, self.frame)
        self.work()
        self.go_back_to(message.time_s)
        memory = self.point.memory if self.point else replace(Memory(), since_s=now.time_s)
        if message.seen_event is not None and message.seen_event not in memory.seen:
            memory = replace(memory, seen=memory.seen | {message.seen_event})
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
            rates = turning(order, memory.turning, now, plan, self.frame)
            memory = memory if rates is memory.turning else replace(memory, turning=rates)
            numbers = row.numbers(memory, now, plan, phase) if self.detail else None
            return memory, command_for(seq, order, memory, now, plan, self.frame, numbers)
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
        """
        point = self.point
        if point is None or point.due is None:
            return
        phase = self.plan.phases[point.memory.phase]
        try:
            memory = LAWS[phase.law].solve(point.memory, point.due, uncovered(self.plan, point.memory), phase)
        except PHYSICS_ERRORS:
            memory = replace(point.memory, attempts=point.memory.attempts + 1)
        self.point = Point(point.time_s, memory, None)

    def go_back_to(self, time_s: float) -> None:
        """When the vehicle's clock went back, take up the last point before that time."""
        if self.point is None or time_s >= self.point.time_s:
            return
        while self.history and self.history[-1].time_s >= time_s:
            self.history.pop()
        self.point = self.history.pop() if self.history else None
        self.work()

    def thin(self) -> None:
        """Bound the history: beyond the limit, keep every second point of the older half."""
        if len(self.history) > MOST_POINTS:
            half = len(self.history) // 2
            self.history = self.history[:half:2] + self.history[half:]

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

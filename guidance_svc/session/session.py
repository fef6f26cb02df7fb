"""One vehicle's session: states in, commands out. No I/O and no clock but the vehicle's own."""

from __future__ import annotations

from math import inf, isfinite
from typing import NamedTuple

from guidance_svc.core.effort import UNBOUNDED, allowed
from guidance_svc.core.vectors import norm, unit
from guidance_svc.domain import Command, FlightPlan, Frame, Hold, Phase, Said, Vec, VehicleState
from guidance_svc.errors import GuidanceError, MessageFault, NotConverged, SessionFault
from guidance_svc.laws.cover import forget_look_ahead, plan_as_it_is, settle_engine, watch_drop, with_drop_event
from guidance_svc.laws.events import Instant, acknowledge_event, at_instant, note_reply, require_known, settle_shown
from guidance_svc.laws.memory import Burn, Flight, Memory, Order, Own
from guidance_svc.laws.navigation import Navigation, navigate
from guidance_svc.laws.rows import LawRow
from guidance_svc.laws.table import LAWS, kinds, memories, with_detours
from guidance_svc.session.first_state import explain_fault, first_warnings
from guidance_svc.session.history import History, Place
from guidance_svc.session.packing import keep_open, pack, unpack
from guidance_svc.session.reply import command_for, keep_heading, turning

DOUBTS_S = 30.0  # vehicle time in which a first state that does not fit the plan is spoken of
EXPLAINED = 3  # refusals of a first state: 7 ms each, 150 times what a refusal costs otherwise
PHYSICS_ERRORS = (GuidanceError, ArithmeticError, LookupError, ValueError)  # numpy's LinAlgError is a ValueError
HISTORY_BYTES = 8_388_608  # 18 minutes at 50 states a second, 15 hours at one
REPLY_STEPS = 2400  # integrator steps before a reply: 30 ms without compiled kernels; the usual reply takes none
CYCLE_STEPS = 2400  # in a major cycle; the usual one takes 70 to 500
LIGHT_STEPS = 600  # a reply that took more has no major cycle after it
STATE_STEPS = 20  # what a state costs besides the steps that it counts
DAMAGED = "what was kept of the flight is damaged; after going back in time guidance goes on from an earlier moment"
MARK_STEPS = 1000  # counted between two marks: 12 ms to fly them again


keep_open(Own, memories)
keep_open(Phase, kinds)


class Point(NamedTuple):
    """The session right after one state.

    Args:
        due: the state from which a major cycle is still to be solved.
        command: that answered the state.
    """

    time_s: float
    memory: Memory[object]
    due: Navigation | None
    command: Command


class Earlier(NamedTuple):
    """The session at an earlier time.

    Args:
        place: where that is in the history.
        steps: of flying there from the last mark.
    """

    point: Point | None
    place: Place
    steps: int


class Session:
    """The only thing that changes between messages is `point`, an immutable value; `history` is what it was before.

    Args:
        history_bytes: of past states; a reload of a time within them is exact.
    """

    def __init__(
        self, plan: FlightPlan, frame: Frame, detail: bool = False, history_bytes: int = HISTORY_BYTES
    ) -> None:
        self.plan = with_detours(plan)
        self.frame = frame
        self.detail = detail
        self.point: Point | None = None
        self.history = History(history_bytes)
        self.last_message: VehicleState | None = None
        self.last_command: Command | None = None
        self.resumed = False
        self._unmarked = 0
        self._refused = 0
        self._unmarked_at_loose = 0
        self._went_back = False
        self._damaged_until_s = -inf
        self._marked: tuple[int, int] | None = None

    def state(self, message: VehicleState) -> Command:
        """The command for one state.

        The same `seq` again gets the same reply; time going back takes the session back.

        Raises:
            SessionFault: `old_seq`, `unknown_event`; nothing changed.
            MessageFault: a physically impossible state; nothing changed.
        """
        before = self.last_message
        if before is not None and message.seq <= before.seq:
            said = self.repeat_reply(message, before)
            if said is not None:
                return said
        now = self.locate(message)
        start, earlier = self.point, None
        if start is not None and message.time_s < start.time_s:
            earlier = self.restore_before(self.history, message.time_s)
            start = earlier.point
        if message.seen_event is not None:
            flight, last = (start.memory.flight, start.command) if start else (Flight(), None)
            require_known(message.seen_event, flight, self.plan, last)
        if earlier is not None:
            self.go_back(earlier)
            self._damaged_until_s = message.time_s + DOUBTS_S if earlier.place.damaged else -inf
        self.work()
        self.mark()
        self.point, steps = self.after(self.point, message, now)
        command = self.point.command
        self._unmarked += steps + STATE_STEPS
        self.history.add(message)
        if message.time_s <= self._damaged_until_s:
            command = command._replace(warnings=(DAMAGED, *command.warnings))
        self.last_message, self.last_command, self.resumed = message, command, False
        return command

    @property
    def begun(self) -> bool:
        """Whether it ever had a state."""
        return self.point is not None or self.last_message is not None

    def locate(self, message: VehicleState) -> Navigation:
        """Where the vehicle is; a first state that cannot be is refused with the mix-up that would explain it."""
        try:
            return navigate(message, self.plan, self.frame)
        except MessageFault as fault:
            if (self.point is not None and self.point.memory.flight.begun) or self._refused >= EXPLAINED:
                raise
            self._refused += 1
            raise explain_fault(fault, message, self.plan, self.frame) from None

    def repeat_reply(self, message: VehicleState, last: VehicleState) -> Command | None:
        """The reply to the last state, if this is that state again.

        Raises:
            SessionFault: `old_seq`, unless the script has just resumed: it may count from anywhere then.
        """
        if message.seq == last.seq and (not self.resumed or as_sent(message) == as_sent(last)):
            return self.last_command
        if message.seq < last.seq and not self.resumed:
            raise SessionFault("old_seq", "seq", f"more than {last.seq}", message.seq)
        return None

    def after(self, point: Point | None, message: VehicleState, now: Navigation) -> tuple[Point, int]:
        """The session after a state, with the reply, and how many steps that took; nothing is changed."""
        flight = point.memory.flight if point else self.first_flight(message, now)
        if message.seen_event is not None:
            flight = acknowledge_event(message.seen_event, flight, now, plan_as_it_is(self.plan, flight))
        with allowed(REPLY_STEPS) as effort:
            after, command = self.fly(point, flight, now, message.seq)
        due = False
        if after.flight.begun and effort.spent <= LIGHT_STEPS:
            phase = self.plan.phases[after.flight.phase]
            due = LAWS[phase.law].due(after, now, self.plan, phase)
        return Point(now.time_s, after, now if due else None, command), effort.spent

    def first_flight(self, message: VehicleState, now: Navigation) -> Flight:
        """A flight that begins with this state, with what does not fit between it and the plan."""
        try:
            doubts = first_warnings(message, self.plan, self.frame)
        except PHYSICS_ERRORS:
            doubts = ()
        hold = self.plan.phases[0]
        until_s = max(now.time_s + DOUBTS_S, hold.release_at_s if isinstance(hold, Hold) else now.time_s)
        return Flight(since_s=now.time_s, doubts=doubts, doubts_until_s=until_s)

    def fly(self, point: Point | None, flight: Flight, now: Navigation, seq: int) -> tuple[Memory[object], Command]:
        """Phase table, order, command; a failure of the physics repeats the last good command as stale."""
        before: Memory[object] = point.memory if point else Memory(flight, None)
        if before.flight is not flight:
            before = Memory(flight, before.own)
        try:
            return self.answer(before, now, seq)
        except PHYSICS_ERRORS as problem:
            return before, self.stale(point, flight, now, seq, problem)

    def answer(self, before: Memory[object], now: Navigation, seq: int) -> tuple[Memory[object], Command]:
        """Phase table, order, command."""
        covered = self.plan.vehicle.cover_mass_kg > 0.0
        memory = before if before.flight.begun else self.enter_phase(before.flight, None, now)
        if covered:
            memory = with_flight(memory, settle_engine(memory.flight, now))
        memory = self.move_on(memory, now)
        phase = self.plan.phases[memory.flight.phase]
        row = LAWS[phase.law]
        if covered:
            memory = with_flight(memory, watch_drop(memory.flight, now, self.plan, row.events))
        if row.overdue(memory, now, self.plan, phase):
            memory = self.solve_overdue(memory, now)
        flight, own = memory
        plan = plan_as_it_is(self.plan, flight)
        order = row.order(memory, now, plan, phase)
        if covered:
            order = with_drop_event(order, flight)
        flight = settle_shown(order, flight, now, self.plan)
        instant = at_instant(order, flight, now.time_s)
        rates = turning(order, flight, now, plan, self.frame)
        numbers = row.numbers(Memory(flight, own), now, plan, phase) if self.detail and phase.flies else None
        command = command_for(seq, order, instant, flight, rates, now, plan, self.frame, numbers)
        return Memory(note_reply(flight, command.event, rates, now), own), command

    def enter_phase(self, flight: Flight, left: Burn | None, now: Navigation) -> Memory[object]:
        """The phase begins with this state.

        Args:
            left: by the phase before.
        """
        flight = flight._replace(begun=True, since_s=now.time_s, turning=keep_heading(flight.turning))
        flight = forget_look_ahead(flight)
        phase = self.plan.phases[flight.phase]
        return LAWS[phase.law].enter(flight, left, now, self.plan, phase)

    def move_on(self, memory: Memory[object], now: Navigation) -> Memory[object]:
        """Follow the state; begin later phases as long as the present one is done."""
        phases = self.plan.phases
        for _ in phases:
            phase = phases[memory.flight.phase]
            row = LAWS[phase.law]
            plan = plan_as_it_is(self.plan, memory.flight)  # which events are done no law changes
            memory = row.follow(memory, now, plan, phase)
            flight, own = memory
            if flight.phase + 1 == len(phases) or not row.done(memory, now, plan, phase):
                break
            memory = self.enter_phase(flight._replace(phase=flight.phase + 1), row.leave(own), now)
        return memory

    def solve_overdue(self, memory: Memory[object], now: Navigation) -> Memory[object]:
        """Solve before replying: there is no law yet, or only one from long ago."""
        phase = self.plan.phases[memory.flight.phase]
        row = LAWS[phase.law]
        memory = row.solve(memory, now, plan_as_it_is(self.plan, memory.flight), phase)
        require_finite_memory(memory, row)
        return memory

    def says(self) -> Said | None:
        """What the other sessions on its clock hear of it: a function of the reply to its last state and what went
        into it, whether the major cycle after that has run or not.
        """
        point, message = self.point, self.last_message
        if point is None or message is None or not point.memory.flight.begun:
            return None
        phase = self.plan.phases[point.memory.flight.phase]
        try:
            now = navigate(message, self.plan, self.frame)
            return LAWS[phase.law].says(point.memory, now, self.plan, phase, point.command)
        except PHYSICS_ERRORS:
            return None

    def work(self) -> None:
        """Run the major cycle that is due; the replies to come see its result.

        It always runs before the next state is looked at, so that replies do not depend on when it runs.
        Whatever it raises, it is no longer due: an unexpected error reaches the caller once, and the session goes on.
        """
        point = self.point
        if point is None or point.due is None:
            return
        self.point = self.leave_unsolved(point)
        with allowed(UNBOUNDED) as effort:
            try:
                self.point = self.solve_due(point)
            finally:
                self._unmarked += effort.spent

    def solve_due(self, point: Point) -> Point:
        """The point after the major cycle that is due; nothing is changed."""
        if point.due is None:
            return point
        memory = point.memory
        phase = self.plan.phases[memory.flight.phase]
        row = LAWS[phase.law]
        try:
            with allowed(CYCLE_STEPS):
                solved = row.solve(memory, point.due, plan_as_it_is(self.plan, memory.flight), phase)
            require_finite_memory(solved, row)
        except PHYSICS_ERRORS:
            return self.leave_unsolved(point)  # the attempt is counted; the last law stays in force
        return point._replace(memory=solved, due=None)

    def mark(self) -> None:
        """Keep the present point in the history where flying the states again from the last mark would take long."""
        point = self.point
        if point is None:
            return
        flight = point.memory.flight
        here = (flight.phase, flight.stage)
        firm = self._unmarked >= MARK_STEPS or here != self._marked
        if not firm and not self._went_back:
            return
        self.history.mark(point.time_s, pack(point), loose=not firm)
        self._went_back, self._unmarked_at_loose = False, self._unmarked
        if firm:
            self._unmarked, self._marked = 0, here

    def restore_before(self, history: History, time_s: float) -> Earlier:
        """The session as it was before that time; nothing is changed."""
        place = history.before(time_s)
        point = unpack(Point, place.mark.point) if place.mark else None
        with allowed(UNBOUNDED) as effort:
            for message in place.states:
                point = self.solve_due(point) if point else None
                point, _ = self.after(point, message, navigate(message, self.plan, self.frame))
        return Earlier(point, place, effort.spent + STATE_STEPS * len(place.states))

    def go_back(self, earlier: Earlier) -> None:
        """Take up an earlier point; what came after it was never flown."""
        self.history.cut(earlier.place.at)
        self.point, self._went_back = earlier.point, True
        self._unmarked = earlier.steps + (self._unmarked_at_loose if self.history.ends_loose else 0)

    def take_up(self, history: History) -> None:
        """Go on from a history that was kept on file; the script has not resumed yet.

        Raises:
            ValueError: it cannot be read; nothing is changed.
        """
        earlier = self.restore_before(history, inf)
        self.history = history
        self.go_back(earlier)
        states, point = earlier.place.states, earlier.point
        self.last_message = states[-1] if states else None
        self.last_command = point.command if point else None

    def resume(self, detail: bool) -> None:
        """A script has resumed: it may count from anywhere."""
        self.detail, self.resumed = detail, True

    def stale(self, point: Point | None, flight: Flight, now: Navigation, seq: int, problem: Exception) -> Command:
        """The last good command for this state, marked stale, saying why."""
        last = point.command if point and point.memory.flight.begun else None
        direction: Vec = last.direction if last else now.local.up
        if last is None and norm(now.velocity_m_s) > 0.0:
            direction = unit(now.velocity_m_s)
        order = Order(
            direction=direction,
            direction_soon=None,
            engine_on=last.engine_on if last else False,
            throttle_frac=last.throttle_frac if last else 0.0,
            cutoff_at_s=last.cutoff_at_s if last else None,
            status="stale" if last else "converging",
            warnings=(f"guidance could not be computed: {reason_of(problem)}",),
        )
        instant = Instant(None, order.engine_on, order.next_contact_s)
        return command_for(seq, order, instant, flight, flight.turning, now, self.plan, self.frame, None)

    def leave_unsolved(self, point: Point) -> Point:
        """The point with its major cycle tried and not solved."""
        flight, own = point.memory
        return point._replace(memory=Memory(flight, LAWS[self.plan.phases[flight.phase].law].failed(own)), due=None)


def with_flight(memory: Memory[object], flight: Flight) -> Memory[object]:
    """The memory with another flight; itself where it is the same."""
    return memory if flight is memory.flight else Memory(flight, memory.own)


def as_sent(message: VehicleState) -> VehicleState:
    """A state as its script sent it, without what others on the clock had said."""
    tower = message.tower
    return message._replace(answer=None, tower=None if tower is None else tower._replace(arrivals=()))


def require_finite_memory(memory: Memory[object], row: LawRow[Phase, object]) -> None:
    """Take no major cycle in whose numbers would spoil every reply after it.

    Raises:
        NotConverged: naming the number.
    """
    for name, value in (("throttle_frac", memory.flight.throttle_frac), *row.figures(memory.own)):
        if value is not None and not isfinite(value):
            raise NotConverged("not_finite", name, "a finite number", value)


def reason_of(problem: Exception) -> str:
    """Why the physics failed, in words: Python's own arithmetic errors say nothing to a script's author."""
    if isinstance(problem, GuidanceError):
        return str(problem)
    return "this state lies outside of what the equations can be solved for (a division by zero, a root of less than 0)"

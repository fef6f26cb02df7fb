"""The one flight loop: a simulated vehicle tells its state, is told a command, and obeys. Deterministic by seed.

`fly` knows neither session nor socket: what answers a state is a callable (`in_process`, `speaking.Speaking`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf
from random import Random
from typing import Final, Literal

from guidance_svc.core.compiled import HAVE_NUMBA
from guidance_svc.core.vectors import norm
from guidance_svc.domain import Body, Command, Event, Frame, VehicleState
from guidance_svc.errors import GuidanceError
from guidance_svc.laws.table import is_over
from guidance_svc.rehearsal.craft import CLOCK_DIGITS, Craft
from guidance_svc.rehearsal.disturbances import NONE, Disturbances, after_engine_loss, disturb_state, on_ticks
from guidance_svc.rehearsal.orders import INSTANT_S, controls_for, seconds_for
from guidance_svc.rehearsal.quiet import fly_quietly
from guidance_svc.session.session import Session
from guidance_svc.sim.jumps import without_engine
from guidance_svc.sim.state import SimState, World, mass_kg
from guidance_svc.sim.telemetry import telemetry

Guide = Callable[[VehicleState], Command]
"""Answers a state; raises MessageFault or SessionFault where it refuses it."""
LOWEST_M: Final = -1e3  # below the ellipsoid a vehicle is in the ground
LONGEST_S: Final = 9000.0  # of vehicle time
QUIET_LOOK_S: Final = 1.0  # between two looks whether a burn is quiet


@dataclass
class FlightLog:
    """What a flight left behind.

    Args:
        craft: the vehicle, where it is now.
        commands: that came into force.
        last: of them.
        phases: (vehicle time, phase), as each began.
        statuses, warnings: every one that was told; warnings with the vehicle time at which they first were.
        events: whose time came, in order, as last told.
        at_cutoff: state at each end of a burn (to the end of its tick, unpowered since) and mass at it.
        refused: the fault for which the flight ended.
        grounded: the vehicle came down.
        out_of_time: the flight was not over after the time that it was given.
    """

    craft: Craft
    commands: int = 0
    last: Command | None = None
    phases: list[tuple[float, str]] = field(default_factory=list)
    statuses: set[str] = field(default_factory=set)
    warnings: dict[str, float] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    at_cutoff: list[tuple[SimState, float]] = field(default_factory=list)
    refused: GuidanceError | None = None
    grounded: bool = False
    out_of_time: bool = False

    @property
    def state(self) -> SimState:
        """Of the vehicle, now."""
        return self.craft.state

    @property
    def world(self) -> World:
        """With the true vehicle."""
        return self.craft.world

    def take_command(self, command: Command) -> None:
        """A command came into force."""
        if not self.phases or self.phases[-1][1] != command.phase:
            self.phases.append((command.time_s, command.phase))
        self.statuses.add(command.status)
        for text in command.warnings:
            self.warnings.setdefault(text, command.time_s)
        self.commands, self.last = self.commands + 1, command


Done = Callable[[FlightLog], bool]
Watch = Callable[[FlightLog, VehicleState, Command], None]


def complete(log: FlightLog) -> bool:
    """The flight plan is at its end: the verdict stands in the last status."""
    return log.last is not None and is_over(log.last.phase, log.last.status)


def in_phase(phase: str) -> Done:
    """Done once a command is of this phase."""
    return lambda log: log.last is not None and log.last.phase == phase


def burnt_out(log: FlightLog) -> bool:
    """The first burn is over."""
    return bool(log.at_cutoff)


def has_landed(log: FlightLog) -> bool:
    """Legs or arms bear."""
    return log.state.contact is not None


class InProcess:
    """A session that answers at once, and works out what is due before it is asked again.

    Args:
        quietly: fly what is quiet of an insertion in one kernel, where numba is (`rehearsal.quiet`): the same flight,
            but nobody sees its states and commands, and the flight log has no lines of it.
    """

    def __init__(self, session: Session, quietly: bool = False) -> None:
        self.session, self.quietly = session, quietly and HAVE_NUMBA

    def __call__(self, message: VehicleState) -> Command:
        """The command for a state."""
        command = self.session.state(message)
        self.session.work()
        return command


def in_process(session: Session, quietly: bool = False) -> InProcess:
    """A session as the guide of a flight; see `InProcess`."""
    return InProcess(session, quietly)


def fly(
    craft: Craft,
    guide: Guide,
    done: Done = complete,
    *,
    frame: Frame | None = None,
    form: Literal["cartesian", "local"] = "cartesian",
    tick_s: float = 0.1,
    state_every: int = 1,
    disturbances: Disturbances = NONE,
    most_s: float = LONGEST_S,
    first_seq: int = 0,
    watch: Watch = lambda log, message, command: None,
) -> FlightLog:
    """Fly until done, refused, down or out of time.

    Args:
        craft: the true vehicle (`disturbances.true_world`); it flies on from where it is.
        guide: asked with each state that is not lost.
        done: asked after each command that comes into force, and after each tick.
        frame: in which states are told; the inertial one by default.
        tick_s: between two looks of the script at its vehicle.
        state_every: ticks from one state to the next under power; without power the script is silent as long as the
            service allows, at most to the next event.
        most_s: of vehicle time.
        first_seq: number of the first state.
        watch: called with each state and the answer to it, before the vehicle obeys.

    With a guide that flies `quietly`, neither `done` nor `watch` is asked within a quiet stretch.
    """
    flight = FlightUnderWay(
        craft, guide, done, frame=frame, form=form, tick_s=tick_s, state_every=state_every, disturbances=disturbances,
        most_s=most_s, first_seq=first_seq, watch=watch,
    )  # fmt: skip
    while not flight.over:
        flight.go_on()
    return flight.log


def fly_together(flights: list[FlightUnderWay]) -> None:
    """Fly several vehicles on one clock until all are done: the one whose clock is earliest goes on.

    Args:
        flights: those of vehicles let go meanwhile may be added, by `Craft.on_separation`.
    """
    while left := [flight for flight in flights if not flight.over]:
        min(left, key=lambda flight: flight.log.state.time_s).go_on()


class FlightUnderWay:
    """A flight under way; the arguments are those of `fly`."""

    def __init__(
        self, craft: Craft, guide: Guide, done: Done = complete, *, frame: Frame | None = None,
        form: Literal["cartesian", "local"] = "cartesian", tick_s: float = 0.1, state_every: int = 1,
        disturbances: Disturbances = NONE, most_s: float = LONGEST_S, first_seq: int = 0,
        watch: Watch = lambda log, message, command: None,
    ) -> None:  # fmt: skip
        self.log, self.over = FlightLog(craft), False
        self._done, self._watch, self._end_s = done, watch, craft.state.time_s + most_s
        self._script = _Script(craft, guide, frame or Frame(), form, tick_s, state_every, disturbances)
        self._script.seq = first_seq

    def go_on(self) -> None:
        """From one look of the script at its vehicle to the next."""
        log, craft = self.log, self.log.craft
        if craft.state.time_s >= self._end_s:
            log.out_of_time = self.over = True
            return
        self._script.fly_quietly(log, self._end_s)
        try:
            self._script.tell(log, self._watch)
        except GuidanceError as fault:
            log.refused, self.over = fault, True
            return
        if self._script.take(log) and self._done(log):
            self.over = True
            return
        self._script.act(log)
        if self._done(log) or in_the_ground(craft):
            log.grounded, self.over = in_the_ground(craft), True


def in_the_ground(craft: Craft) -> bool:
    """Whether the vehicle is below every point of the surface."""
    return norm(craft.state.position_m) < ground_m(craft.world.body)


def ground_m(body: Body) -> float:
    """Radius below which a vehicle is in the ground."""
    return body.radius_m * (1.0 - body.flattening) + LOWEST_M


class _Script:
    """A flight script with its link: it tells states, takes commands as they come, and has them obeyed."""

    def __init__(
        self, craft: Craft, guide: Guide, frame: Frame, form: Literal["cartesian", "local"], tick_s: float,
        state_every: int, d: Disturbances,
    ) -> None:  # fmt: skip
        self.craft, self.guide, self.frame, self.form = craft, guide, frame, form
        self.tick_s, self.state_s, self.d = tick_s, tick_s * state_every, d
        self.noise, self.link = Random(d.seed), Random(f"link {d.seed}")
        self.coming: deque[tuple[float, Command]] = deque()
        self.force: Command | None = None
        self.seen: str | None = None
        self.seq, self.next_s, self.whole = 0, -inf, d.thrust_kept_frac != 1.0 or d.lost_engine is not None
        plain = frame.canonical and form == "cartesian" and state_every == 1 and d == NONE
        self.session = guide.session if isinstance(guide, InProcess) and guide.quietly and plain else None
        self.quiet_from_s = -inf

    @property
    def now_s(self) -> float:
        return self.craft.state.time_s

    def tell(self, log: FlightLog, watch: Watch) -> None:
        """Send a state if one is due; its answer sets out, unless one of them gets lost."""
        if self.now_s < self.next_s - INSTANT_S:
            return
        self.next_s = round(self.now_s + self.state_s, CLOCK_DIGITS)
        true = telemetry(self.craft.state, self.craft.world, self.frame, self.seq, self.form, self.seen)
        message, self.seq = disturb_state(true, self.d, self.noise), self.seq + 1
        if self.gets_lost():
            return
        command = self.guide(message)
        watch(log, message, command)
        if not self.gets_lost():
            self.coming.append((self.now_s + self.d.delay_s, command))

    def fly_quietly(self, log: FlightLog, end_s: float) -> None:
        """Fly what is quiet from here on in one kernel; not looked at again for a while where nothing is."""
        if self.session is None or self.force is None or self.now_s < self.quiet_from_s:
            return
        lowest_m = ground_m(self.craft.world.body)
        ticks = fly_quietly(self.session, self.craft, self.tick_s, end_s, lowest_m)
        self.quiet_from_s = self.now_s + QUIET_LOOK_S
        if ticks > 0:
            self.seq, self.next_s, log.commands = self.seq + ticks, -inf, log.commands + ticks

    def gets_lost(self) -> bool:
        """Whether this message does."""
        return self.d.lost_frac > 0.0 and self.link.random() < self.d.lost_frac

    def take(self, log: FlightLog) -> bool:
        """Put into force what has come; whether there was anything."""
        came = False
        while self.coming and self.coming[0][0] <= self.now_s + INSTANT_S:
            self.force, came = self.coming.popleft()[1], True
            log.take_command(self.force)
        return came

    def act(self, log: FlightLog) -> None:
        """Obey for a tick, or for as long as the script may be silent; what has been carried out is acknowledged."""
        if self.whole and self.now_s >= self.d.engine_loss_at_s - INSTANT_S:
            self.craft.world, self.whole = after_engine_loss(self.craft.world, self.craft.state.stage, self.d), False
            if self.d.lost_engine is not None:
                self.craft.state = without_engine(self.craft.state, self.craft.world, self.d.lost_engine)
        command, before, span_s = self.force, self.craft.state, self.tick_s
        if command is not None:
            order = on_ticks(command, self.now_s, self.tick_s) if self.d.cut_on_tick else command
            self.craft.command(controls_for(order, self.now_s, self.craft.cut_s))
            span_s = self.silence_s(command)
        self.craft.fly(span_s)
        after = self.craft.state
        if before.engine_on and not after.engine_on:
            log.at_cutoff.append((after, mass_kg(after, self.craft.world)))
        if command is not None and command.event is not None and self.now_s >= command.event.at_s - INSTANT_S:
            if command.event.id != self.seen:
                log.events.append(command.event)
            self.seen = command.event.id

    def silence_s(self, command: Command) -> float:
        """A tick, unless the newest command answers the present state and lets the script be silent."""
        fresh = command.time_s >= self.now_s - INSTANT_S
        if self.craft.state.engine_on or self.coming or not fresh:
            return self.tick_s
        span_s = seconds_for(command, self.now_s, self.tick_s)
        self.next_s = -inf if span_s > self.tick_s else self.next_s
        return span_s

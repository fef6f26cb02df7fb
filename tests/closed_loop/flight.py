"""Simulator against session, no socket: the loop that every closed-loop test and benchmark flies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from guidance_svc.domain import Command, FlightPlan, Frame
from guidance_svc.errors import MessageFault
from guidance_svc.session.session import Session
from guidance_svc.sim.state import Controls, SimState, World, mass_kg
from guidance_svc.sim.step import coast, step
from guidance_svc.sim.telemetry import telemetry

Guide = Callable[[SimState, World, Command | None], Controls]


@dataclass
class Flight:
    """What a closed loop left behind."""

    state: SimState
    world: World
    commands: int = 0
    statuses: set[str] = field(default_factory=set)
    at_cutoff: list[tuple[SimState, float]] = field(default_factory=list)
    """State at each cutoff (to the tick's end, unpowered since) and mass at it."""
    warnings: set[str] = field(default_factory=set)
    grounded: bool = False
    """The vehicle came down: its state was refused as under the surface."""
    last: Command | None = None


def fly(
    plan: FlightPlan,
    world: World,
    state: SimState,
    tick_s: float = 0.02,
    until: str = "orbit",
    most_s: float = 9000.0,
    frame: Frame | None = None,
) -> Flight:
    """Fly a plan until a phase begins; every tick sends a state, the command acts over the next tick.

    In a coast the vehicle jumps as far as `next_contact_s` allows, at most to the next event.
    """
    session = Session(plan, frame or Frame(), detail=False)
    flight = Flight(state, world)
    seen, seq, end = None, 0, state.time_s + most_s
    while flight.state.time_s < end:
        state = flight.state
        try:
            command = session.state(telemetry(state, world, session.frame, seq, seen_event=seen))
        except MessageFault:
            flight.grounded = True
            return flight
        flight.commands, flight.last = seq + 1, command
        flight.statuses.add(command.status)
        flight.warnings.update(command.warnings)
        seq += 1
        if command.phase == until or (until == "complete" and command.status == "complete"):
            return flight
        event = command.event
        controls = Controls(
            pointing=command.direction,
            throttle_frac=command.throttle_frac,
            engine_on=True if command.engine_on and not state.engine_on else None,
            cutoff_at_s=command.cutoff_at_s,
            ignite_at_s=event.at_s if event and event.name in ("ignite", "circularize") else None,
            separate_at_s=event.at_s if event and event.name == "separate" else None,
            release_at_s=event.at_s if event and event.name == "release" else None,
        )
        session.work()
        wait = command.next_contact_s
        if not state.engine_on and not state.held_down and wait > 60.0:
            flight.state = coast(state, wait - 1.0, world, command.direction)
        else:
            flight.state = step(state, controls, tick_s, world)
        after = flight.state
        if state.engine_on and not after.engine_on:
            flight.at_cutoff.append((after, mass_kg(after, world)))
        if event is not None and after.time_s > event.at_s:
            seen = event.id
    raise AssertionError(f"phase {until} not reached within {most_s} s; last command {flight.last}")

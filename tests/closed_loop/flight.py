"""Simulator against session, no socket: the package's own loop, as the closed-loop tests and benchmarks fly it."""

from __future__ import annotations

from guidance_svc.domain import FlightPlan, Frame
from guidance_svc.rehearsal import loop
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.loop import FlightLog, Watch
from guidance_svc.session.session import Session
from guidance_svc.sim.state import SimState, World


def fly(
    plan: FlightPlan,
    world: World,
    state: SimState,
    tick_s: float = 0.02,
    until: str = "orbit",
    most_s: float = 9000.0,
    frame: Frame | None = None,
    watch: Watch = lambda log, message, command: None,
    detail: bool = False,
) -> FlightLog:
    """Fly a plan until a phase begins; every tick under power sends a state."""
    session = Session(plan, frame or Frame(), detail)
    log = loop.fly(
        Craft(plan.vehicle.name, world, state), loop.in_process(session), loop.in_phase(until),
        frame=session.frame, tick_s=tick_s, most_s=most_s, watch=watch,
    )  # fmt: skip
    assert not log.out_of_time, f"phase {until} not reached within {most_s} s; last command {log.last}"
    return log

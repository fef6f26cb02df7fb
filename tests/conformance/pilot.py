"""A flight script in a few lines, flown without sockets against the kit's reference service; its faults are put in."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from math import degrees, inf
from random import Random
from typing import Any

from guidance_svc.conform.checks import checks_of
from guidance_svc.conform.record import Check, Run
from guidance_svc.conform.trials import USUAL, Mishap, Reference
from guidance_svc.conform.vehicle import Witnessed
from guidance_svc.core.frames import direction_from_bci, from_bci, local_from_bci
from guidance_svc.domain import Body, Command, Frame, Role, Vec
from guidance_svc.laws.table import is_over
from guidance_svc.rehearsal.orders import controls_for, seconds_for
from guidance_svc.rehearsal.speaking import command_of
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from tests.clients.plover_down import library_with_plover

Message = dict[str, Any]
PLAN = "curlew_to_lagoon"
LIBRARY = library_with_plover()
BODY: Body = LIBRARY.plan(PLAN, "upper_stage").body
INERTIAL = Frame()
FRAME_WORDS = {True: "turning", False: "inertial"}


def nothing(_: Any) -> None:
    """The script has no such fault."""


@dataclass
class Pilot:
    """A script that does all right unless told otherwise.

    Args:
        meant: the frame in which the script's numbers are.
        declared: the `frame` of its open; None for that of `meant`.
        local: sends the local form.
        tell: spoils a state before it is sent.
        steer: spoils the controls, given (pilot, command, controls).
        own: flies its own simulator, so that the kit has no truth.
        noise: one sigma of position (m), velocity (m/s), mass (kg) readings, and a seed.
        until_s: vehicle time at which it stops without a close.
        back: what it does on a lost connection: "resume", "open" (without token), "state", "stay_away".
        on_fault: "stop", or "go_on" as if nothing had been said.
        flies: name of the plan, and the role.
        takes_back: opens again when it is told that its session was taken over.
    """

    meant: Frame = INERTIAL
    declared: Message | None = None
    local: bool = False
    tell: Callable[[Message], Any] = nothing
    steer: Callable[[Pilot, Message, Message], Any] | None = None
    own: bool = False
    noise: tuple[float, float, float, int] | None = None
    step_s: float = 0.1
    until_s: float = inf
    mishaps: tuple[Mishap, ...] = USUAL
    back: str = "resume"
    on_fault: str = "stop"
    takes_back: bool = False
    patient: bool = True
    acknowledges: bool = True
    acks_early: bool = False
    flies: tuple[str, Role] = (PLAN, "upper_stage")
    run: Run = field(default_factory=Run)

    def __post_init__(self) -> None:
        sessions = Registry(lambda: "kept-secret")
        self.reference = Reference(Desk(sessions, LIBRARY), sessions, LIBRARY, self.mishaps)
        self.run = self.reference.run
        self.vehicle = Witnessed(LIBRARY.plan(*self.flies), self.run)
        self.random = Random(self.noise[3] if self.noise else 0)
        self.seq, self.link, self.done, self.token = 0, 1, None, ""

    @property
    def time_s(self) -> float:
        """The vehicle's clock."""
        return self.vehicle.craft.state.time_s

    def checked(self) -> dict[str, Check]:
        """Fly; what the kit says, by the check's name."""
        self.fly()
        if self.own:
            self.run.truth, self.run.acts = {}, []
        return {check.name: check for check in checks_of(self.run)}

    def fly(self) -> None:
        """Until the end, or until something makes the script stop."""
        reply = self.ask(self.opening())
        assert reply is not None, reply
        self.token = reply.get("token", "")
        while self.time_s < self.until_s:
            command = self.exchange()
            if command is None:
                self.run.ended = "silent"
                return
            if command["type"] == "command":
                if is_over(command["phase"], command["status"]):
                    self.ask({"type": "close"})
                    self.run.ended = "closed"
                    return
                self.obey(command)
            else:
                self.vehicle.craft.fly(self.step_s)
                self.vehicle.answer({"do": "read"}, None)
        self.run.ended = "silent"

    def opening(self) -> Message:
        """The script's open."""
        meant: Message = {
            "motion": FRAME_WORDS[self.meant.turning], "axes": list(self.meant.axes), "up": self.meant.up,
            "height_above": self.meant.height_above, "local_velocity": self.meant.local_velocity,
            "handedness": "left" if self.meant.axes == ("x", "z", "y") else "right",
        }  # fmt: skip
        return {"type": "open", "protocol": 1, "vehicle": "Curlew", "role": self.flies[1], "plan": self.flies[0],
                "frame": meant if self.declared is None else self.declared}  # fmt: skip

    def exchange(self) -> Message | None:
        """One state and its reply; None when the script gives up."""
        state = self.state()
        reply = self.ask(state)
        if reply is None:  # hung up on
            self.link += 1
            if self.back == "stay_away":
                return None
            if self.back in ("resume", "open"):
                opened = self.ask(self.opening() | ({"resume": self.token} if self.back == "resume" else {}))
                assert opened is not None
                if opened["type"] == "fault" and self.on_fault == "stop":
                    return None
            reply = self.ask(state)
        assert reply is not None
        if self.run.heard[-1].trial == "held" and not self.patient:
            return None
        if reply["type"] == "fault":
            if reply["code"] == "taken_over" and self.takes_back:
                self.ask(self.opening() | {"resume": self.token})
                return self.exchange()
            return reply if self.on_fault == "go_on" else None
        return reply

    def state(self) -> Message:
        """What the script tells of its vehicle."""
        self.seq += 1
        told = self.vehicle.craft.telemetry()
        place, speed = self.noisy(told["position_m"], 0), self.noisy(told["velocity_m_s"], 1)
        pointing = direction_from_bci(as_vec(told["pointing"]), self.meant, BODY, told["time_s"])
        mass_kg = told["mass_kg"] + (self.random.gauss(0.0, self.noise[2]) if self.noise else 0.0)
        state: Message = {"type": "state", "seq": self.seq, "time_s": told["time_s"], "mass_kg": mass_kg,
                          "pointing": list(pointing), **{k: told[k] for k in ("engine_on", "throttle", "thrust_n")},
                          "stage": told["stage"]}  # fmt: skip
        if self.vehicle.craft.world.pad is not None:  # it lands
            state |= {name: told[name] for name in ("contact", "engines_lit")}
        if self.local:
            read = local_from_bci(place, speed, self.meant, BODY, told["time_s"])
            state |= {
                "latitude_deg": degrees(read.latitude_rad), "longitude_deg": degrees(read.longitude_rad),
                "altitude_m": read.altitude_m, "vertical_speed_m_s": read.vertical_speed_m_s,
                "north_speed_m_s": read.north_speed_m_s, "east_speed_m_s": read.east_speed_m_s,
            }  # fmt: skip
        else:
            position, velocity = from_bci(place, speed, self.meant, BODY, told["time_s"])
            state |= {"position_m": list(position), "velocity_m_s": list(velocity)}
        if self.done is not None and self.acknowledges:
            state["seen_event"] = self.done
        self.tell(state)
        return state

    def obey(self, command: Message) -> None:
        """Carry a command out and fly on."""
        event, order = command["event"], command_of(command, self.meant, BODY)
        controls = controls_for(order, self.time_s, self.vehicle.craft.cut_s)
        if self.steer is not None:
            self.steer(self, command, controls)
        self.vehicle.answer({"do": "advance", "seconds": self.span(order), "controls": controls}, None)
        if event and (self.time_s >= event["at_s"] or self.acks_early):
            self.done = event["id"]

    def span(self, command: Command) -> float:
        """How far to fly before the next state."""
        if command.engine_on or self.vehicle.craft.state.engine_on:
            return min(self.step_s, max(0.1, command.next_contact_s))
        return seconds_for(command, self.time_s, self.step_s)

    def ask(self, message: Message) -> Message | None:
        """One message over the script's present connection; None when it is hung up on."""
        answer = self.reference.receive(self.link, json.dumps(message).encode(), "json", True)
        if answer.hold:
            self.reference.came_early(0)
        if answer.reply is None:
            return None
        reply: Message = json.loads(answer.reply)
        return reply

    def noisy(self, numbers: list[float], which: int) -> Vec:
        """A reading with the noise of its sensor."""
        if self.noise is None:
            return as_vec(numbers)
        sigma = self.noise[which]
        return as_vec([x + self.random.gauss(0.0, sigma) for x in numbers])


def as_vec(numbers: Any) -> Vec:
    """Three numbers as a tuple."""
    return (float(numbers[0]), float(numbers[1]), float(numbers[2]))

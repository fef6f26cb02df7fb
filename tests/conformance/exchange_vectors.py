"""Exchanges for tests of clients and of stand-in services: what is sent, what comes back, what may differ."""

from __future__ import annotations

import json
from typing import Any

import msgpack

from guidance_svc.conform.record import Run
from guidance_svc.conform.vehicle import Witnessed
from guidance_svc.domain import FlightPlan
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.rehearsal.starts import at_start
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.sim.state import SimState, World

Message = dict[str, Any]

TOKEN = "made-by-the-service"
OPEN: Message = {"type": "open", "protocol": 1, "vehicle": "Curlew", "role": "upper_stage", "plan": "curlew_to_lagoon",
                 "frame": {"motion": "inertial"}}  # fmt: skip
FIELDS = ("time_s", "position_m", "velocity_m_s", "mass_kg", "stage", "engine_on", "throttle", "pointing")
STEP_S = 10.0
ABOUT = (
    "Each exchange begins with a fresh service. Steps go in order; `link` says over which connection, `hang_up` which "
    "one is closed before. `send` is the message, or `send_hex` the bytes where it is none; `reply` is what this "
    "service answered. The same as MessagePack in send_msgpack and reply_msgpack, hex. Where the token stands in "
    "`send`, put the one that you got."
)
COMPARE = {
    "exact": ["type", "seq", "time_s", "phase", "engine_on", "code", "field", "resumed", "vehicle", "plan", "protocol",
              "event.id", "event.name"],
    "within": {
        "pitch_deg": 0.5, "heading_deg": 0.5, "pointing": 0.01, "throttle": 0.02, "cutoff_at_s": 0.5, "event.at_s": 0.5,
        "next_contact_s": 0.5, "time_to_cutoff_s": 0.5,
    },
    "present": ["token", "status", "warnings", "message", "expected", "got", "phases", "caution", "stages", "target",
                "pitch_rate_deg_s", "heading_rate_deg_s"],
    "why": (
        "Whatever a reply copies or decides is exact. Directions and times come out of an iterative solution: another "
        "machine, compiler or a better law moves them in the last digits, or by what a solution of the same flight "
        "may; 0.5 deg and 0.5 s are far below any mix-up of frames or units. Of words and rates only the presence is "
        "compared. heading_deg is compared where pitch_deg is below 85; a field not named here is not compared."
    ),
}  # fmt: skip


class Talk:
    """A fresh service, and the steps taken with it."""

    def __init__(self) -> None:
        self.library = load_library(default_folder())
        self.sessions = Registry(lambda: TOKEN)
        self.desk = Desk(self.sessions, self.library)
        self.steps: list[Message] = []

    def say(self, message: Message | bytes, link: int = 1) -> Message:
        """One step; the reply."""
        payload = message if isinstance(message, bytes) else json.dumps(message).encode()
        reply: Message = json.loads(self.desk.receive(link, payload, "json"))
        while self.sessions.pending():
            self.sessions.work()
        reply = rounded(reply)
        step: Message = {"link": link}
        if isinstance(message, bytes):
            step |= {"send_hex": message.hex()}
        else:
            step |= {"send": message, "send_msgpack": msgpack.packb(message).hex()}
        self.steps.append(step | {"reply": reply, "reply_msgpack": msgpack.packb(reply).hex()})
        return reply


def rounded(value: Any) -> Any:
    """Floats to nine digits; this machine's folders left out."""
    if isinstance(value, dict):
        return {key: rounded(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [rounded(inner) for inner in value]
    if isinstance(value, str):
        return value.replace(str(default_folder()), "configs")
    return float(f"{value:.9g}") if isinstance(value, float) else value


class Flight:
    """A vehicle for the states of an exchange."""

    def __init__(self, talk: Talk) -> None:
        self.talk, self.seq = talk, 0
        self.craft = Witnessed(talk.library.plan("curlew_to_lagoon", "upper_stage"), Run()).craft

    def state(self, **changes: Any) -> Message:
        """The next state."""
        self.seq += 1
        told = self.craft.telemetry()
        return rounded({"type": "state", "seq": self.seq} | {name: told[name] for name in FIELDS}) | changes

    def fly(self, command: Message, step_s: float = STEP_S) -> None:
        """As told, for a step under power."""
        obey(self.craft, command, step_s)


def flight() -> list[Message]:
    """Through every phase, a state every ten seconds under thrust."""
    talk = Talk()
    talk.say(OPEN)
    flown = Flight(talk)
    command = talk.say(flown.state())
    for _ in range(300):
        if command["phase"] == "orbit":
            break
        near = command["cutoff_at_s"] is not None and command["cutoff_at_s"] - command["time_s"] < 15.0
        flown.fly(command, 1.0 if near or command["phase"] != "insertion" else STEP_S)
        command = talk.say(flown.state())
    talk.say({"type": "close"})
    return talk.steps


def repeats() -> list[Message]:
    """The same seq again, an older one, a gap."""
    talk = Talk()
    talk.say(OPEN)
    flown = Flight(talk)
    first = flown.state()
    flown.fly(talk.say(first), 1.0)
    second = flown.state()
    talk.say(second)
    talk.say(second)
    talk.say(first)
    talk.say(second | {"seq": 40})
    return talk.steps


def reloaded() -> list[Message]:
    """Time goes back to a saved game: as if the later part had never been flown."""
    talk = Talk()
    talk.say(OPEN)
    flown = Flight(talk)
    kept = []
    for _ in range(4):
        state = flown.state()
        kept.append(state)
        flown.fly(talk.say(state), 2.0)
    talk.say(kept[2] | {"seq": 11})
    talk.say(kept[3] | {"seq": 12})
    return talk.steps


def resumed() -> list[Message]:
    """A lost connection, the session taken up again over another one."""
    talk = Talk()
    talk.say(OPEN)
    flown = Flight(talk)
    flown.fly(talk.say(flown.state()), 2.0)
    talk.desk.drop(1)
    state = flown.state()
    talk.say(state, 2)
    talk.steps[-1] = {"hang_up": 1} | talk.steps[-1]
    talk.say(OPEN, 2)
    talk.say(OPEN | {"resume": "another"}, 2)
    talk.say(OPEN | {"resume": TOKEN}, 2)
    talk.say(state, 2)
    talk.say({"type": "close"}, 2)
    talk.say({"type": "close"}, 2)
    return talk.steps


def faults() -> list[Message]:
    """A fault of each kind that a message can earn."""
    talk = Talk()
    flown = Flight(talk)
    good = flown.state()
    talk.say(good)  # no_session
    for change in ({"plan": "nowhere"}, {"protocol": 2}, {"frame": {"axes": ["x", "z", "y"]}}, {"colour": "red"}):
        talk.say(OPEN | change)
    talk.say({name: value for name, value in OPEN.items() if name != "role"})
    talk.say(OPEN)
    talk.say(OPEN | {"vehicle": "Bargeman"})
    talk.say({"type": "tell"})
    talk.say(b"{not json")
    talk.say(b"GET / HTTP/1.1")
    for change in (
        {"mass_kg": -1.0}, {"mass_kg": "123"}, {"mass_kg": 1.0}, {"throttle": 1.5}, {"pointing": [1.0, 1.0, 0.0]},
        {"altitude_m": 1000.0}, {"position_m": [1e3, 0.0, 0.0]}, {"velocity_m_s": [9e4, 0.0, 0.0]},
        {"position_m": [1.0, 2.0]}, {"seen_event": "9-9-nothing"}, {"fuel": 1.0}, {"time_s": True},
    ):  # fmt: skip
        talk.say(good | change)
    talk.say({name: value for name, value in good.items() if name not in ("position_m", "velocity_m_s")})
    talk.say(good)
    return talk.steps


def tower() -> list[Message]:
    """A tower on link 1 and a vehicle on link 2, on one clock: each hears of the other with its next state."""
    talk = Talk()
    landing = talk.library.model("heron_approach").model_dump(exclude_none=True)
    site = {key: landing["landing"][key] for key in ("name", "latitude_deg", "longitude_deg")}
    plan = {"body": "moon", "gravity": "sphere", "site": site,
            "phases": [{"law": "receive", "catch_height_m": 20.0, "turnaround_s": 900.0}]}  # fmt: skip
    ours: Message = {"type": "open", "protocol": 1, "vehicle": "Marsh", "role": "tower", "plan": plan, "clock": "moon"}
    theirs = OPEN | {"vehicle": "Heron", "role": "booster", "plan": "heron_approach", "clock": "moon"}
    craft = Craft("Heron", *landing_start(talk.library.plan("heron_approach", "booster")))

    def state(seq: int) -> Message:
        told = craft.telemetry()
        return rounded({"type": "state", "seq": seq} | {name: told[name] for name in FIELDS})

    ready: Message = {"type": "state", "seq": 1, "time_s": 0.0, "ready": True}
    talk.say(ours)
    talk.say(theirs, 2)
    talk.say(ready)
    obey(craft, talk.say(state(1), 2), 0.5)
    talk.say(ready | {"seq": 2, "time_s": 0.4, "answers": {"Heron": "ready"}})
    talk.say(state(2), 2)
    talk.say(ready | {"seq": 3, "time_s": 0.6, "position_m": [0.0, 0.0, 0.0]})
    talk.say(ready | {"seq": 3, "answers": {"Heron": "perhaps"}})
    talk.say(ready | {"seq": 3}, 2)
    talk.say(state(3))
    talk.say(ready | {"seq": 3, "time_s": 0.6, "ready": False, "ready_at_s": 900.0})
    return talk.steps


def landing_start(plan: FlightPlan) -> tuple[World, SimState]:
    """The vehicle where its plan says that a rehearsal begins."""
    world = World(plan.body, plan.vehicle)
    assert plan.landing is not None
    assert plan.start is not None
    return world, at_start(plan, plan.landing, plan.start, world)


EXCHANGES = {
    "flight": flight, "repeats": repeats, "reloaded": reloaded, "resumed": resumed, "faults": faults, "tower": tower,
}  # fmt: skip


def exchange_files() -> dict[str, Message]:
    """One file an exchange."""
    return {
        f"exchanges/{name}.json": {
            "about": ABOUT, "what": " ".join((make.__doc__ or "").split()), "compare": COMPARE, "steps": make(),
        }
        for name, make in EXCHANGES.items()
    }  # fmt: skip

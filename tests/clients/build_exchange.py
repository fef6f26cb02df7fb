"""Makes the example exchange of clients/PROTOCOL.md with the real code: python -m tests.clients.build_exchange

Flies Bargeman against a service in this process and keeps one exchange for each phase, digits shortened nowhere.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import craft_on_pad
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from tests.clients.loading import CLIENTS
from tests.clients.loading import load as load_client
from tests.closed_loop.demo_flights import STEP_S

DOCUMENT = CLIENTS / "PROTOCOL.md"
BEGIN, END = "<!-- exchange: made by tests/clients/build_exchange.py -->", "<!-- exchange ends -->"
LINK = "example"
MIDWAY_S = {
    "boost": 60.0,
    "insertion": 300.0,
}  # vehicle times at which these phases are shown; others at their first state

Pair = tuple[dict[str, Any], dict[str, Any]]


def ask(desk: Desk, message: dict[str, Any]) -> Pair:
    """A message and the real reply, both as they cross the TCP line."""
    return message, json.loads(desk.receive(LINK, json.dumps(message).encode(), "json"))


def exchange() -> Iterator[Pair]:
    """The pairs to show."""
    library = load_library(default_folder())
    sessions = Registry(lambda: "kept-secret-by-its-script")
    desk = Desk(sessions, library)
    yield ask(desk, {"type": "open", "protocol": 1, "vehicle": "Bargeman", "role": "tanker",
                     "plan": "bargeman_to_lagoon", "frame": {"motion": "inertial"}})  # fmt: skip
    yield from flight(desk, sessions)
    yield ask(desk, {"type": "state", "seq": 999999, "time_s": 3300.0, "mass_kg": -1.0})
    yield ask(desk, {"type": "close"})


def flight(desk: Desk, sessions: Registry) -> Iterator[Pair]:
    """One exchange a phase."""
    example = load_client("examples/simulated_vehicle")
    craft = craft_on_pad(
        "Bargeman", load_library(default_folder()).plan("bargeman_to_lagoon", "tanker"), None, print_nothing
    )
    shown: set[str] = set()
    done, seq, phase = None, 0, ""
    while phase != "orbit":
        seq += 1
        told = craft.telemetry()
        state = {"type": "state", "seq": seq} | {name: told[name] for name in example.STATE_FIELDS}
        state |= {"seen_event": done} if done else {}
        pair = ask(desk, state)
        sessions.work()
        command, phase = pair[1], pair[1]["phase"]
        if phase not in shown and told["time_s"] >= MIDWAY_S.get(phase, 0.0):
            shown.add(phase)
            yield pair
        done = obey(craft, command, STEP_S) or done


def print_nothing(_: object) -> None:
    """The flight log is not wanted here."""


def as_text(pairs: Iterator[Pair]) -> str:
    """The pairs as the document shows them, one message a line in truth, wrapped here."""
    blocks = []
    for message, reply in pairs:
        blocks.append(f"script:\n\n```json\n{pretty(message)}\n```\n\nservice:\n\n```json\n{pretty(reply)}\n```\n")
    return "\n".join(blocks)


def pretty(message: dict[str, Any]) -> str:
    """JSON with one field a line, lists and tables on one line each."""
    fields = [f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in message.items()]
    return "{\n" + ",\n".join(fields) + "\n}"


def main() -> None:
    """Rewrite the document's exchange."""
    text = DOCUMENT.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN)
    tail = rest.split(END)[1]
    DOCUMENT.write_text(f"{head}{BEGIN}\n\n{as_text(exchange())}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()

"""The loop of the README never acknowledges an event, and need not tell whether the engine is on: it must fly."""

from __future__ import annotations

from typing import Any

import pytest

from guidance_svc.domain import Frame
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.rehearsal.craft import craft_on_pad
from guidance_svc.rehearsal.speaking import obey
from guidance_svc.session.session import Session
from guidance_svc.wire.parse import parse_state
from guidance_svc.wire.replies import command_message
from tests.closed_loop.demo_flights import STEP_S, Flown, tanker_plan

ALWAYS = ("time_s", "position_m", "velocity_m_s", "mass_kg")  # what the README's loop sends


@pytest.mark.parametrize(
    ("more", "whole"),
    [((), False), *(pytest.param(more, True, marks=pytest.mark.slow) for more in ((), ("engine_on",)))],
)
def test_the_tanker_flies_with_no_event_acknowledged(more: tuple[str, ...], whole: bool) -> None:
    """To its orbit, or until the second stage burns."""
    flown = Flown(tanker_plan(load_library(default_folder())))
    craft = craft_on_pad("Bargeman", flown.plan, None, flown.log)
    session = Session(flown.plan, Frame())
    names: list[str] = []
    command: dict[str, Any] = {"status": ""}
    for seq in range(1, 20_000):
        told = craft.telemetry()
        state = {name: told[name] for name in (*ALWAYS, *more)} | {"type": "state", "seq": seq}
        command = command_message(session.state(parse_state(state)))
        session.work()
        if command["event"] and names[-1:] != [command["event"]["name"]]:
            names.append(command["event"]["name"])
        if command["status"] == "complete" or (not whole and command["phase"] == "insertion" and told["engine_on"]):
            break
        assert not any("was due" in warning for warning in command["warnings"])
        obey(craft, command, STEP_S)
    assert command["status"] == "complete" or not whole
    assert command["warnings"] == []
    assert names[:4] == ["ignite", "release", "cutoff", "separate"]
    assert [len(flown.at("separate")), len(flown.at("release"))] == [1, 1]

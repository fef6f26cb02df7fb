"""What a command asks of a vehicle: the one place where it is put into controls."""

from __future__ import annotations

from math import inf
from typing import Any, Final

from guidance_svc.domain import Command
from guidance_svc.laws.table import act_of

INSTANT_S: Final = 1e-9  # two times nearer than this are one


def controls_for(command: Command, time_s: float, cut_s: float = -inf) -> dict[str, Any]:
    """What a script tells its vehicle, as `Craft.command` takes it (clients/PROTOCOL.md, a safety net of your own).

    Args:
        command: the newest, however old.
        time_s: now, vehicle's clock.
        cut_s: when the engine was last cut; only the answer to a later state lights it again.

    An engine that was lit at the time that this command told ahead stays lit; it is off from `cutoff_at_s` on, or
    `latest_off_at_s` if that is earlier or the only one.
    """
    off_s, event, down = off_at_s(command), command.event, command.throttle_down
    throttled = down is not None and time_s >= down.at_s
    controls: dict[str, Any] = {
        "pointing": list(command.direction),
        "throttle": down.throttle_frac if down is not None and throttled else command.throttle_frac,
        "cutoff_at_s": off_s if off_s < inf else None,
        "engines": command.engines,
        "cut_on_contact": command.cut_on_contact,
    }
    act = None if event is None else act_of(event.name)
    if event is not None and act is not None and not (act == "cutoff" and off_s <= event.at_s):
        controls[f"{act}_at_s"] = event.at_s
    on = command.engine_on and off_s > time_s + INSTANT_S
    lit = act == "ignite" and event is not None and command.time_s < event.at_s <= time_s + INSTANT_S < off_s
    if (on and command.time_s > cut_s) or not (on or lit):
        controls["engine_on"] = on
    return controls


def off_at_s(command: Command) -> float:
    """Vehicle time from which the engine is off, as long as no newer command comes; infinity where none is told."""
    cutoff_s, latest_s = command.cutoff_at_s, command.latest_off_at_s
    return min(inf if cutoff_s is None else cutoff_s, inf if latest_s is None else latest_s)


def seconds_for(command: Command, time_s: float, tick_s: float) -> float:
    """How far to fly before the next state: a tick under power, else as far as the service allows or to the event."""
    if command.engine_on:
        return tick_s
    event, limit_s = command.event, command.next_contact_s
    if event is not None and event.at_s > time_s + INSTANT_S:
        limit_s = min(limit_s, event.at_s - time_s)
    return max(limit_s, tick_s)

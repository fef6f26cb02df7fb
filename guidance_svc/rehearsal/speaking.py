"""The loop's states and commands as the messages of clients/PROTOCOL.md: a flight through a service, near or far."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import degrees, radians
from typing import Any, Final

from guidance_svc.core.frames import direction_to_bci
from guidance_svc.domain import Body, Command, Event, Frame, ThrottleDown, TowerReport, Vec, VehicleState
from guidance_svc.errors import MessageFault
from guidance_svc.rehearsal.craft import Craft
from guidance_svc.rehearsal.orders import INSTANT_S, controls_for, seconds_for
from guidance_svc.rehearsal.readings import readings_message

OPTIONAL: Final = (
    ("thrust_n", "thrust_n"), ("throttle", "throttle_frac"), ("stage", "stage"), ("engine_on", "engine_on"),
    ("propellant_kg", "propellant_kg"), ("seen_event", "seen_event"),
)  # fmt: skip
"""Keys of a `state` and the fields of VehicleState; what is None is left out."""


@dataclass(frozen=True, slots=True)
class Speaking:
    """A guide for `loop.fly` that speaks in messages.

    Args:
        ask: takes a `state` message and gives the reply to it.
        frame, body: of the session.
    """

    ask: Callable[[dict[str, Any]], Mapping[str, Any]]
    frame: Frame
    body: Body

    def __call__(self, message: VehicleState) -> Command:
        """The command for a state.

        Raises:
            MessageFault: the reply is a fault.
        """
        reply = self.ask(state_message(message))
        if reply["type"] == "fault":
            raise MessageFault(reply["code"], reply["field"], reply["expected"], reply["got"])
        return command_of(reply, self.frame, self.body)


def state_message(state: VehicleState) -> dict[str, Any]:
    """A `state` as a script sends it."""
    if state.tower is not None:
        return tower_message(state, state.tower)
    message: dict[str, Any] = {"type": "state", "seq": state.seq, "time_s": state.time_s, "mass_kg": state.mass_kg}
    local = state.local
    if local is not None:
        message |= {
            "latitude_deg": degrees(local.latitude_rad), "longitude_deg": degrees(local.longitude_rad),
            "altitude_m": local.altitude_m, "vertical_speed_m_s": local.vertical_speed_m_s,
            "north_speed_m_s": local.north_speed_m_s, "east_speed_m_s": local.east_speed_m_s,
        }  # fmt: skip
    elif state.position_script_m is not None and state.velocity_script_m_s is not None:
        message |= {"position_m": list(state.position_script_m), "velocity_m_s": list(state.velocity_script_m_s)}
    if state.pointing_script is not None:
        message["pointing"] = list(state.pointing_script)
    told = ((key, getattr(state, name)) for key, name in OPTIONAL)
    return message | {key: value for key, value in told if value is not None} | readings_message(state.readings)


def tower_message(state: VehicleState, report: TowerReport) -> dict[str, Any]:
    """A `state` as a tower's script sends it."""
    told = {
        "ready_at_s": report.ready_at_s, "answers": dict(report.answers) or None, "wind_m_s": report.wind_script_m_s,
        "catch_offset_m": report.catch_offset_m if any(report.catch_offset_m) else None,
        "seen_event": state.seen_event,
    }  # fmt: skip
    message = {"type": "state", "seq": state.seq, "time_s": state.time_s, "ready": report.ready}
    return message | {key: list(v) if isinstance(v, tuple) else v for key, v in told.items() if v is not None}


def command_of(message: Mapping[str, Any], frame: Frame, body: Body) -> Command:
    """A `command` reply as a value; its `detail` is left out.

    Raises:
        LookupError, TypeError, ValueError: it is not one.
    """
    m, event, down = message, message["event"], message["throttle_down"]
    x, y, z = m["pointing"]
    pointing: Vec = (float(x), float(y), float(z))
    return Command(
        m["seq"], m["time_s"], m["phase"], direction_to_bci(pointing, frame, body, m["time_s"]), pointing,
        radians(m["pitch_deg"]), radians(m["heading_deg"]), radians(m["pitch_rate_deg_s"]),
        radians(m["heading_rate_deg_s"]), m["throttle"], m["engine_on"], m["cutoff_at_s"], m["time_to_cutoff_s"],
        None if event is None else Event(event["id"], event["name"], event["at_s"]), m["next_contact_s"], m["status"],
        tuple(m["warnings"]), None, None if down is None else ThrottleDown(down["at_s"], down["throttle"]),
        m["latest_off_at_s"], m.get("engines"), m.get("cut_on_contact", False),
    )  # fmt: skip


def obey(craft: Craft, message: Mapping[str, Any], tick_s: float) -> str | None:
    """Have a vehicle do what a `command` reply says, and fly on: a tick under power, else as long as it may be silent.

    The reply's frame is the inertial one.

    Returns:
        The id of the event whose time has come by then.

    Raises:
        LookupError, TypeError, ValueError: the reply is no command.
    """
    command, now_s = command_of(message, Frame(), craft.world.body), craft.state.time_s
    craft.command(controls_for(command, now_s, craft.cut_s))
    craft.fly(seconds_for(command, now_s, tick_s))
    event = command.event
    return event.id if event is not None and craft.state.time_s >= event.at_s - INSTANT_S else None

"""From a decoded dict to what the session layer takes; a fault names field, expectation and what came."""

from __future__ import annotations

from functools import cache
from math import radians, sqrt
from typing import Any, Final, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError

from guidance_svc.core.frames import handedness
from guidance_svc.domain import Frame, LocalState, Readings, TowerReport, Vec, VehicleState
from guidance_svc.errors import MessageFault
from guidance_svc.wire.explain import explain, got_text
from guidance_svc.wire.messages import (
    CARTESIAN_FIELDS,
    LOCAL_FIELDS,
    STATE_ADAPTER,
    TOWER_ADAPTER,
    CloseMessage,
    FrameModel,
    HealthRequest,
    OpenMessage,
    StateMessage,
    TowerStateMessage,
)

SECRET_FIELDS: Final = frozenset({"resume", "token"})  # what came in them is told to nobody
UNIT_TOLERANCE: Final = 1e-3  # single-precision script vectors are good to 1e-6; a forgotten scaling is not
REQUEST_TYPES: Final = ("open", "state", "close", "health")

M = TypeVar("M", bound=BaseModel)

_LOCAL = frozenset(LOCAL_FIELDS)
_CARTESIAN = frozenset(CARTESIAN_FIELDS)
_TOWERS = frozenset(("ready", "ready_at_s", "answers", "catch_offset_m"))
_VEHICLES = frozenset(StateMessage.__annotations__) - frozenset(TowerStateMessage.__annotations__)
_check_state = STATE_ADAPTER.validate_python
_check_tower = TOWER_ADAPTER.validate_python


def message_type(message: dict[str, Any]) -> str:
    """The message's `type`.

    Raises:
        MessageFault: it is missing or none of those that a script may send.
    """
    kind = message.get("type")
    if isinstance(kind, str) and kind in REQUEST_TYPES:
        return kind
    got = got_text(kind) if "type" in message else "nothing"
    code = "unknown_type" if "type" in message else "missing_field"
    raise MessageFault(code, "type", f"one of {', '.join(REQUEST_TYPES)}", got)


def parse_open(message: dict[str, Any]) -> OpenMessage:
    """A checked `open`; its plan is still a name or a table.

    Raises:
        MessageFault: naming the field.
    """
    return _check(OpenMessage, message)


def parse_close(message: dict[str, Any]) -> None:
    """Check a `close`.

    Raises:
        MessageFault: naming the field.
    """
    _check(CloseMessage, message)


def parse_health(message: dict[str, Any]) -> None:
    """Check a `health` request.

    Raises:
        MessageFault: naming the field.
    """
    _check(HealthRequest, message)


def _check(model: type[M], message: dict[str, Any]) -> M:
    try:
        return model.model_validate(message)
    except ValidationError as error:
        raise _fault(error, model) from None


def parse_state(message: dict[str, Any]) -> VehicleState:
    """A checked `state` in SI and radians, still in the script's own frame.

    Raises:
        MessageFault: naming the field.
    """
    if not _TOWERS.isdisjoint(message):
        return _tower_state(message)
    try:
        state = _check_state(message)
    except ValidationError as error:
        raise _fault(error, StateMessage) from None
    position = velocity = local = None
    if "position_m" in state and "velocity_m_s" in state and _LOCAL.isdisjoint(state):
        position, velocity = _vec(state["position_m"]), _vec(state["velocity_m_s"])
    else:
        local = _local_state(state)
    pointing = _unit_vec(state["pointing"]) if "pointing" in state else None
    return VehicleState(
        state["seq"],
        state["time_s"],
        state["mass_kg"],
        position,
        velocity,
        local,
        state.get("thrust_n"),
        state.get("throttle"),
        pointing,
        state.get("stage"),
        state.get("engine_on"),
        state.get("propellant_kg"),
        state.get("seen_event"),
        _readings(state),
    )


def _tower_state(message: dict[str, Any]) -> VehicleState:
    """A checked `state` of a tower.

    Raises:
        MessageFault: naming the field; `two_kinds` for one that has a vehicle's fields as well.
    """
    both = next((name for name in message if name in _VEHICLES), None)
    if both is not None:
        towers = ", ".join(name for name in message if name in _TOWERS)
        expected = f"no such field beside {towers}: a tower stands at its site, and a vehicle sends none of those"
        raise MessageFault("two_kinds", both, expected, got_text(message[both]))
    try:
        state = _check_tower(message)
    except ValidationError as error:
        raise _fault(error, TowerStateMessage) from None
    report = TowerReport(
        state["ready"], state.get("ready_at_s"), tuple(sorted(state.get("answers", {}).items())),
        _vec(state["wind_m_s"]) if "wind_m_s" in state else None,
        _vec(state["catch_offset_m"]) if "catch_offset_m" in state else (0.0, 0.0, 0.0),
    )  # fmt: skip
    return VehicleState(state["seq"], state["time_s"], 0.0, seen_event=state.get("seen_event"), tower=report)


def parse_frame(frame: FrameModel) -> Frame:
    """The script's frame for the session.

    Raises:
        MessageFault: the axes repeat, or `handedness` contradicts them.
    """
    letters = [axis.lstrip("-") for axis in frame.axes]
    if len(set(letters)) != 3:
        raise MessageFault(
            "bad_value", "frame.axes", "each of x, y and z once, with or without a minus", " ".join(frame.axes)
        )
    x, y, z = frame.axes
    found = handedness((x, y, z))
    if frame.handedness != found:
        expected = (
            f'"{found}", because axes {" ".join(frame.axes)} make a {found}-handed frame '
            "(or other axes, if the script's frame is meant otherwise)"
        )
        raise MessageFault("frame_mismatch", "frame.handedness", expected, frame.handedness)
    return Frame(
        turning=frame.motion == "turning",
        axes=(x, y, z),
        meridian_at_zero_rad=radians(frame.meridian_at_zero_deg),
        height_above=frame.height_above,
        up=frame.up,
        local_velocity=frame.local_velocity,
    )


def _local_state(state: StateMessage) -> LocalState:
    """The local form, or the fault that says which fields are missing or too many."""
    given_local = [name for name in LOCAL_FIELDS if name in state]
    given_cartesian = [name for name in CARTESIAN_FIELDS if name in state]
    if given_cartesian and given_local:
        expected = "position_m and velocity_m_s, or the local form, not both"
        raise MessageFault("two_forms", given_local[0], expected, ", ".join(given_cartesian + given_local))
    if not given_cartesian and not given_local:
        expected = f"{' and '.join(CARTESIAN_FIELDS)}, or {', '.join(LOCAL_FIELDS)}"
        raise MessageFault("missing_field", "position_m", expected, "neither")
    wanted = CARTESIAN_FIELDS if given_cartesian else LOCAL_FIELDS
    missing = [name for name in wanted if name not in state]
    if missing:
        got = ", ".join(given_cartesian or given_local)
        raise MessageFault("missing_field", missing[0], f"all of {', '.join(wanted)}", got)
    return LocalState(
        radians(state["latitude_deg"]),
        radians(state["longitude_deg"]),
        state["altitude_m"],
        state["vertical_speed_m_s"],
        state["north_speed_m_s"],
        state["east_speed_m_s"],
    )


def _readings(state: StateMessage) -> Readings | None:
    """What the vehicle tells of its return, or None."""
    rate, wind = state.get("attitude_rate_deg_s"), state.get("wind_m_s")
    return readings_of(
        state.get("contact"), state.get("engines_lit"), None if rate is None else _vec(rate),
        state.get("angle_of_attack_deg"), None if wind is None else _vec(wind),
    )  # fmt: skip


def readings_of(
    contact: bool | None, engines_lit: int | None, attitude_rate_deg_s: Vec | None, angle_of_attack_deg: float | None,
    wind_m_s: Vec | None,
) -> Readings | None:  # fmt: skip
    """What a vehicle tells of its return, in radians, script's frame; None where it tells nothing of it."""
    rate, angle = attitude_rate_deg_s, angle_of_attack_deg
    if contact is None and engines_lit is None and rate is None and angle is None and wind_m_s is None:
        return None
    return Readings(
        contact, engines_lit, None if rate is None else (radians(rate[0]), radians(rate[1]), radians(rate[2])),
        None if angle is None else radians(angle), wind_m_s,
    )  # fmt: skip


def _vec(values: list[float]) -> Vec:
    return (float(values[0]), float(values[1]), float(values[2]))


def _unit_vec(values: list[float]) -> Vec:
    """A direction as it was told.

    Raises:
        MessageFault: its length is not 1 within UNIT_TOLERANCE.
    """
    x, y, z = values
    length = sqrt(x * x + y * y + z * z)
    if not abs(length - 1.0) <= UNIT_TOLERANCE:
        raise MessageFault("bad_value", "pointing", f"a unit vector, length 1 within {UNIT_TOLERANCE}", length)
    return _vec(values)


@cache
def _schema_of(model: Any) -> dict[str, Any]:
    return TypeAdapter(model).json_schema()


def _fault(error: ValidationError, model: type[BaseModel] | Any) -> MessageFault:
    problem = explain(error, _schema_of(model))
    secret = not SECRET_FIELDS.isdisjoint(problem.field.split("."))
    return MessageFault(problem.code, problem.field, problem.expected, "(not shown)" if secret else problem.got)

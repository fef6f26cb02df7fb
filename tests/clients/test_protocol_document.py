"""clients/PROTOCOL.md says what the models say: field lists, codes, and an exchange that holds."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

import guidance_svc
from guidance_svc.files.config_files import default_folder, load_library
from guidance_svc.service.desk import Desk
from guidance_svc.session.registry import Registry
from guidance_svc.wire import messages as m
from guidance_svc.wire.parse import parse_close, parse_open, parse_state
from tests.clients.build_exchange import DOCUMENT

TEXT = DOCUMENT.read_text(encoding="utf-8")
PACKAGE = Path(guidance_svc.__file__).parent

# where in the document each model's table stands: its heading, then the line before the table
TABLES: dict[str, tuple[str, str, Any]] = {
    "open": ("## `open` ", "", m.OpenMessage),
    "opened": ("## `opened` ", "", m.OpenedMessage),
    "target": ("## `opened` ", "`target`; ", m.TargetMessage),
    "stages": ("## `opened` ", "each of `stages`:", m.StageEcho),
    "state": ("## `state` ", "", m.StateMessage),
    "command": ("## `command` ", "", m.CommandMessage),
    "throttle_down": ("## `command` ", "`throttle_down`; ", m.ThrottleDownMessage),
    "event": ("## `command` ", "`event`:", m.EventMessage),
    "detail": ("## `command` ", "`detail`; ", m.DetailMessage),
    "orbit": ("## `command` ", "each orbit:", m.OrbitMessage),
    "tower's state": ("## Towers", "Its `state`; ", m.TowerStateMessage),
    "arrival": ("## Towers", "each of `arrivals`:", m.ArrivalMessage),
    "close": ("## `close` ", "", m.CloseMessage),
    "closed": ("## `closed` ", "", m.ClosedMessage),
    "fault": ("## `fault` ", "", m.FaultMessage),
    "health": ("## `health` ", "", m.HealthRequest),
    "health reply": ("## `health` ", "The reply:", m.HealthMessage),
    "sessions": ("## `health` ", "each of `sessions`;", m.SessionHealth),
    "frame": ("## Frames", "", m.FrameModel),
}


def names_in_table(heading: str, before: str) -> list[str]:
    """First column of the first table after a line that begins with `before`, under a heading."""
    section = TEXT[TEXT.index(f"\n{heading}") + 1 :].split("\n## ")[0]
    section = section[section.index(f"\n{before}") :] if before else section
    table = re.search(r"(?:^\|.*\n)+", section, re.M)
    assert table is not None
    return re.findall(r"^\| `([a-z_0-9]+)`", table.group(0), re.M)


def schema(model: Any) -> dict[str, Any]:
    return TypeAdapter(model).json_schema()


@pytest.mark.parametrize("table", TABLES)
def test_each_table_lists_exactly_the_fields_of_its_model(table: str) -> None:
    heading, before, model = TABLES[table]
    assert names_in_table(heading, before) == list(schema(model)["properties"])


def test_needed_fields_of_open_and_state_are_marked_as_such() -> None:
    for heading, model in (("## `open` ", m.OpenMessage), ("## `state` ", m.StateMessage)):
        section = TEXT[TEXT.index(f"\n{heading}") + 1 :].split("\n## ")[0]
        needed = re.findall(r"^\| `([a-z_0-9]+)` \| yes \|", section, re.M)
        assert needed == schema(model)["required"]


def codes_in_source() -> set[str]:
    """Codes of faults raised in the layers that answer messages, read from the source."""
    found = set()
    for path in [p for layer in ("wire", "session", "adapters") for p in (PACKAGE / layer).rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            raised = isinstance(node, ast.Call) and getattr(node.func, "id", "") in {"MessageFault", "SessionFault"}
            if raised and isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
                found.add(str(node.args[0].value))
    return found


def test_every_fault_code_is_explained() -> None:
    told = set(re.findall(r"^\| `([a-z_]+)` \| ", TEXT[TEXT.index("## `fault`") :].split("\n## ")[0], re.M))
    assert codes_in_source() - told == set()


def example_messages() -> list[tuple[str, dict[str, Any]]]:
    """(who, message) of the example exchange."""
    return [
        (who, json.loads(body))
        for who, body in re.findall(r"^(script|service):\n\n```json\n(.*?)\n```", TEXT, re.M | re.S)
    ]


REPLIES = {"opened": m.OpenedMessage, "command": m.CommandMessage, "closed": m.ClosedMessage, "fault": m.FaultMessage}
CHECKS = {"open": parse_open, "state": parse_state, "close": parse_close}


def test_the_example_goes_from_open_to_closed_through_every_phase() -> None:
    kinds = [message["type"] for _, message in example_messages()]
    assert kinds[:2] == ["open", "opened"]
    assert kinds[-2:] == ["close", "closed"]
    assert "fault" in kinds
    phases = [message["phase"] for _, message in example_messages() if message["type"] == "command"]
    assert phases == ["hold", "boost", "insertion", "coast", "circularize", "orbit"]


def test_every_example_message_holds_against_its_model() -> None:
    pairs = example_messages()
    for (who, request), (_, reply) in zip(pairs[::2], pairs[1::2], strict=True):
        assert who == "script"
        TypeAdapter(REPLIES[reply["type"]]).validate_python(reply, strict=True, extra="forbid")
        if reply["type"] != "fault":
            CHECKS[request["type"]](request)  # type: ignore[operator]


def test_the_service_still_answers_the_example_as_printed_up_to_the_first_command() -> None:
    desk = Desk(Registry(lambda: "kept-secret-by-its-script"), load_library(default_folder()))
    pairs = example_messages()
    for (_, request), (_, printed) in zip(pairs[0:4:2], pairs[1:4:2], strict=True):
        reply = json.loads(desk.receive("a", json.dumps(request).encode(), "json"))
        assert shape(reply) == shape(printed)


def shape(message: Any) -> Any:
    """A message with its numbers to nine digits, which another machine's rounding does not reach."""
    if isinstance(message, dict):
        return {k: shape(v) for k, v in message.items()}
    if isinstance(message, list):
        return [shape(v) for v in message]
    return float(f"{message:.9g}") if isinstance(message, float) else message

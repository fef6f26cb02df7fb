"""The AsyncAPI document and the JSON Schemas: current, well formed by others' schemas, and true of real messages."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator

from tests.clients.test_protocol_document import example_messages
from tests.conformance.build import FOLDER, documents, files
from tests.conformance.law_tables import with_block
from tests.conformance.schemas import FAULT, TALK, field_words, message_models, schema_of

OFFICIAL = Path(__file__).parent / "data" / "asyncapi-3.0.0.schema.json"  # npm @asyncapi/specs 6.11.1


def read(name: str) -> Any:
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


def is_text(name: str) -> bool:
    """Whether every letter counts; the numbers of the vectors have tolerances and tests of their own."""
    return name.startswith("schemas/") or name == "asyncapi.json"


def read_text(name: str) -> str:
    return (FOLDER / name).read_text(encoding="utf-8") if (FOLDER / name).exists() else ""


def test_every_file_is_current() -> None:
    made = files()
    stale = [name for name in made if is_text(name) and read_text(name) != made[name]]
    assert stale == [], "python -m tests.conformance.build makes them anew"
    there = {str(path.relative_to(FOLDER)) for path in FOLDER.rglob("*") if path.is_file()}
    assert there == set(made) | {"README.md"}, "left over, or not built"


def test_what_documents_say_of_laws_and_events_is_current() -> None:
    for path, text in documents().items():
        assert path.read_text("utf-8") == text, "python -m tests.conformance.build makes it anew"


def test_a_document_without_its_marks_is_refused() -> None:
    with pytest.raises(ValueError, match="once each"):
        with_block("no marks", "a table")


def test_the_document_holds_against_the_official_schema_of_asyncapi() -> None:
    official = Draft7Validator(json.loads(OFFICIAL.read_text(encoding="utf-8")))
    document = read("asyncapi.json")
    assert [error.message for error in official.iter_errors(document)] == []
    broken = copy.deepcopy(document)
    broken["operations"]["state"]["action"] = "answer"
    assert not official.is_valid(broken)


def test_every_reference_of_the_document_leads_somewhere() -> None:
    document = read("asyncapi.json")

    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            return [v for k, v in node.items() if k == "$ref"] + [r for v in node.values() for r in references(v)]
        return [r for v in node for r in references(v)] if isinstance(node, list) else []

    found = references(document)
    assert len(found) > 20
    for reference in found:
        node = document
        for part in reference.removeprefix("#/").split("/"):
            node = node[part]


def test_every_message_of_the_wire_is_placed_as_request_or_answer() -> None:
    placed = {FAULT, *TALK, *(answer for answers in TALK.values() for answer in answers)}
    assert set(message_models()) <= placed, "give it a row in TALK of tests/conformance/schemas.py"


def test_every_field_has_words() -> None:
    words = field_words()
    bare = []
    for model in message_models().values():
        schema = schema_of(model)
        parts = schema.get("$defs", {}) | {model.__name__: schema}
        bare += [f"{n}.{field}" for n, part in parts.items() for field in part.get("properties", {})
                 if field not in words.get(n, {})]  # fmt: skip
    assert bare == []


def test_the_schemas_are_schemas() -> None:
    for name in files():
        if name.startswith("schemas/"):
            Draft202012Validator.check_schema(read(name))


def test_every_message_of_the_printed_exchange_holds_against_its_schema() -> None:
    seen = set()
    for _, message in example_messages():
        if message["type"] == "state" and message.get("mass_kg", 0.0) <= 0.0:
            continue  # the one that the service refuses, below
        seen.add(message["type"])
        Draft202012Validator(read(f"schemas/{message['type']}.json")).validate(message)
    assert seen == {"open", "opened", "state", "command", "close", "closed", "fault"}


GOOD = {"type": "state", "seq": 1, "time_s": 0.0, "mass_kg": 5e4,
        "position_m": [7e6, 0.0, 0.0], "velocity_m_s": [0.0, 7500.0, 0.0]}  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [{"mass_kg": -1.0}, {"mass_kg": "5"}, {"position_m": [1.0, 2.0]}, {"altitude_m": 1.0}, {"mass": 1.0},
     {"throttle": 1.5}, {"seq": 1.5}, {"engine_on": 1}, {"seq": True}],
    ids=str,
)  # fmt: skip
def test_the_schema_refuses_what_the_service_refuses(change: dict[str, Any]) -> None:
    from guidance_svc.errors import MessageFault
    from guidance_svc.wire.parse import parse_state

    validator = Draft202012Validator(read("schemas/state.json"))
    assert validator.is_valid(GOOD)
    parse_state(GOOD)
    assert not validator.is_valid(GOOD | change)
    with pytest.raises(MessageFault):
        parse_state(GOOD | change)

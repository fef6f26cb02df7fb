"""The wire's messages as JSON Schema and as an AsyncAPI document, made from guidance_svc/wire/messages.py.

Descriptions are the strings beside the fields there; units are read from the ends of the names.
"""

from __future__ import annotations

import ast
import inspect
import re
from typing import Any, get_args, get_type_hints

from pydantic import TypeAdapter

from guidance_svc.constants import CAUTION
from guidance_svc.laws.table import EVENTS, LAWS
from guidance_svc.wire import messages

Schema = dict[str, Any]

DRAFT = "https://json-schema.org/draft/2020-12/schema"
TALK = {  # what a script sends, and what answers it; a fault may answer anything
    "OpenMessage": ("OpenedMessage",),
    "StateMessage": ("CommandMessage",),
    "TowerStateMessage": ("CommandMessage",),
    "CloseMessage": ("ClosedMessage",),
    "HealthRequest": ("HealthMessage",),
}
FAULT = "FaultMessage"
WORDS = {("CommandMessage", "phase"): LAWS, ("EventMessage", "name"): EVENTS}
"""Fields whose words the phase table has."""
UNITS = (
    ("_m_s", "m/s"), ("_deg_s", "deg/s"), ("_kg_s", "kg/s"), ("_deg", "deg"), ("_kg", "kg"), ("_ms", "ms"),
    ("_m", "m"), ("_s", "s"), ("_n", "N"),
)  # fmt: skip


def message_models() -> dict[str, Any]:
    """Every model with a `type`: what crosses the wire as a whole message, by its class's name."""
    return {
        name: model
        for name, model in vars(messages).items()
        if inspect.isclass(model) and model.__module__ == messages.__name__ and "type" in get_type_hints(model)
    }


def type_of(model: Any) -> str:
    """The text in the field `type` of a model's messages."""
    return str(get_args(get_type_hints(model)["type"])[0])


def file_name(class_name: str) -> str:
    """OpenMessage is "open", HealthRequest is "health_request"."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", class_name.removesuffix("Message")).lower()


def field_words() -> dict[str, dict[str, str]]:
    """The string beside each field, by class and field."""
    found: dict[str, dict[str, str]] = {}
    for node in ast.parse(inspect.getsource(messages)).body:
        if not isinstance(node, ast.ClassDef):
            continue
        for field, words in zip(node.body, node.body[1:], strict=False):
            if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name) and isinstance(words, ast.Expr):
                text = ast.literal_eval(words.value)
                found.setdefault(node.name, {})[field.target.id] = " ".join(text.split())
    return found


def unit_of(field: str) -> str | None:
    """The unit at the end of a field's name."""
    return next((unit for ending, unit in UNITS if field.endswith(ending)), None)


def described(schema: Schema, class_name: str) -> Schema:
    """A model's schema with words and unit at every field."""
    words = field_words().get(class_name, {})
    for name, field in schema.get("properties", {}).items():
        field.pop("title", None)
        if (class_name, name) in WORDS:
            field |= {"enum": list(WORDS[class_name, name])} | {"type": field.pop("type")}
        if name in words:
            field["description"] = words[name]
        if unit := unit_of(name):
            field["x-unit"] = unit
    return schema


def schema_of(model: Any, template: str = "#/$defs/{model}") -> Schema:
    """A model's JSON Schema, described, its parts under `$defs`."""
    schema = TypeAdapter(model).json_schema(ref_template=template)
    for name, part in schema.get("$defs", {}).items():
        described(part, name)
    described(schema, model.__name__)
    if model is messages.StateMessage:
        schema["oneOf"] = state_forms()
    return schema


def state_forms() -> list[Schema]:
    """The Cartesian or the local form, whole, and nothing of the other."""
    forms = (messages.CARTESIAN_FIELDS, messages.LOCAL_FIELDS)
    return [
        {"required": list(wanted), "not": {"anyOf": [{"required": [name]} for name in other]}}
        for wanted, other in (forms, forms[::-1])
    ]


def schema_files() -> dict[str, Schema]:
    """One self-contained schema a message, by file name."""
    return {
        f"schemas/{file_name(name)}.json": {"$schema": DRAFT} | schema_of(model)
        for name, model in message_models().items()
    }


def document() -> Schema:
    """The AsyncAPI document."""
    models, schemas = message_models(), {}
    for name, model in models.items():
        schema = schema_of(model, "#/components/schemas/{model}")
        schemas |= schema.pop("$defs", {}) | {name: schema}
    return {
        "asyncapi": "3.0.0",
        "info": about(),
        "defaultContentType": "application/json",
        "servers": servers(),
        "channels": {
            "session": {
                "title": "One vehicle's session",
                "description": "One connection flies one vehicle; one reply answers each message, in their order.",
                "messages": {file_name(name): {"$ref": f"#/components/messages/{file_name(name)}"} for name in models},
            }
        },
        "operations": {file_name(name): operation(name) for name in TALK if name in models},
        "components": {"messages": {file_name(n): message(n, m) for n, m in models.items()}, "schemas": schemas},
    }


def about() -> Schema:
    """Title, version and what one must know first."""
    return {
        "title": "Guidance service",
        "version": str(get_args(get_type_hints(messages.OpenMessage)["protocol"])[0]),
        "description": (
            f"{CAUTION} SI units, the unit at the end of a field's name (x-unit); angles in degrees. What a schema "
            "cannot say, such as that handedness agrees with axes, stands in PROTOCOL.md. A script should pass over "
            "fields of a reply that it does not know; the service refuses fields that it does not know."
        ),
        "license": {"name": "MIT"},
    }


def servers() -> Schema:
    """The two transports at their usual addresses."""
    return {
        "zmq": {
            "host": "127.0.0.1:5770",
            "protocol": "zmq",
            "description": "ROUTER; one message is one frame: a MessagePack map, or JSON if its first byte is {.",
        },
        "tcp": {
            "host": "127.0.0.1:5771",
            "protocol": "tcp",
            "description": "One JSON object in UTF-8 a message, ended by a line feed.",
        },
    }


def operation(name: str) -> Schema:
    """What the service does with a script's message."""
    where = "#/channels/session"
    answers = [answer for answer in (*TALK[name], FAULT) if answer in message_models()]
    return {
        "action": "receive",
        "channel": {"$ref": where},
        "summary": f"A script sends {file_name(name)}.",
        "messages": [{"$ref": f"{where}/messages/{file_name(name)}"}],
        "reply": {
            "channel": {"$ref": where},
            "messages": [{"$ref": f"{where}/messages/{file_name(answer)}"} for answer in answers],
        },
    }


def message(name: str, model: Any) -> Schema:
    """One entry of components.messages."""
    schema = schema_of(model)
    return {
        "name": type_of(model),
        "summary": " ".join(str(schema.get("description", "")).split()),
        "payload": {"$ref": f"#/components/schemas/{name}"},
    }

"""From a pydantic error to one field path, one expectation with its limits, and what came."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from guidance_svc.errors import shorten

Schema = dict[str, Any]

_PLAIN_TYPES = {
    "string": "text",
    "boolean": "true or false",
    "object": "a table of fields",
    "null": "null",
}


@dataclass(frozen=True, slots=True)
class Problem:
    """The first thing wrong with a message or a file, in an author's words."""

    code: str
    field: str
    expected: str
    got: str


def explain(error: ValidationError, schema: Schema) -> Problem:
    """The first problem of a validation error.

    Args:
        error: as pydantic raised it.
        schema: JSON schema of the model that was checked against; limits and choices are read from it.
    """
    first = _most_telling(error)
    path, node, parent = _follow(schema, first["loc"])
    kind, got = first["type"], got_text(first["input"])
    if first["loc"] and first["loc"][-1] == "[key]":  # so pydantic tells a name that may not stand in a table
        path, node, _ = _follow(schema, first["loc"][:-2])
        return Problem("bad_value", path, _names(_resolve(node, schema)), got)
    if kind == "missing":
        return Problem("missing_field", path, _describe(node, schema), "nothing")
    if kind == "extra_forbidden":
        return Problem("unknown_field", path, _known_fields(path, parent), got)
    if kind == "value_error":
        return Problem("bad_value", path, str(first["ctx"]["error"]), got)
    if kind.startswith("union_tag"):
        return _wrong_tag(first, path, _resolve(node, schema))
    return Problem("bad_value", path, _describe(node, schema) or first["msg"], got)


def got_text(value: object) -> str:
    """What came, with quotes where it was text, so that "3" and 3 differ."""
    return shorten(f'"{shorten(value, 60)}"' if isinstance(value, str) else value)


def _wrong_tag(problem: Any, path: str, union: Schema) -> Problem:
    """The field that selects the kind of table is missing or has a value of its own."""
    tags = ", ".join(union.get("discriminator", {}).get("mapping", {}))
    name = str(problem["ctx"]["discriminator"]).strip("'")
    table = problem["input"]
    got = got_text(table[name]) if isinstance(table, dict) and name in table else "nothing"
    return Problem("bad_value", f"{path}.{name}".lstrip("."), f"one of {tags}", got)


def _most_telling(error: ValidationError) -> Any:
    """An unknown field before a missing one: where both stand, it is most often a misspelt name."""
    problems = error.errors(include_url=False)
    ranked = sorted(problems, key=lambda p: {"extra_forbidden": 0, "missing": 2}.get(p["type"], 1))
    return ranked[0]


def _follow(schema: Schema, loc: tuple[int | str, ...]) -> tuple[str, Schema, Schema]:
    """Path as text without union tags, the schema at its end, and the schema of the table around it."""
    node, parent, parts = schema, schema, []
    for position, step in enumerate(loc):
        table = _resolve(node, schema)
        members = _members(table, schema)
        if len(members) > 1:  # pydantic puts the member's tag into the path
            node = node if position == len(loc) - 1 else _member(table, members, str(step), schema)
            continue
        parts.append(shorten(str(step), 40))
        parent = members[0]
        node = _child(parent, step)
    return ".".join(parts), node, _resolve(parent, schema)


def _members(table: Schema, schema: Schema) -> list[Schema]:
    """The members of a union, null left out; the table itself when it is no union."""
    union: list[Schema] = table.get("anyOf") or table.get("oneOf") or []
    members = [_resolve(member, schema) for member in union]
    return [member for member in members if member.get("type") != "null"] or [table]


def _member(table: Schema, members: list[Schema], tag: str, schema: Schema) -> Schema:
    mapping = table.get("discriminator", {}).get("mapping", {})
    if tag in mapping:
        return _resolve({"$ref": mapping[tag]}, schema)
    wanted = "object" if tag == "table" or tag.startswith("dict") else "string"
    return next((member for member in members if member.get("type") == wanted), members[0])


def _child(table: Schema, step: int | str) -> Schema:
    if isinstance(step, int):
        prefix = table.get("prefixItems", [])
        item: Schema = prefix[step] if step < len(prefix) else table.get("items", {})
        return item
    any_key = [*table.get("patternProperties", {}).values(), table.get("additionalProperties")][0] or {}
    field: Schema = table.get("properties", {}).get(step, any_key)
    return field


def _resolve(node: Schema, schema: Schema) -> Schema:
    while "$ref" in node:
        found: Schema = schema
        for part in node["$ref"].lstrip("#/").split("/"):
            found = found[part]
        node = found
    return node


def _known_fields(path: str, parent: Schema) -> str:
    known = sorted(parent.get("properties", {}))
    near = get_close_matches(path.rsplit(".", 1)[-1], known, 1)
    if near:
        return f"a known field; did you mean {near[0]}?"
    return f"one of the fields {', '.join(known)}" if known else "no such field"


def _describe(node: Schema, schema: Schema) -> str:
    """What may stand here: "a finite number, 0 to 1", "one of right, left", "a list of 3"."""
    node = _resolve(node, schema)
    union: list[Schema] = node.get("anyOf") or node.get("oneOf") or []
    if union:
        return " or ".join(dict.fromkeys(filter(None, (_describe(member, schema) for member in union))))
    if "const" in node:
        return repr(node["const"])
    if "enum" in node:
        return "one of " + ", ".join(map(str, node["enum"]))
    kind = node.get("type", "")
    if kind in ("number", "integer"):
        return ("a finite number" if kind == "number" else "a whole number") + _limits(node)
    if kind == "array":
        return _describe_list(node, schema)
    if kind == "string" and "pattern" in node:
        return f"text that matches {node['pattern']}"
    if kind == "string" and "maxLength" in node:
        return f"text of at most {node['maxLength']} characters"
    if kind == "object" and "maxProperties" in node:
        return f"a table of at most {node['maxProperties']} fields"
    return _PLAIN_TYPES.get(kind, "")


def _names(table: Schema) -> str:
    """Which names may stand in a table whose names are free."""
    return f"names that match {' or '.join(table.get('patternProperties', {}))}"


def _limits(node: Schema) -> str:
    if "exclusiveMaximum" in node:
        lower = f" above {node['exclusiveMinimum']:g} and" if "exclusiveMinimum" in node else ""
        lower = f" of at least {node['minimum']:g} and" if "minimum" in node else lower
        return f"{lower} below {node['exclusiveMaximum']:g}"
    if "exclusiveMinimum" in node:
        upper = f" and at most {node['maximum']:g}" if "maximum" in node else ""
        return f" above {node['exclusiveMinimum']:g}{upper}"
    if "minimum" in node and "maximum" in node:
        return f" from {node['minimum']:g} to {node['maximum']:g}"
    if "minimum" in node:
        return f" of at least {node['minimum']:g}"
    return f" of at most {node['maximum']:g}" if "maximum" in node else ""


def _describe_list(node: Schema, schema: Schema) -> str:
    least, most = node.get("minItems"), node.get("maxItems")
    count = f"{least} " if least is not None and least == most else ""
    at_least = f" (at least {least})" if not count and least else ""
    inner = _describe(node.get("items", {}), schema)
    return f"a list of {count or 'entries'}{', each ' if inner else ''}{inner}".replace(" ,", ",") + at_least

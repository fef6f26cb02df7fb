"""configs/README.md agrees with what the service reads of vehicles, flight plans and bodies.

The models are the source: keys, units (from the key's name), ranges, defaults, choices, and the phases of each role.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from guidance_svc import domain
from guidance_svc.laws.boost import BoostModel
from guidance_svc.laws.plan_model import DEFAULT_PHASES, flight_plan_model
from guidance_svc.laws.table import LAWS
from guidance_svc.wire import plans

TEXT = (Path(__file__).parents[2] / "configs" / "README.md").read_text("utf-8").split("\n## Campaigns")[0]
TABLES: dict[str, type[BaseModel]] = {
    "Vehicle": plans.VehicleModel, "Each of `stages`": plans.StageModel, "Flight plan": flight_plan_model(),
    "`[site]`": plans.SiteModel, "`[target]`": plans.TargetModel,
    "`[landing]`": plans.LandingModel, "`[[landing.alternates]]`": plans.AlternateModel,
    "`[start]`": plans.StartModel, "Body": plans.BodyModel,
}  # fmt: skip
PHASES = {name: row.model for name, row in LAWS.items() if row.model is not None}
TABLES |= {f"Keys of `{name}`": model for name, model in PHASES.items() if set(model.model_fields) != {"law"}}
UNITS = {
    "_kg": "kg", "_n": "N", "_n_s": "N s", "_m": "m", "_km": "km", "_m2": "m2", "_s": "s", "_m_s": "m/s",
    "_m_s2": "m/s2", "_deg": "deg", "_deg_s": "deg/s", "_deg_s2": "deg/s2", "_rad_s": "rad/s",
    "_w_m2": "W/m2", "_m3_s2": "m3/s2", "_pa": "Pa", "_pa_deg": "Pa deg", "_frac": "fraction", "first_stage": "index",
    "flattening": "number", "j2": "number", "engine_count": "number", "ignitions": "number",
    "planned_throttle": "fraction", "soft_throttle": "fraction", "throttle": "fraction", "engines": "number",
    "tilt_per_m_deg": "deg/m",
}  # fmt: skip
LIMITS = ("minimum", "maximum")
UNSAID = 1e12
"""Limits from here on stand in the README's introduction only."""


def rows(heading: str) -> list[list[str]]:
    """The cells of a heading's table, without its head."""
    section = TEXT.split(f"\n### {heading}\n")[1].split("\n## ")[0].split("\n### ")[0]
    lines = re.findall(r"^\| `.*$", section, re.M)
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def cells(heading: str) -> list[tuple[str, str]]:
    """Each key of a table with its second cell."""
    return [(key, row[1]) for row in rows(heading) for key in re.findall(r"`(\w+)`", row[0])]


def listed(kind: str) -> list[Any]:
    """Parameters (schema, key, cell) of all keys whose JSON type, or its part that is not null, is in `kind`."""
    found = []
    for heading, model in TABLES.items():
        properties = model.model_json_schema()["properties"]
        for key, cell in cells(heading):
            schema = properties.get(key, {})
            schema = schema | schema.get("anyOf", [{}])[0]
            if ("choice" if "enum" in schema else schema.get("type")) in kind.split():
                found.append(pytest.param(schema, key, cell, id=f"{model.__name__}.{key}"))
    return found


def as_number(value: float) -> str:
    """A number as the README writes it: 0.5, 1e24."""
    return re.sub(r"e([+-])0?", lambda sign: "e" + sign[1].strip("+"), f"{value:g}")


def range_of(schema: dict[str, Any]) -> str:
    """The range as the README writes it."""
    low, high = (float(schema[end] if end in schema else schema[f"exclusive{end.title()}"]) for end in LIMITS)
    if low <= -UNSAID:
        return "any"
    above = "above " if "exclusiveMinimum" in schema else ""
    if high > UNSAID and low == 0.0:
        return f"above {as_number(low)}" if above else f"{as_number(low)} or more"
    below = "below " if "exclusiveMaximum" in schema else ""
    return f"{above}{as_number(low)} to {below}{as_number(high)}"


def is_default(schema: dict[str, Any], said: str) -> bool:
    """Whether the last part of a cell says the default; without a value it may be any words but "needed"."""
    value = schema.get("default", "needed")
    if value in (None, "", []):
        return said != "needed" and said[:1].isalpha()
    if isinstance(value, bool):
        return said == str(value).lower()
    return said == (as_number(value) if isinstance(value, int | float) else str(value))


@pytest.mark.parametrize("heading", TABLES)
def test_a_table_has_every_key_of_its_model_once_and_no_other(heading: str) -> None:
    assert sorted(key for key, _ in cells(heading)) == sorted(set(TABLES[heading].model_fields) - {"law"})


def test_no_table_stands_in_the_three_sections_that_is_not_checked() -> None:
    assert set(re.findall(r"^### (.*)$", TEXT, re.M)) == {*TABLES, "Laws"}
    assert TEXT.count("|---|---|---|") == len(TABLES) + 1


def test_the_laws_are_those_that_a_plan_may_name() -> None:
    assert [row[0].strip("`") for row in rows("Laws")] == list(PHASES)


@pytest.mark.parametrize(("schema", "key", "cell"), listed("number integer"))
def test_a_number_has_its_unit_range_and_default(schema: dict[str, Any], key: str, cell: str) -> None:
    unit, span, default = cell.split("; ")
    assert unit == UNITS[max((end for end in UNITS if key.endswith(end)), key=len)]
    assert span == range_of(schema)
    assert is_default(schema, default)


@pytest.mark.parametrize(("schema", "key", "cell"), listed("choice"))
def test_a_choice_has_all_its_values_and_its_default(schema: dict[str, Any], key: str, cell: str) -> None:
    values, default = cell.split("; ")
    assert sorted(re.findall(r'"(\w+)"', values)) == sorted(schema["enum"]), key
    assert is_default(schema, default.strip('"'))


@pytest.mark.parametrize(("schema", "key", "cell"), listed("string boolean array"))
def test_a_text_a_switch_or_a_list_has_its_size_and_default(schema: dict[str, Any], key: str, cell: str) -> None:
    assert is_default(schema, cell.split("; ")[-1]), key
    low, high = (schema.get(f"{end}Length", schema.get(f"{end}Items")) for end in ("min", "max"))
    if high is not None:
        assert (f"{low} to {high} " if low else f"up to {high} ") in cell


@pytest.mark.parametrize("key", ["bias_deg", "pitch_deg", "throttle"])
def test_a_program_takes_values_of_the_range_it_states_and_none_outside(key: str) -> None:
    low, high = map(float, dict(cells("Keys of `boost`"))[key].split("; ")[1].split(" to "))
    BoostModel.model_validate({"law": "boost", key: [[0.0, low], [1.0, high]]})
    for outside in (low - 1e-3, high + 1e-3):
        with pytest.raises(ValidationError, match=f"{key} with each"):
            BoostModel.model_validate({"law": "boost", key: [[0.0, outside]]})


@pytest.mark.parametrize("role", ["booster", "upper_stage", "tanker"])
def test_the_laws_of_a_role_are_its_default_phases(role: Any) -> None:
    said = [row[0].strip("`") for row in rows("Laws") if role.replace("_", " ") in row[1]]
    assert said == [phase.law for phase in DEFAULT_PHASES[role]]


def test_the_stage_from_which_a_tanker_inserts_is_the_one_stated() -> None:
    stated = re.search(r"^\| `insertion` \| .*tanker \(from stage (\d+)\)", TEXT, re.M)
    inserts = next(phase for phase in DEFAULT_PHASES["tanker"] if isinstance(phase, domain.Insertion))
    assert stated is not None
    assert int(stated[1]) == inserts.first_stage

"""configs/README.md names every key of vehicles, flight plans and bodies, and no other."""

from __future__ import annotations

import re
from pathlib import Path

from guidance_svc.wire import plans
from guidance_svc.wire.boost_model import BoostModel

TEXT = (Path(__file__).parents[2] / "configs" / "README.md").read_text("utf-8")
LAWS = {"hold", "boost", "insertion", "coast", "circularize", "orbit"}
PHASES = (
    plans.HoldModel, BoostModel, plans.InsertionModel, plans.CoastModel, plans.CircularizeModel, plans.OrbitModel,
)  # fmt: skip


def named(heading: str) -> set[str]:
    """Names in backquotes in the first columns of a section's tables."""
    section = TEXT[TEXT.index(f"\n## {heading}") :].split("\n## ")[1]
    cells = re.findall(r"^\| (`[^|]*`) \|", section, re.M)
    return {name.strip("[]") for cell in cells for name in re.findall(r"`([^`]+)`", cell)}


def keys(*models: type) -> set[str]:
    return {key for model in models for key in model.model_fields}  # type: ignore[attr-defined]


def test_every_key_of_a_vehicle_stands_in_its_tables_and_no_other() -> None:
    assert named("Vehicles") == keys(plans.VehicleModel, plans.StageModel)


def test_every_key_of_a_flight_plan_stands_in_its_tables_and_no_other() -> None:
    assert named("Flight plans") == keys(plans.FlightPlanModel, plans.TargetModel, *PHASES) - {"law"} | LAWS
    assert all(f"`{key}`" in TEXT for key in keys(plans.SiteModel))


def test_every_key_of_a_body_stands_in_its_table_and_no_other() -> None:
    assert named("Bodies") == keys(plans.BodyModel)

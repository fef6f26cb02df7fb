"""What `check` says of the propellant that a return takes."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest

from guidance_svc.domain import FlightPlan, Start
from guidance_svc.rehearsal.reserve import left_at_contact_kg, return_lines
from tests.closed_loop.return_flights import CASES, DRY_KG, plan_home, return_phases

CASE = CASES["B01"]
BEGIN = Start(62e3, 0.5 * pi, 62e3, 980.0, 0.0, 1350.0)


def plan_from(start: Start | None, reserve_kg: float = 0.0, payload_kg: float = 0.0) -> FlightPlan:
    plan = plan_home(CASE, return_phases(36e3, 60e3))
    stage = replace(plan.vehicle.stages[0], reserve_kg=reserve_kg)
    return replace(plan, vehicle=replace(plan.vehicle, stages=(stage,), payload_kg=payload_kg), start=start)


def test_a_return_is_reckoned_from_its_start_without_what_was_carried() -> None:
    """Within 3 % of B01's least propellant."""
    found = left_at_contact_kg(plan_from(BEGIN, payload_kg=9e4))
    assert found is not None
    had_kg, left_kg = found
    assert had_kg == pytest.approx(CASE["start"]["mass_kg"] - DRY_KG)
    assert had_kg - left_kg == pytest.approx(CASE["optimum"]["propellant_kg"], rel=0.03)


def test_the_words_name_what_it_takes_and_a_reserve_that_is_too_small() -> None:
    line, warning = return_lines(plan_from(BEGIN, reserve_kg=40e3))
    assert line.startswith("  return   takes 45")
    assert "reserve_kg is 40000" in warning
    short = list(return_lines(plan_from(replace(BEGIN, propellant_kg=30e3))))
    assert short[1].endswith("kg of propellant are missing for the return")


def test_without_a_start_it_is_said_that_nothing_is_reckoned() -> None:
    (line,) = return_lines(plan_from(None))
    assert "not reckoned" in line
    only_lands = replace(plan_from(None), phases=plan_from(None).phases[-1:])
    assert not list(return_lines(only_lands))

"""The fuel-optimal references as flight plans and simulator worlds."""

from __future__ import annotations

import json
from dataclasses import replace
from math import radians
from pathlib import Path
from typing import Any

from guidance_svc.core.vectors import unit
from guidance_svc.domain import Body, Circularize, Coast, FlightPlan, Insertion, Orbit, Stage, Target, Vec, Vehicle
from guidance_svc.sim.state import SimState, World, full_tanks

CASES: dict[str, dict[str, Any]] = json.loads(
    (Path(__file__).parent.parent / "reference" / "data" / "optimum.json").read_text()
)
COASTS: dict[str, dict[str, Any]] = json.loads(
    (Path(__file__).parent.parent / "reference" / "data" / "coast_optimum.json").read_text()
)
"""Least propellant of a few of them with coasts allowed, path and coasting perigee at 110 km or above once reached."""
LOWEST_FRAC = 0.1  # throttle of the engine that keeps an acceleration limit; V14 needs 0.38
SPARE_FRAC = 0.94  # of a single stage's mass that may burn: the cases state no dry mass


def vector(numbers: list[float]) -> Vec:
    """Three numbers; planar cases lie in the x-y plane."""
    return (numbers[0], numbers[1], numbers[2] if len(numbers) > 2 else 0.0)


def vehicle_of(case: dict[str, Any]) -> Vehicle:
    """Stages of a case; drops and pauses as the case has them."""
    burns = [p for p in case["phases"] if p["kind"] != "coast"]
    pauses = [p for p in case["phases"] if p["kind"] == "coast"]
    if len(burns) == 1 or burns[1]["kind"] == "const_accel":
        p = burns[0]
        spare = p["m_start_kg"] * SPARE_FRAC
        stage = Stage("only", p["m_start_kg"] - spare, spare, p["thrust_N"], p["ve_m_s"])
        if len(burns) > 1:
            stage = replace(stage, acceleration_limit_m_s2=burns[1]["accel_m_s2"], throttle_min_frac=LOWEST_FRAC)
        return Vehicle("case", (stage,))
    first, second = burns
    dropped, pause = pauses[0]["mass_drop_at_start_kg"], pauses[0]["duration_s"]
    spare = second["m_start_kg"] * SPARE_FRAC
    return Vehicle("case", (
        Stage("a", dropped, first["propellant_kg"], first["thrust_N"], first["ve_m_s"], drop_pause_s=pause),
        Stage("b", second["m_start_kg"] - spare, spare, second["thrust_N"], second["ve_m_s"]),
    ))  # fmt: skip


def target_of(case: dict[str, Any]) -> Target:
    """Target of an insertion case; planar ones leave the plane free."""
    t, radius = case["target"], case["R_m"]
    plane = "free" if case["dim"] == 2 else "inclination_and_node" if "raan_deg" in t else "inclination"
    return Target(
        radius + t["perigee_alt_m"], radius + t["apogee_alt_m"], t["radius_m"], t["speed_m_s"], radians(t["fpa_deg"]),
        plane, radians(t.get("inclination_deg", 0.0)), radians(t.get("raan_deg", 0.0)),
    )  # fmt: skip


def insertion_case(name: str, major_cycle_s: float = 0.5) -> tuple[FlightPlan, World, SimState]:
    """An insertion reference: one closed-loop burn from the given state, engine lit."""
    case = CASES[name]
    body = Body("reference", case["mu_m3_s2"], case["R_m"])
    vehicle = vehicle_of(case)
    plan = FlightPlan(name, body, vehicle, target_of(case), (Insertion(), Orbit()), major_cycle_s=major_cycle_s)
    r, v = vector(case["r0_m"]), vector(case["v0_m_s"])
    state = SimState(0.0, r, v, unit(r), full_tanks(vehicle), engine_on=True)
    return plan, World(body, vehicle), state


def circular_case(name: str) -> tuple[FlightPlan, World, SimState]:
    """A circularisation reference: coast from perigee, one burn."""
    case = CASES[name]
    body = Body("reference", case["mu_m3_s2"], case["R_m"])
    vehicle = vehicle_of(case)
    plan = FlightPlan(name, body, vehicle, None, (Coast(), Circularize(), Orbit()), major_cycle_s=0.5)
    r, v = vector(case["r0_m"]), vector(case["v0_m_s"])
    state = SimState(0.0, r, v, unit(v), full_tanks(vehicle))
    return plan, World(body, vehicle, coast_step_s=5.0), state

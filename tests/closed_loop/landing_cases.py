"""The fuel-optimal landings as guidance and plant take them."""

from __future__ import annotations

import json
import re
from math import exp, radians, sin, tan
from pathlib import Path
from typing import Any, NamedTuple

from guidance_svc.core.lander import Ground, Lander, Leg, TiltBound, air_around, legs_of
from guidance_svc.core.landing_state import Keys
from guidance_svc.domain import Body, Vec
from tests.closed_loop.landing_plant import Field

CASES: dict[str, dict[str, Any]] = json.loads(
    (Path(__file__).parent.parent / "reference" / "data" / "landing_optimum.json").read_text()
)
FLAT_RADIUS_M = 1e8  # of a body whose surface is as good as flat: over 5 km it falls away by 12 cm
SOUND_M_S = 340.0


class Case(NamedTuple):
    """One landing; positions from the contact point, axes level, level, up."""

    lander: Lander
    keys: Keys
    field: Field
    position_m: Vec
    velocity_m_s: Vec
    mass_kg: float
    propellant_kg: float


class Soft(NamedTuple):
    """The last metres per second of a landing, and the throttle planned for them."""

    speed_m_s: float
    throttle_frac: float


def flat_body(case: dict[str, Any]) -> Body:
    """A body as good as flat, with the case's gravity and its exponential air, which a table of two rows is."""
    gravity = -case["gravity_m_s2"][2]
    air = case["air"]
    rows = () if air is None else tuple(
        (h, air["rho0_kg_m3"] * exp(-h / air["scale_height_m"]),
         air["p0_pa"] * exp(-h / air["pressure_scale_height_m"]), SOUND_M_S) for h in (-1000.0, 20000.0)
    )  # fmt: skip
    return Body(
        "flat", gravity * FLAT_RADIUS_M**2, FLAT_RADIUS_M, atmosphere="none" if air is None else "table", air=rows
    )


def tilt_of(case: dict[str, Any]) -> TiltBound:
    """The case's own bound; of one that has none, that which it is flown with."""
    if "tilt" not in case["constraints"]:
        return TiltBound(tan(radians(20.0)), radians(0.05), 0.0, 1e3)
    end, per_m = re.findall(r"sin\(([\d.]+) deg\) \+ ([\d.]+) deg/m", case["constraints"]["tilt"])[0]
    return TiltBound(sin(radians(float(end))), radians(float(per_m)), 0.0, 1e3)


def field_of(case: dict[str, Any]) -> Field:
    """The case's world, as the plant has it."""
    gravity, air = -case["gravity_m_s2"][2], case["air"]
    if air is None:
        return Field(gravity, 0.0, 1.0, 0.0, 1.0, 0.0, 0.0)
    return Field(
        gravity, air["rho0_kg_m3"], air["scale_height_m"], air["p0_pa"], air["pressure_scale_height_m"],
        float(case["rf_m"][2]), case["drag_area_times_cd_m2"],
    )  # fmt: skip


def legs(case: dict[str, Any], contact_m_s: float, until_m_s: float, soft: Soft | None) -> list[Leg]:
    """The case's engines, each until the speed at which the next takes over."""
    flow = case["exhaust_velocity_vac_m_s"]
    out = [
        Leg(burn["thrust_vac_n"], burn["thrust_vac_n"] / flow, burn["exit_area_m2"], until_m_s, 0.0, 3 - k)
        for k, burn in enumerate(case["burns"])
    ]
    if soft is not None:
        out[-1] = out[-1]._replace(until_m_s=soft.speed_m_s)
        out.append(out[-1]._replace(throttle_frac=soft.throttle_frac))
    out[-1] = out[-1]._replace(until_m_s=contact_m_s)
    return out


def landing_case(
    name: str, contact_m_s: float, soft: Soft | None = None, until_m_s: float = 67.0, most_frac: float = 1.0
) -> Case:
    """A reference: one landing from the given state, its throttle planned as the reference's bound has it.

    Args:
        contact_m_s: downward speed to aim for.
        until_m_s: at which the second of two counts of engines takes over; the optimum of L05 has 67 m/s.
        most_frac: throttle that the engine can give.
    """
    case = CASES[name]
    body, last = flat_body(case), case["burns"][-1]
    aim, speed = case["rf_m"], case["v0_m_s"]
    flown = legs(case, contact_m_s, until_m_s, soft)
    lander = Lander(
        Ground((0.0, 0.0, case["gravity_m_s2"][2]), 0.0, (0.0, 0.0, 0.0)),
        air_around(body, float(aim[2]), case["drag_area_times_cd_m2"], ((0.0, 1.0),)),
        legs_of(flown), len(flown), 0.0, last["throttle_min"], most_frac, tilt_of(case),
    )  # fmt: skip
    idle = 0.0 if case["coast_before_first_burn"] else last["throttle_min"]
    x, y, z = (float(a - b) for a, b in zip(case["r0_m"], aim, strict=True))
    return Case(
        lander, Keys(last["throttle_max"], idle, 0.0, 0.0), field_of(case), (x, y, z), (speed[0], speed[1], speed[2]),
        float(case["m0_kg"]), case["optimum"]["propellant_kg"],
    )  # fmt: skip

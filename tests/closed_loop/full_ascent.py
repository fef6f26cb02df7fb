"""The reference ascent from the pad as a flight plan and a simulator world.

Differences from the reference: its air is a smooth fit of the U.S. Standard Atmosphere 1976, here it is the standard
itself (tests/closed_loop/test_against_a01.py compares the two); its drag curve is a formula, here a table of it
(within 0.0015 of the formula, which runs from 0.27 to 0.52); its coast of 5 s drops the booster at once, here after
the first second, and lasts a tick longer.
"""

from __future__ import annotations

import json
from math import exp, pi, radians, tanh
from pathlib import Path
from typing import Any

from guidance_svc.domain import Body, Boost, FlightPlan, Insertion, Orbit, Site, Stage, Target, Vehicle
from guidance_svc.sim.state import World

CASE: dict[str, Any] = json.loads(
    (Path(__file__).parent.parent / "reference" / "data" / "full_ascent.json").read_text()
)
MACHS = (0.0, 0.3, *(0.05 * k for k in range(8, 45)), 2.5, 9.0)
SEPARATION_DELAY_S = 1.0  # of the service's boost; the rest of the reference's coast is the insertion's pause


def drag_coefficient(mach: float) -> float:
    """The reference's formula."""
    c = CASE["vehicle"]["cd"]
    bump = c["cd1"] * exp(-(((mach - c["m1"]) / c["w1"]) ** 2))
    return float(c["cd0"] + bump + 0.5 * c["cd2"] * (1.0 + tanh((mach - c["m2"]) / c["w2"])))


def drag_table() -> tuple[tuple[float, float], ...]:
    """The formula as points."""
    return tuple((mach, drag_coefficient(mach)) for mach in MACHS)


def vehicle() -> Vehicle:
    """Booster, upper stage, payload."""
    v, limits = CASE["vehicle"], CASE["limits"]
    b, u = v["booster"], v["upper"]
    booster = Stage("booster", b["dry"], b["prop"], b["thrust_vac_N"], b["ve_vac_m_s"], b["exit_area_m2"],
                    limits["thr_min"], b["reserve"], limits["t_coast"])  # fmt: skip
    upper = Stage("upper", u["dry"], u["prop"], u["thrust_vac_N"], u["ve_vac_m_s"])
    return Vehicle("reference", (booster, upper), v["payload"], v["area"], drag_table())


def world() -> World:
    """Sphere with the standard's air, turning."""
    e = CASE["environment"]
    body = Body("sphere", e["mu_m3_s2"], e["R_m"], rotation_rad_s=e["omega_rad_s"], atmosphere="us1976")
    return World(body, vehicle())


def plan(boost: Boost | None = None) -> FlightPlan:
    """From an equatorial pad due east, lit and let go at time 0."""
    limits, t = CASE["limits"], CASE["target"]
    there = world()
    boost = boost or Boost(
        rise_s=limits["t_vertical"], pitch_over_rad=radians(5.0), pitch_over_rate_rad_s=radians(2.0),
        azimuth_rad=0.5 * pi, max_dynamic_pressure_pa=limits["q_max"], max_q_alpha_pa_rad=limits["qalpha_max"],
        max_alpha_rad=radians(limits["alpha_max_deg"]),
    )  # fmt: skip
    low, high = t["radius_m"], CASE["environment"]["R_m"] + 500e3
    target = Target(low, high, low, t["speed_m_s"], radians(t["fpa_deg"]))
    insertion = Insertion(first_stage=1, pause_s=limits["t_coast"] - SEPARATION_DELAY_S)
    return FlightPlan(
        "reference", there.body, there.vehicle, target, (boost, insertion, Orbit()), Site("pad", 0.0, 0.0)
    )

"""Conversations of one script that may cost a service much: an `open` and states, absurd and near-parabolic ones too.

Drawn by seed, and changed a little at a time for a search that climbs from the worst found so far.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from math import cos, pi, sin, sqrt
from random import Random
from typing import Any, Final

from tests.robustness.world import PLAN, library

MOST_STATES: Final = 14
LAWS: Final = ("hold", "boost", "insertion", "coast", "circularize", "orbit")
BODIES: Final = ("earth", "moon", "mars", "tarnmoor")
ROUNDNESS: Final = ("osculating", "least_radius_spread", "least_height_spread")


@dataclass(frozen=True)
class Conversation:
    """What one script sends.

    Args:
        plan: inline.
        role: of the `open`.
        states: `state` messages.
    """

    plan: dict[str, Any]
    role: str
    states: tuple[dict[str, Any], ...]

    def as_table(self) -> dict[str, Any]:
        """As it is kept in a file."""
        return {"role": self.role, "plan": self.plan, "states": list(self.states)}

    @classmethod
    def of(cls, table: dict[str, Any]) -> Conversation:
        """From a file."""
        return cls(table["plan"], table["role"], tuple(table["states"]))


def spread(draw: Random, low: float, high: float) -> float:
    """Even in the logarithm."""
    return float(low * (high / low) ** draw.random())


def direction(draw: Random) -> tuple[float, float, float]:
    """Anywhere on the sphere."""
    z, turn = draw.uniform(-1.0, 1.0), draw.uniform(0.0, 2.0 * pi)
    flat = sqrt(1.0 - z * z)
    return (flat * cos(turn), flat * sin(turn), z)


def a_body(draw: Random) -> Any:
    """One of the library's, or an invented one at the limits of what is taken."""
    if draw.random() < 0.7:
        return draw.choice(BODIES)
    radius = spread(draw, 1.0, 1e12)
    pull = spread(draw, 1e-3, 1e3)
    return {
        "mu_m3_s2": min(max(pull * radius * radius, 1e-3), 1e24), "radius_m": radius,
        "j2": draw.choice((0.0, 1e-3, 0.0999)), "flattening": draw.choice((0.0, 3e-3, 0.3)),
        "rotation_rad_s": draw.choice((0.0, 7e-5, -0.01)), "atmosphere": draw.choice(("none", "us1976")),
    }  # fmt: skip


def figures(body: Any) -> tuple[float, float]:
    """Gravitational parameter and radius."""
    model = library().bodies[body] if isinstance(body, str) else None
    return (model.mu_m3_s2, model.radius_m) if model else (body["mu_m3_s2"], body["radius_m"])


def a_stage(draw: Random, number: int, circle_m_s: float, weight_m_s2: float) -> dict[str, Any]:
    """A stage that gives part of orbital speed, or one that is absurd."""
    loaded = 1e5 * 0.5**number * spread(draw, 0.8, 1.2)
    dry = loaded * draw.choice((0.05, 0.1, 0.3, 1e-6))
    push = (loaded + dry) * weight_m_s2 * (5.0 if number == 0 else spread(draw, 0.3, 5.0))
    exhaust = circle_m_s * spread(draw, 0.05, 2.0)
    return {
        "name": f"s{number}", "dry_mass_kg": dry, "propellant_kg": loaded, "thrust_n": push,
        "exhaust_velocity_m_s": exhaust, "drop_pause_s": draw.choice((0.0, 0.0, 3.0, 200.0)),
        "throttle_min_frac": draw.choice((1.0, 0.4, 0.05)), "reserve_kg": draw.choice((0.0, 0.0, 0.1 * loaded)),
        "tail_off_impulse_n_s": draw.choice((0.0, 0.0, 0.1 * push)),
    }  # fmt: skip


def a_plan(draw: Random) -> tuple[dict[str, Any], str]:
    """An inline plan that may be taken, and a role."""
    body = a_body(draw)
    mu, radius = figures(body)
    circle, weight = sqrt(mu / radius), mu / radius**2
    count = draw.choice((1, 1, 2, 3, 5, 20))
    laws = [law for law in LAWS if draw.random() < (0.2 if law == "boost" else 0.6)] or ["insertion"]
    if "circularize" in laws and "coast" not in laws:
        laws.insert(laws.index("circularize"), "coast")
    low = min(1e-3 * radius * spread(draw, 0.01, 3.0), 8e8)
    high = min(low * draw.choice((1.0, 1.1, 3.0, 100.0)), 9e8)
    target: dict[str, Any] = {"perigee_altitude_km": low, "apogee_altitude_km": high}
    kind = draw.choice(("free", "inclination", "inclination_and_node"))
    if kind != "free":
        target |= {"plane": kind, "inclination_deg": draw.choice((0.0, 30.0, 90.0, 150.0))}
    if kind == "inclination_and_node":
        target["node_deg"] = draw.uniform(0.0, 360.0)
    plan = {
        "name": "searched", "body": body, "gravity": draw.choice(("sphere", "j2", "j2")),
        "major_cycle_s": draw.choice((0.05, 0.5, 10.0)), "target": target,
        "vehicle": {"name": "searched", "payload_kg": draw.choice((0.0, 10.0)), "drag_area_m2": 5.0,
                    "stages": [a_stage(draw, number, circle, weight) for number in range(count)]},
        "phases": [a_phase(draw, law, count, "boost" in laws) for law in laws],
    }  # fmt: skip
    return (plan if draw.random() < 0.9 else deepcopy(PLAN)), draw.choice(("upper_stage", "tanker", "booster"))


def a_phase(draw: Random, law: str, stages: int, boosted: bool) -> dict[str, Any]:
    """One phase of that law."""
    phase: dict[str, Any] = {"law": law}
    if law == "boost":
        rows = draw.choice((1, 2, 100))
        phase |= {"separate_at_reserve": True, "rise_s": 1.0, "pitch_over_deg": 3.0}
        phase["bias_deg"] = [[float(k), 0.01] for k in range(rows)]
    if law == "insertion":
        phase["first_stage"] = draw.randrange(1, stages) if boosted and stages > 1 else 0
        phase |= {"may_coast": draw.random() < 0.5, "pause_s": draw.choice((0.0, 0.0, 30.0))}
    if law == "circularize":
        phase["roundness"] = draw.choice(ROUNDNESS)
    return phase


def a_state(draw: Random, plan: dict[str, Any], time_s: float) -> dict[str, Any]:
    """Somewhere, at some speed: near circular, near parabolic, falling, beyond escape."""
    mu, radius = figures(plan["body"])
    r = radius * (1.0 + spread(draw, 1e-4, draw.choice((0.1, 0.1, 10.0, 1e4))))
    escape = sqrt(2.0 * mu / r)
    kind = draw.randrange(5)
    speed = escape * (
        draw.uniform(0.0, 0.72), sqrt(0.5) * (1.0 + draw.uniform(-0.01, 0.01)), 1.0 - spread(draw, 1e-16, 0.3),
        1.0 + spread(draw, 1e-16, 1.9), draw.uniform(0.0, 1.0),
    )[kind]  # fmt: skip
    up, any_way = direction(draw), direction(draw)
    share = draw.choice((0.0, 0.02, 0.3, 1.0, -1.0))
    across = [a - u * sum(x * y for x, y in zip(up, any_way, strict=True)) for a, u in zip(any_way, up, strict=True)]
    size = sqrt(sum(a * a for a in across)) or 1.0
    level = sqrt(max(0.0, 1.0 - share * share))
    stages = plan["vehicle"]["stages"]
    lightest = min(stage["dry_mass_kg"] for stage in stages)
    heaviest = sum(stage["dry_mass_kg"] + stage["propellant_kg"] for stage in stages)
    state = {
        "type": "state", "time_s": time_s, "mass_kg": spread(draw, 0.6 * lightest, 1.4 * heaviest),
        "position_m": [r * u for u in up],
        "velocity_m_s": [speed * (share * u + level * a / size) for u, a in zip(up, across, strict=True)],
    }  # fmt: skip
    if draw.random() < 0.6:
        state["mass_kg"] = heaviest if draw.random() < 0.5 else lightest
    if draw.random() < 0.5:
        state |= {"engine_on": draw.random() < 0.5, "throttle": draw.choice((0.0, 0.3, 1.0))}
    if draw.random() < 0.3:
        state |= {"thrust_n": stages[0]["thrust_n"], "stage": draw.randrange(len(stages))}
    return state


def a_step_s(draw: Random) -> float:
    """Time between two states; now and then it goes back."""
    return draw.choice((0.0, 0.02, 0.1, 0.6, 3.0, 30.0, 2000.0, 1e7, -0.5, -5.0, -1000.0, -1e9))


def a_conversation(draw: Random) -> Conversation:
    """A plan and states, most of them a little after each other and a little apart."""
    plan, role = a_plan(draw)
    states, time_s = [], draw.choice((0.0, 0.0, 1000.0, -1e6))
    for _ in range(draw.randint(2, MOST_STATES)):
        again = states and draw.random() < 0.6
        states.append(moved(draw, states[-1], time_s) if again else a_state(draw, plan, time_s))
        time_s += a_step_s(draw)
    return Conversation(plan, role, tuple(states))


def moved(draw: Random, state: dict[str, Any], time_s: float) -> dict[str, Any]:
    """The same vehicle a moment later, a little lighter."""
    factor = 1.0 - draw.choice((0.0, 1e-4, 1e-2))
    return {**deepcopy(state), "time_s": time_s, "mass_kg": state["mass_kg"] * factor}


def varied(parent: Conversation, draw: Random) -> Conversation:
    """A conversation a little different from one that cost much."""
    change: Callable[[Conversation, Random], Conversation] = draw.choice((longer, nudged_state, nudged_plan, other_end))
    return change(parent, draw)


def longer(parent: Conversation, draw: Random) -> Conversation:
    """One more state, somewhere."""
    states = list(parent.states)
    at = draw.randrange(len(states))
    time_s = states[at]["time_s"] + a_step_s(draw)
    fresh = moved(draw, states[at], time_s) if draw.random() < 0.7 else a_state(draw, parent.plan, time_s)
    return Conversation(parent.plan, parent.role, (*states[: at + 1], fresh, *states[at + 1 :])[-2 * MOST_STATES :])


def nudged_state(parent: Conversation, draw: Random) -> Conversation:
    """Numbers of one state changed by a little or a lot."""
    states = deepcopy(list(parent.states))
    state = draw.choice(states)
    size = spread(draw, 1e-12, 1.0)
    for key in draw.sample(("position_m", "velocity_m_s", "mass_kg", "time_s"), 2):
        old = state[key]
        new = [x * (1.0 + draw.gauss(0.0, size)) for x in (old if isinstance(old, list) else [old])]
        state[key] = new if isinstance(old, list) else new[0]
    return Conversation(parent.plan, parent.role, tuple(states))


def nudged_plan(parent: Conversation, draw: Random) -> Conversation:
    """A number of a stage, the target or the phases changed."""
    plan = deepcopy(parent.plan)
    holder = draw.choice([*plan["vehicle"]["stages"], plan["target"], *(plan["phases"])])
    keys = [key for key, value in holder.items() if isinstance(value, float) and key != "throttle_min_frac"]
    for key in keys[: draw.randint(1, 3)]:
        holder[key] *= draw.choice((0.5, 0.9, 1.01, 1.1, 2.0))
    if draw.random() < 0.2:
        plan["phases"] = [a_phase(draw, p["law"], len(plan["vehicle"]["stages"]), False) for p in plan["phases"]]
    return Conversation(plan, parent.role, parent.states)


def other_end(parent: Conversation, draw: Random) -> Conversation:
    """The same beginning with other states after it."""
    keep = draw.randint(1, len(parent.states))
    states, time_s = list(parent.states[:keep]), parent.states[keep - 1]["time_s"]
    for _ in range(draw.randint(1, 4)):
        time_s += a_step_s(draw)
        states.append(a_state(draw, parent.plan, time_s))
    return Conversation(parent.plan, parent.role, tuple(states))

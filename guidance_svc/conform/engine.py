"""What the states say about the engine: thrust along the pointing, of the right size, and paid for in mass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import acos, degrees, log, sqrt
from typing import Any, Final

import numpy as np

from guidance_svc.conform.motion import Scene
from guidance_svc.conform.record import Check, Heard, failed, not_seen, passed
from guidance_svc.conform.track import (
    WIDEST_STEP_S,
    Floats,
    Track,
    scatter_of,
    spread,
    state_of,
    vec,
    windows,
)
from guidance_svc.core.gravity import acceleration
from guidance_svc.domain import Stage
from guidance_svc.session.first_state import mass_finding
from guidance_svc.session.readings import mass_unit

PUSH_WINDOW_S: Final = 10.0
SHORT_WINDOW_S: Final = 2.0
SETTLED_S: Final = 10.0  # after ignition: the engine is up and the vehicle has turned
OFF_DEG: Final = 4.0  # a vehicle that turns at 0.2 deg/s and lags a second, and an engine's own misalignment
STILL_DEG: Final = 0.01  # of a pointing that stays the same
STACK_FRAC: Final = 0.1  # of the mass: figures of stages differ, units more
SIZE_FRAC: Final = 0.15  # of thrust: tables of engines are better, units are worse
FLOW_FRAC: Final = 0.2  # of the flow that the thrust needs; below it nothing burns
SIZES: Final = (  # ratio of mass times acceleration to the thrust, and what it means
    (1.0 / 0.45359237, "pounds for kilograms", "mass_kg is taken as pounds", "send mass_kg in kilograms"),
    (1.0e-3, "tonnes for kilograms", "mass_kg is taken as tonnes", "send mass_kg in kilograms"),
    (1.0 / 0.3048, "feet for metres", "velocities are taken as feet a second", "send metres a second"),
)
THRUST_SIZES: Final = (
    (1.0e3, "kilonewtons for newtons", "thrust_n is taken as kilonewtons", "send thrust_n in newtons"),
    (4.4482216, "pounds of force for newtons", "thrust_n is taken as pounds of force", "send thrust_n in newtons"),
)

ALONG = "the thrust lies along the state's pointing"
SIZE = "mass times acceleration is the thrust"
FALLS = "the mass falls while the engine burns, as its thrust asks"


@dataclass(frozen=True, slots=True)
class Push:
    """A stretch of burning: the mean acceleration that is not gravity's.

    Args:
        push_m_s2: BCI.
        pointing: mean of the states', NaN where none was sent.
        noise_m_s2: one sigma of the push's size.
        flow_kg_s: mass lost over the time.
        heard: the states of the stretch.
    """

    push_m_s2: Floats
    pointing: Floats
    mass_kg: float
    flow_kg_s: float
    noise_m_s2: float
    span_s: float
    heard: Sequence[Heard]

    @property
    def size_m_s2(self) -> float:
        """Size of the push's acceleration."""
        return float(np.linalg.norm(self.push_m_s2))

    def off_deg(self, direction: Floats) -> float:
        """Angle between the push and a direction."""
        return angle_deg(self.push_m_s2, direction)


def angle_deg(a: Floats, b: Floats) -> float:
    """Angle between two vectors."""
    size: Any = np.linalg.norm(a) * np.linalg.norm(b)
    return degrees(acos(max(-1.0, min(1.0, float(np.dot(a, b) / size))))) if size > 0.0 else 180.0


def settled_rows(track: Track, in_air: bool = False) -> Any:
    """Rows in flight, burning for at least SETTLED_S; those of the boost as well where `in_air`."""
    since, out = None, []
    for k, burning in enumerate(track.burning):
        since = None if not burning else track.time_s[k] if since is None else since
        out.append(bool(since is not None and track.time_s[k] - since >= SETTLED_S and (in_air or track.flying[k])))
    return np.array(out, dtype=bool)


def pushes(track: Track, scene: Scene) -> list[Push]:
    """All stretches of settled burning."""
    noise, usable = scatter_of(track).velocity_m_s, settled_rows(track)
    found = list(windows(track, usable, PUSH_WINDOW_S, WIDEST_STEP_S))
    found = found or list(windows(track, usable, SHORT_WINDOW_S, WIDEST_STEP_S))
    return [push_of(track, a, b, scene, noise) for a, b in found]


def push_of(track: Track, a: int, b: int, scene: Scene, noise_m_s: float) -> Push:
    """One stretch: change of velocity less gravity's (trapezoids)."""
    body, t = scene.body, track.time_s[a : b + 1]
    pull = np.array([
        acceleration(vec(r), body.mu_m3_s2, body.radius_m, body.j2) for r in track.position_m[a : b + 1]
    ])  # fmt: skip
    span = float(t[-1] - t[0])
    fallen = np.sum(0.5 * np.diff(t)[:, None] * (pull[1:] + pull[:-1]), axis=0)
    return Push(
        (track.velocity_m_s[b] - track.velocity_m_s[a] - fallen) / span,
        np.mean(track.pointing[a : b + 1], axis=0), float(np.mean(track.mass_kg[a : b + 1])),
        float(track.mass_kg[a] - track.mass_kg[b]) / span, 1.5 * noise_m_s / span, span, track.heard[a : b + 1],
    )  # fmt: skip


def engine_checks(scene: Scene, found: Sequence[Push]) -> list[Check]:
    """All of this subject."""
    first = weight_check(scene)
    if not found:
        why = "no stretch of 2 s, 10 s after ignition, with the engine on and states within 2 s of each other"
        rest = (("thrust_along_pointing", ALONG), ("thrust_size", SIZE), ("mass_falls", FALLS))
        return [first, *(not_seen(name, words, why) for name, words in rest)]
    return [first, along_check(found), size_check(scene, found), mass_check(scene, found)]


def weight_check(scene: Scene) -> Check:
    """The first mass against the plan's stack."""
    vehicle = scene.plan.vehicle
    heaviest = vehicle.mass_at_ignition_kg(0) * (1.0 + STACK_FRAC)
    lightest = min(stage.dry_mass_kg for stage in vehicle.stages) * (1.0 - STACK_FRAC)
    words = f"the mass is one that {vehicle.name} can have, {lightest:.0f} to {heaviest:.0f} kg"
    if not len(scene.track.mass_kg):
        return not_seen("mass", words, "no state came")
    mass = float(scene.track.mass_kg[0])
    first = scene.track.heard[0]
    finding = mass_finding(state_of(first.request), scene.plan, scene.frame)
    if lightest <= mass <= heaviest and finding is not None:
        return failed("mass", words, finding.seen, finding.advice)
    if lightest <= mass <= heaviest:
        return passed("mass", words, f"{mass:.0f} kg at first")
    found = mass_unit(mass, lightest, heaviest)
    if found is not None:
        factor, unit = found
        seen = f"{mass:.6g} kg at first; {unit} for kilograms: the numbers fit if mass_kg is taken as {unit}"
        return failed("mass", words, seen, f"send mass_kg in kilograms: multiply by {factor:g}")
    change = "send all that the engine pushes, or correct the vehicle file"
    return failed("mass", words, f"{mass:.6g} kg at first", change)


def along_check(found: Sequence[Push]) -> Check:
    """Change of velocity against the pointing that the states tell."""
    told = [push for push in found if not np.isnan(push.pointing).any()]
    if not told:
        return not_seen("thrust_along_pointing", ALONG, "the states carry no pointing")
    off = float(np.median([push.off_deg(push.pointing) for push in told]))
    limit = OFF_DEG + noise_deg(told)
    if off < limit:
        return passed("thrust_along_pointing", ALONG, f"median angle {off:.2f} deg")
    if constant(told):
        seen = "pointing never changes while the thrust turns; vehicle's own axes: it is taken as along them"
        change = "turn pointing into the axes of position_m with the vehicle's attitude"
        return failed("thrust_along_pointing", ALONG, seen, change)
    seen = f"thrust off pointing: median angle {off:.1f} deg between the change of velocity (less gravity) and pointing"
    change = "send pointing as a unit vector of the thrust axis, in the frame of positions and velocities"
    return failed("thrust_along_pointing", ALONG, seen, change)


def constant(told: Sequence[Push]) -> bool:
    """Whether the pointing stands still while the thrust turns by more than OFF_DEG."""
    first = told[0]
    still = all(angle_deg(push.pointing, first.pointing) < STILL_DEG for push in told)
    return still and any(first.off_deg(push.push_m_s2) > OFF_DEG for push in told)


def noise_deg(found: Sequence[Push]) -> float:
    """Three sigma of the direction of a push, from scatter."""
    return float(np.median([3.0 * degrees(p.noise_m_s2 / max(p.size_m_s2, 1e-3)) for p in found]))


def stage_of(scene: Scene, push: Push) -> Stage:
    """The plan's stage that burns in a stretch: as the state says, else the one that pushes about so hard."""
    stages = scene.plan.vehicle.stages
    said = push.heard[0].request.get("stage")
    if isinstance(said, int) and 0 <= said < len(stages):
        return stages[said]
    force_n = max(push.mass_kg * push.size_m_s2, 1.0)
    return min(stages, key=lambda stage: abs(log(stage.thrust_n / force_n)))


def size_check(scene: Scene, found: Sequence[Push]) -> Check:
    """Mass times acceleration against thrust_n, or against the plan's engine at the ordered throttle."""
    said = all("thrust_n" in one.request for push in found for one in push.heard)
    ratios = []
    for push in found:
        thrust = [one.request["thrust_n"] if said else stage_of(scene, push).thrust_n * one.reply.get("throttle", 1.0)
                  for one in push.heard]  # fmt: skip
        ratios.append(push.mass_kg * push.size_m_s2 / max(float(np.mean(thrust)), 1e-9))
    ratio = float(np.median(ratios))
    what = "thrust_n" if said else "the plan's thrust at the ordered throttle"
    if abs(ratio - 1.0) < SIZE_FRAC:
        return passed("thrust_size", SIZE, f"{ratio:.3f} of {what}")
    for size, key, words, change in SIZES + (THRUST_SIZES if said else ()):
        if abs(ratio / size - 1.0) < SIZE_FRAC:
            seen = f"{ratio:.4g} times {what}; {key}: the numbers fit if {words}"
            return failed("thrust_size", SIZE, seen, change)
    change = f"look at mass_kg, velocity_m_s and {what}; `guidance-svc calibrate` measures an engine from a recording"
    return failed("thrust_size", SIZE, f"thrust, mass and acceleration disagree: {ratio:.4g} times {what}", change)


def mass_check(scene: Scene, found: Sequence[Push]) -> Check:
    """Mass flow against what the thrust needs at the plan's exhaust velocity."""
    need = [push.mass_kg * push.size_m_s2 / stage_of(scene, push).exhaust_velocity_m_s for push in found]
    share = [push.flow_kg_s / max(n, 1e-9) for push, n in zip(found, need, strict=True)]
    middle = float(np.median(share))
    if middle > FLOW_FRAC:
        return passed("mass_falls", FALLS, f"{middle:.2f} of the flow that the thrust needs")
    seen = (
        f"the mass does not fall while the engine burns: {float(np.median([p.flow_kg_s for p in found])):.3g} kg/s, "
        f"the thrust needs {float(np.median(need)):.4g}"
    )
    return failed("mass_falls", FALLS, seen, "send the present mass in every state, propellant included")


def mass_scatter_kg(track: Track) -> float:
    """One sigma of a single mass reading."""
    return spread(np.diff(track.mass_kg, n=2)) / sqrt(6.0)

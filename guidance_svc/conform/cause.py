"""The root of what a run shows: one mix-up of frame or units, and which of the failed checks follow from it.

What the first state says against the plan's site or target comes first; then the path against itself and gravity, and
the target's plane. Where the kit flies the vehicle itself, the truth decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import inf
from typing import Final

import numpy as np

from guidance_svc.conform.engine import angle_deg
from guidance_svc.conform.motion import (
    FEWEST,
    LIMIT,
    PLANE_OFF_DEG,
    Scene,
    best_axes,
    best_reading,
    plane_off_deg,
    plane_reading,
    right,
    true_reading,
    truth_miss,
)
from guidance_svc.conform.record import Check, failed, not_seen, passed
from guidance_svc.conform.track import Misfit, Track, kinematic_windows, misfit_of, state_of, track_of
from guidance_svc.errors import GuidanceError
from guidance_svc.session.first_state import Finding, place_finding
from guidance_svc.session.readings import Reading

NAME: Final = "frame_and_units"
WORDS: Final = "the numbers are in the declared frame, and in metres, seconds and degrees"
LED_ASTRAY: Final = frozenset({"own_path", "fall", "truth", "plane", "thrust_along_pointing", "points_as_told"})
"""What cannot be judged while the numbers are wrong: the orders that were flown came of them, and may be any."""
OF_MASS: Final = frozenset({"thrust_size", "mass_falls", "throttles_as_told"})
OWN_AXES_DEG: Final = 10.0  # between a speed's direction and the path's, in the vehicle's own axes
SAME_LENGTH_FRAC: Final = 0.02


def cause_of(scene: Scene) -> tuple[str, Reading | None]:
    """What is seen first, and the reading that explains it; ("", None) where nothing is wrong."""
    first = first_finding(scene)
    if scene.run.truth:
        miss = truth_miss(scene, scene.track)
        if miss is not None and right(miss):
            return ("", None)
        true = true_reading(scene)
        if true is not None:
            return (first.seen if first else "the states are not those of the vehicle that this kit flies", true)
    enough = len(scene.track.time_s) >= FEWEST
    misfit = misfit_of(scene.track, scene.body) if enough else Misfit(0.0, 0.0, 0.0, 0.0, 0)
    if first is not None:
        return (first.seen, best_of(scene, first.readings) if first.readings else None)
    if enough and misfit.count == 0:
        reading = best_reading(scene, Misfit(inf, inf, 0.0, 0.0, 0))
        return ("no two states are within 2 s" if reading else "", reading)
    if misfit.worst >= LIMIT:
        reading = best_reading(scene, misfit) or best_axes(scene) or own_axes(scene)
        return ("the path does not agree with itself or with gravity" if reading else "", reading)
    normal, flying = scene.normal, int(scene.track.flying.sum())
    if normal is not None and flying >= FEWEST and plane_off_deg(scene.track, normal) >= PLANE_OFF_DEG:
        reading = plane_reading(scene, normal)
        return ("the path lies far from the target's plane" if reading else "", reading)
    return ("", None)


def first_finding(scene: Scene) -> Finding | None:
    """What the first state says against the plan."""
    for one in scene.states:
        try:
            return place_finding(state_of(one.request), scene.plan, scene.frame)
        except (GuidanceError, ArithmeticError, KeyError, TypeError, ValueError):
            continue
    return None


def best_of(scene: Scene, readings: Sequence[Reading]) -> Reading:
    """Of those that fit the first state, the one whose path fits best; the likeliest where none differs."""
    if len(readings) == 1:
        return readings[0]
    scores = []
    for reading in readings:
        track = track_of(scene.states, reading.frame, scene.body, reading.change)
        scores.append(max(LIMIT, misfit_of(track, scene.body).worst) if len(track.time_s) >= FEWEST else inf)
    return readings[scores.index(min(scores))]


def own_axes(scene: Scene) -> Reading | None:
    """Velocities along the vehicle's own axes: as long as the path's, in another direction."""
    track, turns, lengths = scene.track, [], []
    for a, b in kinematic_windows(track):
        way = (track.position_m[b] - track.position_m[a]) / float(track.time_s[b] - track.time_s[a])
        speed = np.mean(track.velocity_m_s[a : b + 1], axis=0)
        size = max(float(np.linalg.norm(way)), 1e-9)
        lengths.append(abs(float(np.mean(np.linalg.norm(track.velocity_m_s[a : b + 1], axis=1))) / size - 1.0))
        turns.append(angle_deg(way, speed))
    if not turns or float(np.median(turns)) < OWN_AXES_DEG or float(np.median(lengths)) > SAME_LENGTH_FRAC:
        return None
    words = "velocity_m_s is taken as along the vehicle's own axes: it is as long as the path asks, and not along it"
    advice = "turn velocity_m_s into the axes of position_m with the vehicle's attitude"
    return Reading("vehicle's own axes", words, advice, scene.frame)


def cause_check(scene: Scene, seen: str, reading: Reading | None) -> Check:
    """The verdict on frame and units as a whole."""
    if not len(scene.states):
        return not_seen(NAME, WORDS, "no state came")
    if reading is not None:
        return failed(NAME, WORDS, f"{seen}; {reading.key}: the numbers fit if {reading.words}", reading.advice)
    if seen:
        change = "fly the plan of this place, or look at frame; `guidance-svc check --frame ...` shows what to send"
        return failed(NAME, WORDS, seen, change)
    return passed(NAME, WORDS, "nothing speaks against it")


def correct_scene(scene: Scene, reading: Reading) -> Scene:
    """The run as it would be read right."""
    track: Track = track_of(scene.states, reading.frame, scene.body, reading.change)
    return replace(scene, run=replace(scene.run, frame=reading.frame), track=track)


def with_roots(checks: Iterable[Check], better: Iterable[Check], scene: Scene) -> list[Check]:
    """The checks with roots first, and what follows from a root marked with its name.

    Args:
        better: the same checks of the run as it would be read right; empty where no reading is known.
    """
    found = list(checks)
    held = {check.name for check in better if check.outcome != "fail"}
    broken = {check.name: check.seen for check in found if check.outcome == "fail"}
    out = []
    for check in found:
        root = root_of(check, broken, held, scene) if check.outcome == "fail" else ""
        out.append(replace(check, follows=root) if root else check)
    roots = [check for check in out if check.outcome == "fail" and check.name in (NAME, "mass") and not check.follows]
    return [*roots, *(check for check in out if check not in roots)]


def root_of(check: Check, broken: Mapping[str, str], held: set[str], scene: Scene) -> str:
    """The name of the failed check that a failed check follows from; empty where it is a fault of its own.

    Args:
        broken: what was seen of each that failed.
        held: those that hold when the numbers are read right.
    """
    if check.name in (NAME, "mass"):
        return ""
    if NAME in broken and (check.name in LED_ASTRAY or check.name in held):
        return NAME
    if check.name == "keeps_contact" and "milliseconds" in broken.get(NAME, ""):
        return NAME
    if "mass" in broken and check.name in OF_MASS:
        return "mass"
    if check.name == "accepted":
        fields = {one.reply.get("field") for one in scene.states if one.reply.get("code") == "out_of_range"}
        codes = {one.reply.get("code") for one in scene.states if one.reply.get("type") == "fault"}
        if codes == {"out_of_range"}:
            return "mass" if fields == {"mass_kg"} and "mass" in broken else NAME if NAME in broken else ""
    return ""

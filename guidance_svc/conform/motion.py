"""What the stream of states says about frame and units: against itself, gravity, the target's plane, and the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import acos, cos, degrees, inf, sin
from typing import Any, Final

import numpy as np

from guidance_svc.conform.record import Check, Heard, Run, failed, not_seen, passed
from guidance_svc.conform.track import Misfit, Track, misfit_of, scatter_of, track_of
from guidance_svc.core.vectors import dot, unit
from guidance_svc.domain import Body, FlightPlan, Frame, Vec
from guidance_svc.session.readings import Reading, other_axes, readings

LIMIT: Final = 9.0  # mean square of windows in units of scatter: three sigma for all of them at once
BETTER: Final = 0.1  # another reading must fit so many times better to be named
TRUTH_M: Final = 500.0  # less than any mix-up makes at 28 deg of latitude, more than any sensor errs
TRUTH_M_S: Final = 8.0  # a vertical that is tilted by 0.16 deg makes 10 at 3 km/s and more
PLANE_OFF_DEG: Final = 12.0  # no script begins an insertion so far out of its plane
PLANE_NEAR_DEG: Final = 4.0
BEGINNING: Final = 20  # states
FEWEST: Final = 5
AXES_STATES: Final = 300  # are enough to tell 96 sets of axes apart

SELF = "position and velocity agree: what one state moves to is where the next one is"
FALL = "without thrust the vehicle falls as gravity says"
TRUTH = "the states are those of the vehicle that this kit flies"
PLANE = "the path lies near the plane that the flight plan aims for"


@dataclass(frozen=True, slots=True)
class Scene:
    """A run, ready to be looked at.

    Args:
        states: distinct states, answered or refused.
        local: whether the local form was sent.
        track: as declared.
    """

    run: Run
    plan: FlightPlan
    states: Sequence[Heard]
    local: bool
    track: Track

    @property
    def body(self) -> Body:
        """The body of the flight plan."""
        return self.plan.body

    @property
    def frame(self) -> Frame:
        """The frame that `open` declared."""
        return self.run.frame

    @property
    def normal(self) -> Vec | None:
        """Of the target's plane, BCI; None where the plan holds none."""
        target = self.plan.target
        if target is None or target.plane != "inclination_and_node":
            return None
        i, node = target.inclination_rad, target.node_rad
        return (sin(i) * sin(node), -sin(i) * cos(node), cos(i))


def scene_of(run: Run) -> Scene | None:
    """The run with its states read as declared; None when no session was opened, or that of a tower."""
    if run.plan is None or not run.plan.vehicle.stages:
        return None
    states = list(run.states())
    local = any("altitude_m" in one.request for one in states)
    return Scene(run, run.plan, states, local, track_of(states, run.frame, run.plan.body, None))


def motion_checks(scene: Scene, cause: Reading | None = None) -> list[Check]:
    """All of this subject.

    Args:
        cause: the mix-up that explains it, if one is known; else each check looks for one.
    """
    truth = truth_check(scene, cause)
    return [*path_checks(scene, cause), truth, plane_check(scene, truth, cause)]


def path_checks(scene: Scene, cause: Reading | None = None) -> list[Check]:
    """The path against itself and gravity."""
    both = (("own_path", SELF), ("fall", FALL))
    if len(scene.track.time_s) < FEWEST:
        return [not_seen(name, words, "fewer than 5 states came") for name, words in both]
    misfit = misfit_of(scene.track, scene.body)
    guess = cause
    if misfit.count == 0:
        guess = cause or best_reading(scene, Misfit(inf, inf, 0.0, 0.0, 0))
        if guess is not None:
            return [failed("own_path", SELF, f"no two states are within 2 s; {fits(guess)}", guess.advice)]
        why = "no two states came within 2 s of each other, nor two without thrust"
        return [not_seen(name, words, why) for name, words in both]
    if misfit.worst >= LIMIT:
        guess = cause or best_reading(scene, misfit) or best_axes(scene)
    return [own_path_check(misfit, guess), fall_check(misfit, guess)]


def own_path_check(misfit: Misfit, guess: Reading | None) -> Check:
    """Whether positions change by the velocities that come with them."""
    if misfit.kinematic < LIMIT:
        return passed("own_path", SELF, f"they agree to {misfit.kinematic_m_s:.2g} m/s")
    seen = f"they part by {misfit.kinematic_m_s:.4g} m/s, {misfit.kinematic**0.5:.0f} times the scatter; "
    return failed("own_path", SELF, seen + fits(guess), advice(guess, "position_m, velocity_m_s and frame"))


def fall_check(misfit: Misfit, guess: Reading | None) -> Check:
    """Whether the path without thrust is one of free fall."""
    if misfit.fall == 0.0:
        return not_seen("fall", FALL, "no stretch without thrust outside the air")
    if misfit.fall < LIMIT:
        return passed("fall", FALL, f"it does to {misfit.fall_m_s2:.2g} m/s2")
    seen = f"{misfit.fall_m_s2:.3g} m/s2 are not gravity's, {misfit.fall**0.5:.0f} times the scatter; "
    return failed("fall", FALL, seen + fits(guess), advice(guess, "frame and units, and the plan's body and gravity"))


def fits(guess: Reading | None) -> str:
    """The best guess in words."""
    if guess is None:
        return "no mix-up that this kit knows fits better"
    return f"{guess.key}: the numbers fit if {guess.words}"


def advice(guess: Reading | None, otherwise: str) -> str:
    """Sentences on what to change: of the reading that would fit, or else."""
    return guess.advice if guess else f"look at {otherwise}; `guidance-svc check --frame ...` shows what to send"


def best_reading(scene: Scene, declared: Misfit) -> Reading | None:
    """The reading that fits the path best, if it is far better than the declared one."""
    best, best_score = None, max(LIMIT, BETTER * declared.worst) if declared.worst > LIMIT / BETTER else LIMIT
    for reading in readings(scene.frame, scene.body, scene.local):
        track = track_of(scene.states, reading.frame, scene.body, reading.change)
        if len(track.time_s) < FEWEST:
            continue
        misfit = misfit_of(track, scene.body, scatter_of(track))
        if misfit.count and misfit.worst < best_score and above_ground(track, scene.body):
            best, best_score = reading, misfit.worst
    return best


def best_axes(scene: Scene) -> Reading | None:
    """The axes in which the path obeys gravity; of several, those that bring it nearest to the target's plane."""
    some, fitting = scene.states[:AXES_STATES], []
    for reading in axes_readings(scene):
        track = track_of(some, reading.frame, scene.body, reading.change)
        if len(track.time_s) < FEWEST or not above_ground(track, scene.body):
            continue
        if misfit_of(track, scene.body).worst < LIMIT:
            fitting.append((0.0 if scene.normal is None else plane_off_deg(track, scene.normal), reading))
    return min(fitting, key=lambda found: found[0])[1] if fitting else None


def above_ground(track: Track, body: Body) -> bool:
    """Whether the path is where a vehicle can be."""
    radius = float(np.median(np.linalg.norm(track.position_m, axis=1)))
    return 0.98 * body.radius_m < radius < 1e3 * body.radius_m


# --- against what the kit's own vehicle did ----------------------------------------------------------------------


def truth_check(scene: Scene, cause: Reading | None = None) -> Check:
    """State by state against the vehicle that the kit flies."""
    if not scene.run.truth:
        return not_seen("truth", TRUTH, "the script flies a vehicle of its own")
    miss = truth_miss(scene, scene.track)
    if miss is None:
        guess = next((r for r in readings(scene.frame, scene.body, scene.local) if r.key.startswith("milli")), None)
        track = guess and track_of(scene.states, guess.frame, scene.body, guess.change)
        again = truth_miss(scene, track) if track else None
        if guess is not None and again is not None:
            return failed("truth", TRUTH, f"none of the times is the vehicle's own; {fits(guess)}", guess.advice)
        return not_seen("truth", TRUTH, "none of the times is one at which the kit's vehicle was read")
    if right(miss):
        return passed("truth", TRUTH, f"median error {miss[0]:.3g} m and {miss[1]:.2g} m/s")
    guess = cause or true_reading(scene)
    seen = f"median error {miss[0]:.4g} m and {miss[1]:.4g} m/s; {fits(guess)}"
    return failed("truth", TRUTH, seen, advice(guess, "frame and units"))


def right(miss: tuple[float, float, int]) -> bool:
    """Whether the error is no more than sensors make."""
    return miss[0] < TRUTH_M and miss[1] < TRUTH_M_S


def truth_miss(scene: Scene, track: Track) -> tuple[float, float, int] | None:
    """Median error of position (m) and velocity (m/s) where the vehicle was read at the same time; how many such."""
    told = [(k, scene.run.truth.get(round(float(t), 6))) for k, t in enumerate(track.time_s)]
    far = [
        (float(np.linalg.norm(track.position_m[k] - true["position_m"])),
         float(np.linalg.norm(track.velocity_m_s[k] - true["velocity_m_s"])))
        for k, true in told if true is not None
    ]  # fmt: skip
    if not far:
        return None
    return float(np.median([a for a, _ in far])), float(np.median([b for _, b in far])), len(far)


def true_reading(scene: Scene) -> Reading | None:
    """The reading that fits the truth best, if it fits."""
    best, least = None, 2.0
    some = scene.states[:: max(1, len(scene.states) // 200)]
    for reading in [*readings(scene.frame, scene.body, scene.local), *axes_readings(scene)]:
        miss = truth_miss(scene, track_of(some, reading.frame, scene.body, reading.change))
        score = miss[0] / TRUTH_M + miss[1] / TRUTH_M_S if miss else 2.0
        if miss and right(miss) and score < least - 1e-6:
            best, least = reading, score
    return best


def axes_readings(scene: Scene) -> list[Reading]:
    """Other axes, where the script has axes."""
    return [] if scene.local else list(other_axes(scene.frame))


# --- against the plane of the target -----------------------------------------------------------------------------


def plane_check(scene: Scene, truth: Check, cause: Reading | None = None) -> Check:
    """The plane of the path against the target's: a mirrored inertial frame shows nowhere else but in the truth."""
    normal, track = scene.normal, scene.track
    if normal is None or int(track.flying.sum()) < FEWEST:
        return not_seen("plane", PLANE, "the plan holds no inclination and node, or no states came after the boost")
    off = plane_off_deg(track, normal)
    if off < PLANE_OFF_DEG:
        return passed("plane", PLANE, f"{off:.2f} deg off it at the end")
    seen = f"{off:.1f} deg off it"
    guess = None if truth.outcome == "pass" else cause or plane_reading(scene, normal)
    if guess is not None:
        return failed("plane", PLANE, f"{seen}; {fits(guess)}", guess.advice)
    change = "look at axes, handedness and meridian_at_zero_deg of frame, and at the launch time; or the flight is lost"
    return failed("plane", PLANE, f"{seen}; {fits(None)}", change)


def plane_reading(scene: Scene, normal: Vec) -> Reading | None:
    """The axes that bring the beginning of the path, before guidance was led astray, nearest to the target's plane."""
    flying = [one for one, flies in zip(scene.track.heard, scene.track.flying, strict=True) if flies]
    some, best, least = flying[:BEGINNING], None, PLANE_NEAR_DEG
    for reading in axes_readings(scene):
        track = track_of(some, reading.frame, scene.body, reading.change)
        off = plane_off_deg(track, normal)
        if off < least - 1e-6:
            best, least = reading, off
    return best


def plane_off_deg(track: Track, normal: Vec) -> float:
    """Angle between the path's plane and another, median of the last states in flight; 180 where it has no plane."""
    angles, rows = [], np.flatnonzero(track.flying)[-20:]
    for r, v in zip(track.position_m[rows], track.velocity_m_s[rows], strict=True):
        h: Any = np.cross(r, v)
        if not h.any():
            continue
        angles.append(degrees(acos(max(-1.0, min(1.0, dot(unit((h[0], h[1], h[2])), normal))))))
    return float(np.median(angles)) if angles else 180.0

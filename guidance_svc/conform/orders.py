"""Whether the vehicle does what the replies say: points, lights, throttles, and cuts at the instant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi, radians
from typing import Any, Final

import numpy as np

from guidance_svc.conform.engine import Push, angle_deg, mass_scatter_kg, noise_deg, settled_rows
from guidance_svc.conform.motion import Scene
from guidance_svc.conform.record import INSTANT_S, Check, Heard, Outcome, failed, not_seen, passed
from guidance_svc.conform.track import Floats, Track, vec
from guidance_svc.core.frames import direction_of, direction_to_bci, triad
from guidance_svc.domain import Stage, Vec

OFF_DEG: Final = 4.0  # a turning vehicle lags a little
GUESS_DEG: Final = 4.0
MOVES_DEG: Final = 0.05  # between two states: it turns
CHASE_DEG: Final = 8.0  # between the way it turns and the way to where it should
FEWEST_TURNS: Final = 10
CUT_S: Final = 0.03  # the nearest tick of 20 ms, and a little
LIGHT_S: Final = 3.0  # after the order to burn
THROTTLED: Final = 0.95
THROTTLE_OFF: Final = 0.12  # valves and tables; one that ignores the order of 0.46 is off by 0.54
THROTTLE_STRETCH_S: Final = 1.0

POINTS = "the vehicle points where the replies say"
LIGHTS = "the engine lights when it is told to"
CUTS = "the engine is cut at cutoff_at_s on the vehicle's own clock"
THROTTLES = "the engine follows throttle"
USE = "use the reply's pointing, or pitch_deg above the horizon and heading_deg clockwise from north, in degrees"
READS = "the vehicle does what the replies say"


def order_checks(scene: Scene, found: Sequence[Push], frame_is_right: bool) -> list[Check]:
    """All of this subject; without a right frame directions are compared in the script's own numbers only."""
    checks = [points_check(scene, found, frame_is_right), lights_check(scene), throttle_check(scene)]
    checks.append(cut_check(scene))
    return [*checks, reads_check(checks)]


# --- pointing ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Aim:
    """Where the vehicle pointed, where it had pointed at the state before, and the reply that it flew under."""

    flown: Floats
    before: Floats | None
    reply: dict[str, Any]
    told: Floats
    position_m: Vec


def points_check(scene: Scene, found: Sequence[Push], frame_is_right: bool) -> Check:
    """Ordered direction against the flown one: from the truth, the state's pointing, or the change of velocity."""
    aims = aims_of(scene, found, frame_is_right)
    if not aims:
        return not_seen("points_as_told", POINTS, "no settled burn with a known direction")
    off = float(np.median([angle_deg(aim.flown, aim.told) for aim in aims]))
    if off < OFF_DEG + (noise_deg(found) if found else 0.0):
        return passed("points_as_told", POINTS, f"median angle {off:.2f} deg")
    seen = f"the vehicle does not point as told: median angle {off:.1f} deg"
    for key, words, use in MISUSES:
        if fits(aims, [np.array(use(aim, scene)) for aim in aims]):
            return failed("points_as_told", POINTS, f"{seen}; {key}: it fits if {words}", USE)
    change = "steer by each reply's pointing (or pitch_deg and heading_deg), and give the vehicle time to turn"
    return failed("points_as_told", POINTS, seen, change)


def aims_of(scene: Scene, found: Sequence[Push], frame_is_right: bool) -> list[Aim]:
    """One for every settled state with a known direction, else one for every stretch of thrust."""
    track, rows = scene.track, settled_rows(scene.track, in_air=True)
    aims = []
    for k in range(1, len(track.time_s)):
        before = track.heard[k - 1]
        if not (rows[k] and rows[k - 1] and before.is_command and track.time_s[k] - track.time_s[k - 1] < 1.0):
            continue
        was, flown = (axis_at(scene, i, frame_is_right) for i in (k - 1, k))
        if not np.isnan(flown).any():
            ordered = ordered_direction(scene, before, track.time_s[k])
            aims.append(Aim(flown, was, before.reply, ordered, vec(track.position_m[k])))
    if aims:
        return aims
    for push in found:
        middle = push.heard[len(push.heard) // 2]
        if middle.is_command and frame_is_right:
            at = float(middle.request["time_s"])
            where = int(np.searchsorted(track.time_s, at))
            ordered = ordered_direction(scene, middle, at)
            aims.append(Aim(push.push_m_s2, None, middle.reply, ordered, vec(track.position_m[where])))
    return aims


def axis_at(scene: Scene, k: int, frame_is_right: bool) -> Floats:
    """Thrust axis at a state, BCI: in truth, or as the state says; NaN where neither is known."""
    true = scene.run.truth.get(round(float(scene.track.time_s[k]), 6)) if frame_is_right else None
    return np.array(true["pointing"], dtype=float) if true else scene.track.pointing[k]


def fits(aims: Sequence[Aim], wanted: Sequence[Floats]) -> bool:
    """Whether the vehicle points there, or turns towards it as fast as it can."""
    if float(np.median([angle_deg(aim.flown, want) for aim, want in zip(aims, wanted, strict=True)])) < GUESS_DEG:
        return True
    chases = []
    for aim, want in zip(aims, wanted, strict=True):
        if aim.before is not None and angle_deg(aim.before, aim.flown) > MOVES_DEG:
            ahead = want - aim.before * float(np.dot(want, aim.before))
            chases.append(angle_deg(aim.flown - aim.before, ahead))
    return len(chases) >= FEWEST_TURNS and float(np.median(chases)) < CHASE_DEG


def ordered_direction(scene: Scene, one: Heard, time_s: float) -> Floats:
    """The ordered direction, BCI by the declared frame."""
    x, y, z = one.reply["pointing"]
    return np.array(direction_to_bci((x, y, z), scene.frame, scene.body, time_s))


def by_angles(convert: Callable[[float, float], tuple[float, float]]) -> Callable[[Aim, Scene], Vec]:
    """The direction that a misuse of pitch_deg and heading_deg gives; `convert` makes rad of them."""

    def use(aim: Aim, scene: Scene) -> Vec:
        pitch, heading = convert(aim.reply["pitch_deg"], aim.reply["heading_deg"])
        return direction_of(pitch, heading, triad(aim.position_m, scene.frame.up, scene.body))

    return use


def swap(i: int, j: int) -> Callable[[Aim, Scene], Vec]:
    """The ordered direction with two of its numbers changed for each other."""

    def use(aim: Aim, _: Scene) -> Vec:
        numbers = list(vec(aim.told))
        numbers[i], numbers[j] = numbers[j], numbers[i]
        return (numbers[0], numbers[1], numbers[2])

    return use


MISUSES: Final[tuple[tuple[str, str, Callable[[Aim, Scene], Vec]], ...]] = (
    ("degrees for radians", "pitch_deg and heading_deg were taken as radians", by_angles(lambda p, h: (p, h))),
    ("degrees turned to radians twice", "pitch_deg and heading_deg were converted twice",
     by_angles(lambda p, h: (radians(radians(p)), radians(radians(h))))),
    ("pitch from the vertical", "pitch_deg was counted from the vertical",
     by_angles(lambda p, h: (pi / 2 - radians(p), radians(h)))),
    ("heading from east", "heading_deg was counted from east, anticlockwise",
     by_angles(lambda p, h: (radians(p), pi / 2 - radians(h)))),
    ("heading anticlockwise", "heading_deg was counted anticlockwise from north",
     by_angles(lambda p, h: (radians(p), -radians(h)))),
    ("pitch and heading swapped", "pitch_deg and heading_deg were taken for each other",
     by_angles(lambda p, h: (radians(h), radians(p)))),
    ("pointing backwards", "the direction was turned round", lambda aim, _: vec(-aim.told)),
    ("axes of pointing swapped", "the second and third number of pointing were changed for each other", swap(1, 2)),
    ("axes of pointing swapped", "the first and second number of pointing were changed for each other", swap(0, 1)),
    ("axes of pointing swapped", "the first and third number of pointing were changed for each other", swap(0, 2)),
)  # fmt: skip


# --- engine ------------------------------------------------------------------------------------------------------


def lights_check(scene: Scene) -> Check:
    """Burning within a while of the order."""
    ordered_s, never = None, 0.0
    for one in scene.states:
        if not one.is_command:
            continue
        at = float(one.request["time_s"])
        if burns(one, scene):
            return passed("lights_when_told", LIGHTS, f"it burns at {at:.1f} s")
        if one.reply["engine_on"]:
            ordered_s = at if ordered_s is None else ordered_s
            never = at - ordered_s
    if ordered_s is None or never < LIGHT_S:
        return not_seen("lights_when_told", LIGHTS, "the engine was not ordered on, or the run ended at once")
    seen = f"ordered on at {ordered_s:.1f} s, still off {never:.1f} s later: engine_on, ignite and throttle are ignored"
    return failed("lights_when_told", LIGHTS, seen, "light the engine at the event's at_s, or while engine_on is true")


def burns(one: Heard, scene: Scene) -> bool:
    """Whether the engine burns at a state: by its own word, else by what the kit's vehicle did."""
    if "engine_on" in one.request:
        return bool(one.request["engine_on"])
    if scene.run.acts:
        done = [mark for at, mark in scene.run.acts if at <= one.request["time_s"] and mark in ("ignite", "cutoff")]
        return bool(done) and done[-1] == "ignite"
    return bool(one.request.get("thrust_n", 0.0) > 0.0)


def throttle_check(scene: Scene) -> Check:
    """Mass flow against the ordered throttle, where that is low."""
    track, run = scene.track, list[int]()
    off = list[float]()
    for k in range(len(track.time_s)):
        reply = track.heard[k].reply
        aloft = track.flying[k] or reply.get("cut_on_contact", False)
        if not (track.burning[k] and aloft and reply.get("engine_on")) or reply["throttle"] >= THROTTLED:
            run = []
            continue
        run.append(k)
        if track.time_s[k] - track.time_s[run[0]] >= THROTTLE_STRETCH_S:
            miss = throttle_off(scene, track, run)
            off += [] if miss is None else [miss]
    if not off:
        return not_seen("throttles_as_told", THROTTLES, "no burn of a second and more at part throttle")
    middle = float(np.median(off))
    if middle < THROTTLE_OFF:
        return passed("throttles_as_told", THROTTLES, f"the mass flow is within {middle:.3f} of the ordered share")
    seen = f"throttle ignored: the mass flow is off the ordered share by {middle:.2f}"
    return failed("throttles_as_told", THROTTLES, seen, "set the engine to each reply's throttle")


def throttle_off(scene: Scene, track: Track, run: Sequence[int]) -> float | None:
    """How far the flown share of full flow is off the ordered one over a stretch; None where noise hides it."""
    first, last = run[1] if len(run) > 1 else run[0], run[-1]
    span = float(track.time_s[last] - track.time_s[first])
    if span <= 0.0:
        return None
    stages = scene.plan.vehicle.stages
    said = track.heard[first].request.get("stage")
    stage = stages[said] if isinstance(said, int) and 0 <= said < len(stages) else stages[-1]
    full = stage.mass_flow_kg_s * float(np.mean([engines_of(track.heard[k].reply, stage) for k in run[:-1]]))
    if 3.0 * mass_scatter_kg(track) / (full * span) > THROTTLE_OFF:
        return None
    ordered = float(np.mean([max(stage.throttle_min_frac, track.heard[k].reply["throttle"]) for k in run[:-1]]))
    flown = float(track.mass_kg[first] - track.mass_kg[last]) / (full * span)
    return abs(flown - ordered)


def engines_of(reply: dict[str, Any], stage: Stage) -> float:
    """The part of a stage's engines that a reply orders to burn."""
    return float(reply.get("engines") or stage.engine_count) / stage.engine_count


def cut_check(scene: Scene) -> Check:
    """Every cutoff against the latest cutoff_at_s that the script had."""
    cuts = cuts_of(scene)
    if not cuts:
        return not_seen("cuts_on_time", CUTS, "no burn ended while the script was heard")
    late = max(cuts, key=lambda cut: abs(cut[1]))
    sure = CUT_S + late[2]
    if abs(late[1]) <= sure:
        return passed("cuts_on_time", CUTS, f"{len(cuts)} of {len(cuts)} within {sure:.3f} s, worst {late[1]:+.4f} s")
    if late[1] > 0.0:
        seen = f"late cutoff: the engine went off {late[1]:.3f} s after cutoff_at_s ({late[0]:.3f} s): acted on arrival"
        change = "set the cutoff ahead on the vehicle's clock as soon as cutoff_at_s is told, and follow it as it moves"
        return failed("cuts_on_time", CUTS, seen, change)
    seen = f"early cutoff: the engine went off {-late[1]:.3f} s before cutoff_at_s ({late[0]:.3f} s)"
    return failed("cuts_on_time", CUTS, seen, "do not round cutoff_at_s down to a tick; take the latest one told")


def cuts_of(scene: Scene) -> list[tuple[float, float, float]]:
    """(time told, how late, three sigma of that) of each cutoff."""
    acts = [at for at, mark in scene.run.acts if mark == "cutoff"]
    found = []
    for at, sigma in [(at, 0.0) for at in acts] if scene.run.truth else shown_cuts(scene):
        told_s = None
        for one in scene.states:
            if one.request["time_s"] > at + INSTANT_S:
                break
            if one.is_command and one.reply["cutoff_at_s"] is not None:
                told_s = float(one.reply["cutoff_at_s"])
        if told_s is not None and told_s > at - LIGHT_S * 3 and not by_contact(scene, at):
            found.append((told_s, at - told_s, 3.0 * sigma))
    return found


def by_contact(scene: Scene, at_s: float) -> bool:
    """Whether a cut is that of a contact, which comes when it comes."""
    after = next((one for one in scene.states if one.request["time_s"] >= at_s - INSTANT_S), None)
    return after is not None and after.request.get("contact") is True


def shown_cuts(scene: Scene) -> list[tuple[float, float]]:
    """(time, sigma) of each end of burning, between two states by the mass that was burnt after the first of them."""
    track, found = scene.track, []
    noise = mass_scatter_kg(track)
    for k in range(3, len(track.time_s)):
        if not (track.burning[k - 3 : k].all() and not track.burning[k]):
            continue
        t, m = track.time_s, track.mass_kg
        step, flow = float(t[k] - t[k - 1]), float((m[k - 3] - m[k - 1]) / (t[k - 1] - t[k - 3]))
        if flow > 0.0 and step < 1.0:
            burnt_s = min(max(float(m[k - 1] - m[k]) / flow, 0.0), step)
            found.append((float(t[k - 1]) + burnt_s, min(1.5 * noise / flow, step)))
    return found


def reads_check(checks: Sequence[Check]) -> Check:
    """Whether anything at all follows the replies."""
    outcomes: dict[str, Outcome] = {check.name: check.outcome for check in checks}
    bad = [name for name, outcome in outcomes.items() if outcome == "fail"]
    good = [name for name, outcome in outcomes.items() if outcome == "pass" and name != "lights_when_told"]
    if len(bad) >= 2 and not good:
        seen = f"replies not read: nothing follows them ({', '.join(bad)})"
        return failed("reads_replies", READS, seen, "read one reply after each state and carry it out")
    if not good:
        return not_seen("reads_replies", READS, "too little was flown")
    return passed("reads_replies", READS, f"{', '.join(good)}")

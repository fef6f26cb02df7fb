"""A landing's orders: as many engines as told, contact told, and no thrust from contact on."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from guidance_svc.conform.motion import Scene
from guidance_svc.conform.record import INSTANT_S, Check, Heard, failed, not_seen, passed
from guidance_svc.conform.track import Floats, state_of
from guidance_svc.core.frames import ground_velocity, state_to_bci
from guidance_svc.core.vectors import norm, sub
from guidance_svc.domain import Stage

SETTLED_S: Final = 0.5  # after another order: engines come up and go out
WRONG_FRAC: Final = 0.5  # of the states; an engine that is lost for a while is not the script's fault
LATE_S: Final = 0.25  # from contact on: a tick of 20 ms, a state every 0.1 s, and a little
STANDS_M_S: Final = 0.05  # over ground, engine off: nothing falls so slowly for long
STANDS_S: Final = 1.0

ENGINES = "as many engines burn as the replies say"
TELLS = "contact is told once legs or arms bear, and not before"
CUT_AT_CONTACT = "the engine is off from contact on"


def landing_checks(scene: Scene) -> list[Check]:
    """All of this subject; none for a plan that does not land."""
    if scene.plan.landing is None:
        return []
    contact_s = contact_of(scene)
    return [engines_check(scene), contact_check(scene, contact_s), contact_cut_check(scene, contact_s)]


# --- engines -----------------------------------------------------------------------------------------------------


def engines_check(scene: Scene) -> Check:
    """The number that burns, by the states, the kit's vehicle or the mass, against the number that was ordered."""
    rows = [(at, ordered, lit) for at, ordered, lit in counted(scene) if lit is not None]
    if not rows:
        return not_seen("engines_as_told", ENGINES, "no settled burn of a stage with several engines")
    wrong = [row for row in rows if row[1] != row[2]]
    by_order = {ordered: [lit for _, o, lit in rows if o == ordered] for ordered in {row[1] for row in rows}}
    bad = [o for o, lit in by_order.items() if sum(n != o for n in lit) > WRONG_FRAC * len(lit)]
    if not bad:
        counts = ", ".join(f"{n} where {n} are ordered" for n in sorted(by_order, reverse=True))
        return passed("engines_as_told", ENGINES, counts)
    at, ordered, lit = next(row for row in wrong if row[1] in bad)
    seen = f"engines ignored: {lit} burn where {ordered} are ordered, first at {at:.1f} s"
    change = "light as many of the stage's engines as each reply's engines says; where it is left out, all of them"
    return failed("engines_as_told", ENGINES, seen, change)


def counted(scene: Scene) -> list[tuple[float, int, int | None]]:
    """(time, ordered, burning or None where it cannot be known) of every settled state of a burn."""
    found: list[tuple[float, int, int | None]] = []
    since_s, before = 0.0, 0
    for was, one in pairwise(scene.states):
        stage, at = stage_of(scene, one), float(one.request["time_s"])
        ordered = ordered_by(was, stage)
        if stage.engine_count == 1 or not ordered or not one.request.get("engine_on", ordered):
            before = 0
            continue
        since_s = float(was.request["time_s"]) if ordered != before else since_s
        before = ordered
        if at - since_s > SETTLED_S + stage.ignition_delay_s:
            found.append((at, ordered, burning_count(scene, was, one, stage)))
    return found


def ordered_by(one: Heard, stage: Stage) -> int:
    """How many engines a reply orders; 0 for none."""
    if not one.is_command or not one.reply["engine_on"]:
        return 0
    return int(one.reply.get("engines") or stage.engine_count)


def burning_count(scene: Scene, was: Heard, one: Heard, stage: Stage) -> int | None:
    """How many burn: what the kit's vehicle does, what the state says, or what the mass between two states shows."""
    true = scene.run.truth.get(round(float(one.request["time_s"]), 6))
    if true is not None and "engines_lit" in true:
        return int(true["engines_lit"])
    if "engines_lit" in one.request:
        return int(one.request["engines_lit"])
    span_s = float(one.request["time_s"]) - float(was.request["time_s"])
    throttle = max(float(was.reply["throttle"]), stage.throttle_min_frac)
    burnt_kg = float(was.request["mass_kg"]) - float(one.request["mass_kg"])
    one_kg_s = throttle * stage.mass_flow_kg_s / stage.engine_count
    return round(burnt_kg / (span_s * one_kg_s)) if span_s > INSTANT_S else None


def stage_of(scene: Scene, one: Heard) -> Stage:
    """The stage that a state names, else the last one, which lands."""
    stages, said = scene.plan.vehicle.stages, one.request.get("stage")
    return stages[said] if isinstance(said, int) and 0 <= said < len(stages) else stages[-1]


# --- contact -----------------------------------------------------------------------------------------------------


def contact_of(scene: Scene) -> float | None:
    """When legs or arms began to bear: by the kit's vehicle, else since when the vehicle stands; None: not yet."""
    acts = [at for at, mark in scene.run.acts if mark == "contact"]
    if acts or scene.run.truth:
        return acts[0] if acts else None
    standing: list[float] = []
    for one in scene.states:
        still = one.is_command and not one.request.get("engine_on", True) and speed_m_s(scene, one) < STANDS_M_S
        standing = [*standing, float(one.request["time_s"])] if still else []
        if len(standing) > 1 and standing[-1] - standing[0] >= STANDS_S:
            return standing[0]
    told = [float(one.request["time_s"]) for one in scene.states if one.request.get("contact") is True]
    return told[0] if told else None


def speed_m_s(scene: Scene, one: Heard) -> float:
    """Over ground, as the frame has it."""
    position, velocity = state_to_bci(state_of(one.request), scene.frame, scene.body)
    return norm(sub(velocity, ground_velocity(position, scene.body.rotation_rad_s)))


def contact_check(scene: Scene, contact_s: float | None) -> Check:
    """What the states tell of it."""
    early = [at for at in told_at(scene.states) if contact_s is None or at < contact_s - INSTANT_S]
    if early:
        ahead = "it never came" if contact_s is None else f"it came at {contact_s:.2f} s"
        seen = f"contact is told at {early[0]:.2f} s, {ahead}"
        change = "send contact true from the first state on in which legs or arms bear, false before"
        return failed("tells_contact", TELLS, seen, change)
    after = [one for one in scene.states if contact_s is not None and one.request["time_s"] >= contact_s - INSTANT_S]
    if contact_s is None or not after:
        return not_seen("tells_contact", TELLS, "the vehicle did not come down while the script was heard")
    at_s = float(after[0].request["time_s"])
    if not any(one.request.get("contact") is True for one in after):
        last = f"{float(after[-1].request['time_s']) - contact_s:.1f} s later"
        said = "false" if any("contact" in one.request for one in after) else "not told"
        seen = f"the vehicle stands since {contact_s:.2f} s, contact is still {said} {last}"
        change = "send contact true once legs or arms bear: guidance ends the burn by it"
        return failed("tells_contact", TELLS, seen, change)
    return passed("tells_contact", TELLS, f"told at {at_s:.2f} s, contact was at {contact_s:.2f} s")


def told_at(states: Sequence[Heard]) -> Floats:
    """The times of the states that tell contact."""
    return np.array([float(one.request["time_s"]) for one in states if one.request.get("contact") is True])


def contact_cut_check(scene: Scene, contact_s: float | None) -> Check:
    """Whether the engine burns on after contact though it was to be cut there."""
    if contact_s is None:
        return not_seen("cut_at_contact", CUT_AT_CONTACT, "the vehicle did not come down while the script was heard")
    asked = [one for one in scene.states if one.reply.get("cut_on_contact") and one.request["time_s"] <= contact_s]
    after = [one for one in scene.states if one.request["time_s"] > contact_s + LATE_S]
    if not asked or not (after or told_at(scene.states).size):
        return not_seen("cut_at_contact", CUT_AT_CONTACT, "no reply asked for it, or no state came after contact")
    lit = [float(one.request["time_s"]) for one in after if one.request.get("engine_on") is True]
    if not lit:
        return passed("cut_at_contact", CUT_AT_CONTACT, f"contact at {contact_s:.2f} s, off from then on")
    late_s = lit[-1] - contact_s
    seen = f"cut_on_contact ignored: the engine still burns {late_s:.2f} s after contact at {contact_s:.2f} s"
    change = "cut the engine yourself at contact; cutoff_at_s is for a contact that does not come"
    return failed("cut_at_contact", CUT_AT_CONTACT, seen, change)

"""All checks of a run, in the order in which they are shown."""

from __future__ import annotations

from guidance_svc.conform.cause import cause_check, cause_of, correct_scene, with_roots
from guidance_svc.conform.engine import engine_checks, pushes
from guidance_svc.conform.landing import landing_checks
from guidance_svc.conform.link import link_checks
from guidance_svc.conform.motion import Scene, motion_checks, scene_of
from guidance_svc.conform.orders import order_checks
from guidance_svc.conform.record import Check, Run
from guidance_svc.session.readings import Reading

FRAME_CHECKS = frozenset({"own_path", "fall", "truth", "plane"})


def checks_of(run: Run) -> list[Check]:
    """What is right and wrong with a script; those that need more than came say so."""
    links = link_checks(run)
    scene = scene_of(run)
    if scene is None:
        return links
    seen, cause = cause_of(scene)
    judged = [*links, cause_check(scene, seen, cause), *judged_as(scene, cause)]
    better = judged_as(correct_scene(scene, cause), None) if cause is not None else []
    return with_roots(judged, better, scene)


def judged_as(scene: Scene, cause: Reading | None) -> list[Check]:
    """The checks of a run as it is read.

    Args:
        cause: the mix-up that explains it, if one is known.
    """
    motion = motion_checks(scene, cause)
    found = pushes(scene.track, scene)
    right = all(check.outcome != "fail" for check in motion if check.name in FRAME_CHECKS)
    orders = [*order_checks(scene, found, right), *landing_checks(scene)]
    return [*motion, *engine_checks(scene, found), *orders]

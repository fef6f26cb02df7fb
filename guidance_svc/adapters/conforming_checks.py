"""All checks of a run, in the order in which they are shown."""

from __future__ import annotations

from guidance_svc.adapters.conforming import Check, Run
from guidance_svc.adapters.conforming_engine import engine_checks, pushes
from guidance_svc.adapters.conforming_link import link_checks
from guidance_svc.adapters.conforming_motion import motion_checks, scene_of
from guidance_svc.adapters.conforming_orders import order_checks

FRAME_CHECKS = frozenset({"own_path", "fall", "truth", "plane"})


def checks_of(run: Run) -> list[Check]:
    """What is right and wrong with a script; those that need more than came say so."""
    links = link_checks(run)
    scene = scene_of(run)
    if scene is None:
        return links
    motion = motion_checks(scene)
    found = pushes(scene.track, scene)
    right = all(check.outcome != "fail" for check in motion if check.name in FRAME_CHECKS)
    return [*links, *motion, *engine_checks(scene, found), *order_checks(scene, found, right)]

"""Several vehicles in one world on one clock, each with its own state; a stack that parts goes on as two."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from guidance_svc.domain import Vehicle
from guidance_svc.errors import GuidanceError
from guidance_svc.sim.state import Controls, SimState, World, split
from guidance_svc.sim.step import step

AS_IT_IS: Final = Controls()


@dataclass(frozen=True, slots=True)
class Scene:
    """Vehicles by name, each with its world (the body and the clock are one) and its state now.

    Raises:
        GuidanceError: two vehicles differ in body, meridian or clock.
    """

    vehicles: Mapping[str, tuple[World, SimState]]

    def __post_init__(self) -> None:
        one, first = next(iter(self.vehicles.values()))
        for name, (world, state) in self.vehicles.items():
            if (world.body, world.meridian_at_zero_rad) != (one.body, one.meridian_at_zero_rad):
                raise GuidanceError("not_one_world", name, f"body {one.body.name}, turned alike", world.body.name)
            if state.time_s != first.time_s:
                raise GuidanceError("not_one_clock", name, f"{first.time_s} s, as the others", state.time_s)

    @property
    def time_s(self) -> float:
        """On the clock of all."""
        return next(iter(self.vehicles.values()))[1].time_s


def step_all(scene: Scene, controls: Mapping[str, Controls], dt_s: float) -> Scene:
    """All vehicles one tick later, as `sim.step.step` flies each; one without controls goes on as it was told.

    Raises:
        GuidanceError: controls for a vehicle that is not there, or what `step` raises.
    """
    for name in controls:
        if name not in scene.vehicles:
            raise GuidanceError("unknown_vehicle", name, f"one of {', '.join(scene.vehicles)}", name)
    return Scene({
        name: (world, step(state, controls.get(name, AS_IT_IS), dt_s, world))
        for name, (world, state) in scene.vehicles.items()
    })  # fmt: skip


def part_stack(scene: Scene, name: str, upper_name: str, upper: Vehicle | None = None, first_upper: int = 1) -> Scene:
    """The scene with a stack parted now: the lower part keeps the name, the upper part goes on beside it.

    Args:
        upper: what is above, where it has figures of its own (drag, limits, legs); None: those of the stack.
        first_upper: index of its lowest stage in the stack.

    Raises:
        GuidanceError: no such vehicle, or one of the upper part's name is there already.
    """
    if name not in scene.vehicles or upper_name in scene.vehicles:
        others = ", ".join(scene.vehicles)
        raise GuidanceError("unknown_vehicle", name, f"one of {others}, and a new name for what is above", upper_name)
    world, state = scene.vehicles[name]
    below, (above_world, above) = split(state, world, first_upper)
    if upper is not None:
        above_world = replace(above_world, vehicle=upper)
    return Scene({**scene.vehicles, name: below, upper_name: (above_world, above)})
